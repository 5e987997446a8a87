package store

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"sort"

	"ovenward/acquire"
)

// mendPosts writes the table of posts anew where its index says other than its rows, which SQLite
// does not see, or where one of the two cannot be read: a post that is not found by its name would
// begin anew, and all that is recorded of it be found no more. Of the two that counts which the
// chain of hashes knows, or the rows where it knows neither. It returns the event that says so.
func (w *writer) mendPosts(ctx context.Context) ([]acquire.Event, error) {
	rows, rerr := w.postsBy(ctx, "NOT INDEXED")
	indexed, ierr := w.postsBy(ctx, "INDEXED BY sqlite_autoindex_posts_1 ORDER BY id")
	for _, err := range []error{rerr, ierr} {
		if err != nil && !corrupt(err) && !errors.Is(err, ErrLost) {
			return nil, fmt.Errorf("compare the posts with their index: %w", err)
		}
	}
	whole := w.postsOf(ctx, rows, indexed, rerr != nil)
	if rerr == nil && ierr == nil && slices.Equal(rows, indexed) || rerr != nil && ierr != nil || len(whole) == 0 {
		return nil, nil // what is damaged otherwise is told when all is loaded
	}
	_, err := w.within(ctx, func() (int, error) {
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
		e := w.damageEvent("", fmt.Sprintf("damaged: the index of table posts, which says other than its rows; two of them name one post, and older samples of it are not found: stop, and run ovenward verify --rebuild --storage.path=%s", w.s.dir))
		var before bool // it stays so from start to start
		if err := w.conn.QueryRowContext(ctx, "SELECT EXISTS (SELECT 1 FROM events WHERE text = ?)", e.Text).Scan(&before); err == nil && before {
			w.s.o.Log.Error("the record is damaged", "what", e.Text)
			return nil, nil
		}
		return []acquire.Event{e}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("write the table of posts anew, whose rows or index are damaged: %w: %s", err, w.orRebuild(err))
	}
	return []acquire.Event{w.damageEvent("", "damaged: the rows of table posts or their index, which said otherwise; they were written anew as the chain of hashes knows them")}, nil
}

// postsBy reads the posts from their rows or from their index, by number; with an error, those of
// them that can be read.
func (w *writer) postsBy(ctx context.Context, from string) (all []numbered, err error) {
	var lost error
	err = each(ctx, w.conn, "SELECT post, id, typeof(id) = 'text' FROM posts "+from, func(scan func(...any) error) error {
		var p numbered
		var text bool // bytes are not found by a name
		switch err := scan(&p.post, &p.id, &text); {
		case errors.Is(err, ErrLost), err == nil && !text:
			lost = cmp.Or(err, ErrLost)
		case err != nil:
			return err
		default:
			all = append(all, p)
		}
		return nil
	})
	sort.SliceStable(all, func(i, j int) bool { return all[i].post < all[j].post })
	return all, cmp.Or(err, lost)
}

// postsOf are the posts that count of what rows and index say.
func (w *writer) postsOf(ctx context.Context, rows, indexed []numbered, unread bool) (whole []numbered) {
	proven := func(p numbered) bool {
		var known []byte
		sum, err := hashOf([]string{"id", "post"}, make([]sql.NullString, 2), []any{p.id, int64(p.post)})
		if err == nil {
			err = w.conn.QueryRowContext(ctx, "SELECT sha256 FROM chain WHERE kind = 'posts' AND ref = ? ORDER BY entry DESC LIMIT 1", p.post).Scan(&known)
		}
		return err == nil && bytes.Equal(known, sum[:sha256.Size])
	}
	all := slices.Concat(rows, indexed)
	for _, p := range all {
		if !slices.Contains(whole, p) && proven(p) {
			whole = append(whole, p)
		}
	}
	if !unread {
		all = rows
	}
	for _, p := range all {
		if !slices.ContainsFunc(whole, func(x numbered) bool { return x.post == p.post || x.id == p.id }) {
			whole = append(whole, p)
		}
	}
	return whole
}
