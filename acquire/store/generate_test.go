package store

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/drivers"
)

// signal is the field of an oven that is 15 s on and 15 s off: 1.2 mW/cm² with a
// slow ripple of 30 % and 3 % noise, and about 0.003 between; read at 10 Hz with
// stamps in ms that are ± 0.2 ms off, by a clock that is 20 ppm off.
type signal struct {
	random *rand.Rand
	places int8 // decimal places said
	seq    int64
	begin  time.Time
}

func newSignal(seed uint64, places int8, begin time.Time) *signal {
	return &signal{random: rand.New(rand.NewPCG(seed, 17)), places: places, begin: begin}
}

// next fills batch with the next samples; Said is reused.
func (g *signal) next(batch []acquire.Sample) {
	scale := math.Pow10(int(g.places))
	for i := range batch {
		g.seq++
		t := float64(g.seq) * 0.1 * (1 + 20e-6)
		v := 0.003 + 0.0005*g.random.NormFloat64()
		if math.Mod(t, 30) < 15 {
			v = 1.2 * (1 + 0.3*math.Sin(t/40)) * (1 + 0.03*g.random.NormFloat64())
		}
		d := drivers.Decimal{Digits: int64(math.Round(v * scale)), Exp: -g.places}
		s := &batch[i]
		said := append(s.Said[:0], d.String()...)
		*s = acquire.Sample{Seq: g.seq, At: g.begin.Add(time.Duration(t*1e9 + (g.random.Float64()-0.5)*4e5)).Round(time.Millisecond), AtU: 2 * time.Millisecond,
			Said: said, Reading: drivers.Reading{Value: d, HasValue: true, Unit: "mW/cm2"}}
	}
}

// recorded records span of the signal at the posts, merged and sealed but for
// the last minute, which is left in commits of one second each.
func recorded(t testing.TB, s *Store, span time.Duration, places int8, posts ...string) {
	t.Helper()
	batch := make([]acquire.Sample, 600)
	made := make([]*signal, len(posts))
	for i := range posts {
		made[i] = newSignal(uint64(i+1), places, noon())
	}
	for n := time.Duration(0); n < span-time.Minute; n += time.Minute {
		for i := range posts {
			made[i].next(batch)
			s.Append(i, batch)
		}
		if s.Stats().Pending > 50_000 {
			flushed(t, s)
		}
	}
	flushed(t, s)
	merged(t, s, false)
	for range 60 {
		for i := range posts {
			made[i].next(batch[:10])
			s.Append(i, batch[:10])
		}
		flushed(t, s)
	}
}

// flushed commits at once.
func flushed(t testing.TB, s *Store) {
	t.Helper()
	done := make(chan error, 1)
	s.works <- func(w *writer) {
		for w.s.waits() {
			if err := w.attempt(true); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}
