package alarm

import (
	"testing"
	"time"
)

// kinds are rules of each way of living: one that latches, one that is guarded
// and ends by itself, one that may be set aside in every way, and a notice.
func kinds() []Rule { return []Rule{Exceeds, OpenDoor, Silent, Battery, Away} }

func asides() []State { return []State{NotAside, Shelved, Suppressed, OutOfService} }

// act fills in what an operator would say.
func act(h Happening) Act {
	return Act{What: h, At: noon(), Who: "M. Okafor", Why: "a seal is on order", Until: noon().Add(time.Hour)}
}

// asideMoves are the moves of what sets an alarm aside, of an alarm that stands.
// The three states are those of ISA-18.2-2016 / IEC 62682; that one of them does
// not lead to another but by its own end, save that what is out for repair may
// have been shelved before, is our own choice.
func asideMoves() map[Happening]map[State]move {
	return map[Happening]map[State]move{
		Shelve: {NotAside: {Shelved, WasShelved}, Shelved: {Shelved, RefusedUnchanged},
			Suppressed: {Suppressed, RefusedAside}, OutOfService: {OutOfService, RefusedAside}},
		Unshelve: {NotAside: {NotAside, RefusedNotAside}, Shelved: {NotAside, WasUnshelved},
			Suppressed: {Suppressed, RefusedNotAside}, OutOfService: {OutOfService, RefusedNotAside}},
		ShelfEnds: {NotAside: {NotAside, None}, Shelved: {NotAside, ShelfEnded},
			Suppressed: {Suppressed, None}, OutOfService: {OutOfService, None}},
		Suppress: {NotAside: {Suppressed, WasSuppressed}, Shelved: {Shelved, None},
			Suppressed: {Suppressed, None}, OutOfService: {OutOfService, None}},
		Unsuppress: {NotAside: {NotAside, None}, Shelved: {Shelved, None},
			Suppressed: {NotAside, WasUnsuppressed}, OutOfService: {OutOfService, None}},
		TakeOut: {NotAside: {OutOfService, WasTakenOut}, Shelved: {OutOfService, WasTakenOut},
			Suppressed: {OutOfService, WasTakenOut}, OutOfService: {OutOfService, RefusedUnchanged}},
		PutBack: {NotAside: {NotAside, RefusedNotAside}, Shelved: {Shelved, RefusedNotAside},
			Suppressed: {Suppressed, RefusedNotAside}, OutOfService: {NotAside, WasPutBack}},
	}
}

// wantAside is what becomes of Aside; the State stays.
func wantAside(rule Rule, from Alarm, h Happening) move {
	aside := from.Aside
	if rule.IsNotice() || rule.Guarded() && aside != Shelved {
		aside = NotAside // it was never so
	}
	want := asideMoves()[h][aside]
	switch {
	case rule.IsNotice() && (h == Shelve || h == Suppress || h == TakeOut):
		return move{from.Aside, RefusedNotice}
	case rule.Guarded() && (h == Suppress || h == TakeOut):
		return move{from.Aside, RefusedGuarded}
	case h == Shelve && from.State == Normal:
		return move{from.Aside, RefusedNothing}
	case want.why == None || want.why.Refused():
		want.to = from.Aside
	}
	return want
}

// wantAttention is what is told on or again.
func wantAttention(a Alarm, h Happening) Reason {
	stands := a.State.Standing() && !a.Rule.IsNotice() && (a.Aside == NotAside || a.Rule.Guarded() && a.Aside != Shelved)
	switch {
	case h == Comment:
		return Commented
	case h == TellAgain && stands:
		return ToldAgain
	case h == Escalate && stands && (a.State == Unacknowledged || a.State == LatchedUnacknowledged):
		return Escalated
	}
	return None
}

// wantNotice is what becomes of a notice.
func wantNotice(a Alarm, h Happening) move {
	present := a.State == Unacknowledged || a.State == Acknowledged
	switch {
	case !a.Rule.IsNotice():
		return move{a.State, RefusedNoNotice}
	case h == Announce && present:
		return move{a.State, RefusedUnchanged}
	case h == Announce:
		return move{Acknowledged, Announced}
	case present:
		return move{Normal, Concluded}
	}
	return move{a.State, RefusedNothing}
}

