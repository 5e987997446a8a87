package simulate

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// perMilliwattPerSquareCentimetre turns what the simulated instrument says
// into W/m²: 1 mW/cm² = 10 W/m², exactly.
const perMilliwattPerSquareCentimetre = 10.0

// unitSaid is the unit as the simulated instrument writes it.
const unitSaid = "mW/cm2"

// The status words of the simulated instrument.
const (
	StatusOK         = "OK"
	StatusOver       = "OVER"  // above the range; no number stands in the line
	StatusLowBattery = "LOBAT" // the number still counts
	StatusFault      = "FAULT" // the instrument declares itself unfit; no number stands in the line
)

// Span is a stretch of kitchen time, [From, Until).
type Span struct{ From, Until time.Duration }

// ProbeSpec says what one simulated probe is. Fields left at zero take the
// defaults named; all of them are invented.
type ProbeSpec struct {
	ID, Post string
	At       Point // of the sensing centre, m

	ResponseTime time.Duration // to 90 % of a step, first order; default 1 s
	NoiseSD      float64       // W/m², cut off at NoiseBound; default 0.03 W/m² (0.003 mW/cm²); negative: none
	Floor        float64       // W/m²: the lowest value it shows; never below 0 W/m², for it has no minus sign
	Range        float64       // W/m²: above it the status is OVER; default 200 W/m² (20 mW/cm²)
	Decimals     int           // digits after the point, in mW/cm²; default 3; at most 6

	// The zero is Zero + ZeroPerKelvin × (temperature − 22 °C), and the
	// temperature swings by 4 K either way in 40 min.
	Zero          float64 // W/m²
	ZeroPerKelvin float64 // W/m² per kelvin

	Charge      float64       // of the battery at kitchen time 0, 0 to 1; default 1
	BatteryLife time.Duration // from full to empty; default 400 h; LOBAT below a tenth

	Faults []Span // when it declares itself unfit

	// Stream is how often the probe talks by itself, in lines per second of
	// host time (not kitchen time); 0: it answers queries.
	Stream float64

	// Language is one of Languages; only Textline can talk by itself.
	Language string

	// Says lists what a line of Textline says beside value, unit and status, in
	// this order and of Extras.
	Says []string
}

// What a line can say beside value, unit and status.
const (
	SaysAxes        = "axes"        // x, y and z in mW/cm²; their sum is the value
	SaysTemperature = "temperature" // °C
	SaysBattery     = "battery"     // per cent of full
)

// Extras lists what a line can say beside value, unit and status.
func Extras() []string { return []string{SaysAxes, SaysTemperature, SaysBattery} }

const (
	lowBattery      = 0.1 // of full
	meanTemperature = 22.0
	swing           = 4.0 // K
	swingPeriod     = 40 * time.Minute
	fastestStream   = 1000.0 // lines per second
	widestRange     = 1e6    // W/m²
)

func (s ProbeSpec) withDefaults() ProbeSpec {
	if s.ResponseTime == 0 {
		s.ResponseTime = time.Second
	}
	if s.NoiseSD == 0 {
		s.NoiseSD = 0.03
	}
	s.NoiseSD = max(0, s.NoiseSD)
	if s.Range == 0 {
		s.Range = 200
	}
	if s.Decimals == 0 {
		s.Decimals = 3
	}
	if s.Charge == 0 {
		s.Charge = 1
	}
	if s.Language == "" {
		s.Language = Textline
	}
	if s.BatteryLife == 0 {
		s.BatteryLife = 400 * time.Hour
	}
	return s
}

