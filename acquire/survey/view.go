package survey

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// View is a survey at an instant, in words: what a person with the probe in hand
// must see. It is what page, terminal and API show.
type View struct {
	ID    string `json:"id"`
	Oven  string `json:"oven"`
	Where string `json:"oven_place"`
	Post  string `json:"post"`
	Who   string `json:"who"`
	State State  `json:"state"`
	Phase Phase  `json:"phase"`
	Steps int    `json:"steps"` // changes whenever the survey does

	Place  int      `json:"place"` // 1, 2, 3 …
	Places int      `json:"places"`
	Title  string   `json:"title"` // the place
	Do     []string `json:"do"`    // the instruction, first things first
	Warn   []string `json:"warn"`  // harm; stands before all else
	Said   string   `json:"said"`  // what came of the step before

	Value   string `json:"value"` // with its unit, or words
	Ratio   string `json:"ratio"`
	Level   string `json:"level"`   // "above", "below" or "unknown"
	Settled string `json:"settled"` // words; empty where nothing settles
	Best    string `json:"best"`    // highest value of this sweep or hold
	Off     string `json:"background"`

	Stage     int      `json:"stage"`
	LeftS     *float64 `json:"left_s"`     // of the load; nil: the oven is not meant to run
	Progress  float64  `json:"progress"`   // of the sweep or hold, 0 to 1
	ProgressS *float64 `json:"progress_s"` // that it takes in all

	Surface Surface `json:"surface"`
	Path    []Point `json:"path"`           // of the sweep
	Mark    *Point  `json:"mark,omitempty"` // where the sensing centre shall be now

	Can   []Kind `json:"can"`            // acts that fit now
	Turn  bool   `json:"turn,omitempty"` // a one-axis probe: say that it is turned
	Rated string `json:"load,omitempty"` // how long one load of the procedure lasts
}

// View tells how the survey stands at an instant. A value older than stale is not
// shown as one.
func (s *Survey) View(now time.Time, stale time.Duration) View {
	now = now.UTC()
	plan := &s.Setup.Plan
	sw := s.sweep()
	v := View{ID: s.Setup.ID, Oven: plan.Oven.ID, Where: plan.Oven.Place, Post: s.Setup.Post, Who: s.who, State: s.state, Phase: s.phase,
		Steps: s.n, Place: sw.N, Places: len(plan.Sweeps), Said: s.said, Stage: len(s.stages), Surface: sw.Surface, Path: sw.Points,
		Do: []string{}, Warn: []string{}, Can: []Kind{}}
	v.Title = fmt.Sprintf("Place %d of %d: %s", sw.N, len(plan.Sweeps), sw.Name)
	s.showValue(&v, now, stale)
	if s.running() {
		left := math.Max(0, s.left(now).Seconds())
		v.LeftS = &left
	}
	if s.background.Taken {
		v.Off = "background, oven off: " + s.shown(float64(s.background.Value))
	}
	s.instruct(&v, now)
	s.endView(&v)
	return v
}

func (s *Survey) showValue(v *View, now time.Time, stale time.Duration) {
	v.Level, v.Value = "unknown", "no fresh value"
	r := s.last
	switch {
	case s.phase == Ended:
		v.Value = ""
	case r.At.IsZero() || now.Sub(r.At) > stale:
	case r.OverRange:
		v.Value, v.Level = "over range", "above"
	case zeroOff(r.S, s.Setup.Instrument.Floor):
		v.Value, v.Ratio = "reads "+shown(r.S), "the probe's zero is off"
	default:
		ratio := r.S / float64(s.Setup.Limit.Value)
		v.Value, v.Ratio, v.Level = shown(r.S), fmt.Sprintf("%s × limit", Times(ratio, 2)), "below"
		if ratio > 1 {
			v.Level = "above"
		}
		if UnderFloor(r.S, s.Setup.Instrument.Floor) {
			v.Value, v.Ratio = "< "+shown(float64(s.Setup.Instrument.Floor)), "below the probe's floor"
		}
	}
	_, held := s.places[s.sweep().N]
	if v.Level == "above" || s.phase != Ended && s.warned[s.sweep().N] && !held { // it stays until the place is held
		v.Warn = append(v.Warn, StepBack)
	}
	if s.run.n > 0 && (s.phase == Sweeping || s.phase == Holding && !s.run.rose.IsZero()) {
		v.Best = "highest here: " + s.shown(s.run.peak)
	}
}

