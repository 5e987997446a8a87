package alarm

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestGateCountsOnlyWhatWasSeen(t *testing.T) {
	type look struct {
		is   Presence
		at   time.Duration
		want string
	}
	for name, looks := range map[string][]look{
		"at its delay":            {{Present, 0, ""}, {Present, 1, ""}, {Present, 2, "appears"}, {Present, 9, "appears"}},
		"broken by absence":       {{Present, 0, ""}, {Present, 1, ""}, {Absent, 2, ""}, {Present, 3, ""}, {Present, 4, ""}, {Present, 5, "appears"}},
		"unknown does not add":    {{Present, 0, ""}, {Present, 1, ""}, {Unknown, 50, ""}, {Present, 99, ""}, {Present, 100, "appears"}},
		"absent for the delay":    {{Absent, 0, ""}, {Absent, 2, ""}, {Absent, 3, "disappears"}},
		"unknown is not absent":   {{Absent, 0, ""}, {Unknown, 50, ""}, {Unknown, 99, ""}, {Absent, 100, ""}, {Absent, 103, "disappears"}},
		"presence breaks absence": {{Absent, 0, ""}, {Absent, 2, ""}, {Present, 3, ""}, {Absent, 4, ""}, {Absent, 6, ""}, {Absent, 7, "disappears"}},
	} {
		g := Gate{On: 2 * time.Second, Off: 3 * time.Second}
		for i, l := range looks {
			var h Happening
			var tell bool
			g, h, tell = g.Look(l.is, l.at*time.Second)
			got := ""
			if tell {
				got = map[Happening]string{Appears: "appears", Disappears: "disappears"}[h]
			}
			if got != l.want {
				t.Errorf("%s, look %d: %q, want %q", name, i, got, l.want)
			}
		}
	}
	if _, h, tell := (Gate{}).Look(Present, 0); !tell || h != Appears {
		t.Error("a gate without delays holds back")
	}
}

func TestBandHasADeadband(t *testing.T) {
	b := Band{Level: 10, Deadband: 0.1}
	for _, tc := range []struct {
		lo, hi float64
		want   Presence
	}{{10, 10, Unknown}, {10.1, 10.1, Present}, {9.5, 9.5, Unknown}, {9, 9, Absent}, {8, 11, Unknown}, {0, 9, Absent}, {0, 9.1, Unknown}} {
		if got := b.Look(tc.lo, tc.hi); got != tc.want {
			t.Errorf("between %v and %v: %d, want %d", tc.lo, tc.hi, got, tc.want)
		}
	}
}

func TestEscalationAndTellingAgain(t *testing.T) {
	a, _ := Alarm{Rule: Silent}.Step(Appears, noon())
	due := Attention{EscalateAfter: 10 * time.Minute, TellAgainAfter: time.Hour}
	var c Care
	for m := 0; m <= 150; m++ {
		now := noon().Add(time.Duration(m) * time.Minute)
		h, tell := c.Look(a, due, time.Duration(m)*time.Minute, now)
		want := map[int]Happening{10: Escalate, 60: TellAgain, 120: TellAgain}
		if w, ok := want[m]; ok != tell || tell && h != w {
			t.Fatalf("minute %d: %d, %v", m, h, tell)
		}
		if tell {
			a, _ = a.Step(h, now)
		}
	}
	acked, _ := a.Step(Acknowledge, noon())
	shelved, why := acked.Do(Act{What: Shelve, At: noon(), Who: "x", Why: "y", Until: noon().Add(time.Hour)})
	if why != WasShelved {
		t.Fatal(why)
	}
	for m := 151; m < 211; m++ {
		if h, tell := c.Look(shelved, due, time.Duration(m)*time.Minute, noon()); tell {
			t.Fatalf("minute %d on the shelf: %d", m, h)
		}
	}
	if h, tell := c.Look(shelved, due, 211*time.Minute, noon()); !tell || h != ShelfEnds {
		t.Errorf("after an hour on the shelf: %d, %v", h, tell)
	}
}

// Whatever the wall clock does and however often the program starts anew, a
// guarded alarm is on the shelf for no more than 8 h while the program runs; and
// one that runs through without a start ends exactly in time.
func TestShelvesAreOfTheMonotonicClock(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lasting := time.Duration(rapid.Int64Range(1, int64(LongestGuardedShelf)).Draw(t, "lasting"))
		a, _ := Alarm{Rule: Exceeds}.Step(Appears, noon())
		a, why := a.Do(Act{What: Shelve, At: noon(), Who: "x", Why: "y", Until: noon().Add(lasting)})
		if why != WasShelved {
			t.Fatal(why)
		}
		c := Care{}
		var on Care
		var mono, sinceStart time.Duration
		on.Look(Alarm{Rule: Exceeds}, Attention{}, 0, noon())
		on.Look(a, Attention{}, 0, noon())
		for i := range rapid.IntRange(1, 40).Draw(t, "looks") {
			step := time.Duration(rapid.Int64Range(0, int64(time.Hour)).Draw(t, "step"))
			mono, sinceStart = mono+step, sinceStart+step
			wall := noon().Add(time.Duration(rapid.Int64Range(int64(-1000*time.Hour), int64(1000*time.Hour)).Draw(t, "wall")))
			if _, ended := on.Look(a, Attention{}, mono, wall); ended != (mono >= lasting) {
				t.Fatalf("%s after it was shelved for %s: ended %v", mono, lasting, ended)
			}
			if i == 0 || rapid.Bool().Draw(t, "start") {
				c, sinceStart = Care{}, 0
			}
			if _, ended := c.Look(a, Attention{}, mono, wall); !ended && sinceStart > lasting {
				t.Fatalf("%s after a start it is still on the shelf, for %s", sinceStart, lasting)
			}
		}
	})
}

