package alarm

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func states() []State {
	return []State{Normal, Unacknowledged, Acknowledged, ReturnedUnacknowledged, LatchedUnacknowledged, LatchedAcknowledged}
}

func allRules() []Rule { return []Rule{Exceeds, Silent, Stale, Stuck, Fault, Record} }

type move struct {
	to  State
	why Reason
}

// The states are those of ISA-18.2-2016 / IEC 62682; the moves are its basic
// cycle and its latch with reset, from memory. Rows are states, columns what
// happens: appears, disappears, acknowledge, reset.
func table(rule Rule) map[State][4]move {
	if rule.Latches() {
		latched := ReturnedLatched
		if rule == OpenDoor { // there is no limit to be below
			latched = GoneLatched
		}
		return map[State][4]move{
			Normal:                {{Unacknowledged, Raised}, {Normal, None}, {Normal, RefusedNothing}, {Normal, RefusedNothing}},
			Unacknowledged:        {{Unacknowledged, None}, {LatchedUnacknowledged, latched}, {Acknowledged, WasAcknowledged}, {Unacknowledged, RefusedPresent}},
			Acknowledged:          {{Acknowledged, None}, {LatchedAcknowledged, latched}, {Acknowledged, RefusedUnchanged}, {Acknowledged, RefusedPresent}},
			LatchedUnacknowledged: {{Unacknowledged, RaisedAgain}, {LatchedUnacknowledged, None}, {LatchedAcknowledged, WasAcknowledged}, {Normal, WasReset}},
			LatchedAcknowledged:   {{Unacknowledged, RaisedAgain}, {LatchedAcknowledged, None}, {LatchedAcknowledged, RefusedUnchanged}, {Normal, WasReset}},
			// No step leads here; should a record say so, it still takes a reset to end.
			ReturnedUnacknowledged: {{Unacknowledged, RaisedAgain}, {ReturnedUnacknowledged, None}, {LatchedAcknowledged, WasAcknowledged}, {ReturnedUnacknowledged, RefusedNothing}},
		}
	}
	ended := map[bool]move{false: {ReturnedUnacknowledged, Returned}, true: {Normal, TimeUp}}[rule.IsNotice()]
	acked := map[bool]move{false: {Normal, Returned}, true: {Normal, TimeUp}}[rule.IsNotice()]
	return map[State][4]move{
		Normal:                 {{Unacknowledged, Raised}, {Normal, None}, {Normal, RefusedNothing}, {Normal, RefusedNoLatch}},
		Unacknowledged:         {{Unacknowledged, None}, ended, {Acknowledged, WasAcknowledged}, {Unacknowledged, RefusedNoLatch}},
		Acknowledged:           {{Acknowledged, None}, acked, {Acknowledged, RefusedUnchanged}, {Acknowledged, RefusedNoLatch}},
		ReturnedUnacknowledged: {{Unacknowledged, RaisedAgain}, {ReturnedUnacknowledged, None}, {Normal, WasAcknowledged}, {ReturnedUnacknowledged, RefusedNoLatch}},
		// No step leads to these two without a latch.
		LatchedUnacknowledged: {{Unacknowledged, RaisedAgain}, {LatchedUnacknowledged, None}, {LatchedAcknowledged, WasAcknowledged}, {LatchedUnacknowledged, RefusedNoLatch}},
		LatchedAcknowledged:   {{Unacknowledged, RaisedAgain}, {LatchedAcknowledged, None}, {LatchedAcknowledged, RefusedUnchanged}, {LatchedAcknowledged, RefusedNoLatch}},
	}
}

func noon() time.Time { return time.Date(2026, 7, 4, 12, 0, 0, 123456789, time.UTC) }

// The zero State is Normal, and a state that nobody knows, as of a damaged
// record, deafens no alarm. What nobody knows does not happen.
func TestStepFromOddStates(t *testing.T) {
	for _, from := range []State{"", "shelved"} {
		for _, rule := range allRules() {
			a := Alarm{Rule: rule, State: from}
			if got, why := a.Step(Appears, noon()); got.State != Unacknowledged || why != Raised || got.ID == "" {
				t.Errorf("%s, state %q appears: %+v, %q", rule, from, got, why)
			}
			for _, h := range []Happening{Disappears, Acknowledge, Reset, 200} {
				if got, why := a.Step(h, noon()); got != a || why != None && !why.Refused() {
					t.Errorf("%s, state %q, happening %d: %+v, %q", rule, from, h, got, why)
				}
			}
		}
	}
	for _, from := range states() {
		a := Alarm{Rule: Exceeds, State: from}
		if got, why := a.Step(200, noon()); got != a || why != None {
			t.Errorf("%s, happening 200: %+v, %q", from, got, why)
		}
	}
}

