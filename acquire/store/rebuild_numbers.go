package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"

	"ovenward/acquire/store/chunk"
)

// numbers gives posts whose rows are lost the numbers that they had, by the versions that
// their samples name.
func (b *rebuild) numbers(ctx context.Context, s *Store) error {
	there, err := s.Posts(ctx)
	if err != nil {
		return err
	}
	files := map[string]*os.File{}
	defer func() {
		for _, f := range files {
			f.Close()
		}
	}()
	tried := map[int64]bool{}
	for i := range b.runs {
		r := &b.runs[i]
		if slices.Contains(there, r.post) {
			continue
		}
		rows, err := r.rows(files)
		if err != nil {
			return err
		}
		if len(rows) == 0 || tried[rows[0].Version] {
			continue
		}
		tried[rows[0].Version] = true
		if err := s.ask(ctx, "give post "+r.post+" its number", func(ctx context.Context, w *writer) error {
			res, err := w.exec(ctx, "INSERT OR IGNORE INTO posts (post, id) SELECT post, ? FROM post_versions WHERE version = ?", r.post, rows[0].Version)
			if err != nil {
				return err
			}
			n, err := res.RowsAffected()
			if n > 0 {
				there = append(there, r.post)
			}
			return err
		}); err != nil {
			return err
		}
	}
	return nil
}

// mostPosts is up to which number of a post chunks are looked for: each costs a look.
const mostPosts = 4096

// chunkNumbers gives posts whose versions are lost too the numbers that the ids of their
// chunks begin with: of the names in chunks of one number, that in most.
func (b *rebuild) chunkNumbers(ctx context.Context, s *Store, old *sql.DB) error {
	if err := b.postNames(ctx, s); err != nil {
		return err
	}
	has := map[string]bool{}
	for _, name := range b.names {
		has[name] = true
	}
	for post := range int32(mostPosts) {
		if b.names[int64(post)] != "" {
			continue
		}
		named := map[string]int{}
		first, last := chunkRange(post)
		_ = across(ctx, old, "SELECT id, data FROM chunks WHERE id BETWEEN ? AND ? AND data IS NOT NULL ORDER BY id", first, last, func(scan func(...any) error) (id int64, err error) {
			var data []byte
			var c chunk.Chunk
			if err = scan(&id, &data); err == nil && c.Open(data) == nil && !has[c.Post()] { // else it is a stray
				named[c.Post()]++
			}
			return id, err
		})
		if err := ctx.Err(); err != nil {
			return err
		}
		names := slices.SortedFunc(maps.Keys(named), func(x, y string) int { return cmp.Or(named[y]-named[x], strings.Compare(x, y)) })
		switch {
		case len(names) == 0:
			continue
		case len(names) > 1 && named[names[0]] == named[names[1]]:
			b.out.Lost = append(b.out.Lost, fmt.Sprintf("which post had number %d: as many of its chunks name %s as %s", post, names[0], names[1]))
			continue
		}
		has[names[0]] = true
		if err := s.ask(ctx, "give post "+names[0]+" its number", func(ctx context.Context, w *writer) error {
			_, err := w.exec(ctx, "INSERT OR IGNORE INTO posts (post, id) VALUES (?, ?)", post, names[0])
			return err
		}); err != nil {
			return err
		}
	}
	return b.postNames(ctx, s)
}

// postNames reads which post has which number in the new record.
func (b *rebuild) postNames(ctx context.Context, s *Store) error {
	b.names = map[int64]string{}
	return each(ctx, s.db, "SELECT post, id FROM posts", func(scan func(...any) error) error {
		var post int64
		var name string
		err := scan(&post, &name)
		b.names[post] = name
		return err
	})
}