func TestSummary(t *testing.T) {
	from := noon()
	to := from.Add(48 * time.Hour)
	var raises []Raise
	add := func(post string, rule Rule, at ...time.Duration) {
		for _, d := range at {
			raises = append(raises, Raise{post, rule, from.Add(d)})
		}
	}
	add("pass", Silent, time.Hour, time.Hour+20*time.Second, time.Hour+59*time.Second, 5*time.Hour)
	add("door", Silent, 2*time.Hour, 2*time.Hour+30*time.Second, 2*time.Hour+60*time.Second)
	add("pass", Away, 3*time.Hour)
	add("pass", Battery, -time.Hour, 48*time.Hour)
	for i := range 11 {
		add("pass", Stuck, 10*time.Hour+time.Duration(i)*50*time.Second)
	}
	now := []Alarm{
		{Post: "pass", Rule: Silent, State: Unacknowledged, Since: to.Add(-25 * time.Hour)},
		{Post: "door", Rule: Exceeds, State: LatchedAcknowledged, Since: to.Add(-time.Hour), Aside: Shelved},
		{Post: "pass", Rule: Away, State: Acknowledged, Since: to.Add(-40 * time.Hour)},
		{Post: "pass", Rule: Stuck, State: ReturnedUnacknowledged, Since: to.Add(-40 * time.Hour)},
	}
	s := Summarize(raises, now, from, to)
	if s.Raised != 18 || s.PerDay != 9 || s.PerTen != 18/288.0 || s.MostInTen != 11 || s.Floods != 1 {
		t.Errorf("rates %+v", s)
	}
	if len(s.Frequent) != 3 || s.Frequent[0].Rule != Stuck || s.Frequent[0].Times != 11 || s.Frequent[1].Times != 4 {
		t.Errorf("frequent %+v", s.Frequent)
	}
	if len(s.Chattering) != 1 || s.Chattering[0].Post != "pass" || s.Chattering[0].Times != 3 {
		t.Errorf("chattering %+v", s.Chattering)
	}
	if len(s.Longest) != 2 || s.Longest[0].Rule != Silent || len(s.Stale) != 1 || s.Stale[0].Rule != Silent || len(s.SetAside) != 1 {
		t.Errorf("longest %+v, stale %+v, aside %+v", s.Longest, s.Stale, s.SetAside)
	}
	for rate, want := range map[float64]string{150: "acceptable", 151: "the most that can be managed", 301: "more than can be managed"} {
		if got := Word(rate, AcceptableADay, ManageableADay); got != want {
			t.Errorf("%v a day: %s", rate, got)
		}
	}
}

// TestChatterDoesNotPutEscalationOff: an alarm that comes and goes, and that nobody
// acknowledges, is escalated as soon as one that stands.
func TestChatterDoesNotPutEscalationOff(t *testing.T) {
	var c Care
	due := Attention{EscalateAfter: 30 * time.Minute}
	a := Alarm{Post: "door", Rule: Exceeds}
	for minute := range 240 {
		at := time.Duration(minute) * time.Minute
		switch minute % 10 {
		case 0:
			a, _ = a.Step(Appears, noon().Add(at))
		case 6:
			a, _ = a.Step(Disappears, noon().Add(at))
		}
		h, is := c.Look(a, due, at, noon().Add(at))
		if !is {
			continue
		}
		if h != Escalate || minute != 30 {
			t.Fatalf("%v after %d minutes, want it escalated after 30", h, minute)
		}
		a, _ = a.Step(h, noon().Add(at))
	}
	if a.Escalated.IsZero() {
		t.Error("it was never escalated")
	}
}

// Whoever waits for an acknowledgement is told on once; acknowledged and raised again,
// so long after that raise, whether or not the program was started in between.
func TestEscalationIsOnceWhileItWaits(t *testing.T) {
	for _, start := range []int{-1, 45, 70} { // the minute of a start
		var c Care
		due := Attention{EscalateAfter: 30 * time.Minute}
		a := Alarm{Post: "door", Rule: Exceeds}
		var told []int
		for minute := range 240 {
			at := time.Duration(minute) * time.Minute
			switch minute {
			case 0, 60:
				a, _ = a.Step(Appears, noon().Add(at))
			case 40:
				a, _ = a.Step(Acknowledge, noon().Add(at))
			case 50:
				a, _ = a.Step(Disappears, noon().Add(at))
			case start:
				c = Care{}
			}
			if h, is := c.Look(a, due, at, noon().Add(at)); is {
				told = append(told, minute)
				a, _ = a.Step(h, noon().Add(at))
			}
		}
		if !slices.Equal(told, []int{30, 90}) {
			t.Errorf("with a start at minute %d told on at %v, want 30, and 90: 30 min after it came again", start, told)
		}
	}
}
