package main

import (
	"context"
	"errors"
	"iter"
	"math"
	"strings"
	"sync"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store"
	"ovenward/metrics"
	"ovenward/metrics/remotewrite"
)

// newRemotes makes a writer for each remote-write target of the configuration.
func (g *generation) newRemotes() error {
	for _, r := range g.file.Remotes {
		w, err := remotewrite.New(remotewrite.Options{
			Name: r.ID, URL: r.URL, Site: g.file.Site.Name, Posts: g.posts,
			Record: &outgoing{record: g.record, now: g.now, versions: map[int64]placed{}},
			CAFile: r.CAFile, Username: r.Username, PasswordFile: r.PasswordFile, TokenFile: r.TokenFile,
			History: r.History, Every: r.Every, Rate: float64(r.Rate), Timeout: r.Timeout,
			Version: version(), Log: g.log, Now: g.now,
			Round: g.loops.Loop("remote write "+r.ID, remotewrite.LongestRound+max(r.Timeout, 0), g.recordErr),
		})
		if err != nil {
			return err
		}
		g.remotes = append(g.remotes, w)
	}
	return nil
}

func (g *generation) remoteStates() []metrics.RemoteState {
	var out []metrics.RemoteState
	for _, r := range g.remotes {
		s := r.Stats()
		out = append(out, metrics.RemoteState{Name: s.Name, Sent: s.Sent, Failed: s.Failed, Refused: s.Refused, TooOld: s.TooOld,
			Crowded: s.Crowded, Behind: s.Behind, HeldBack: s.HeldBack, LastAccepted: s.LastAccepted})
	}
	return out
}

// settling is how much earlier than its commit something may be stamped: a
// stamp is made before the record is told.
const settling = 2 * time.Second

// outgoing shows a record as remote write reads it. It has no use for what was
// imported: no probe said it here.
type outgoing struct {
	record *store.Store
	now    func() time.Time

	mu       sync.Mutex
	versions map[int64]placed
	passed   map[string]int64 // by post, from which number on others than lost ones may come
}

// placed is a place, and how far below zero its probe's zero is off; lost: the record does
// not know it any more.
type placed struct {
	remotewrite.Place
	probe acquire.Probe
	lost  bool
}

// Posts implements remotewrite.Record.
func (o *outgoing) Posts(ctx context.Context) ([]string, error) {
	all, err := o.record.Posts(ctx)
	var own []string
	for _, p := range all {
		if !strings.HasPrefix(p, store.ImportedPrefix) {
			own = append(own, p)
		}
	}
	return own, err
}

// First implements remotewrite.Record.
func (o *outgoing) First(ctx context.Context, post string, at time.Time) (int64, error) {
	for s, err := range o.record.Samples(ctx, post, at, time.Time{}) {
		if isDamage(err) {
			continue
		}
		return s.Seq, err
	}
	seq, _, err := o.record.Newest(ctx, post)
	return seq + 1, err
}

// isDamage says whether err names a stretch of the record that cannot be read.
func isDamage(err error) bool {
	_, damaged := errors.AsType[*store.Damage](err)
	return damaged
}

// Rows implements remotewrite.Record.
func (o *outgoing) Rows(ctx context.Context, post string, seq int64) iter.Seq2[remotewrite.Row, error] {
	return func(yield func(remotewrite.Row, error) bool) {
		o.mu.Lock()
		from := max(seq, o.passed[post])
		o.mu.Unlock()
		first := true
		for s, err := range o.record.SamplesFrom(ctx, post, from) {
			if isDamage(err) {
				continue // the record tells it; what lies behind it is sent
			}
			var r remotewrite.Row
			if err == nil {
				r, err = o.row(ctx, s)
			}
			if errors.Is(err, store.ErrLost) {
				if first { // else all of them are read at each look
					o.pass(post, s.Seq+1)
				}
				continue // of which oven and probe it is, and whether simulated, nobody knows
			}
			first = false
			if !yield(r, err) || err != nil {
				return
			}
		}
	}
}

func (o *outgoing) pass(post string, seq int64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.passed == nil {
		o.passed = map[string]int64{}
	}
	o.passed[post] = seq
}

func (o *outgoing) row(ctx context.Context, s store.StoredSample) (remotewrite.Row, error) {
	r := remotewrite.Row{Seq: s.Seq, At: s.At, Value: float64(s.S), Quality: s.Quality}
	if !s.HasValue() || math.IsInf(r.Value, 0) {
		r.Value = math.NaN()
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	place, ok := o.versions[s.Version]
	if !ok {
		v, err := o.record.Version(ctx, s.Version)
		lost := errors.Is(err, store.ErrLost)
		if err != nil && !lost {
			return r, err
		}
		place = placed{remotewrite.Place{Oven: v.Oven, Probe: v.Probe, Simulated: v.Simulated, Stale: v.Stale, Top: max(float64(v.Range), 0)}, acquire.Probe{Floor: v.Floor}, lost}
		if math.IsNaN(place.Top) {
			place.Top = 0
		}
		o.versions[s.Version] = place
	}
	if place.lost {
		return r, store.ErrLost
	}
	if r.Place = place.Place; place.probe.BelowZero(s.S) {
		r.Value = math.NaN() // the field is not known, as in the metrics
	}
	return r, nil
}

// Events implements remotewrite.Record.
func (o *outgoing) Events(ctx context.Context, after int64, limit int) ([]acquire.Event, error) {
	return o.record.Events(ctx, after, limit)
}

// RemoteState implements remotewrite.Record.
func (o *outgoing) RemoteState(ctx context.Context, target string) ([]byte, error) {
	return o.record.RemoteState(ctx, target)
}

// SetRemoteState implements remotewrite.Record.
func (o *outgoing) SetRemoteState(ctx context.Context, target string, state []byte) error {
	return o.record.SetRemoteState(ctx, target, state)
}

// Settled implements remotewrite.Record.
func (o *outgoing) Settled() time.Time {
	at := o.now()
	if s := o.record.Stats(); !s.Oldest.IsZero() && s.Oldest.Before(at) {
		at = s.Oldest
	}
	return at.Add(-settling)
}
