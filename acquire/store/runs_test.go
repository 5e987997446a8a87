package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/cycle"
	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/quantity"
)

// cooked records a day at one sample a second: 40 s on in each 10 min.
func cooked(t *testing.T, s *Store, span time.Duration) {
	t.Helper()
	rng := rand.New(rand.NewPCG(5, 1))
	for i := range int64(span / time.Second) {
		b := sample(i + 1)
		b.At = noon().Add(time.Duration(i) * time.Second)
		b.Reading.Value.Digits, b.Reading.Value.Exp = rng.Int64N(5), -3 // mW/cm²
		if i%600 < 40 {
			b.Reading.Value.Digits = 2000 + rng.Int64N(300)
		}
		b.Quality = 0
		s.Append(0, []acquire.Sample{b})
	}
	drained(t, s)
}

// TestHistoryThroughTheRecord: runs and hours of recorded samples are kept and come
// back as they were; the time in which the probe was away shows nothing of its post.
func TestHistoryThroughTheRecord(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("combi"))
	s.Record(acquire.Event{At: noon().Add(3 * time.Hour), Post: "combi", Kind: acquire.KindAlarm, Alarm: &alarm.Change{Alarm: alarm.Alarm{Post: "combi", Rule: alarm.Away, State: alarm.Acknowledged, ID: "a"}}})
	s.Record(acquire.Event{At: noon().Add(4 * time.Hour), Post: "combi", Kind: acquire.KindAlarm, Alarm: &alarm.Change{Alarm: alarm.Alarm{Post: "combi", Rule: alarm.Away, State: alarm.Normal, ID: "a"}}})
	cooked(t, s, 10*time.Hour)
	p := history.Post{ID: "combi", Options: history.Options{Floor: 0.1, Response: time.Second, Gap: 90 * time.Second, Stale: 3 * time.Second, Levels: []quantity.PowerDensity{20}}}
	if err := history.NewFollower(s, []history.Post{p}).Once(t.Context(), noon().Add(10*time.Hour)); err != nil {
		t.Fatal(err)
	}
	check := func(r *Reader) []history.Run {
		t.Helper()
		runs, err := r.Runs(t.Context(), "combi", noon(), noon().Add(24*time.Hour))
		// The first begins with the record, another with the end of the hour away.
		if err != nil || len(runs) < 52 || len(runs) > 54 {
			t.Fatalf("%d runs, %v", len(runs), err)
		}
		for i, u := range runs[1:] {
			if u.Number != int64(i+2) || u.Begun == (u.Start.Sub(noon()) < 4*time.Hour+time.Minute && u.Start.Sub(noon()) >= 4*time.Hour) || u.Peak < 20 || u.Peak > 25 || u.Mean < 20 || u.Mean > 24 || u.Begun && (u.On < 39*time.Second || u.On > 41*time.Second) {
				t.Fatalf("%+v", u)
			}
		}
		n := 0
		for h, err := range r.PastHours(t.Context(), "combi", noon().Truncate(time.Hour), noon().Add(24*time.Hour)) {
			if err != nil {
				t.Fatal(err)
			}
			if n++; h.From.Equal(noon().Add(3*time.Hour).Truncate(time.Hour)) && h.Sum.Seen() > time.Second {
				t.Errorf("in the hour away %v were seen", h.Sum.Seen())
			}
		}
		if n != 9 {
			t.Errorf("%d hours", n)
		}
		return runs
	}
	before := check(s.Reader)
	shut(t, s)
	r, err := OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if after := check(r); !reflect.DeepEqual(after, before) {
		t.Error("after a start the runs are others")
	}
	debianSays(t, filepath.Join(dir, FileName))
}

