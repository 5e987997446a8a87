package main

import (
	"context"
	"iter"
	"math"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/cmd/internal/notify"
)

// TestAStartMendsNoCourier: before the first attempt nobody knows whether messages
// are accepted again.
func TestAStartMendsNoCourier(t *testing.T) {
	at := time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC)
	for name, tt := range map[string]struct {
		s       notify.Stats
		unknown bool
		amiss   bool
	}{
		"just started":               {notify.Stats{Name: "desk"}, true, false},
		"accepted":                   {notify.Stats{Name: "desk", Begun: true, LastAccepted: at}, false, false},
		"a heartbeat was":            {notify.Stats{Name: "desk", Begun: true, LastHeartbeat: at}, false, false},
		"a heartbeat was, unread":    {notify.Stats{Name: "desk", LastHeartbeat: at}, true, false},
		"in vain":                    {notify.Stats{Name: "desk", Failing: true, LastError: "nobody answers", LastErrorAt: at}, false, true},
		"one in vain, others taken":  {notify.Stats{Name: "desk", Vain: 1, Waiting: 1, LastError: "500", LastErrorAt: at, LastAccepted: at, LastHeartbeat: at}, false, true},
		"one tried, a heartbeat was": {notify.Stats{Name: "desk", Begun: true, Waiting: 1, Trying: 1, LastHeartbeat: at}, true, false},
		"not shown":                  {notify.Stats{Name: "desk", NotShown: "the state of post galley is not taken", LastAccepted: at}, false, true},
		"shown":                      {notify.Stats{Name: "desk", LastShown: at, Begun: true}, false, false},
		"shown, and unread":          {notify.Stats{Name: "desk", LastShown: at}, true, false},
		"never shown":                {notify.Stats{Name: "desk", NotShown: "the broker lets nobody in"}, false, true},
		"shown, and one waits":       {notify.Stats{Name: "desk", LastShown: at, Begun: true, Waiting: 1}, true, false},
		"in vain, then taken":        {notify.Stats{Name: "desk", Begun: true, LastError: "nobody answers", LastErrorAt: at, LastAccepted: at}, false, false},
	} {
		got := courierTrouble(tt.s, false)
		if got.Rule != alarm.CourierOf("desk") || got.Unknown != tt.unknown || (got.Text != "") != tt.amiss {
			t.Errorf("%s: %+v", name, got)
		}
	}
}

// TestAgeingIsNotMendedByKnowingLess: before the record was looked at, without a
// certificate or with too few runs nobody knows; runs that rise no more end it.
func TestAgeingIsNotMendedByKnowingLess(t *testing.T) {
	now := time.Date(2026, 11, 1, 8, 0, 0, 0, time.UTC)
	post := acquire.Post{ID: "galley", Distance: 0.05, Turned: true, Limit: limit.Limit{ID: "in-use", Value: 50}, Probe: acquire.Probe{ID: "p", Range: 200, Floor: 0.1, Axes: 3, Response: time.Second,
		Certificate: &calib.Certificate{Number: "K-1", Factor: 1, U: 0.1, K: 2, Date: now.AddDate(-1, 0, 0), Due: now.AddDate(1, 0, 0)}}}
	runs := func(n int, mean func(i int) float64) []past.Run {
		var all []past.Run
		for i := range n {
			at := now.Add(time.Duration(i-n) * 24 * time.Hour)
			all = append(all, past.Run{Number: int64(i + 1), Start: at, End: at.Add(time.Minute), Begun: true, Mean: quantity.PowerDensity(mean(i))})
		}
		return all
	}
	rough := func(i int) float64 { return 0.3 * math.Sin(float64(i*i)) }
	rising := func(i int) float64 { return 15 + 0.4*float64(i) + rough(i) }
	level := func(i int) float64 { return 20 + rough(i) }
	bare := post
	bare.Probe.Certificate = nil
	for name, tt := range map[string]struct {
		post    acquire.Post
		runs    []past.Run
		unknown bool
		amiss   bool
	}{
		"rising":                     {post, runs(50, rising), false, true},
		"level":                      {post, runs(50, level), false, false},
		"few runs":                   {post, runs(5, rising), true, false},
		"rising, no certificate":     {bare, runs(50, rising), true, false},
		"rising, and at the limit":   {post, runs(90, rising), true, false},
		"no runs, after a retention": {post, nil, true, false},
	} {
		a := &ageing{posts: []acquire.Post{tt.post}, within: 30 * 24 * time.Hour,
			runs: func(context.Context, string, time.Time, time.Time) iter.Seq2[past.Run, error] {
				return func(yield func(past.Run, error) bool) {
					for _, r := range tt.runs {
						if !yield(r, nil) {
							return
						}
					}
				}
			}}
		if got := a.Troubles(); len(got) != 1 || !got[0].Unknown || got[0].Rule != alarm.AgeingOf("galley") {
			t.Errorf("%s: before it was looked at: %+v", name, got)
		}
		if err := a.look(t.Context(), now); err != nil {
			t.Fatal(err)
		}
		if got := a.Troubles(); len(got) != 1 || got[0].Unknown != tt.unknown || strings.Contains(got[0].Text, "rises by") != tt.amiss {
			t.Errorf("%s: %+v", name, got)
		}
	}
	off := &ageing{posts: []acquire.Post{post}}
	if got := off.Troubles(); len(got) != 0 {
		t.Errorf("switched off: %+v", got)
	}
}
