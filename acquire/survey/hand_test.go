package survey

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/drivers/simulate"
)

// hidden is a random oven door with a leak somewhere on it, and a probe with its
// errors. Nothing in it is measured.
type hidden struct {
	oven    Oven
	kitchen *simulate.Kitchen
	wand    *simulate.Wand
	surface Surface
	leak    Point // on the surface
	truly   float64
	trueAt  Point
	gain    float64
	rng     *rand.Rand
	setup   Setup
	period  time.Duration
}

func epoch() time.Time { return time.Date(2026, 6, 3, 9, 0, 0, 0, time.UTC) }

// world puts a point before a surface into the kitchen: x to the right of who
// stands before the door, y out of it, z up.
func world(d Door, s Surface, p Point) simulate.Point {
	w, h := d.Size(Front)
	x, y, z := float64(p.X), float64(p.Y), float64(p.Z)
	switch s {
	case Top:
		return simulate.Point{X: x, Y: -y, Z: float64(h) + z}
	case Right:
		return simulate.Point{X: float64(w) + z, Y: -x, Z: y}
	case Left:
		return simulate.Point{X: -z, Y: -(float64(d.Depth) - x), Z: y}
	}
	return simulate.Point{X: x, Y: z, Z: y}
}

func between(rng *rand.Rand, a, b float64) float64 { return a + (b-a)*rng.Float64() }

// hide invents a door; the leak is on its seam, screen, vent, panel or where the
// case meets the front.
func hide(t testing.TB, seed uint64) *hidden {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 8))
	m := func(a, b float64) quantity.Length { return quantity.Length(between(rng, a, b)) }
	d := Door{Width: m(0.3, 0.55), Height: m(0.22, 0.4), Hinge: Left, Panel: m(0.08, 0.15), Depth: m(0.3, 0.5)}
	d.ScreenWidth, d.ScreenHeight = d.Width*m(0.5, 0.8), d.Height*m(0.4, 0.7)
	d.Knobs = []Knob{{"handle", Rect{d.Width - 0.04, d.Height / 4, 0.02, d.Height / 2}, m(0.02, 0.06)}}
	d.Vents = []Vent{{Right, Rect{0.1, 0.05, 0.08, 0.05}}}
	h := &hidden{rng: rng, surface: Front, oven: Oven{ID: "hidden", Power: between(rng, 600, 1800), Stirrer: 12, Door: d}}
	in := func(r Rect) Point { return Point{r.X + m(0, 1)*r.Width, r.Y + m(0, 1)*r.Height, 0} }
	leaf := d.Leaf()
	switch rng.IntN(6) {
	case 0, 1:
		e := edges(leaf)[rng.IntN(4)].path
		f := m(0, 1)
		h.leak = Point{e[0].x + f*(e[1].x-e[0].x), e[0].y + f*(e[1].y-e[0].y), 0}
	case 2:
		h.leak = in(d.Screen())
	case 3:
		h.leak, h.surface = in(d.Vents[0].Rect), Right
	case 4:
		h.leak = in(d.PanelRect())
	case 5:
		w, _ := d.Size(Top)
		h.leak, h.surface = Point{m(0, 1) * w, 0, 0}, Top
	}
	level := math.Exp(between(rng, math.Log(2), math.Log(300))) // W/m² at 5 cm
	power := 1000.0
	o := simulate.Options{Seed: seed, Ovens: []simulate.Oven{{ID: "hidden", Power: power, Magnetrons: 1 + rng.IntN(2),
		Seam: world(d, h.surface, h.leak), Stir: between(rng, 0, 0.25), Runs: []simulate.Run{{Start: 20 * time.Second, Length: 100 * time.Hour}}}}}
	gap := math.Sqrt(level / 5)
	o.Ovens[0].Gap = simulate.Gap{Before: gap, After: gap}
	var err error
	if h.kitchen, err = simulate.New(o); err != nil {
		t.Fatal(err)
	}
	h.probe(t)
	h.truth()
	return h
}

