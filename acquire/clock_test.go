package acquire

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"
)

func TestClockLine(t *testing.T) {
	noon := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	var c clockLine
	look := func(wall time.Time, mono time.Duration) (time.Time, time.Duration, time.Duration) {
		return c.look(wall, mono)
	}
	if at, unsure, step := look(noon, 0); !at.Equal(noon) || unsure != 0 || step != 0 {
		t.Fatalf("first look: %v %v %v", at, unsure, step)
	}
	// One second on, the clock is set an hour forward: followed at once.
	if at, unsure, step := look(noon.Add(time.Hour+time.Second), time.Second); !at.Equal(noon.Add(time.Hour+time.Second)) || unsure != 0 || step != time.Hour {
		t.Errorf("set forward: %v %v %v", at, unsure, step)
	}
	// One second on, it is set back by ten seconds: stamps go on at half speed.
	at, unsure, step := look(noon.Add(time.Hour-8*time.Second), 2*time.Second)
	if want := noon.Add(time.Hour + 1500*time.Millisecond); !at.Equal(want) || step != -10*time.Second || unsure != 9500*time.Millisecond {
		t.Errorf("set back: %v %v %v, want %v", at, unsure, step, want)
	}
	// After twice the step the wall clock has caught up, and nothing is unsure.
	at, unsure, step = look(noon.Add(time.Hour+12*time.Second), 22*time.Second)
	if want := noon.Add(time.Hour + 12*time.Second); !at.Equal(want) || unsure != 0 || step != 0 {
		t.Errorf("caught up: %v %v %v, want %v", at, unsure, step, want)
	}
}

func TestClockLineNeverReverses(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var c clockLine
		start := time.Unix(1_700_000_000, 0)
		c.startAfter(start.Add(time.Duration(rapid.Int64Range(-1e12, 1e12).Draw(t, "record ahead"))))
		last, offset, mono := c.newest(), time.Duration(0), time.Duration(0)
		for range rapid.IntRange(1, 200).Draw(t, "looks") {
			mono += time.Duration(rapid.Int64Range(0, 2e9).Draw(t, "elapsed"))
			if rapid.IntRange(0, 9).Draw(t, "step?") == 0 {
				offset += time.Duration(rapid.Int64Range(-5e12, 5e12).Draw(t, "step"))
			}
			wall := start.Add(mono + offset)
			at, unsure, _ := c.look(wall, mono)
			if at.Before(last) {
				t.Fatalf("stamp %v before %v", at, last)
			}
			if d := at.Sub(wall); d.Abs() >= stepBound && unsure < d.Abs() {
				t.Fatalf("stamp lies %v from the wall clock, and is called unsure by %v only", d, unsure)
			}
			last = at
		}
	})
}

func TestPaceKeepsTheGridForADay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := pace{epoch: time.Now(), period: 250 * time.Millisecond, sleep: Timers{}}
		p.skip(time.Now())
		var missed int64
		for i := range 345_600 {
			m, err := p.wait(t.Context(), time.Now)
			if err != nil {
				t.Fatal(err)
			}
			missed += m
			if late := time.Since(p.epoch) % p.period; late != 0 {
				t.Fatalf("poll %d is %v late", i, late)
			}
			time.Sleep(time.Duration(i%7) * 10 * time.Millisecond) // the bubble's clock: a poll takes up to 60 ms
		}
		if missed != 0 || time.Since(p.epoch) < 24*time.Hour {
			t.Errorf("missed %d slots in %v", missed, time.Since(p.epoch))
		}
	})
}

func TestPaceCountsWhatItMissesAndNeverBunchesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := pace{epoch: time.Now(), period: 100 * time.Millisecond, sleep: Timers{}}
		if m, _ := p.wait(t.Context(), time.Now); m != 0 {
			t.Errorf("missed %d before the first slot", m)
		}
		time.Sleep(470 * time.Millisecond) // the bubble's clock: slots 1 to 4 pass; 4 is too late to be on time
		if m, _ := p.wait(t.Context(), time.Now); m != 4 || time.Since(p.epoch) != 500*time.Millisecond {
			t.Errorf("missed %d, woke at %v; want 4, 500 ms", m, time.Since(p.epoch))
		}
		if m, _ := p.wait(t.Context(), time.Now); m != 0 || time.Since(p.epoch) != 600*time.Millisecond {
			t.Errorf("missed %d, woke at %v; want 0, 600 ms", m, time.Since(p.epoch))
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if _, err := p.wait(ctx, time.Now); err == nil {
			t.Error("waited although the context had ended")
		}
	})
}

func TestMinutePeak(t *testing.T) {
	// The clock began within a minute, which is a minute of UTC all the same.
	m := newMinutePeak(time.Date(2026, 3, 1, 12, 0, 20, 0, time.FixedZone("", 5*3600+1800)))
	const base = 40 * time.Second
	if _, ok := m.read(base); ok {
		t.Error("a peak of nothing")
	}
	m.add(base+59*time.Second, 7)
	m.add(base+61*time.Second, 2)
	for _, tc := range []struct {
		at   time.Duration
		want float64
		ok   bool
	}{{62 * time.Second, 7, true}, {119 * time.Second, 7, true}, {121 * time.Second, 2, true}, {200 * time.Second, 0, false}} {
		got, ok := m.read(base + tc.at)
		if ok != tc.ok || ok && float64(got) != tc.want {
			t.Errorf("at %v: %v, %v; want %v, %v", tc.at, float64(got), ok, tc.want, tc.ok)
		}
	}
}

func TestTraceKeepsExtremesAndGaps(t *testing.T) {
	var tr trace
	wall := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	tr.add(0, 1, true, false)
	tr.add(200*time.Millisecond, 3, true, false)
	tr.add(600*time.Millisecond, 0, false, true) // slot 1 stays empty
	got := tr.read(time.Second, wall)
	if len(got.Slots) != 5 {
		t.Fatalf("%d slots, want 5", len(got.Slots))
	}
	if s := got.Slots[0]; s.N != 2 || s.Lo != 1 || s.Hi != 3 {
		t.Errorf("slot 0: %+v", s)
	}
	if s := got.Slots[1]; s.N != 0 || s.OverRange {
		t.Errorf("slot 1: %+v, want a gap", s)
	}
	if s := got.Slots[2]; s.N != 0 || !s.OverRange {
		t.Errorf("slot 2: %+v, want over range", s)
	}
	if !got.End.Equal(wall.Add(250 * time.Millisecond)) {
		t.Errorf("end %v", got.End)
	}
	got = tr.read(20*time.Minute, wall)
	for i, s := range got.Slots {
		if s.N != 0 || s.OverRange {
			t.Fatalf("slot %d outlived the trace: %+v", i, s)
		}
	}
}
