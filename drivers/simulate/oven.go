package simulate

import (
	"fmt"
	"math"
	"time"
)

// mainsCycle is one period of 50 Hz mains. Everything slower than the mains
// half-waves (relays, gap, turntable) is held for a whole mains cycle, as if
// every relay closed at a zero crossing.
const mainsCycle = 20 * time.Millisecond

const (
	// heating is how long a magnetron's filament warms before it emits, within
	// each 'on' (measured on one oven: reference values, section 7).
	heating = 2 * time.Second
	// stirPeriod is one turn of a turntable, 5 turns a minute (from memory).
	stirPeriod = 12 * time.Second
	// leakPerKilowatt is the invented seam law's one constant: W/m² at 50 mm
	// for each kilowatt of microwave power and each square millimetre of gap².
	leakPerKilowatt = 5.0
	// slot is the stretch in which a seeded oven runs once.
	slot = 240 * time.Second
	// shortestRun and shortestPause bound what a seeded oven does in a slot.
	shortestRun   = 30 * time.Second
	shortestPause = 10 * time.Second
	longestRun    = 200 * time.Second
)

// Program is how an oven at part power cycles its magnetron.
type Program uint8

// The programs, on and off seconds of a 22 s period. The first 2 s of each
// 'on' heat the filament and emit nothing. Source: one inverter oven's service
// manual, as in the reference values, section 7.
const (
	FullPower  Program = iota // on throughout
	On17Off5                  // 17 s on, 5 s off
	On11Off11                 // 11 s on, 11 s off
	On6Off16                  // 6 s on, 16 s off: emits for 4 s in each 22 s
	programEnd                // not a program
)

func (p Program) onOff() (on, off time.Duration) {
	switch p {
	case On17Off5:
		return 17 * time.Second, 5 * time.Second
	case On11Off11:
		return 11 * time.Second, 11 * time.Second
	case On6Off16:
		return 6 * time.Second, 16 * time.Second
	}
	return 0, 0
}

// Run is one use of an oven: from Start (kitchen time) for Length.
type Run struct {
	Start, Length time.Duration
	Program       Program
}

// emits tells whether the magnetron emits at kitchen time t of this run.
func (r Run) emits(t time.Duration) bool {
	since := t - r.Start
	if since < 0 || since >= r.Length {
		return false
	}
	on, off := r.Program.onOff()
	if off == 0 {
		return since >= heating
	}
	phase := since % (on + off)
	return phase >= heating && phase < on
}

// Gap is the gap of a door's seam in mm: Before until From, growing evenly to
// After at Until, After from then on. A seam does not mend by itself.
type Gap struct {
	Before, After float64 // mm
	From, Until   time.Duration
}

// at returns the gap in mm at kitchen time t.
func (g Gap) at(t time.Duration) float64 {
	switch {
	case t < g.From:
		return g.Before
	case t >= g.Until:
		return g.After
	}
	return g.Before + (g.After-g.Before)*float64(t-g.From)/float64(g.Until-g.From)
}

// Pattern is a scripted emission, for tests: from Begin on the field is there
// for On and away for Off, again and again (Off of 0: for ever). It knows no
// filament, turntable or gap. On and Off act at the start of the next mains
// cycle (20 ms).
type Pattern struct {
	Begin, On, Off time.Duration
	Level          float64 // W/m² at 50 mm in the mean over a mains cycle, while on
}

func (p Pattern) emits(t time.Duration) bool {
	since := t - p.Begin
	return since >= 0 && (p.Off == 0 || since%(p.On+p.Off) < p.On)
}

// Point is a place in the kitchen, in metres.
type Point struct{ X, Y, Z float64 }

// distance returns the distance between two points in metres.
func (p Point) distance(q Point) float64 {
	return math.Hypot(math.Hypot(p.X-q.X, p.Y-q.Y), p.Z-q.Z)
}