// probe takes one in hand, with errors as its budget states them, and sets the
// survey up.
func (h *hidden) probe(t testing.TB) {
	response := time.Duration(between(h.rng, 0.3, 2) * float64(time.Second))
	spec := simulate.ProbeSpec{ID: "hand", At: world(h.oven.Door, Front, Point{0, 0, 0.05}), ResponseTime: response, Range: 2000,
		Zero: between(h.rng, 0, 0.05)}
	var err error
	if h.wand, err = h.kitchen.Wand(spec); err != nil {
		t.Fatal(err)
	}
	cert := &calib.Certificate{Number: "INVENTED-1", Laboratory: "none", Date: epoch().AddDate(-1, 0, 0), Due: epoch().AddDate(1, 0, 0), Factor: 1, U: 0.15, K: 2}
	flat := func(half float64) float64 { return between(h.rng, -half, half) }
	h.gain = (1 + 0.075*h.rng.NormFloat64()) * (1 + flat(0.05)) * (1 + flat(0.1)) * (1 + flat(0.12)) * (1 + flat(0.02))
	h.period = 100 * time.Millisecond
	p, _ := FindProcedure("us-field", nil)
	plan, err := NewPlan(h.oven, p, Hand{Response: response, Axes: 3}, false)
	if err != nil {
		t.Fatal(err)
	}
	e, _ := limit.Lookup("us-emission-in-use")
	l, err := e.Limit("in-use", 2.45e9)
	if err != nil {
		t.Fatal(err)
	}
	n := calib.Nature{Floor: 0.2, Axes: 3, Setting: calib.Setting{Frequency: 2.45e9}}
	h.setup = Setup{ID: "invented", Plan: plan, Limit: l, Spread: SpreadAt(n, cert, p, 0, l.Value), Instrument: Instrument{Probe: "hand",
		Certificate: cert.Number, Response: response.Seconds(), Range: 2000, Floor: 0.2, Axes: 3}}
}

// truth finds the place before the oven where the field at the lawful distance is
// highest, and how high it is there through a turn of the stirrer.
func (h *hidden) truth() {
	d := h.oven.Door
	w, hi := d.Size(h.surface)
	for dx := -0.08; dx <= 0.08; dx += 0.002 {
		for dy := -0.08; dy <= 0.08; dy += 0.002 {
			p := Point{X: h.leak.X + quantity.Length(dx), Y: h.leak.Y + quantity.Length(dy)}
			if p.X < 0 || p.Y < 0 || p.X > w || p.Y > hi {
				continue
			}
			p.Z = d.Before(h.surface, p.X, p.Y, SurfaceGap)
			if f := h.kitchen.Field(world(d, h.surface, p), time.Minute); f > h.truly {
				h.truly, h.trueAt = f, p
			}
		}
	}
	h.truly = 0
	for at := time.Minute; at < time.Minute+12*time.Second; at += 20 * time.Millisecond {
		h.truly = math.Max(h.truly, h.kitchen.Field(world(d, h.surface, h.trueAt), at))
	}
}

// press does what a person does in a phase, and returns where the probe goes.
func (h *hidden) press(s *Survey, phase Phase, waited time.Duration, base Point, act func(Act)) Point {
	number := func(x float64) *float64 { return &x }
	switch phase {
	case Checking, BackgroundReady, StageOver:
		act(Act{Kind: WentOn})
	case WaterWanted:
		act(Act{Kind: Watered, Volume: number(275), Celsius: number(20)})
	case SweepReady:
		if base = s.sweep().Points[0]; waited > 2*time.Second {
			act(Act{Kind: WentOn})
		}
	case Sweeping:
		base = s.sweep().At(s.Setup.Plan.Speed, max(0, waited-200*time.Millisecond))
	case HoldReady:
		if base = s.peaks[s.sweep().N].Point; waited > 2*time.Second {
			act(Act{Kind: WentOn})
		}
	case Finishing:
		act(Act{Kind: WentOn})
	}
	return base
}

// walk makes the survey as a person would: reads what it says, moves the probe,
// presses next. It returns the result and how long it took.
func (h *hidden) walk(t testing.TB) (Result, time.Duration) {
	s, steps := Start(h.setup, "A. Hand", epoch())
	kept := append([]Step{}, steps...)
	shake := func(p Point) Point { // how well a hand keeps its place and distance
		mm := func(half float64) quantity.Length { return quantity.Length(between(h.rng, -half, half) / 1000) }
		return Point{p.X + mm(4), p.Y + mm(4), p.Z + mm(2)}
	}
	now := time.Duration(0)
	act := func(a Act) {
		a.Who = "A. Hand"
		got, err := s.Do(a, epoch().Add(now))
		if err != nil {
			t.Fatalf("at %v in %q: %v", now, s.Phase(), err)
		}
		kept = append(kept, got...)
	}
	phase, since := Phase(""), time.Duration(0)
	var at, base Point
	var off Point // of the hand, for a whole sweep or hold
	for s.Phase() != Ended {
		now += h.period
		if s.Phase() != phase {
			phase, since = s.Phase(), now
			off = shake(Point{})
		}
		waited := now - since
		if phase != BackgroundHold && now < 25*time.Second && s.background.Taken {
			now = 25 * time.Second // the oven is started by now
		}
		base = h.press(s, phase, waited, base, act)
		at = Point{base.X + off.X, base.Y + off.Y, base.Z + off.Z}
		said, over := h.wand.Move(world(h.oven.Door, s.sweep().Surface, at), now)
		kept = append(kept, s.Observe(Reading{At: epoch().Add(now), S: said * h.gain, HasValue: !over, OverRange: over})...)
		kept = append(kept, s.Tick(epoch().Add(now))...)
		if now > 2*time.Hour {
			t.Fatalf("after two hours the survey is at %q, place %d: %s", s.Phase(), s.sweep().N, s.said)
		}
	}
	r := s.Result()
	again, err := Resume(kept)
	if err != nil {
		t.Fatal(err)
	}
	a, errA := json.Marshal(again.Result())
	b, errB := json.Marshal(r)
	if errA != nil || errB != nil || !bytes.Equal(a, b) {
		t.Errorf("the steps do not make the same survey again: %v, %v", errA, errB)
	}
	return r, now
}

