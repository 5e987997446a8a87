package survey

import (
	"fmt"
	"math"
	"time"
)

// Survey is a guided survey: a state machine. Steps go in and out, readings go
// in; it asks no clock. The steps that come out are to be kept before anything
// else: all of them in order, and the readings since the newest, make the same
// survey anew.
type Survey struct {
	Setup Setup
	begun time.Time
	ended time.Time
	who   string
	state State
	why   string

	phase  Phase
	since  time.Time // of the phase
	at     int       // index of the sweep
	resume Phase     // what follows fresh water
	said   string    // why it is as it is, for the person

	checks     []Check
	background Background
	stages     []Stage
	peaks      map[int]Peak
	places     map[int]Place // by N of the sweep
	turned     map[int]bool
	notes      []Note
	warned     map[int]bool
	above      map[int]float64 // by N of the sweep: a value above the limit at its place, W/m²
	skipPull   string          // why the sweeps with pulling are left out
	n          int             // of the newest step

	run  run     // of the phase
	high float64 // the highest value above the limit at the place in it, W/m²; 0: none
	last Reading
	out  []Step
}

// run is what the present sweep or hold has seen; readings make it anew.
type run struct {
	n       int
	first   float64 // value at its beginning
	newest  time.Time
	peak    float64
	peakAt  time.Time
	rose    time.Time // when the peak last rose by more than noise
	gap     bool      // part of it was not seen
	unsure  bool
	settled time.Time // since when the probe shows what is there
	values  []float64 // of the background only
}

// Start begins a survey.
func Start(setup Setup, who string, now time.Time) (*Survey, []Step) {
	s := &Survey{}
	s.take(Step{At: now.UTC(), Who: who, Kind: Began, Setup: &setup})
	return s, s.drain()
}

// Resume makes a survey from its steps.
func Resume(steps []Step) (*Survey, error) {
	if len(steps) == 0 || steps[0].Kind != Began || steps[0].Setup == nil {
		return nil, fmt.Errorf("resume a survey: its first step is missing in the record")
	}
	s := &Survey{}
	for i, st := range steps {
		if st.N != i+1 {
			return nil, fmt.Errorf("resume survey %s: step %d is missing in the record", steps[0].Setup.ID, i+1)
		}
		s.apply(st)
	}
	return s, nil
}

// Since is when the present phase began: readings since then are to be observed
// again after Resume.
func (s *Survey) Since() time.Time { return s.since }

// Phase is what the survey waits for.
func (s *Survey) Phase() Phase { return s.phase }

// State is how far the survey is.
func (s *Survey) State() State { return s.state }

// take numbers a step, keeps it for the record and does it.
func (s *Survey) take(st Step) {
	st.N = s.n + 1
	s.apply(st)
	s.out = append(s.out, st)
}

func (s *Survey) drain() []Step {
	out := s.out
	s.out = nil
	return out
}

// to moves to another phase.
func (s *Survey) to(p Phase, at time.Time) {
	s.phase, s.since, s.run, s.high = p, at, run{}, 0
}

// sweep is the present one.
func (s *Survey) sweep() *Sweep { return &s.Setup.Plan.Sweeps[min(s.at, len(s.Setup.Plan.Sweeps)-1)] }

// stage is the present one, nil before the first.
func (s *Survey) stage() *Stage {
	if len(s.stages) == 0 {
		return nil
	}
	return &s.stages[len(s.stages)-1]
}

// running says whether the oven is meant to run.
func (s *Survey) running() bool {
	st := s.stage()
	return st != nil && st.Ended.IsZero() && s.phase != Ended
}

// left is what is left of the stage at an instant.
func (s *Survey) left(now time.Time) time.Duration {
	if !s.running() {
		return 0
	}
	st := s.stage()
	return st.Begun.Add(time.Duration(st.Allowed * float64(time.Second))).Sub(now)
}

// response is the probe's, to 90 % of a step.
func (s *Survey) response() time.Duration {
	return time.Duration(s.Setup.Instrument.Response * float64(time.Second))
}

// noise is the standard deviation of one reading: as seen with the oven off, and
// never less than what a display hides.
func (s *Survey) noise() float64 {
	return math.Max(float64(s.background.Noise), float64(s.Setup.Instrument.Floor)/10)
}

// apply does one step. It must not look at anything but the survey and the step.
func (s *Survey) apply(st Step) {
	s.n = st.N
	switch st.Kind {
	case Began:
		s.Setup, s.begun, s.who, s.state = *st.Setup, st.At, st.Who, UnderWay
		s.checks = append(s.checks, st.Setup.Checks...)
		s.peaks, s.places, s.turned, s.warned, s.above = map[int]Peak{}, map[int]Place{}, map[int]bool{}, map[int]bool{}, map[int]float64{}
		s.to(Checking, st.At)
	case Checked:
		s.check(*st.Check)
	case Noted:
		s.notes = append(s.notes, Note{st.At, st.Who, st.Text})
	case WasAbove:
		s.warned[s.sweep().N] = true
		if st.Peak != nil && st.Peak.Value != nil {
			s.above[s.sweep().N] = max(s.above[s.sweep().N], *st.Peak.Value)
		}
	case Forced, Finished, GaveUp:
		s.end(st)
	case Watered, StageEnded, TookTemperature:
		s.applyStage(st)
	default:
		s.applyMove(st)
	}
}

