package store

import (
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
)

// TestHistory: each version of a post comes back as it was registered.
func TestHistory(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	first := post("fryer")
	first.TurnedBy, first.TurnedOn, first.Frequency = "R. Okafor", time.Date(2031, 5, 1, 0, 0, 0, 0, time.UTC), 2.45e9
	first.More = []limit.Limit{{ID: "public", Value: 10, Basis: limit.ExposurePublic, Source: "another", Averaging: 6 * time.Minute, Rule: limit.SimpleAcceptance}}
	second := first
	second.Distance, second.Probe.ID, second.Probe.Certificate, second.More = 0.3, "probe two", nil, nil
	register(t, s, first)
	later := noon().Add(time.Hour)
	if err := s.Register([]acquire.Post{second}, later); err != nil {
		t.Fatal(err)
	}
	all, err := s.History(t.Context(), "fryer")
	if err != nil || len(all) != 2 {
		t.Fatalf("%d versions, %v", len(all), err)
	}
	a, b := all[0], all[1]
	if a.Site != first.Site || a.Oven != first.Oven || a.OvenPlace != first.OvenPlace || a.Distance != 0.05 || !a.Turned || a.TurnedBy != "R. Okafor" || !a.TurnedOn.Equal(first.TurnedOn) ||
		a.Frequency != 2.45e9 || a.Limit != first.Limit || len(a.More) != 1 || a.More[0] != first.More[0] || a.Sustained != first.Sustained || a.RunGap != first.RunGap || a.Stale != first.Stale {
		t.Errorf("first version %+v", a)
	}
	p, q := a.Probe, first.Probe
	if p.ID != q.ID || p.Port != q.Port || p.Response != q.Response || p.Range != q.Range || p.Floor != q.Floor || p.Axes != q.Axes || p.ZeroBound != q.ZeroBound || p.Certificate == nil || !p.Certificate.Equal(*q.Certificate) {
		t.Errorf("its probe %+v", p)
	}
	if b.Distance != 0.3 || b.Probe.ID != "probe two" || b.Probe.Certificate != nil || len(b.More) != 0 || !b.ValidFrom.Equal(later) || b.Version <= a.Version {
		t.Errorf("second version %+v", b)
	}
	if none, err := s.History(t.Context(), "nowhere"); err != nil || len(none) != 0 {
		t.Errorf("%v %v", none, err)
	}
}

// TestHeadAndEventsOf: the newest head is the one that Verify finds; events are
// picked by post, kind and time.
func TestHeadAndEventsOf(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	for i, kind := range []acquire.Kind{acquire.KindZero, acquire.KindCheck, acquire.KindZero} {
		s.Record(acquire.Event{At: noon().Add(time.Duration(i) * time.Minute), Post: "fryer", Kind: kind, Text: "something"})
	}
	s.Record(acquire.Event{At: noon(), Kind: acquire.KindZero, Text: "of the station"})
	shut(t, s)
	r := must(OpenReadOnly(dir))
	defer r.Close()
	head, err := r.Head(t.Context())
	rep, verr := r.Verify(t.Context())
	if err != nil || verr != nil || head != rep.Head || head.Entries == 0 {
		t.Errorf("head %+v, verify finds %+v: %v %v", head, rep.Head, err, verr)
	}
	for _, c := range []struct {
		post     string
		from, to time.Time
		kinds    []acquire.Kind
		want     int
	}{
		{"fryer", time.Time{}, time.Time{}, []acquire.Kind{acquire.KindZero}, 2},
		{"fryer", time.Time{}, time.Time{}, []acquire.Kind{acquire.KindZero, acquire.KindCheck}, 3},
		{"fryer", noon().Add(time.Minute), noon().Add(2 * time.Minute), []acquire.Kind{acquire.KindZero, acquire.KindCheck}, 1},
		{"", time.Time{}, time.Time{}, []acquire.Kind{acquire.KindZero}, 1},
	} {
		if got, err := r.EventsOf(t.Context(), c.post, c.kinds, c.from, c.to, 100); err != nil || len(got) != c.want {
			t.Errorf("%+v: %d, %v", c, len(got), err)
		}
	}
	if got, err := r.EventsOf(t.Context(), "fryer", []acquire.Kind{acquire.KindZero}, time.Time{}, time.Time{}, 1); err != nil || len(got) != 1 || !got[0].At.Equal(noon().Add(2*time.Minute)) {
		t.Errorf("the newest: %+v, %v", got, err)
	}
}

// TestRemoved: what retention took is told for the time it was of, and no other.
func TestRemoved(t *testing.T) {
	begin := time.Now()
	var now atomic.Int64
	s := open(t, t.TempDir(), Options{Retention: Retention{Keep: Keep{Age: time.Hour}}, Now: func() time.Time { return begin.Add(time.Duration(now.Load())) }})
	register(t, s, post("fryer"))
	recordedFrom(t, s, begin, 3*time.Hour, 3, "fryer")
	merged(t, s, true)
	worked(s, func(w *writer) {
		now.Store(int64(3 * time.Hour))
		w.retaining()
		if err := w.attempt(true); err != nil {
			t.Error(err)
		}
	})
	gone, err := s.Removed(t.Context(), "fryer", begin.Add(10*time.Minute), begin.Add(20*time.Minute))
	if err != nil || len(gone) == 0 {
		t.Errorf("nothing is told of what was removed: %v", err)
	}
	if kept, err := s.Removed(t.Context(), "fryer", begin.Add(170*time.Minute), begin.Add(180*time.Minute)); err != nil || len(kept) != 0 {
		t.Errorf("told of what is there: %v %v", kept, err)
	}
	if _, err := s.Removed(t.Context(), "nowhere", begin, begin.Add(time.Hour)); err == nil {
		t.Error("no such post")
	}
}
