package main

import (
	"context"
	"fmt"
	"iter"
	"math"
	"strings"
	"sync"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/quantity"
	"ovenward/config"
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
	runs   func(ctx context.Context, post string, from, to time.Time) iter.Seq2[past.Run, error]

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
		t, err := a.foresee(ctx, p, now)
		if err != nil {
			return err
		}
		out = append(out, t)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.troubles = out
	return nil
}

// foresee says what is to be told of a post. Without a certificate, or with too few
// runs for a trend, nobody knows.
func (a *ageing) foresee(ctx context.Context, p *acquire.Post, now time.Time) (acquire.Trouble, error) {
	said := acquire.Trouble{Rule: alarm.AgeingOf(p.ID), Unknown: true}
	guard := p.GuardBand(now, p.Limit.Value)
	if math.IsNaN(float64(guard)) || guard >= p.Limit.Value {
		return said, nil
	}
	t, err := soak.TrendOf(a.runs(ctx, p.ID, now.Add(-ageingOver), now), p.Limit.Value-guard)
	if err != nil || t.Days.Refused != "" {
		said.Unknown = !t.Days.Calm
		return said, err
	}
	said.Unknown = false
	day := func(d float64) time.Time { return t.First.Add(time.Duration(d * 24 * float64(time.Hour))) }
	if day(t.Days.Lo).Sub(now) > a.within {
		return said, nil
	}
	said.Text = fmt.Sprintf("the leakage of the last %d runs seen at post %s rises by %s a day; if it goes on so, it reaches %s, from where the uncertainty reaches limit %s, between %s and %s (90 %%): have hinge, latch and seal looked at by licensed service, and make a survey",
		t.Age.Points, p.ID, perDay(t), t.Level, p.Limit.ID, day(t.Days.Lo).Format(time.DateOnly), day(t.Days.Hi).Format(time.DateOnly))
	return said, nil
}

// perDay is how fast the runs rise: the middle of the slope over their numbers, by
// how many there are a day.
func perDay(t soak.Trend) quantity.PowerDensity {
	return quantity.PowerDensity(t.Age.Slope.Slope * t.RunsPerDay)
}

// Troubles is what was found when the runs were last looked at.
func (a *ageing) Troubles() (out []acquire.Trouble) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.troubles == nil && a.within > 0 { // not looked at yet
		for i := range a.posts {
			out = append(out, acquire.Trouble{Rule: alarm.AgeingOf(a.posts[i].ID), Unknown: true})
		}
		return out
	}
	return a.troubles
}

// ovenOf says of which oven the runs of a post are. What a probe sees belongs to its
// post; to an oven only where nothing else is near.
func ovenOf(f *config.File) func(post string) (oven, why string) {
	return func(post string) (oven, why string) {
		for _, p := range f.Posts {
			var others []string
			for _, o := range f.Ovens {
				if o.ID != p.Oven {
					others = append(others, o.ID)
				}
			}
			switch {
			case p.ID != post:
			case p.Alone:
				return p.Oven, "the configuration says that nothing else that emits is near"
			case len(others) == 0:
				return p.Oven, "no other oven is at this site"
			default:
				return "", fmt.Sprintf("other ovens are at this site (%s), and nothing says that none of them is near", strings.Join(others, ", "))
			}
		}
		return "", "the post is not watched"
	}
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
	e := eyes{record: g.record, posts: g.posts, station: func() []acquire.Stats { return g.station.Stats() }, zone: g.file.Site.Zone}
	g.soaks = planner{eyes: e, zone: g.file.Site.Zone, now: g.now, counted: g.operations, contacts: g.file.Contacts, ovenOf: ovenOf(g.file)}
	g.soaks.Keeper, err = soak.NewKeeper(context.Background(), g.record, e, g.now, g.soaked)
	return err
}

// follow keeps runs and hourly sums up to date until ctx ends, and looks at how the
// runs go on.
func (g *generation) follow(ctx context.Context, round func()) error {
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
		round()
		select {
		case <-t.C:
		case <-ctx.Done():
			return nil
		}
	}
}