// found is what came of many doors.
type found struct {
	doors, place, value, within int
	off                         []float64 // m
	longest                     time.Duration
	places                      int
}

func search(t testing.TB, doors int, seed uint64) found {
	f := found{doors: doors}
	for i := range doors {
		h := hide(t, seed+uint64(i))
		r, took := h.walk(t)
		f.longest, f.places = max(f.longest, took), f.places+len(r.Places)
		if r.Verdict.Worst == 0 {
			t.Fatalf("door %d: no worst place: %+v", i, r.Verdict)
		}
		p := r.Places[0]
		for _, q := range r.Places {
			if q.N == r.Verdict.Worst {
				p = q
			}
		}
		where := h.kitchenPoint(p)
		there := world(h.oven.Door, h.surface, Point{X: h.trueAt.X, Y: h.trueAt.Y})
		off := math.Hypot(math.Hypot(where.X-there.X, where.Y-there.Y), where.Z-there.Z)
		f.off = append(f.off, off)
		if off <= float64(MostSpacing) {
			f.place++
		} else if testing.Verbose() {
			t.Logf("door %d: found at %s (%.3f, %.3f), is at %s (%.3f, %.3f), %.1f cm off", i, p.Surface, p.X, p.Y, h.surface, h.trueAt.X, h.trueAt.Y, 100*off)
		}
		if math.Abs(*p.Value-h.truly) <= *p.U {
			f.value++
		} else if testing.Verbose() {
			t.Logf("door %d: %.3g ± %.3g W/m², is %.3g W/m² (gain %.3f, %s)", i, *p.Value, *p.U, h.truly, h.gain, p.Sweep)
		}
		if r.Verdict.Outcome == limit.Within {
			f.within++
			if h.truly > float64(h.setup.Limit.Value) {
				t.Logf("door %d: within, and is %.3g W/m²", i, h.truly)
			}
		}
	}
	return f
}

// kitchenPoint is where on its surface a place is, in the kitchen.
func (h *hidden) kitchenPoint(p Place) simulate.Point {
	return world(h.oven.Door, p.Surface, Point{X: p.X, Y: p.Y})
}

func (f found) String() string {
	var sum, most float64
	for _, x := range f.off {
		sum, most = sum+x, math.Max(most, x)
	}
	return fmt.Sprintf("%d doors: place within one spacing %.1f %%, value within U %.1f %%; off by %.1f mm in the mean, %.1f mm at most; %d places, longest survey %s",
		f.doors, f.share(f.place), f.share(f.value), 1000*sum/float64(f.doors), 1000*most, f.places, f.longest.Round(time.Second))
}

func (f found) share(n int) float64 { return 100 * float64(n) / float64(f.doors) }

// TestSurveyFindsTheHiddenLeak: the worst place within one spacing and within U of
// its true value in at least 95 % of random doors.
func TestSurveyFindsTheHiddenLeak(t *testing.T) {
	doors := 40
	if underRace {
		doors = 5
	}
	if os.Getenv("OVENWARD_COUNTS") == "full" {
		doors = 200
	}
	f := search(t, doors, 1000)
	t.Log(f)
	if f.share(f.place) < 95 || f.share(f.value) < 95 {
		t.Errorf("%v; want both at least 95 %%", f)
	}
	if f.within == 0 {
		t.Error("no door of those below the limit came out within: this test says little")
	}
}

// BenchmarkHiddenLeak prints the figures over 200 doors.
func BenchmarkHiddenLeak(b *testing.B) {
	for b.Loop() {
		f := search(b, 200, 5000)
		b.ReportMetric(f.share(f.place), "%place")
		b.ReportMetric(f.share(f.value), "%value")
		b.Log(f)
	}
}
