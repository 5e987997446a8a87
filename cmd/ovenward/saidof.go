package main

import (
	"context"

	"ovenward/acquire"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
)

// saidOf finds by the word of which contact each of some runs of a post is its oven's,
// where one tells of the oven's power.
func (g *generation) saidOf(ctx context.Context, post string, runs []past.Run) ([]string, error) {
	for _, c := range g.file.Contacts {
		if c.Post != post || acquire.Says(c.Says) != acquire.SaysPower {
			continue
		}
		h, ok := g.soaks.eyes.post(soak.Plan{Post: post})
		if !ok || len(runs) == 0 {
			break
		}
		all, err := g.record.Switched(ctx, post, runs[0].Start)
		return past.SaidOf(all, h.Options, runs), err
	}
	return nil, nil
}