// check keeps the newest outcome of each check.
func (s *Survey) check(c Check) {
	for i := range s.checks {
		if s.checks[i].Name == c.Name {
			s.checks[i] = c
			return
		}
	}
	s.checks = append(s.checks, c)
}

func (s *Survey) end(st Step) {
	s.state = map[Kind]State{Forced: Stopped, Finished: Complete, GaveUp: Abandoned}[st.Kind]
	if s.running() {
		s.closeStage(st.At)
	}
	if st.Place != nil {
		s.places[st.Place.N] = *st.Place
	}
	s.why, s.ended, s.said = st.Text, st.At, st.Text
	s.to(Ended, st.At)
}

func (s *Survey) closeStage(at time.Time) {
	g := s.stage()
	g.Ended = at
}

// applyStage does what concerns the load.
func (s *Survey) applyStage(st Step) {
	switch st.Kind {
	case Watered:
		g := Stage{N: len(s.stages) + 1, Volume: *st.Volume, Start: st.Celsius, Begun: st.At}
		g.Allowed = StageTime(g.Volume, *st.Celsius, s.Setup.Plan.Oven.Power).Seconds()
		s.stages = append(s.stages, g)
		s.said = ""
		s.to(s.resume, st.At)
	case StageEnded:
		s.closeStage(st.At)
		switch s.phase {
		case Holding, HoldReady:
			s.resume = HoldReady
		default:
			s.resume = SweepReady
		}
		s.said = st.Text
		if s.at >= len(s.Setup.Plan.Sweeps) {
			s.to(Finishing, st.At)
			return
		}
		s.to(StageOver, st.At)
	case TookTemperature:
		s.stage().End, s.said = st.Celsius, ""
		if s.phase == StageOver {
			s.to(WaterWanted, st.At)
		}
	}
}

// applyMove does what leads from phase to phase.
func (s *Survey) applyMove(st Step) {
	switch st.Kind {
	case WentOn:
		after := map[Phase]Phase{Checking: BackgroundReady, BackgroundReady: BackgroundHold, SweepReady: Sweeping,
			HoldReady: Holding, StageOver: WaterWanted}
		if s.phase == HoldReady {
			s.turned[s.sweep().N] = st.Turned
		}
		s.said = ""
		s.to(after[s.phase], st.At)
	case TookBackground:
		s.background, s.resume = *st.Background, SweepReady
		s.to(WaterWanted, st.At)
	case Swept:
		if n, v := s.sweep().N, st.Peak.Value; v != nil && *v > float64(s.Setup.Limit.Value) {
			s.above[n] = max(s.above[n], *v)
		}
		if s.said = st.Text; !st.Peak.Seen {
			s.to(SweepReady, st.At)
			return
		}
		s.peaks[s.sweep().N] = *st.Peak
		s.to(HoldReady, st.At)
	case Held:
		s.places[st.Place.N], s.said = *st.Place, st.Text
		s.forward()
		s.to(SweepReady, st.At)
	case WentBack:
		if s.phase == SweepReady && s.at > 0 {
			s.at--
		}
		fallthrough
	case Redone:
		s.said = ""
		switch s.phase {
		case BackgroundHold:
			s.to(BackgroundReady, st.At)
		case SweepReady, Sweeping, HoldReady, Holding:
			s.to(SweepReady, st.At)
		}
	}
}

// forward goes to the next sweep that has no place yet.
func (s *Survey) forward() {
	all := s.Setup.Plan.Sweeps
	for s.at++; s.at < len(all); s.at++ {
		_, done := s.places[all[s.at].N]
		if done {
			continue
		}
		if all[s.at].Pull && s.skipPull == "" {
			s.skipPull = s.notClean()
		}
		if !all[s.at].Pull || s.skipPull == "" {
			return
		}
	}
}

// notClean says why nobody may pull on the door: only after a closed-door pass
// of which every place is clearly below the limit.
func (s *Survey) notClean() string {
	for _, sw := range s.Setup.Plan.Sweeps {
		p, held := s.places[sw.N]
		if sw.Pull {
			continue
		}
		most := float64(s.Setup.Limit.Value)
		if !held || p.Value == nil || p.U == nil || *p.Value+*p.U > most || p.OverRange || p.Unsure || s.warned[sw.N] || zeroOff(*p.Value, s.Setup.Instrument.Floor) {
			return fmt.Sprintf("no pulling on the door: at place %d the closed door is not clearly below the limit", sw.N)
		}
	}
	return ""
}

// Who makes the survey.
func (s *Survey) Who() string { return s.who }