func (s ProbeSpec) check() error {
	finite := s.NoiseSD + s.Floor + s.Range + s.Zero + s.ZeroPerKelvin + s.At.X + s.At.Y + s.At.Z
	switch {
	case s.ID == "":
		return fmt.Errorf("a probe has no id")
	case math.IsNaN(finite) || math.IsInf(finite, 0):
		return fmt.Errorf("probe %q has a property that is no finite number", s.ID)
	case s.ResponseTime < time.Millisecond || s.ResponseTime > time.Hour:
		return fmt.Errorf("probe %q has a response time of %v; give it 1 ms to 1 h", s.ID, s.ResponseTime)
	case s.Range <= s.Floor || s.Floor < 0 || s.Range > widestRange:
		return fmt.Errorf("probe %q shows %g W/m² to %g W/m²; give it a floor of 0 W/m² or more, below its range, and a range of at most %g W/m²", s.ID, s.Floor, s.Range, widestRange)
	case s.Decimals < 1 || s.Decimals > 6:
		return fmt.Errorf("probe %q shows %d decimals; give it 1 to 6", s.ID, s.Decimals)
	case !(s.Charge > 0 && s.Charge <= 1) || s.BatteryLife <= 0:
		return fmt.Errorf("probe %q has a charge of %g for %v; give it a charge above 0, at most 1, and a positive life", s.ID, s.Charge, s.BatteryLife)
	case !slices.Contains(Languages(), s.Language):
		return fmt.Errorf("probe %q speaks %q; give it one of %s", s.ID, s.Language, strings.Join(Languages(), ", "))
	case len(s.Says) > 0 && s.Language != Textline:
		return fmt.Errorf("probe %q says more than one value in %s; give it %s, or nothing to say", s.ID, s.Language, Textline)
	case slices.ContainsFunc(s.Says, func(e string) bool { return !slices.Contains(Extras(), e) }):
		return fmt.Errorf("probe %q says %q; give it some of %s", s.ID, s.Says, strings.Join(Extras(), ", "))
	case s.Stream > 0 && s.Language != Textline:
		return fmt.Errorf("probe %q talks by itself in %s, which answers only; leave the stream out", s.ID, s.Language)
	case !(s.Stream >= 0 && s.Stream <= fastestStream):
		return fmt.Errorf("probe %q talks by itself at %g Hz; give it 0 Hz to %g Hz", s.ID, s.Stream, fastestStream)
	}
	return nil
}

// Probe is one simulated probe. All its methods may be called from any
// goroutine.
type Probe struct {
	spec    ProbeSpec
	place   place
	seed    uint64
	kitchen *Kitchen
	mu      sync.Mutex // guards what follows
	lag     lag
	said    uint64 // readings taken so far
}

func newProbe(k *Kitchen, spec ProbeSpec, seed uint64) *Probe {
	p := &Probe{spec: spec, seed: salted(seed, "probe", spec.ID), kitchen: k}
	for i := range k.sources {
		s := &k.sources[i]
		p.place = append(p.place, heard{s, falloff(s.Seam.distance(spec.At))})
	}
	p.lag = newLag(spec.ResponseTime.Seconds() / math.Ln10) // 1 − exp(−T90/τ) = 0.9
	return p
}

// Spec returns what the probe is, with its defaults filled in.
func (p *Probe) Spec() ProbeSpec { return p.spec }

// Quantum returns the least step of what the probe says, in W/m².
func (p *Probe) Quantum() float64 {
	return perMilliwattPerSquareCentimetre / math.Pow10(p.spec.Decimals)
}

// Truth returns two power densities at the probe's sensing centre at kitchen
// time t, in W/m². Field is the true one, as the kitchen has it, in the mean
// over the present mains cycle: no lag, no zero, no noise. Expected is what the
// probe would show if it had neither noise nor steps: the field after its first-order
// lag (mains half-waves and all), plus its zero, and never below its floor. It
// knows no upper range. Before kitchen time 0 there was no field.
func (p *Probe) Truth(t time.Duration) (field, expected float64) {
	t = max(0, t)
	first, second := p.place.cycle(int64(t / mainsCycle))
	p.mu.Lock()
	lagged := p.lag.value(p.place, t)
	p.mu.Unlock()
	return (first + second) / 2, max(p.spec.Floor, lagged+p.zero(t))
}

// temperature returns the probe's temperature in °C.
func (p *Probe) temperature(t time.Duration) float64 {
	turn := uniform(p.seed, math.MaxUint64) + float64(t%swingPeriod)/float64(swingPeriod)
	return meanTemperature + swing*math.Sin(2*math.Pi*turn)
}

// zero returns what the probe shows of no field, in W/m².
func (p *Probe) zero(t time.Duration) float64 {
	return p.spec.Zero + p.spec.ZeroPerKelvin*(p.temperature(t)-meanTemperature)
}

