package soak

import (
	"context"
	"fmt"
	"time"

	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Whether a mean was above the limit of acceptance is found from samples while a test
// runs, and is more than can be found again each time somebody asks what it has come to.
// So what was found is noted among the test's marks, and its verdict rests on that.

// noteMean notes, once, what exceedances of the mean in a stretch of a test show.
func (k *Keeper) noteMean(ctx context.Context, l *Life, a Span, e stats.Exceedances) error {
	p := l.Plan
	if p.Mean <= 0 || e.Count == 0 || l.meanShown(Exceeds) != "" {
		return nil
	}
	text := fmt.Sprintf("the mean over %s was above limit %s", quantity.FormatDuration(p.Mean), p.LimitID)
	outcome := Exceeds
	if p.Rule == limit.GuardedRejection && p.Guard > 0 {
		beyond := p
		beyond.Level += p.Guard
		above, _, err := k.eyes.Above(ctx, beyond, a.From, a.To)
		switch {
		case err != nil:
			return err
		case above.Count > 0:
			text = fmt.Sprintf("the mean over %s was above limit %s by more than its uncertainty, %s", quantity.FormatDuration(p.Mean), p.LimitID, p.Guard)
		case l.meanShown(NotDecided) != "":
			return nil
		default:
			outcome = NotDecided
			text = fmt.Sprintf("the mean over %s was above limit %s by no more than its uncertainty, %s, which guarded rejection does not reject", quantity.FormatDuration(p.Mean), p.LimitID, p.Guard)
		}
	}
	return k.enter(ctx, Mark{Soak: p.ID, At: a.To, Kind: Noted, Who: Itself, Text: text, Outcome: string(outcome)})
}

// meanShown is the note of what a mean has shown; empty: there is none.
func (l *Life) meanShown(o Outcome) string {
	for _, m := range l.Log {
		if m.Kind == Noted && m.Who == Itself && m.Outcome == string(o) {
			return m.Text
		}
	}
	return ""
}

// unlookedFor is more than an end waits to be looked at, which the program may not have
// lived to do, and for as long after it the record is asked for what it lacks.
const unlookedFor = time.Hour

// unlooked says whether the end of a test, which does not run now, was not looked at for
// what its means show.
func (k *Keeper) unlooked(l *Life) bool {
	n := len(l.Active)
	return l.Plan.Mean > 0 && n > 0 && l.meanShown(Exceeds) == "" && k.of(l).to.Before(l.Active[n-1].To)
}
