package main

import (
	"context"
	"errors"
	"slices"

	"ovenward/acquire"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/store"
)

// saidOf finds by the word of which contact each of some runs of a post is its oven's,
// where one tells of the oven's power. It may say so and name events that it left out.
func (g *generation) saidOf(ctx context.Context, post string, runs []past.Run) ([]string, error) {
	for _, c := range g.file.Contacts {
		if c.Post != post || acquire.Says(c.Says) != acquire.SaysPower {
			continue
		}
		k := slices.IndexFunc(g.posts, func(p acquire.Post) bool { return p.ID == post })
		if k < 0 || len(runs) == 0 {
			break
		}
		all, err := g.record.Switched(ctx, post, g.posts[k].Oven, runs[0].Start)
		if left := (*store.LeftOut)(nil); err != nil && !errors.As(err, &left) {
			return nil, err
		}
		said := make([]string, len(runs))
		for i, r := range runs {
			said[i] = past.SaidOf(all, historyOf(g.posts[k]).Options, r)
		}
		return said, err
	}
	return nil, nil
}
