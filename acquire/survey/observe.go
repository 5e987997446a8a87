package survey

import (
	"fmt"
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// Bounds of a hold; our own choice.
const (
	leastBackground = 3 * time.Second
	leastReadings   = 10
	rises           = 3 // standard deviations of a reading that a peak must rise by to be another
)

// When the survey ends by itself, whichever comes first.
const (
	endRatio = 10                          // times the limit; our own choice
	endLevel = quantity.PowerDensity(1000) // W/m² = 100 mW/cm²: HEW Publication (FDA) 77-8037, 4.2
)

func (s *Survey) turn() time.Duration {
	return time.Duration(s.Setup.Plan.TurnS * float64(time.Second))
}

func (s *Survey) holdTime() time.Duration {
	return time.Duration(s.Setup.Plan.HoldS * float64(time.Second))
}

// Observe takes one reading and returns the steps that come of it.
func (s *Survey) Observe(r Reading) []Step {
	if s.phase == Ended || r.Fault || !r.HasValue && !r.OverRange {
		return nil
	}
	s.last = r
	if s.harm(r) {
		return s.drain()
	}
	if r.At.Before(s.since) {
		return s.drain()
	}
	switch s.phase {
	case BackgroundHold:
		s.observeBackground(r)
	case Sweeping:
		s.follow(r)
		if r.At.Sub(s.since) >= s.sweepTime() {
			s.endSweep(r.At)
		}
	case Holding:
		s.observeHold(r)
	}
	s.lookAtStage(r.At)
	return s.drain()
}

// Tick does what time alone brings: the end of a stage, and of a sweep that the
// probe did not see.
func (s *Survey) Tick(now time.Time) []Step {
	now = now.UTC()
	if s.phase == Sweeping && now.Sub(s.since) > s.sweepTime()+s.silence() {
		s.run.gap = true
		s.endSweep(now)
	}
	s.lookAtStage(now)
	return s.drain()
}

// sweepTime is how long a sweep takes: the way, and until the probe shows its end.
func (s *Survey) sweepTime() time.Duration {
	return time.Duration(s.sweep().Seconds*float64(time.Second)) + s.response()
}

// silence is how long nothing may be seen in a sweep: the probe would move on by
// a line's spacing.
func (s *Survey) silence() time.Duration {
	way := float64(s.Setup.Plan.Procedure.Spacing) / s.Setup.Plan.Speed
	return max(s.response(), time.Duration(way*float64(time.Second)))
}

// harm warns above the limit, and ends the survey where it must.
func (s *Survey) harm(r Reading) bool {
	most := s.Setup.Limit.Value
	why := ""
	switch v := quantity.PowerDensity(r.S); {
	case r.OverRange:
		why = "the field is over the probe's range"
	case !r.HasValue:
	case v >= endRatio*most:
		why = fmt.Sprintf("the field is %s, %d times the limit or more", shown(float64(v)), endRatio)
	case v >= endLevel:
		why = fmt.Sprintf("the field is %s, at or above %s", shown(float64(v)), shown(float64(endLevel)))
	case v > most:
		s.warn(r)
	}
	if why == "" {
		return false
	}
	st := Step{At: r.At, Kind: Forced, Text: "The survey ended: " + why}
	if s.running() || s.phase == BackgroundHold {
		p := s.placeOf(r.At)
		p.OverRange, p.Settled = r.OverRange, false
		if r.HasValue && !r.OverRange {
			s.value(&p, math.Max(r.S, s.run.peak))
		}
		st.Place = &p
	}
	s.take(st)
	return true
}

// warn notes that the field is above the limit: once while the probe is carried, and
// at once, with the value, while it is at a place. Making that place again takes nothing
// of it away.
func (s *Survey) warn(r Reading) {
	n, there := s.sweep().N, s.phase == Sweeping || s.phase == HoldReady || s.phase == Holding
	if there {
		s.high = max(s.high, r.S)
	}
	switch _, known := s.above[n]; {
	case known:
	case there:
		s.tellHigh(r.At)
	case !s.warned[n]:
		s.take(Step{At: r.At, Kind: WasAbove, Text: s.aboveHere(r.S)})
	}
}

// tellHigh notes the highest value above the limit of this phase, where it is higher than
// what is known of its place: before the phase is left, for nobody keeps it after.
func (s *Survey) tellHigh(at time.Time) {
	if v := s.high; v > s.above[s.sweep().N] {
		s.take(Step{At: at, Kind: WasAbove, Text: s.aboveHere(v), Peak: &Peak{Value: &v, Stage: len(s.stages)}})
	}
}

func (s *Survey) aboveHere(v float64) string {
	return fmt.Sprintf("%s at %s, above the limit", shown(v), s.sweep().Name)
}

// follow keeps the highest value of the phase, and whether it was all seen.
func (s *Survey) follow(r Reading) {
	u := &s.run
	before := u.newest
	if u.n == 0 {
		before = s.since
	}
	u.gap = u.gap || r.At.Sub(before) > s.silence()
	if u.n == 0 {
		u.first, u.peak, u.peakAt = r.S, r.S, r.At
	}
	u.n++
	u.newest, u.unsure = r.At, u.unsure || r.Unsure
	if r.S > u.peak {
		u.peak, u.peakAt = r.S, r.At
	}
}

// endSweep notes where the highest value was: where the probe was when the field
// was there, its own lag before it showed.
func (s *Survey) endSweep(at time.Time) {
	sw := s.sweep()
	lag := time.Duration(s.response().Seconds() / math.Ln10 * float64(time.Second))
	u := &s.run
	p := &Peak{Seen: u.n > 0 && !u.gap && at.Sub(u.newest) <= s.silence(), Stage: len(s.stages), Unsure: u.unsure}
	st := Step{At: at, Kind: Swept, Peak: p}
	if u.n > 0 {
		v := u.peak
		p.Value, p.Point = &v, sw.At(s.Setup.Plan.Speed, max(0, u.peakAt.Sub(s.since)-lag))
	}
	if !p.Seen {
		st.Text = "Part of this sweep was not seen: make it again."
	}
	s.take(st)
}

// observeBackground takes the mean of what is there with the oven off, once the
// probe shows it.
func (s *Survey) observeBackground(r Reading) {
	if r.At.Sub(s.since) < s.response() {
		return
	}
	s.follow(r)
	u := &s.run
	u.values = append(u.values, r.S)
	if len(u.values) < leastReadings || r.At.Sub(s.since) < leastBackground+s.response() {
		return
	}
	half := len(u.values) / 2
	mean, sd := moments(u.values)
	a, _ := moments(u.values[:half])
	b, _ := moments(u.values[half:])
	if math.Abs(a-b) > rises*math.Max(sd, s.noise()) {
		u.values = append(u.values[:0], u.values[half:]...) // it still moves
		return
	}
	s.take(Step{At: r.At, Kind: TookBackground, Background: &Background{Taken: true, Place: s.sweep().Name,
		Value: quantity.PowerDensity(mean), Noise: quantity.PowerDensity(sd), N: len(u.values), At: r.At, Unsure: u.unsure}})
}

func moments(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean)
	}
	return mean, math.Sqrt(sd / math.Max(1, float64(len(x)-1)))
}

