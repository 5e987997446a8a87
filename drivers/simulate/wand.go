package simulate

import (
	"errors"
	"math"
	"time"
)

// Wand is a simulated probe in somebody's hand: it is wherever it was moved to.
// It has the lag, noise, range and least step of its spec; its zero is Zero
// alone. It is for one goroutine.
type Wand struct {
	spec    ProbeSpec
	sources []source
	seed    uint64
	tau     float64 // s
	cycle   int64   // mains cycle that is felt next
	at      Point
	felt    float64 // W/m², lagged
	said    uint64
}

// Wand takes a probe of that spec in hand, at spec.At, at kitchen time 0.
func (k *Kitchen) Wand(spec ProbeSpec) (*Wand, error) {
	spec = spec.withDefaults()
	if err := spec.check(); err != nil {
		return nil, err
	}
	if len(k.sources) == 0 {
		return nil, errors.New("taking a probe in hand: the kitchen has no oven")
	}
	return &Wand{spec: spec, sources: k.sources, seed: salted(k.options.Seed, "wand", spec.ID),
		tau: spec.ResponseTime.Seconds() / math.Ln10, at: spec.At}, nil
}

// Field is the kitchen's field in W/m² at a point, in the mean over the mains
// cycle that begins at kitchen time t.
func (k *Kitchen) Field(at Point, t time.Duration) float64 {
	var sum float64
	for i := range k.sources {
		sum += k.sources[i].leak(t) * falloff(k.sources[i].Seam.distance(at))
	}
	return sum
}

// Move brings the wand straight to a point by kitchen time t, to the next whole
// mains cycle, and returns what it then says in W/m². over: it is above the range,
// and the value means nothing. Time does not go back: an earlier t moves the wand
// at once.
func (w *Wand) Move(to Point, t time.Duration) (said float64, over bool) {
	end := int64(t / mainsCycle)
	from, cycles := w.at, end-w.cycle
	h := (mainsCycle / 2).Seconds() / w.tau
	keep, take := math.Exp(-h), -math.Expm1(-h)
	for i := int64(0); i < cycles; i++ {
		f := (float64(i) + 0.5) / float64(cycles)
		here := Point{from.X + f*(to.X-from.X), from.Y + f*(to.Y-from.Y), from.Z + f*(to.Z-from.Z)}
		var p place
		var room [8]heard
		p = room[:0]
		for k := range w.sources {
			p = append(p, heard{&w.sources[k], falloff(w.sources[k].Seam.distance(here))})
		}
		first, second := p.cycle(w.cycle + i)
		w.felt = first*take + w.felt*keep
		w.felt = second*take + w.felt*keep
	}
	w.at, w.cycle = to, max(w.cycle, end)
	value := max(w.spec.Floor, w.felt+w.spec.Zero+w.spec.NoiseSD*gauss(w.seed, w.said))
	w.said++
	quantum := perMilliwattPerSquareCentimetre / math.Pow10(w.spec.Decimals)
	return math.RoundToEven(value/quantum) * quantum, value > w.spec.Range
}
