package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"ovenward/acquire"
)

// mendPosts writes the table of posts anew where its index says other than its rows, which SQLite
// does not see: a post that is not found by its name would begin anew, and all that is
// recorded of it be found no more. Of the two that counts which the chain of hashes knows, or the rows where
// it knows neither. It returns the event that says so.
func (w *writer) mendPosts(ctx context.Context) ([]acquire.Event, error) {
	read := func(from string) (all []numbered, err error) {
		err = each(ctx, w.conn, "SELECT post, id FROM posts "+from, func(scan func(...any) error) error {
			var p numbered
			err := scan(&p.post, &p.id)
			all = append(all, p)
			return err
		})
		slices.SortFunc(all, func(a, b numbered) int { return int(a.post) - int(b.post) })
		return all, err
	}
	rows, err := read("NOT INDEXED")
	indexed, ierr := read("INDEXED BY sqlite_autoindex_posts_1 ORDER BY id")
	switch err = errors.Join(err, ierr); {
	case corrupt(err) || errors.Is(err, ErrLost) || err == nil && slices.Equal(rows, indexed):
		return nil, nil // what is damaged otherwise is told when all is loaded
	case err != nil:
		return nil, fmt.Errorf("compare the posts with their index: %w", err)
	}
	proven := func(p numbered) bool {
		var known []byte
		sum, err := hashOf([]string{"id", "post"}, make([]sql.NullString, 2), []any{p.id, int64(p.post)})
		if err == nil {
			err = w.conn.QueryRowContext(ctx, "SELECT sha256 FROM chain WHERE kind = 'posts' AND ref = ? ORDER BY entry DESC LIMIT 1", p.post).Scan(&known)
		}
		return err == nil && bytes.Equal(known, sum[:sha256.Size])
	}
	var whole []numbered
	for _, p := range slices.Concat(rows, indexed) {
		if !slices.Contains(whole, p) && proven(p) {
			whole = append(whole, p)
		}
	}
	for _, p := range rows {
		if !slices.ContainsFunc(whole, func(x numbered) bool { return x.post == p.post || x.id == p.id }) {
			whole = append(whole, p)
		}
	}
	_, err = w.within(ctx, func() (int, error) {
		if _, err := w.exec(ctx, "DELETE FROM posts"); err != nil { // of all rows at once: no entry of the index is looked for
			return 0, err
		}
		for _, p := range whole {
			if _, err := w.exec(ctx, "INSERT INTO posts (post, id) VALUES (?, ?)", p.post, p.id); err != nil {
				return 0, err
			}
		}
		return len(whole), nil
	})
	if rowRefused(err) { // an earlier start gave a post another number
		return []acquire.Event{w.damageEvent("", fmt.Sprintf("damaged: the index of table posts, which says other than its rows; two of them name one post, and older samples of it are not found: stop, and run ovenward verify --rebuild --storage.path=%s", w.s.dir))}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("write the table of posts anew, whose index says other than its rows: %w", err)
	}
	return []acquire.Event{w.damageEvent("", "damaged: the rows of table posts or their index, which said otherwise; they were written anew as the chain of hashes knows them")}, nil
}
