package acquire

import (
	"fmt"
	"math"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// Upkeep is when a post's instrument and its place call for somebody. A zero time
// switches its rule off.
type Upkeep struct {
	UnderFloor   time.Duration           // nothing seen for this long while the oven is known to run
	Certificate  time.Duration           // before a certificate is due
	Position     time.Duration           // since the position was last checked
	CheckedOn    time.Time               // when the configuration says it was; zero: it does not
	ExpectedRuns func(at time.Time) bool // the oven is known to run, by people's word; nil: never
	Zero         quantity.PowerDensity   // the reading rests further from zero than this
}

// Delays of the rules about the instrument; our own choice.
const (
	overRangeOn  = 3 * time.Second
	overRangeOff = 10 * time.Second
	zeroOn       = 10 * time.Minute
	zeroOff      = time.Minute
	zeroDeadband = 0.2
	untoldOn     = 10 * time.Minute

	// A withdrawn oven that is switched on is told at once, but for a single value. It
	// must be seen at rest for longer than somebody needs to fill it anew.
	emissionOn  = 3 * time.Second
	emissionOff = 5 * time.Minute
)

// system is what the rules about a post's instrument have seen.
type system struct {
	certificate *calib.Certificate // that which due dates are told of

	overRange, underFloor, zero, emission alarm.Gate
	untold                                alarm.Gate    // the probe does not say how warm it is
	told                                  time.Time     // when it last did, as of the newest look
	hint                                  time.Duration // until when the oven is known to run
	hinted                                bool
	checked                               time.Time // when the position was last checked, by an act
	placed                                time.Time // since when the probe stands there, by the record
}

func newSystem(u Upkeep) system {
	return system{
		overRange:  alarm.Gate{On: overRangeOn, Off: overRangeOff},
		underFloor: alarm.Gate{On: u.UnderFloor},
		zero:       alarm.Gate{On: zeroOn, Off: zeroOff},
		emission:   alarm.Gate{On: emissionOn, Off: emissionOff},
		untold:     alarm.Gate{On: untoldOn},
	}
}

// look watches what concerns the instrument and its place, at every tick.
func (w *watch) look(mono time.Duration, at time.Time) {
	s := &w.system
	_, hi, seen := w.field()
	over := alarm.Unknown
	if seen {
		over = alarm.PresentIf(math.IsInf(hi, 1))
	}
	s.overRange = w.pass(overRangeAt, s.overRange, over, mono, at)
	s.underFloor = w.pass(underFloorAt, s.underFloor, w.nothingSeen(mono, at), mono, at)
	s.zero = w.pass(zeroDriftAt, s.zero, w.offZero(), mono, at)
	w.lookCertificate(mono, at)
	w.lookPosition(mono, at)
	w.lookEmission(mono, at)
	w.lookDoor(mono, at)
	w.lookWarmth(mono, at)
}

// pass moves one alarm by what its gate lets through.
func (w *watch) pass(i int, g alarm.Gate, is alarm.Presence, mono time.Duration, at time.Time) alarm.Gate {
	g, h, tell := g.Look(is, mono)
	if tell {
		w.present(i, h == alarm.Appears, mono, at)
	}
	return g
}

// present moves one alarm to whether its condition is present.
func (w *watch) present(i int, is bool, mono time.Duration, at time.Time) {
	switch {
	case is == w.alarms[i].State.Present():
	case is:
		w.apply(i, alarm.Act{What: alarm.Appears, At: at}, w.systemText(i), w.groundsOf(i, mono))
	default:
		w.apply(i, alarm.Act{What: alarm.Disappears, At: at}, w.endText(i), nil)
	}
}

// systemText says what is amiss with the instrument or its place, and what to do.
func (w *watch) systemText(i int) string {
	p := w.post
	switch i {
	case overRangeAt:
		return fmt.Sprintf("probe %s was driven beyond its range, %s: compare it with one known to be good before you rely on it", p.Probe.ID, p.Probe.Range)
	case underFloorAt:
		return fmt.Sprintf("the oven is known to run, and for %s nothing above the floor of probe %s, %s, was seen: look whether the probe still stands at its post and senses",
			quantity.FormatDuration(p.Upkeep.UnderFloor), p.Probe.ID, p.Probe.Floor)
	case zeroDriftAt:
		return fmt.Sprintf("with the oven not known to run the reading rests at %s: the zero has drifted, or another source is near; take a zero away from any field", w.newest.S)
	case certificateOverdueAt:
		c := w.system.certificate
		return fmt.Sprintf("certificate %s of probe %s was due on %s: nothing it shows can be within until it is calibrated", c.Number, p.Probe.ID, c.Due.UTC().Format(time.DateOnly))
	case certificateDueAt:
		c := w.system.certificate
		return fmt.Sprintf("certificate %s of probe %s is due on %s: have it calibrated before", c.Number, p.Probe.ID, c.Due.UTC().Format(time.DateOnly))
	case positionAt:
		return fmt.Sprintf("nobody has stated since %s that the probe stands %s from the oven and faces it: check it, and say so", w.positionKnown().In(w.zone).Format(time.DateOnly), p.Distance)
	case openDoorAt:
		return w.doorText()
	case emissionAt:
		return fmt.Sprintf("oven %s is withdrawn, by %s, and emits: see who uses it, and cut it off from the mains", p.Oven, w.withdrawn.By)
	}
	return ""
}

// endText says what was seen instead.
func (w *watch) endText(i int) string {
	switch i {
	case overRangeAt:
		return "the field is within the probe's range again"
	case underFloorAt:
		return "a field is seen again"
	case zeroDriftAt:
		return "the reading rests near zero again"
	case certificateDueAt:
		if w.alarms[certificateOverdueAt].State.Present() {
			return "its day has passed: no calibration of the probe is in force"
		}
		return "a certificate is in force that is not due soon"
	case certificateOverdueAt:
		return "a certificate is in force that is not overdue"
	case positionAt:
		return "the position was checked"
	case openDoorAt:
		return "no field is seen beside an open door now; why it was there is not known to be mended"
	case emissionAt:
		if w.withdrawn == nil {
			return "the oven is back in use"
		}
		return "no emission is seen any more"
	}
	return ""
}

// nothingSeen says whether no field is seen though the oven is known to run. What
// runs is known from outside only: by an operator's or another system's word, or
// by the hours in which the configuration says that the oven runs.
func (w *watch) nothingSeen(mono time.Duration, at time.Time) alarm.Presence {
	u := w.post.Upkeep
	known := w.system.hinted && mono < w.system.hint || u.ExpectedRuns != nil && u.ExpectedRuns(at)
	switch {
	case u.UnderFloor <= 0 || w.condition.Blind() || w.newest.Seq == 0:
		return alarm.Unknown
	case w.newest.Quality&OverRange != 0, w.newest.HasValue() && w.newest.S > w.post.Probe.Floor:
		return alarm.Absent
	case known && w.newest.HasValue():
		return alarm.Present
	}
	return alarm.Unknown
}

// offZero says whether the reading rests off zero.
func (w *watch) offZero() alarm.Presence {
	bound := float64(w.post.Upkeep.Zero)
	_, running := w.runs.Running()
	if bound <= 0 || running || w.newest.Seq == 0 || w.condition.Blind() || !w.newest.HasValue() {
		return alarm.Unknown
	}
	rest := math.Abs(float64(w.newest.S))
	switch {
	case rest > bound:
		return alarm.Present
	case rest <= bound*(1-zeroDeadband):
		return alarm.Absent
	}
	return alarm.Unknown
}

// lookCertificate tells a certificate that is due soon, and one that is overdue.
// A probe that never had one is shown as uncalibrated, and is no news.
func (w *watch) lookCertificate(mono time.Duration, at time.Time) {
	now := at
	if wall := w.epoch.Add(mono); wall.After(now) {
		now = wall
	}
	c := calib.InForce(w.post.Probe.Certificates(), now)
	if c == nil || c.Due.IsZero() {
		for _, i := range []int{certificateDueAt, certificateOverdueAt} {
			if w.alarms[i].State.Present() {
				w.apply(i, alarm.Act{What: alarm.Drop, At: at}, "the probe has no certificate now that says when it is due", nil)
			}
		}
		return
	}
	w.system.certificate = c
	overdue := !now.Before(c.Due)
	w.present(certificateOverdueAt, overdue, mono, at)
	soon := w.post.Upkeep.Certificate
	w.present(certificateDueAt, soon > 0 && !overdue && now.Add(soon).After(c.Due), mono, at)
}

// lookPosition tells a position that nobody has checked for too long.
func (w *watch) lookPosition(mono time.Duration, at time.Time) {
	if every := w.post.Upkeep.Position; every > 0 {
		last := w.positionKnown()
		w.present(positionAt, !last.IsZero() && at.Sub(last) > every, mono, at)
	}
}

// positionKnown is when the position was last checked: by an act, by the
// configuration's word, when the probe was turned for the maximum, or when it was
// put there.
func (w *watch) positionKnown() time.Time {
	last := w.system.placed
	for _, t := range []time.Time{w.system.checked, w.post.Upkeep.CheckedOn, w.post.TurnedOn} {
		if t.After(last) {
			last = t
		}
	}
	return last
}

// lookEmission tells an oven that emits though it is withdrawn. It ends when the
// field was seen at rest for long enough, or when the oven is back in use.
func (w *watch) lookEmission(mono time.Duration, at time.Time) {
	if w.withdrawn == nil {
		w.system.emission = newSystem(w.post.Upkeep).emission
		w.present(emissionAt, false, mono, at)
		return
	}
	is := alarm.Unknown
	_, running := w.runs.Running()
	emits := running || w.overRange()
	for i := range w.held {
		emits = emits || w.alarms[w.held[i].alarm].State.Present()
	}
	switch {
	case emits:
		is = alarm.Present
	case !w.condition.Blind():
		is = alarm.Absent
	}
	w.system.emission = w.pass(emissionAt, w.system.emission, is, mono, at)
}