func TestOccurrences(t *testing.T) {
	east := time.FixedZone("", 2*3600)
	station, _ := Alarm{Rule: Record}.Step(Appears, time.Date(2026, 7, 4, 1, 2, 3, 0, east))
	if want := "station.record.20260703T230203.000Z"; station.ID != want {
		t.Errorf("id %s, want %s: the instant is UTC", station.ID, want)
	}
	a := Alarm{Post: "pass", Rule: Silent}
	ids := map[string]bool{}
	for i := range 50 {
		at := noon().Add(time.Duration(i) * time.Millisecond)
		a, _ = a.Step(Appears, at)
		if ids[a.ID] {
			t.Fatalf("id %s was used before", a.ID)
		}
		ids[a.ID] = true
		raised := a
		for _, h := range []Happening{Disappears, Appears, Acknowledge, Appears, Disappears} {
			if a, _ = a.Step(h, at.Add(time.Microsecond)); a.ID != raised.ID || !a.Since.Equal(at) {
				t.Fatalf("id %s since %v in the occurrence %s since %v", a.ID, a.Since, raised.ID, at)
			}
		}
		if a.State != Normal {
			t.Fatalf("state %s, want normal", a.State)
		}
	}
}

// An exceedance never becomes normal but by a reset, whatever happens and
// whatever state a record gave it.
func TestOnlyAResetEndsAnExceedance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := Alarm{Post: "pass", Rule: Exceeds, State: rapid.SampledFrom(states()).Draw(t, "state")}
		at := noon()
		for range rapid.IntRange(1, 60).Draw(t, "n") {
			h := Happening(rapid.IntRange(0, int(happenings)).Draw(t, "happening"))
			at = at.Add(time.Duration(rapid.Int64Range(1, int64(time.Hour)).Draw(t, "later")))
			before := a
			var why Reason
			a, why = a.Do(Act{What: h, At: at, Who: "x", Why: "y", Until: at.Add(time.Hour)})
			if a.State == Normal && before.State != Normal && (h != Reset || before.State.Present() || why != WasReset) {
				t.Fatalf("%s became normal by happening %d, %q", before.State, h, why)
			}
			if changed := a.State != before.State; changed != a.Changed.Equal(at) || why.Refused() && a != before {
				t.Fatalf("%s to %s at %v, %q, changed %v", before.State, a.State, at, why, a.Changed)
			}
			if a.Aside != NotAside && a.Aside != Shelved || a.Aside == Shelved && a.Until.Sub(a.AsideSince) > 8*time.Hour {
				t.Fatalf("set aside: %+v", a)
			}
			if h == Appears && !a.State.Present() || !a.State.Known() {
				t.Fatalf("%s after happening %d", a.State, h)
			}
			if before.State != Normal && a.ID != before.ID {
				t.Fatalf("id %s became %s in one occurrence", before.ID, a.ID)
			}
		}
	})
}

// A reset that is refused says what to do.
func TestARefusedResetSaysWhatToDo(t *testing.T) {
	for from, want := range map[Alarm]string{
		{Rule: Exceeds, State: Unacknowledged}: "reset this alarm once it has ended",
		{Rule: Exceeds, State: Normal}:         "the list of alarms tells what does",
		{Rule: Silent, State: Unacknowledged}:  "acknowledge it",
	} {
		if _, why := from.Step(Reset, noon()); !why.Refused() || !strings.Contains(string(why), want) {
			t.Errorf("%s, %s: %q, want %q", from.Rule, from.State, why, want)
		}
	}
}

// Every other alarm ends by itself, once seen by an operator.
func TestBlindnessEndsByItself(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := Alarm{Rule: rapid.SampledFrom(allRules()[1:]).Draw(t, "rule")}
		for range rapid.IntRange(0, 40).Draw(t, "n") {
			a, _ = a.Step(Happening(rapid.IntRange(0, 3).Draw(t, "happening")), noon())
			if a.State == LatchedUnacknowledged || a.State == LatchedAcknowledged {
				t.Fatalf("%s latched", a.Rule)
			}
		}
		a, _ = a.Step(Appears, noon())
		a, _ = a.Step(Acknowledge, noon())
		if a, why := a.Step(Disappears, noon()); a.State != Normal || why != Returned {
			t.Fatalf("%s, %q", a.State, why)
		}
	})
}

func TestWordsOfStates(t *testing.T) {
	for _, tc := range []struct {
		s                        State
		standing, present, known bool
	}{
		{Normal, false, false, true},
		{Unacknowledged, true, true, true},
		{Acknowledged, true, true, true},
		{ReturnedUnacknowledged, false, false, true},
		{LatchedUnacknowledged, true, false, true},
		{LatchedAcknowledged, true, false, true},
		{"", false, false, false},
		{"shelved", false, false, false},
	} {
		if tc.s.Standing() != tc.standing || tc.s.Present() != tc.present || tc.s.Known() != tc.known {
			t.Errorf("%q: standing %v, present %v, known %v", tc.s, tc.s.Standing(), tc.s.Present(), tc.s.Known())
		}
	}
}