// TestADamagedHourIsSummedUpAnew: its samples are there.
func TestADamagedHourIsSummedUpAnew(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("combi"))
	cooked(t, s, 4*time.Hour)
	for _, levels := range [][]quantity.PowerDensity{nil, {20}} {
		p := history.Post{ID: "combi", Options: history.Options{Floor: 0.1, Response: time.Second, Gap: 90 * time.Second, Stale: 3 * time.Second, Levels: levels}}
		if err := history.NewFollower(s, []history.Post{p}).Once(t.Context(), noon().Add(4*time.Hour)); err != nil {
			t.Fatal(err)
		}
		sum := func() string {
			all, err := history.Stretches(t.Context(), s, p, history.PerAll, noon(), noon().Add(4*time.Hour), time.UTC)
			if err != nil || len(all) != 1 {
				t.Fatalf("%d stretches, %v", len(all), err)
			}
			x := &all[0].Sum
			return fmt.Sprintf("%s seen, on %d values with mean %.6g, above %+v", x.Seen(), x.On.Moments.N, x.On.Moments.Mean, x.Levels)
		}
		before := sum()
		byHand(t, s, "UPDATE hour_sums SET sum = x'00'")
		if after := sum(); after != before {
			t.Errorf("beside a damaged hour: %s\nbefore: %s", after, before)
		}
	}
}

// TestSoughtEventsAreFoundByTheirIndexes: the times in which an oven was switched to
// heat, or a probe away, are found among other events by an index, in a record of
// before it, too.
func TestSoughtEventsAreFoundByTheirIndexes(t *testing.T) {
	said := func(post, oven string, from time.Duration) acquire.Event {
		w := cycle.Switched{Contact: "relay", Oven: oven, From: noon().Add(from), To: noon().Add(from + time.Minute)}
		raw, err := json.Marshal(w)
		if err != nil {
			t.Fatal(err)
		}
		return acquire.Event{At: w.To, Post: post, Kind: acquire.KindPower, Text: "the oven was switched to heat", Raw: raw}
	}
	src := t.TempDir()
	s := open(t, src, Options{})
	register(t, s, post("combi"))
	for i := range time.Duration(20) {
		s.Record(note("another"))
		s.Record(said("combi", "left", i*time.Hour))
		s.Record(said("combi", "right", i*time.Hour+10*time.Minute))
		s.Record(said("fryer", "left", i*time.Hour+20*time.Minute))
	}
	s.Record(raise("combi", alarm.Away, noon()))
	s.Record(raise("fryer", alarm.Away, noon()))
	s.Record(raise("combi", alarm.Silent, noon()))
	chunked(t, s, 1, 400)
	crash := crashed(t, src)
	shut(t, s)
	dir := asBefore(t, crash, 21)
	db := outside(t, dir)
	if _, err := db.Exec(`INSERT INTO events SELECT max(id) + 1, 0, 'combi', 'alarm', '', '', NULL, '{"rule":"sil' FROM events`); err != nil { // damaged
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir, Options{})
	if plan := planOf(t, s, selectPower, "combi", 1); !strings.Contains(plan, "events_power (post=? AND at_ns>?)") {
		t.Errorf("it is asked by %s", plan)
	}
	if plan := planOf(t, s, selectAway, "combi"); !strings.HasPrefix(plan, "SEARCH events USING INDEX events_away (post=?); ") {
		t.Errorf("when probes were away is asked by %s", plan)
	}
	if away, err := s.away(t.Context(), "combi"); err != nil || len(away) != 1 || away[0] != (stretch{noon().UnixNano(), math.MaxInt64}) {
		t.Errorf("away %v, %v", away, err)
	}
	s.Record(acquire.Event{At: noon().Add(30 * time.Hour), Post: "combi", Kind: acquire.KindPower, Text: "damaged", Raw: []byte("{")}) // holds up nobody
	flushed(t, s)
	got, err := s.Switched(t.Context(), "combi", "left", noon().Add(10*time.Hour))
	if left := (*LeftOut)(nil); !errors.As(err, &left) || len(left.Events) != 1 || len(got) != 10 || !got[0].From.Equal(noon().Add(10*time.Hour)) || !got[9].To.Equal(noon().Add(19*time.Hour+time.Minute)) {
		t.Errorf("%+v, %v", got, err)
	}
	shut(t, s)
	debianSays(t, filepath.Join(dir, FileName))
}

