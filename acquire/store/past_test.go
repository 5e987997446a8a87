package store

import (
	"math"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// TestZeroIsOfItsProbe: the zero of one instrument is not taken from another,
// nor from the first again once another stood there in between.
func TestZeroIsOfItsProbe(t *testing.T) {
	dir, now := t.TempDir(), noon()
	zero := func(probe string) calib.Correction {
		s := open(t, dir, Options{})
		p := post("fryer")
		p.Probe.ID = probe
		now = now.Add(time.Hour)
		if err := s.Register([]acquire.Post{p}, now); err != nil {
			t.Fatal(err)
		}
		past, err := s.Past(0, 0)
		if err != nil {
			t.Fatal(err)
		}
		if probe == "one" {
			s.Correction(0, calib.Correction{Zero: 0.1, ZeroAt: now.Add(time.Minute), ZeroBy: "R. Ahmed"})
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		return past.Zero
	}
	zero("one")
	if got := zero("one"); got.Zero != 0.1 {
		t.Errorf("the same probe starts with zero %v, want 0.1 W/m²", float64(got.Zero))
	}
	if got := zero("two"); got.Zero != 0 || !got.ZeroAt.IsZero() {
		t.Errorf("another probe starts with the zero of the first, %v W/m²", float64(got.Zero))
	}
	if got := zero("one"); got.Zero != 0 {
		t.Errorf("the first probe, put back, starts with its old zero %v W/m²", float64(got.Zero))
	}
}

// What a probe read while it was away is not recalled as the field of its post: a start
// soon after a survey would raise an exceedance there, which latches.
func TestWhatAnAwayProbeReadIsNotRecalled(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	s.Record(raise("fryer", alarm.Away, noon().Add(10*time.Second)))
	back := raise("fryer", alarm.Away, noon().Add(20*time.Second))
	back.Alarm.State = alarm.Normal
	s.Record(back)
	for _, b := range samples(1, 300) {
		if b.S = 10; b.Seq >= 100 && b.Seq < 200 {
			b.Quality = acquire.OverRange
		}
		s.Append(0, []acquire.Sample{b})
	}
	shut(t, s)
	s = open(t, dir, Options{})
	register(t, s, post("fryer"))
	past, err := s.Past(0, time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for b, err := range past.Recent {
		away := b.Seq >= 100 && b.Seq < 200
		if n++; err != nil || !b.HasValue() || math.IsNaN(float64(b.S)) != away {
			t.Fatalf("sample %d is recalled as %v, %v, quality %v; away: %t", b.Seq, b.S, err, b.Quality, away)
		}
	}
	if n != 300 {
		t.Errorf("%d samples are recalled, want 300", n)
	}
}

// TestADamagedChangeKeepsNoPostFromStarting: when the probe was away then, the change behind
// it tells, or how the alarm stands.
func TestADamagedChangeKeepsNoPostFromStarting(t *testing.T) {
	for _, c := range []struct {
		back    bool
		damaged string
		to      int64 // what has a number from 100 up to here is not recalled
	}{{false, "true", 301}, {true, "id = (SELECT min(id) FROM events WHERE alarm IS NOT NULL)", 200},
		{true, "id = (SELECT max(id) FROM events WHERE alarm IS NOT NULL)", 200}, {true, "true", 200}} {
		dir := damagedRecord(t, "UPDATE events SET alarm = substr(alarm, 1, length(alarm) - 1) WHERE alarm IS NOT NULL AND "+c.damaged, func(s *Store) {
			s.Record(raise("fryer", alarm.Away, noon().Add(10*time.Second)))
			if c.back {
				back := raise("fryer", alarm.Away, noon().Add(20*time.Second))
				back.Alarm.State = alarm.Normal
				s.Record(back)
			}
			s.Append(0, samples(1, 300))
		})
		s := open(t, dir, Options{})
		register(t, s, post("fryer"))
		past, err := s.Past(0, time.Minute)
		if err != nil {
			t.Fatal(err)
		}
		for b, err := range past.Recent {
			if away := 100 <= b.Seq && b.Seq < c.to; err != nil || math.IsNaN(float64(b.S)) != away {
				t.Fatalf("back: %t, damaged where %s: sample %d is recalled as %v, %v", c.back, c.damaged, b.Seq, b.S, err)
			}
		}
		n := int64(0)
		for batch, err := range s.PastSamples(t.Context(), "fryer", time.Time{}, noon().AddDate(1, 0, 0)) {
			if err != nil {
				t.Error(err)
			}
			for _, b := range batch {
				if !b.Valid {
					n++
				}
			}
		}
		if n != c.to-100 {
			t.Errorf("back: %t, damaged where %s: %d samples are not seen", c.back, c.damaged, n)
		}
	}
}

// TestThePastHasItsRanges: of the posts that were in force in the span, and no others.
func TestThePastHasItsRanges(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	for i, top := range []quantity.PowerDensity{500, 300, 100, 200} {
		p := post("fryer")
		p.Probe.Range, p.Probe.ZeroBound, p.Probe.Certificate = top, 0, nil
		if err := s.Register([]acquire.Post{p}, noon().Add(time.Duration(i)*time.Minute)); err != nil {
			t.Fatal(err)
		}
		x := sample(int64(i + 1))
		x.At = noon().Add(time.Duration(i)*time.Minute + time.Second)
		s.Append(0, []acquire.Sample{x})
	}
	drained(t, s)
	for back, want := range map[time.Duration][2]quantity.PowerDensity{time.Millisecond: {200, 200}, 30 * time.Second: {200, 100}, 90 * time.Second: {300, 100}, time.Hour: {500, 100}} {
		past, err := s.Past(0, back)
		if err != nil || past.Top != want[0] || past.Least != want[1] {
			t.Errorf("%s back the ranges go from %v to %v, %v; want %v", back, past.Least, past.Top, err, want)
		}
	}
}

// TestThePastSaysSinceWhenThePostStands: whatever else of it changed since.
func TestThePastSaysSinceWhenThePostStands(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	for i, c := range []struct {
		change func(p *acquire.Post)
		moved  int // the minute; 0: ever since it is known
	}{
		{func(p *acquire.Post) {}, 0},
		{func(p *acquire.Post) { p.Limit.Value = 10 }, 0},
		{func(p *acquire.Post) { p.Distance = 1 }, 2},
		{func(p *acquire.Post) { p.Distance, p.Probe.ID = 1, "another" }, 2},
		{func(p *acquire.Post) { p.Distance, p.Oven = 1, "grill" }, 4},
		{func(p *acquire.Post) { p.Distance, p.Oven, p.OvenPlace = 1, "grill", "left of the sink" }, 4},
	} {
		p := post("fryer")
		c.change(&p)
		if err := s.Register([]acquire.Post{p}, noon().Add(time.Duration(i)*time.Minute)); err != nil {
			t.Fatal(err)
		}
		x := sample(int64(i + 1))
		x.At = noon().Add(time.Duration(i)*time.Minute + time.Second)
		s.Append(0, []acquire.Sample{x})
		drained(t, s)
		want := time.Time{}
		if c.moved > 0 {
			want = noon().Add(time.Duration(c.moved) * time.Minute)
		}
		if past, err := s.Past(0, time.Hour); err != nil || !past.Moved.Equal(want) {
			t.Errorf("version %d: it stands there since %s, %v; want %s", i, past.Moved, err, want)
		}
	}
}

func TestPastOfANewPost(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	register(t, s, post("fryer"))
	past, err := s.Past(0, time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	if past.LastSeq != 0 || !past.LastAt.IsZero() || past.Recent != nil || past.Alarms != nil || !past.Zero.ZeroAt.IsZero() {
		t.Errorf("a new post has the past %+v", past)
	}
	if _, err := s.Past(1, time.Hour); err == nil {
		t.Error("the past of an unregistered post gives no error")
	}
}