// wantDropped is what becomes of an alarm that nothing judges any more.
func wantDropped(a Alarm) move {
	switch to := map[State]State{Unacknowledged: LatchedUnacknowledged, Acknowledged: LatchedAcknowledged}[a.State]; {
	case to != "" && a.Rule.Latches():
		return move{to, Dropped}
	case to != "", !a.Rule.Latches() && (a.State == LatchedUnacknowledged || a.State == LatchedAcknowledged):
		return move{Normal, Dropped}
	}
	return move{a.State, None}
}

// Every rule, state, way of being set aside and happening.
func TestEveryStep(t *testing.T) {
	seen := 0
	for _, rule := range append(kinds(), ExceedsOf("people"), Emission, WarningOf("half"), WithdrawnOf("left")) {
		for _, state := range states() {
			for _, aside := range asides() {
				for h := range happenings {
					before := Alarm{Post: "pass", Rule: rule, State: state, ID: "earlier", Since: noon().Add(-time.Hour), Changed: noon().Add(-time.Minute)}
					if before.Aside = aside; aside != NotAside {
						before.By, before.Why, before.AsideSince = "J. Hale", "earlier", noon().Add(-time.Minute)
						before.Until = noon().Add(time.Minute)
					}
					got, why := before.Do(act(h))
					checkStep(t, before, h, got, why)
					seen++
				}
			}
		}
	}
	if want := 9 * len(states()) * len(asides()) * int(happenings); seen != want {
		t.Errorf("%d steps tried, want %d", seen, want)
	}
}

func checkStep(t *testing.T, before Alarm, h Happening, got Alarm, why Reason) {
	t.Helper()
	want := move{before.State, None}
	aside := before.Aside
	switch h {
	case Appears, Disappears, Acknowledge, Reset:
		want = table(before.Rule)[before.State][h]
	case Escalate, TellAgain, Comment:
		want.why = wantAttention(before, h)
	case Announce, Conclude:
		want = wantNotice(before, h)
	case Drop:
		if want = wantDropped(before); want.why == Dropped && !before.Rule.Latches() {
			aside = NotAside
		}
	default:
		m := wantAside(before.Rule, before, h)
		aside, want.why = m.to, m.why
	}
	if want.why == None || want.why.Refused() {
		if got != before || why != want.why {
			t.Errorf("%s, %s, %q, happening %d: %q and %+v; want %q and no change", before.Rule, before.State, before.Aside, h, why, got, want.why)
		}
		return
	}
	if before.Rule.IsNotice() || before.Rule.Guarded() && aside != Shelved || want.why == WasReset {
		aside = NotAside
	}
	if got.State != want.to || why != want.why || got.Aside != aside {
		t.Errorf("%s, %s, %q, happening %d: %s, %q, %q; want %s, %q, %q", before.Rule, before.State, before.Aside, h,
			got.State, got.Aside, why, want.to, aside, want.why)
	}
	moved := h <= Reset || h == Announce || h == Conclude || h == Drop
	if got.Changed.Equal(noon()) != moved {
		t.Errorf("%s, %s, happening %d: changed %v", before.Rule, before.State, h, got.Changed)
	}
	raised := why == Raised || why == Announced
	if got.Since.Equal(noon()) != raised || (got.ID != before.ID) != raised {
		t.Errorf("%s, %s, happening %d: %s since %v", before.Rule, before.State, h, got.ID, got.Since)
	}
}