// TestSoakCountsAreExact counts 100 000 operations from three places over many
// starts, some of them in the middle of what is being said.
func TestSoakCountsAreExact(t *testing.T) {
	const want = 100_000
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(8, 8))
	now := noon()
	clock := func() time.Time { return now }
	var s *Store
	var k *soak.Keeper
	begin := func() {
		s = open(t, dir, Options{})
		var err error
		if k, err = soak.NewKeeper(t.Context(), s, nil, clock, func(soak.Plan, soak.Mark) {}); err != nil {
			t.Fatal(err)
		}
	}
	begin()
	say := func(m soak.Mark) {
		t.Helper()
		m.Soak, m.Who = "door-7", "A. Tester"
		if err := k.Mark(t.Context(), m); err != nil {
			t.Fatal(err)
		}
	}
	p := soak.Plan{ID: "door-7", Oven: "combi", Post: "bench", Procedure: "door cycling", Source: "our own", LimitID: "in use", Level: 50, Operations: want}
	if err := k.Plan(t.Context(), p, "A. Tester"); err != nil {
		t.Fatal(err)
	}
	if k.Plan(t.Context(), p, "A. Tester") == nil {
		t.Error("the same id was planned twice")
	}
	say(soak.Mark{Kind: soak.Started})
	by := map[soak.From]int64{}
	for left := int64(want); left > 0; {
		n := min(left, 1+rng.Int64N(600))
		from := []soak.From{soak.FromInput, soak.FromImport, soak.FromOperator}[rng.IntN(3)]
		now = now.Add(time.Second)
		say(soak.Mark{Kind: soak.Operations, Count: n, From: from})
		left, by[from] = left-n, by[from]+n
		if rng.IntN(30) == 0 {
			shut(t, s)
			begin()
		}
	}
	say(soak.Mark{Kind: soak.Finished})
	shut(t, s)
	begin()
	l := k.Life("door-7")
	if l.Operations != want || l.State != soak.FinishedNow || fmt.Sprint(l.By) != fmt.Sprint(by) {
		t.Errorf("%d operations, %s, %v, want %v", l.Operations, l.State, l.By, by)
	}
}

// TestDamagedMarksStopNothing: marks that do not fit, as after damage, hold up no
// start, nor does a plan; they are told, the others count, and the test is as it stood at
// an instant.
func TestDamagedMarksStopNothing(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	p := soak.Plan{ID: "door-7", Oven: "combi", Post: "bench", Procedure: "door cycling", Source: "our own", LimitID: "in use", Level: 50, Operations: 100}
	other := p
	other.ID = "latch-1"
	if err := errors.Join(s.PlanSoak(t.Context(), p, "A. Tester", noon()), s.PlanSoak(t.Context(), other, "A. Tester", noon())); err != nil {
		t.Fatal(err)
	}
	for i, m := range []soak.Mark{{Kind: soak.Started}, {Kind: soak.Operations, Count: 10, From: soak.FromInput}, {Kind: soak.Paused, Text: "night"}, {Kind: soak.Resumed},
		{Kind: soak.Operations, Count: 5, From: soak.FromInput}} {
		m.Soak, m.Who, m.At, m.Entered = "door-7", "A. Tester", noon().Add(time.Duration(i)*time.Minute), noon()
		if _, err := s.MarkSoak(t.Context(), m); err != nil {
			t.Fatal(err)
		}
	}
	early, err := s.SoaksBy(t.Context(), noon().Add(2*time.Minute))
	if err != nil || len(early) != 2 || early[0].State != soak.Pausing || early[0].Operations != 10 || len(early[0].Damage) != 0 {
		t.Errorf("as it stood while it was paused: %+v, %v", early, err)
	}
	shut(t, s)
	byTool(t, dir, "UPDATE soaks SET plan = '{' WHERE soak = 'latch-1'; DELETE FROM soak_marks WHERE kind = 'pause'; INSERT INTO soak_marks VALUES (99, 'gone', 1, 1, 'start', 'x', '', 0, '', 0, '', '')")
	s = open(t, dir, Options{})
	k, err := soak.NewKeeper(t.Context(), s, nil, noon, func(soak.Plan, soak.Mark) {})
	if err != nil {
		t.Fatal(err)
	}
	l := k.Life("door-7")
	if l == nil || l.State != soak.Running || l.Operations != 15 || len(l.Damage) != 1 || !strings.Contains(l.Damage[0], "only a paused test resumes") {
		t.Errorf("%+v", l)
	}
	if said, _ := verified(t, dir); !strings.Contains(said, "row 3 of table soak_marks") || !strings.Contains(said, "row 99 of table soak_marks was inserted") || !strings.Contains(said, "row 2 of table soaks, ") {
		t.Errorf("verify says %q", said)
	}
}