// instruct says what to do now.
func (s *Survey) instruct(v *View, now time.Time) {
	sw, plan := s.sweep(), &s.Setup.Plan
	do := func(format string, args ...any) { v.Do = append(v.Do, fmt.Sprintf(format, args...)) }
	can := func(all ...Kind) { v.Can = append(v.Can, all...) }
	switch s.phase {
	case Checking:
		do("The plan has %d places in about %d stages, each with fresh water.", len(plan.Sweeps), plan.Stages)
		do("Check the probe: battery, zero away from any field, and beside a second probe or a check source where there is one.")
		can(Checked, WentOn)
	case BackgroundReady:
		do("The oven is off. Hold the probe at the beginning of the first place: %s. Then press next.", words(sw.Surface, sw.Points[0]))
		can(WentOn)
	case BackgroundHold:
		do("Hold still: the field with the oven off is taken.")
		can(Redone)
	case WaterWanted:
		do("Put %g ± %g mL of fresh tap water at %g ± %g °C into the middle of the oven, in a vessel that is fit for it. Close the door.",
			plan.Procedure.Load.Value, plan.Procedure.Load.Off, plan.Procedure.Water.Value, plan.Procedure.Water.Off)
		do("Set the highest continuous power. Write down volume and temperature, start the oven, and press at once.")
		v.Rated = fmt.Sprintf("This load lasts about %.3g s.", plan.StageS)
		can(Watered)
	case SweepReady:
		do("Go to the beginning: %s. Press next when you are there.", words(sw.Surface, sw.Points[0]))
		if sw.Pull {
			do("%s", PullCaution)
		}
		v.Mark = &sw.Points[0]
		can(WentOn, WentBack, StageEnded)
	case Sweeping:
		s.instructSweep(v, now)
		can(Redone, StageEnded)
	case HoldReady:
		p := s.peaks[sw.N].Point
		do("Go to the mark: %s. Move up to 1 cm each way for the highest value, then press next.", words(sw.Surface, p))
		v.Mark, v.Turn = &p, s.Setup.Instrument.Axes < 3
		if v.Turn {
			do("Turn the probe about its grip for the highest value, and say that you did.")
		}
		can(WentOn, Redone, StageEnded)
	case Holding:
		s.instructHold(v, now)
		can(WentOn, Redone, StageEnded)
	case StageOver, Finishing:
		do("Stop the oven now. Let the water stand: it may be superheated. Write down its temperature.")
		can(TookTemperature, WentOn)
		if s.phase == Finishing && s.stage() != nil && s.stage().End != nil {
			v.Do = []string{"All places are done. Press next to end the survey."}
		}
	}
	if s.phase != Ended {
		can(Noted, GaveUp)
	}
}

func (s *Survey) instructSweep(v *View, now time.Time) {
	sw := s.sweep()
	all := s.sweepTime().Seconds()
	v.Progress, v.ProgressS = math.Min(1, now.Sub(s.since).Seconds()/all), &all
	p := sw.At(s.Setup.Plan.Speed, now.Sub(s.since))
	v.Mark = &p
	v.Do = append(v.Do, fmt.Sprintf("Follow the mark along the line, %.2g cm/s, %s from the nearest surface.", 100*s.Setup.Plan.Speed, s.Setup.Plan.Procedure.Distance))
	if p.Z > s.Setup.Plan.Procedure.Distance {
		v.Do = append(v.Do, fmt.Sprintf("Go out to %s before the front: the handle or a knob stands out here.", mm(p.Z)))
	}
	v.Settled = "moving"
}

func (s *Survey) instructHold(v *View, now time.Time) {
	p := s.peaks[s.sweep().N].Point
	v.Mark = &p
	v.Do = append(v.Do, "Hold still at the mark until it has settled.")
	all := s.holdTime().Seconds()
	v.Progress, v.ProgressS = math.Min(1, now.Sub(s.since).Seconds()/all), &all
	switch u := s.run; {
	case u.rose.IsZero():
		v.Settled = "not settled: the probe still follows its move here"
	case u.newest.Sub(u.settled) < s.turn():
		v.Settled = fmt.Sprintf("not settled: %s of %.3g s of the stirrer's turn seen", tenths(u.newest.Sub(u.settled), s.turn()), s.turn().Seconds())
	default:
		v.Settled = "not settled: the value still rises"
	}
}

// endView says what came of a survey that has ended.
func (s *Survey) endView(v *View) {
	if s.state == Stopped {
		v.Warn = ExceedsCautions()
	}
	if s.phase != Ended {
		for n := range s.warned {
			if p, ok := s.places[n]; ok && p.Value != nil && *p.Value > float64(s.Setup.Limit.Value) && len(v.Warn) < 2 {
				v.Warn = append(v.Warn, Lethal)
			}
		}
		return
	}
	v.Do = append(v.Do, fmt.Sprintf("The survey has ended: %s.", s.state))
	if r := s.Result(); r.Verdict.Outcome == limit.Exceeds {
		v.Warn = ExceedsCautions()
	}
}

// tenths prints how much of a span has passed in seconds, by tenths where the span has some.
func tenths(d, of time.Duration) string {
	digits := 0
	if of%time.Second != 0 {
		digits = 1
	}
	return strconv.FormatFloat(d.Seconds(), 'f', digits, 64)
}

// Times prints a multiple of a limit to so many digits, and to more where it would
// read as the limit itself, which it is not.
func Times(ratio float64, digits int) string {
	if ratio >= 99.5 { // two digits would have an exponent
		return strconv.FormatFloat(ratio, 'f', 0, 64)
	}
	text := strconv.FormatFloat(ratio, 'g', digits, 64)
	for text == "1" && ratio != 1 {
		digits++
		text = strconv.FormatFloat(ratio, 'g', digits, 64)
	}
	return text
}

// shown prints a value of a place.
func (s *Survey) shown(v float64) string { return over(v, s.Setup.Instrument.Floor) }

// over prints a value, and nothing finer than the probe's floor.
func over(v float64, floor quantity.PowerDensity) string {
	if UnderFloor(v, floor) {
		return "< " + shown(float64(floor))
	}
	return shown(v)
}

// UnderFloor says whether a value is the probe's own noise: below its floor, and not so
// far below zero that its zero is off.
func UnderFloor(v float64, floor quantity.PowerDensity) bool {
	return v < float64(floor) && !zeroOff(v, floor)
}

func zeroOff(v float64, floor quantity.PowerDensity) bool {
	return calib.ZeroOff(quantity.PowerDensity(v), floor)
}

// mm prints a length as people measure it on a door.
func mm(l quantity.Length) string { return fmt.Sprintf("%.0f mm", 1000*float64(l)) }

// words tell where a point is.
func words(s Surface, p Point) string {
	return fmt.Sprintf("%s, %s from its left edge and %s from its lower edge, the sensing centre %s out", s, mm(p.X), mm(p.Y), mm(p.Z))
}