// observeHold follows a hold until it is settled: what is left of the step on
// arriving is less than the probe's noise, a whole turn of the stirrer was seen
// since, and the highest value no longer rises by more than noise.
func (s *Survey) observeHold(r Reading) {
	u := &s.run
	if u.n > 0 && r.At.Sub(u.newest) > s.silence() {
		s.run = run{settled: r.At} // what was seen before says nothing any more
	}
	noise := s.noise()
	if u.n == 0 {
		u.first = r.S
	}
	u.n++
	u.newest, u.unsure = r.At, u.unsure || r.Unsure
	from := s.since
	if !u.settled.IsZero() && u.rose.IsZero() {
		from = u.settled
	}
	decades := math.Log10(math.Abs(r.S-u.first) / noise)
	lag := time.Duration(math.Min(4, math.Max(1, decades)) * float64(s.response()))
	if u.rose.IsZero() {
		if r.At.Sub(from) < lag {
			return
		}
		u.settled, u.rose, u.peak, u.peakAt = r.At, r.At, r.S, r.At
	}
	if r.S > u.peak+rises*noise {
		u.rose = r.At
	}
	if r.S > u.peak {
		u.peak, u.peakAt = r.S, r.At
	}
	if r.At.Sub(u.settled) >= s.turn() && r.At.Sub(u.rose) >= s.response() {
		s.endHold(r.At, true)
		s.roomFor(r.At)
	}
}

