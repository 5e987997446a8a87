package main

import (
	"context"
	"fmt"
	"math"
	"sync"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/quantity"
)

const (
	// historyEvery is how often runs and hourly sums are brought up to date.
	historyEvery = 10 * time.Second
	// ageingEvery is how often the trend of the runs is looked at, and ageingOver over
	// which time.
	ageingEvery = time.Hour
	ageingOver  = 365 * 24 * time.Hour
)

// historyOf is what the history of a post must know.
func historyOf(p acquire.Post) past.Post {
	h := past.Post{ID: p.ID, Options: past.Options{Floor: p.Probe.Floor, Response: p.Probe.Response, Gap: p.RunGap, Stale: p.Stale}}
	for _, l := range p.Limits() {
		h.Levels = append(h.Levels, l.Value)
	}
	return h
}

// ageing looks at how the runs of all posts go on, and tells when one comes near
// its limit.
type ageing struct {
	posts  []acquire.Post
	within time.Duration
	runs   func(ctx context.Context, post string, from, to time.Time) ([]past.Run, error)

	mu       sync.Mutex
	troubles []acquire.Trouble
	asked    time.Time
}

// look asks the record, when it is time to.
func (a *ageing) look(ctx context.Context, now time.Time) error {
	if a.within <= 0 || !a.asked.IsZero() && now.Sub(a.asked) < ageingEvery {
		return nil
	}
	a.asked = now
	var out []acquire.Trouble
	for i := range a.posts {
		p := &a.posts[i]
		text, err := a.foresee(ctx, p, now)
		if err != nil {
			return err
		}
		out = append(out, acquire.Trouble{Rule: alarm.AgeingOf(p.ID), Text: text})
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.troubles = out
	return nil
}

// foresee says what is to be told of a post; empty: nothing.
func (a *ageing) foresee(ctx context.Context, p *acquire.Post, now time.Time) (string, error) {
	guard := p.GuardBand(now, p.Limit.Value)
	if math.IsNaN(float64(guard)) || guard >= p.Limit.Value {
		return "", nil
	}
	runs, err := a.runs(ctx, p.ID, now.Add(-ageingOver), now)
	if err != nil {
		return "", err
	}
	t, err := soak.TrendOf(runs, p.Limit.Value-guard)
	if err != nil || t.Days.Refused != "" {
		return "", err
	}
	day := func(d float64) time.Time { return t.First.Add(time.Duration(d * 24 * float64(time.Hour))) }
	if day(t.Days.Lo).Sub(now) > a.within {
		return "", nil
	}
	return fmt.Sprintf("the leakage of the last %d runs seen at post %s rises by %s a day; if it goes on so, it reaches %s, from where the uncertainty reaches limit %s, between %s and %s (90 %%): have hinge, latch and seal looked at by licensed service, and make a survey",
		t.Age.Points, p.ID, perDay(t), t.Level, p.Limit.ID, day(t.Days.Lo).Format(time.DateOnly), day(t.Days.Hi).Format(time.DateOnly)), nil
}

// perDay is how fast the runs rise: the middle of the slope over their numbers, by
// how many there are a day.
func perDay(t soak.Trend) quantity.PowerDensity {
	return quantity.PowerDensity(t.Age.Slope.Slope * t.RunsPerDay)
}

// Troubles is what was found when the runs were last looked at.
func (a *ageing) Troubles() []acquire.Trouble {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.troubles
}

// newHistory makes what follows the record: runs and sums.
func (g *generation) newHistory() {
	var followed []past.Post
	for _, p := range g.posts {
		followed = append(followed, historyOf(p))
	}
	g.history = past.NewFollower(g.record, followed)
}

// keep reads the soak tests, after the station was made, which they look at.
func (g *generation) keep() (err error) {
	e := eyes{record: g.record, posts: g.posts, station: func() []acquire.Stats { return g.station.Stats() }}
	g.soaks = planner{eyes: e, zone: g.file.Site.Zone, now: g.now, counted: g.operations, contacts: g.file.Contacts}
	g.soaks.Keeper, err = soak.NewKeeper(context.Background(), g.record, e, g.now, g.soaked)
	return err
}

// follow keeps runs and hourly sums up to date until ctx ends, and looks at how the
// runs go on.
func (g *generation) follow(ctx context.Context) error {
	tell := func(err error) { g.log.Warn("runs and hourly sums wait: "+err.Error(), "kind", "record") }
	t := time.NewTicker(historyEvery)
	defer t.Stop()
	for {
		err := g.history.Once(ctx, g.now())
		if err == nil {
			err = g.ageing.look(ctx, g.now())
		}
		if err != nil && ctx.Err() == nil {
			tell(err)
		}
		select {
		case <-t.C:
		case <-ctx.Done():
			return nil
		}
	}
}