// Oven is an invented microwave oven that leaks through its door's seam.
//
// The leak at 50 mm from the seam, in the mean over a mains cycle, is
// 5 W/m² × (Power / 1 kW) × (gap / 1 mm)², while the magnetron emits. That law
// is invented; real seams follow no simple one. One magnetron emits in the
// first half of each mains cycle only, at twice the mean; two share the cycle
// (reference values, section 7).
type Oven struct {
	ID, Name   string
	Power      float64 // W of microwaves
	Magnetrons int     // 1 or 2
	Seam       Point
	Gap        Gap
	Stir       float64 // what the turntable does to the leak: ±Stir of it, 0 ≤ Stir < 1, period 12 s

	// Runs are the first runs, as written. From SeededFrom on the oven runs
	// once in each 240 s, for 30 s to 200 s, as the seed has it (0: never).
	Runs       []Run
	SeededFrom time.Duration

	Pattern *Pattern // stands in place of Power, Gap, Stir and runs when given
}

func (o Oven) check() error {
	switch {
	case o.ID == "":
		return fmt.Errorf("an oven has no id")
	case o.Magnetrons != 1 && o.Magnetrons != 2:
		return fmt.Errorf("oven %q has %d magnetrons; give it 1 or 2", o.ID, o.Magnetrons)
	case o.Pattern != nil:
		if p := *o.Pattern; p.On <= 0 || p.Off < 0 || !(p.Level >= 0) || math.IsInf(p.Level, 1) {
			return fmt.Errorf("oven %q has a pattern of %v on, %v off at %g W/m²; give it a positive time on and a finite level that is not negative", o.ID, p.On, p.Off, p.Level)
		}
		return nil
	case !(o.Power > 0 && o.Power <= 1e5):
		return fmt.Errorf("oven %q has a power of %g W; give it more than 0 W, at most 100 kW", o.ID, o.Power)
	case !(o.Stir >= 0 && o.Stir < 1):
		return fmt.Errorf("oven %q has a stir depth of %g; give it 0 or more, below 1", o.ID, o.Stir)
	case !(o.Gap.Before >= 0 && o.Gap.After >= o.Gap.Before && o.Gap.After <= 100) || o.Gap.Until < o.Gap.From:
		return fmt.Errorf("oven %q has a seam that goes from %g mm to %g mm; a gap grows, and is at most 100 mm", o.ID, o.Gap.Before, o.Gap.After)
	}
	for _, r := range o.Runs {
		if r.Length <= 0 || r.Program >= programEnd {
			return fmt.Errorf("oven %q has a run at %v of length %v and program %d; give it a positive length and a known program", o.ID, r.Start, r.Length, r.Program)
		}
	}
	return nil
}

// source is an oven with its seed: a pure function of kitchen time.
type source struct {
	Oven
	seed  uint64
	phase float64 // of the turntable at kitchen time 0, rad
}

func newSource(o Oven, seed uint64) source {
	s := source{Oven: o, seed: salted(seed, "oven", o.ID)}
	s.phase = 2 * math.Pi * uniform(s.seed, math.MaxUint64)
	return s
}

// run returns the seeded run of the slot that holds kitchen time t.
func (s *source) run(t time.Duration) Run {
	j := uint64((t - s.SeededFrom) / slot)
	draw := func(i uint64, span time.Duration) time.Duration {
		return time.Duration(uniform(s.seed, 3*j+i) * float64(span)).Truncate(mainsCycle)
	}
	r := Run{Length: shortestRun + draw(0, longestRun-shortestRun)}
	r.Start = s.SeededFrom + time.Duration(j)*slot + draw(1, slot-shortestPause-r.Length)
	if u := uniform(s.seed, 3*j+2); u >= 0.5 { // half of the runs are at full power
		r.Program = On17Off5 + Program((u-0.5)*6)
	}
	return r
}

// emitting tells whether the oven emits in the mains cycle that begins at t.
func (s *source) emitting(t time.Duration) bool {
	if s.Pattern != nil {
		return s.Pattern.emits(t)
	}
	for _, r := range s.Runs {
		if r.emits(t) {
			return true
		}
	}
	return s.SeededFrom > 0 && t >= s.SeededFrom && s.run(t).emits(t)
}

// leak returns the field at 50 mm from the seam in W/m², in the mean over the
// mains cycle that begins at kitchen time t.
func (s *source) leak(t time.Duration) float64 {
	switch {
	case !s.emitting(t):
		return 0
	case s.Pattern != nil:
		return s.Pattern.Level
	}
	gap := s.Gap.at(t)
	turn := 2*math.Pi*float64(t%stirPeriod)/float64(stirPeriod) + s.phase
	return leakPerKilowatt * s.Power / 1000 * gap * gap * (1 + s.Stir*math.Sin(turn))
}