// endHold keeps a hold.
func (s *Survey) endHold(at time.Time, settled bool) {
	u := s.run
	p := s.placeOf(at)
	p.Settled, p.Held, p.Samples = settled, at.Sub(s.since).Seconds(), u.n
	switch {
	case u.n > 0 && !u.rose.IsZero():
		s.value(&p, u.peak)
	case u.n > 0:
		s.value(&p, math.Max(u.first, s.last.S))
	}
	if p.Value == nil || s.high > *p.Value {
		s.tellHigh(at)
	}
	text := fmt.Sprintf("Place %d is taken", p.N)
	if p.Value != nil {
		text += ": " + s.shown(*p.Value)
	}
	if !settled {
		text += ", not settled"
	}
	s.take(Step{At: at, Kind: Held, Place: &p, Text: text})
}

// placeOf is the place of the present sweep, without a value.
func (s *Survey) placeOf(at time.Time) Place {
	sw := s.sweep()
	p := Place{N: sw.N, Sweep: sw.Name, Surface: sw.Surface, Stage: len(s.stages), At: at, Pulled: sw.Pull, Turned: s.turned[sw.N], K: s.Setup.Spread.K}
	where := sw.Points[0]
	if peak, ok := s.peaks[sw.N]; ok {
		where, p.Peak, p.Unsure = peak.Point, peak.Value, peak.Unsure // where the field is highest is as unsure as the sweep
	}
	p.X, p.Y = where.X, where.Y
	p.Cell = s.Setup.Plan.Oven.Door.Cell(sw.Surface, p.X, p.Y)
	return p
}

// value puts a value with its uncertainty into a place.
func (s *Survey) value(p *Place, v float64) {
	ratio := v / float64(s.Setup.Limit.Value)
	p.Value, p.Ratio = &v, &ratio
	if s.Setup.Spread.K > 0 && s.Setup.Lacking == "" {
		u := s.expanded(v, p.N)
		p.U = &u
	}
	p.Unsure = p.Unsure || s.run.unsure
}

// lookAtStage ends a stage whose load is used up.
func (s *Survey) lookAtStage(at time.Time) {
	if s.running() && s.left(at) <= 0 {
		s.tellHigh(at)
		s.take(Step{At: at, Kind: StageEnded, Text: "This load has had its time: stop the oven now."})
	}
}

// roomFor ends a stage where what is left of the load does not suffice for what
// comes next.
func (s *Survey) roomFor(at time.Time) {
	if !s.running() || s.phase != SweepReady {
		return
	}
	if s.at >= len(s.Setup.Plan.Sweeps) {
		s.take(Step{At: at, Kind: StageEnded, Text: "All places are done: stop the oven."})
		return
	}
	need := s.sweepTime() + s.holdTime() + 2*moveTime
	whole := time.Duration(s.Setup.Plan.StageS * float64(time.Second))
	if s.left(at) < min(need, whole*9/10) {
		s.take(Step{At: at, Kind: StageEnded, Text: "What is left of this load does not suffice for the next place: stop the oven."})
	}
}

// shown prints W/m² as people read it, to three digits.
func shown(s float64) string { return quantity.MilliwattPerSquareCentimetre().FormatDigits(s, 3) }
