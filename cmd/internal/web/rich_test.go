package web

import (
	"compress/gzip"
	"context"
	"io"
	"iter"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
)

// busy is a fake with one of each: above, over range, blind, alarms of all kinds.
func busy(t *testing.T) *fakeStation {
	t.Helper()
	f := newFake(noon())
	f.stats[0] = seeing(0, f.stats[0].Post, 14.3, noon())
	f.stats[1] = overRanged(f.stats[1])
	f.stats[2] = blinded(f.stats[2], acquire.SilentNow, "no answer for 6 s: check the cable")
	f.stats[0].Alarms = []alarm.Alarm{stood("galley", alarm.Exceeds, alarm.LatchedUnacknowledged, noon()), stood("galley", alarm.Silent, alarm.Unacknowledged, noon())}
	shelved := stood("ward", alarm.Battery, alarm.Acknowledged, noon())
	shelved.Aside, shelved.By, shelved.Why, shelved.AsideSince, shelved.Until = alarm.Shelved, "R. Okafor", "spare on order", noon().Add(-time.Hour), noon().Add(time.Hour)
	f.stats[1].Alarms = []alarm.Alarm{shelved}
	f.stats[2].Withdrawn = &alarm.Alarm{Rule: alarm.WithdrawnOf("Canteen oven"), Since: noon(), By: "R. Okafor", Why: "door bent"}
	return f
}

// richly gives a server a record with events, messages and sums.
func richly(o *Options) {
	change := alarm.Change{Alarm: stood("galley", alarm.Exceeds, alarm.Unacknowledged, noon()), From: alarm.Normal, Reason: alarm.Raised,
		Verdict: &alarm.Grounds{Outcome: "exceeds", Limit: 10, LimitID: "in-use", Source: "an invented rule", Reasons: []string{"above"}}}
	events := []acquire.Event{
		{ID: 1, At: noon().Add(-time.Hour), Kind: acquire.KindStation, Text: "started"},
		{ID: 2, At: noon().Add(-2 * time.Minute), Post: "galley", Kind: acquire.KindAlarm, Text: "above the limit", Raw: []byte("1.43"), Alarm: &change},
	}
	day := store.Head{Day: "2031-05-19", Entries: 7, SHA256: "cd"}
	o.Record = func() store.Stats { return store.Stats{Commits: 12, CommittedAt: noon(), Head: day, DayHead: day} }
	o.Heads = func(context.Context, time.Time, time.Time) ([]store.DayHead, error) {
		return []store.DayHead{{Head: day, Signer: "ef"}}, nil
	}
	o.Events = func(_ context.Context, after int64, n int) ([]acquire.Event, error) {
		return events[min(after, 2):], nil
	}
	o.Changes = func(context.Context, time.Time, time.Time) iter.Seq2[acquire.Event, error] {
		return func(yield func(acquire.Event, error) bool) { yield(events[1], nil) }
	}
	o.Told = func(context.Context, store.ToldQuery, int) ([]store.Told, error) {
		return []store.Told{{ID: 1, Courier: "office", To: "https://desk.example", Event: 2, Post: "galley", Rule: "exceeds", At: noon(), Outcome: store.ToldAccepted}}, nil
	}
	soaking(noon()).options(o)
	o.Sums = []acquire.Sum{{ID: "hatch", Posts: []string{"galley", "ward"}, Limit: "in-use"}}
}

func unpacked(t *testing.T, r io.Reader) string {
	t.Helper()
	z, err := gzip.NewReader(r)
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	return string(body)
}