// What sets an alarm aside says how, by whom, why and until when; what takes it
// back leaves nothing of it.
func TestWhatIsKeptOfBeingSetAside(t *testing.T) {
	stands := Alarm{Post: "pass", Rule: Battery, State: Unacknowledged, ID: "x"}
	for _, tc := range []struct {
		does, undoes Happening
		aside        State
		by           string
		until        time.Time
	}{
		{Shelve, Unshelve, Shelved, "M. Okafor", noon().Add(time.Hour)},
		{TakeOut, PutBack, OutOfService, "M. Okafor", time.Time{}},
		{Suppress, Unsuppress, Suppressed, "", time.Time{}},
	} {
		got, _ := stands.Do(act(tc.does))
		want := stands
		want.Aside, want.By, want.Why, want.AsideSince, want.Until = tc.aside, tc.by, "a seal is on order", noon(), tc.until
		if got != want || got.Shown() != tc.aside || got.Calls() {
			t.Errorf("%s:\n got %+v\nwant %+v", tc.aside, got, want)
		}
		want = stands
		want.calls = noon()
		if back, _ := got.Do(act(tc.undoes)); back != want || !back.Calls() || back.Shown() != Unacknowledged {
			t.Errorf("%s undone: %+v", tc.aside, back)
		}
	}
	away, _ := Alarm{Post: "pass", Rule: Away}.Do(act(Announce))
	if away.By != "M. Okafor" || away.Why == "" || !away.Until.Equal(noon().Add(time.Hour)) || !away.Since.Equal(noon()) {
		t.Errorf("announced: %+v", away)
	}
	for _, h := range []Happening{Conclude, Disappears} {
		if got, why := away.Do(act(h)); got.State != Normal || got.By != "" || !got.Until.IsZero() || why == None {
			t.Errorf("ended by %d: %+v, %q", h, got, why)
		}
	}
}

func TestShelvesHaveAnEndAndAReason(t *testing.T) {
	for _, tc := range []struct {
		rule  Rule
		why   string
		until time.Duration
		want  Reason
	}{
		{Exceeds, "seal on order", 8 * time.Hour, WasShelved},
		{Exceeds, "seal on order", 8*time.Hour + 1, RefusedTooLong},
		{ExceedsBy("half"), "x", 9 * time.Hour, RefusedTooLong},
		{Silent, "x", 8 * time.Hour, WasShelved},
		{Fault, "x", 8*time.Hour + 1, RefusedTooLong},
		{Emission, "x", 8*time.Hour + 1, RefusedTooLong},
		{Battery, "x", 9 * time.Hour, WasShelved},
		{Battery, "x", 7*24*time.Hour + 1, RefusedTooLong},
		{Battery, "x", 0, RefusedNoTime},
		{Battery, "x", -time.Second, RefusedNoTime},
		{Battery, " \t", time.Hour, RefusedNoWhy},
		{Away, "x", time.Hour, RefusedNotice},
	} {
		a := Alarm{Rule: tc.rule, State: Acknowledged, ID: "x"}
		got, why := a.Do(Act{What: Shelve, At: noon(), Who: "M. Okafor", Why: tc.why, Until: noon().Add(tc.until)})
		if why != tc.want || (got != a) != (tc.want == WasShelved) {
			t.Errorf("%s for %s, why %q: %q, want %q", tc.rule, tc.until, tc.why, why, tc.want)
		}
	}
}

// What nobody acknowledges is told on, and when it was stays known for the whole
// occurrence: who was told on is to hear how it ends. TestEscalationIsOnceWhileItWaits
// holds how often.
func TestEscalationStaysKnownInAnOccurrence(t *testing.T) {
	a, _ := Alarm{Rule: Exceeds}.Step(Appears, noon())
	a, why := a.Step(Escalate, noon().Add(time.Minute))
	if why != Escalated || !a.Escalated.Equal(noon().Add(time.Minute)) {
		t.Fatalf("%+v, %q", a, why)
	}
	for _, h := range []Happening{Acknowledge, Disappears, Appears, Acknowledge, Disappears, Reset} {
		if a, why = a.Step(h, noon().Add(time.Hour)); why == None || why.Refused() || a.Escalated.IsZero() {
			t.Errorf("%d: %+v, %q", h, a, why)
		}
	}
	if a, _ = a.Step(Appears, noon().Add(2*time.Hour)); !a.Escalated.IsZero() {
		t.Errorf("another occurrence has been told on at %s", a.Escalated)
	}
	a, _ = Alarm{Rule: Silent}.Step(Appears, noon())
	ended, _ := a.Step(Disappears, noon())
	if _, why = ended.Step(Escalate, noon()); why != None {
		t.Errorf("an ended alarm is escalated: %q", why)
	}
	a, _ = a.Step(Acknowledge, noon())
	if _, why = a.Step(Escalate, noon()); why != None {
		t.Errorf("an acknowledged alarm is escalated: %q", why)
	}
	if a, why = a.Step(TellAgain, noon().Add(time.Hour)); why != ToldAgain || !a.Told.Equal(noon().Add(time.Hour)) {
		t.Errorf("told again: %+v, %q", a, why)
	}
}