// TestASoakKeepsItsSamples: from its start to its end, and some hours round it, samples
// of its post go by no age.
func TestASoakKeepsItsSamples(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	say := func(id string, at time.Time, kind soak.Kind) {
		t.Helper()
		if _, err := s.MarkSoak(t.Context(), soak.Mark{Soak: id, Kind: kind, At: at, Entered: at, Who: "A. Tester", Text: "why"}); err != nil {
			t.Fatal(err)
		}
	}
	for _, id := range []string{"one", "two"} {
		if err := s.PlanSoak(t.Context(), soak.Plan{ID: id, Oven: "combi", Post: "bench", Operations: 1}, "A. Tester", noon()); err != nil {
			t.Fatal(err)
		}
	}
	kept := func() []Evidence {
		t.Helper()
		all, err := s.Evidence(t.Context(), "bench")
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	say("two", noon(), soak.Aborted)
	if all := kept(); len(all) != 0 {
		t.Errorf("of a test that was never started: %+v", all)
	}
	say("one", noon(), soak.Started)
	if all := kept(); len(all) != 1 || !all[0].From.Equal(noon().Add(-2*time.Hour)) || !all[0].To.IsZero() || all[0].What != "one" {
		t.Errorf("under way: %+v", all)
	}
	say("one", noon().Add(time.Hour), soak.Paused)
	say("one", noon().Add(9*time.Hour), soak.Stopped)
	if all := kept(); len(all) != 1 || !all[0].From.Equal(noon().Add(-2*time.Hour)) || !all[0].To.Equal(noon().Add(11*time.Hour)) {
		t.Errorf("ended: %+v", all)
	}
}

// TestWhatTheZeroHidesIsNotSeen: by the floor that the probe had then; and of each
// sample it is known whether a certificate covered it.
func TestWhatTheZeroHidesIsNotSeen(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	register(t, s, post("combi"))
	said := func(seq, digits int64, q acquire.Quality) {
		x := sample(seq)
		x.Reading.Value.Digits, x.Quality = digits, q // 1e-3 mW/cm²
		s.Append(0, []acquire.Sample{x})
	}
	said(1, 5, 0)
	said(2, -200, acquire.UnderFloor)
	said(3, -20, acquire.UnderFloor)
	said(4, 5, acquire.Uncalibrated)
	said(5, -200, acquire.OverRange|acquire.Uncalibrated) // the number beside over range is no value
	p := post("combi")
	p.Probe.Floor = 1
	register(t, s, p)
	said(6, -200, acquire.UnderFloor)
	drained(t, s)
	var got []string
	for batch, err := range s.PastSamples(t.Context(), "combi", noon(), noon().Add(time.Minute)) {
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range batch {
			got = append(got, fmt.Sprint(x.Valid, x.Low, x.Over, x.Uncalibrated))
		}
	}
	want := []string{"true false false false", "false true false false", "true false false false", "true false false true", "true false true true", "true false false false"}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("valid, far below zero, over range, uncalibrated: %q, want %q", got, want)
	}
}