func TestWordsOfReasonsAndRules(t *testing.T) {
	calls := map[Reason]bool{None: false, Raised: true, RaisedAgain: true, WasAcknowledged: true, Returned: true, ReturnedLatched: true,
		WasReset: true, Dropped: true, WasShelved: true, ShelfEnded: true, Escalated: true, ToldAgain: true, Announced: true, Commented: false,
		WasSuppressed: false, RefusedPresent: false, RefusedGuarded: false, RefusedTooLong: false}
	for r, want := range calls {
		if r.Calls() != want {
			t.Errorf("%q: calls people %v", r, r.Calls())
		}
	}
	for _, r := range []Reason{RefusedPresent, RefusedNothing, RefusedNoLatch, RefusedUnchanged, RefusedGuarded, RefusedNoWhy, RefusedAside} {
		if !r.Refused() {
			t.Errorf("%q is no refusal", r)
		}
	}
	for _, r := range []Reason{None, Raised, Returned, WasShelved} {
		if r.Refused() {
			t.Errorf("%q is a refusal", r)
		}
	}
}

func TestWhatRulesAre(t *testing.T) {
	all := []struct {
		rule                             Rule
		latches, blinds, guarded, notice bool
		priority                         Priority
		kind, name                       string
	}{
		{Exceeds, true, false, true, false, High, "exceeds", ""},
		{ExceedsOf("people"), true, false, true, false, High, "exceeds", "people"},
		{ExceedsBy("instant"), true, false, true, false, High, "exceeds", "by:instant"},
		{Emission, false, false, true, false, High, "emission", ""},
		{Silent, false, true, true, false, Medium, "silent", ""},
		{Stale, false, true, true, false, Medium, "stale", ""},
		{Stuck, false, true, true, false, Medium, "stuck", ""},
		{Fault, false, true, true, false, Medium, "fault", ""},
		{OverRange, false, false, false, false, Medium, "over-range", ""},
		{UnderFloor, false, false, false, false, Medium, "under-floor", ""},
		{ZeroDrift, false, false, false, false, Medium, "zero-drift", ""},
		{Battery, false, false, false, false, Low, "battery", ""},
		{Temperature, false, false, false, false, Medium, "temperature", ""},
		{CertificateDue, false, false, false, false, Low, "certificate-due", ""},
		{CertificateOverdue, false, false, false, false, Medium, "certificate-overdue", ""},
		{Position, false, false, false, false, Low, "position", ""},
		{Record, false, false, false, false, Medium, "record", ""},
		{Clock, false, false, false, false, Low, "clock", ""},
		{Disk, false, false, false, false, Medium, "disk", ""},
		{Away, false, true, true, true, Low, "away", ""},
		{UnderTest, false, true, true, true, Low, "under-test", ""},
		{WarningOf("half"), false, false, false, false, Low, "warning", "half"},
		{DoseOf("day"), false, false, false, false, Medium, "dose", "day"},
		{CountOf("run"), false, false, false, false, Medium, "count", "run"},
		{CourierOf("desk"), false, false, false, false, Medium, "courier", "desk"},
		{WithdrawnOf("left"), false, false, false, true, Low, "withdrawn", "left"},
		{OpenDoor, true, false, true, false, High, "open-door", ""},
		{InputOf("latch"), false, false, false, false, Medium, "input", "latch"},
		{AgeingOf("galley"), false, false, false, false, Low, "ageing", "galley"},
		{SumOf("hatch"), true, false, true, false, High, "sum", "hatch"},
		{"exceedsnot", false, false, false, false, Medium, "exceedsnot", ""},
	}
	tried := map[string]bool{}
	for _, tc := range all {
		r := tc.rule
		tried[r.Kind()] = true
		if r.Latches() != tc.latches || r.IsExceedance() != (tc.latches && r != OpenDoor && !r.IsSum()) || r.IsSum() != (tc.kind == "sum") || r.Blinds() != tc.blinds || r.Guarded() != tc.guarded ||
			r.IsNotice() != tc.notice || r.Priority() != tc.priority || r.Kind() != tc.kind || r.Name() != tc.name {
			t.Errorf("%s: latches %v, blinds %v, guarded %v, notice %v, %s, %q %q", r, r.Latches(), r.Blinds(), r.Guarded(), r.IsNotice(), r.Priority(), r.Kind(), r.Name())
		}
		if got := (Alarm{Rule: r}).Urgency(); got != tc.priority {
			t.Errorf("%s: urgency %s", r, got)
		}
		if got := (Alarm{Rule: r, Priority: High}).Urgency(); got != High {
			t.Errorf("%s made high: urgency %s", r, got)
		}
	}
	for _, r := range Rules() {
		if !tried[r.Kind()] {
			t.Errorf("%s stands in no line of this table", r)
		}
	}
}