// charge returns the state of the battery, 0 to 1. An empty battery still
// runs the probe, which goes on saying that it is low.
func (p *Probe) charge(t time.Duration) float64 {
	return max(0, p.spec.Charge-float64(t)/float64(p.spec.BatteryLife))
}

// Line returns what the probe says as its reading number k, taken at kitchen
// time t, without line end: value, unit and status, as in
//
//	0.412,mW/cm2,OK
//
// and behind it what the spec says more. It is a pure function of the seed, t and k, on one kind of machine.
func (p *Probe) Line(t time.Duration, k uint64) string {
	_, expected := p.Truth(t)
	return p.line(t, k, expected)
}

func (p *Probe) line(t time.Duration, k uint64, expected float64) string {
	s := p.show(t, k, expected)
	return s.text() + s.more(p.spec.Says)
}

// shown is one reading as the instrument has it, before it is put into words.
type shown struct {
	status      string
	counts      int64   // of its least step; 0 where no number is shown
	decimals    int     // of a count, in mW/cm²
	temperature float64 // °C
	charge      float64 // 0 to 1
}

func (p *Probe) show(t time.Duration, k uint64, expected float64) shown {
	s := shown{status: StatusOK, decimals: p.spec.Decimals, temperature: p.temperature(t), charge: p.charge(t)}
	for _, f := range p.spec.Faults {
		if t >= f.From && t < f.Until {
			s.status = StatusFault
			return s
		}
	}
	value := max(p.spec.Floor, expected+p.spec.NoiseSD*gauss(p.seed, k))
	if value > p.spec.Range {
		s.status = StatusOver
		return s
	}
	if s.charge < lowBattery {
		s.status = StatusLowBattery
	}
	s.counts = int64(math.RoundToEven(value / p.Quantum()))
	return s
}

// text is the reading in textline: value, unit, status.
func (s shown) text() string {
	if s.status == StatusFault || s.status == StatusOver {
		return "," + unitSaid + "," + s.status
	}
	return decimal(s.counts, s.decimals) + "," + unitSaid + "," + s.status
}

// more is what a line says beside value, unit and status, each after a comma. The
// axes share the value as 6 : 3 : 1, to the last count; they are empty where no
// number is shown.
func (s shown) more(says []string) string {
	var b strings.Builder
	for _, what := range says {
		switch {
		case what == SaysTemperature:
			fmt.Fprintf(&b, ",%.1f", s.temperature)
		case what == SaysBattery:
			fmt.Fprintf(&b, ",%.1f", 100*s.charge)
		case s.status == StatusFault || s.status == StatusOver:
			b.WriteString(",,,")
		default:
			y, z := 3*s.counts/10, s.counts/10
			for _, axis := range []int64{s.counts - y - z, y, z} {
				b.WriteString("," + decimal(axis, s.decimals))
			}
		}
	}
	return b.String()
}

// decimal writes counts ≥ 0 with the point that many digits from the right.
func decimal(counts int64, decimals int) string {
	s := strconv.FormatInt(counts, 10)
	if short := decimals + 1 - len(s); short > 0 {
		s = strings.Repeat("0", short) + s
	}
	return s[:len(s)-decimals] + "." + s[len(s)-decimals:]
}

// Answer is one reading the probe took, with the truth behind it.
type Answer struct {
	Probe    string
	Index    uint64        // number of the reading, from 0
	Instant  time.Time     // host time at which the value was taken
	At       time.Duration // the same in kitchen time
	True     float64       // W/m², see Truth
	Expected float64       // W/m², see Truth
	Line     string        // as said, without line end; in Modbus, what textline would say

	shown shown
}

// take takes the next reading at host time instant.
func (p *Probe) take(instant time.Time) Answer {
	p.mu.Lock()
	k := p.said
	p.said++
	p.mu.Unlock()
	a := Answer{Probe: p.spec.ID, Index: k, Instant: instant, At: max(0, p.kitchen.Time(instant))}
	a.True, a.Expected = p.Truth(a.At)
	a.shown = p.show(a.At, k, a.Expected)
	a.Line = a.shown.text() + a.shown.more(p.spec.Says)
	if p.spec.Language == SCPI {
		a.Line = a.shown.scpi()
	}
	return a
}
