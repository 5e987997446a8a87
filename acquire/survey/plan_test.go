package survey

import (
	"math"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/quantity"
)

// largeOven has all that a plan can meet.
func largeOven(power float64) Oven {
	return Oven{ID: "large", Power: power, Stirrer: 12, Door: Door{Width: 0.46, Height: 0.31, Hinge: Left, ScreenWidth: 0.3, ScreenHeight: 0.17, Panel: 0.12, Depth: 0.4,
		Knobs: []Knob{{"handle", Rect{0.4, 0.05, 0.02, 0.2}, 0.06}, {"dial", Rect{0.5, 0.05, 0.04, 0.04}, 0.02}},
		Vents: []Vent{{Right, Rect{0.25, 0.04, 0.08, 0.05}}, {Top, Rect{0.1, 0.2, 0.2, 0.06}}}}}
}

func planned(t *testing.T, o Oven, response time.Duration) Plan {
	t.Helper()
	p, _ := FindProcedure("us-field", nil)
	plan, err := NewPlan(o, p, Hand{Response: response, Axes: 3}, false)
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

// toKnob is how far a point is from what stands out of the front, or from the
// front itself.
func toKnob(d Door, p Point) float64 {
	nearest := float64(p.Z)
	for _, k := range d.Knobs {
		away := func(a, lo, hi quantity.Length) float64 { return math.Max(0, math.Max(float64(lo-a), float64(a-hi))) }
		nearest = math.Min(nearest, math.Hypot(math.Hypot(away(p.X, k.X, k.X+k.Width), away(p.Y, k.Y, k.Y+k.Height)), away(p.Z, 0, k.Depth)))
	}
	return nearest
}

// Everywhere on the way the sensing centre is 5 cm from the nearest outer surface,
// handle and knob included.
func TestFiveCentimetresFromEverything(t *testing.T) {
	plan := planned(t, largeOven(1000), time.Second)
	least, most, raised := 1.0, 0.0, false
	for _, s := range plan.Sweeps {
		if s.Surface != Front {
			continue
		}
		for at := time.Duration(0); at.Seconds() <= s.Seconds; at += 20 * time.Millisecond {
			p := s.At(plan.Speed, at)
			d := toKnob(plan.Oven.Door, p)
			least, most, raised = math.Min(least, d), math.Max(most, d), raised || p.Z > 0.1
		}
	}
	if least < 0.0497 || most > 0.0505 || !raised {
		t.Errorf("between %.2f and %.2f mm from the nearest surface, want 50; raised above the handle %v", 1000*least, 1000*most, raised)
	}
}

// Every point of seam, screen, vents and panel lies within half a spacing of the
// way, no sweep is faster than allowed, and with its hold each fits one load.
func TestPlanCoversTheDoor(t *testing.T) {
	for _, power := range []float64{600, 1000, 1800} {
		plan := planned(t, largeOven(power), 800*time.Millisecond)
		d := plan.Oven.Door
		regions := map[string]struct {
			s Surface
			r Rect
		}{"screen": {Front, d.Screen()}, "panel": {Front, d.PanelRect()}, "vent 1": {Right, d.Vents[0].Rect}, "vent 2": {Top, d.Vents[1].Rect}}
		for name, g := range regions {
			for i := range 12 {
				for k := range 12 {
					p := Point{g.r.X + g.r.Width*quantity.Length(i)/11, g.r.Y + g.r.Height*quantity.Length(k)/11, 0}
					if far := plan.farFrom(g.s, p); far > 0.0126 {
						t.Fatalf("%g W, %s: (%.3f, %.3f) is %.1f mm from the way", power, name, p.X, p.Y, 1000*far)
					}
				}
			}
		}
		leaf := d.Leaf()
		for _, e := range edges(leaf) {
			for i := range 20 {
				f := quantity.Length(i) / 19
				p := Point{e.path[0].x + f*(e.path[1].x-e.path[0].x), e.path[0].y + f*(e.path[1].y-e.path[0].y), 0}
				if far := plan.farFrom(Front, p); far > 0.002 {
					t.Fatalf("%g W, seam, %s: %.1f mm from the way", power, e.name, 1000*far)
				}
			}
		}
		for _, s := range plan.Sweeps {
			if v := float64(s.Length) / s.Seconds; v > MostSpeed+1e-9 {
				t.Errorf("%g W, %s: %.2f cm/s", power, s.Name, 100*v)
			}
			if s.Seconds+plan.HoldS > plan.StageS {
				t.Errorf("%g W, %s: %.1f s and a hold of %.1f s in a load of %.1f s", power, s.Name, s.Seconds, plan.HoldS, plan.StageS)
			}
		}
		if power == 1800 && plan.StageS >= 60 {
			t.Errorf("a load lasts %.1f s at 1.8 kW, want less than a minute", plan.StageS)
		}
		if last := plan.Sweeps[len(plan.Sweeps)-1]; last.Stage != plan.Stages || plan.Stages < 2 {
			t.Errorf("%g W: %d stages, the last sweep in %d", power, plan.Stages, last.Stage)
		}
	}
}

// farFrom is how far a point of a surface is from the way, seen from before it.
func (p Plan) farFrom(surface Surface, q Point) float64 {
	far := 1.0
	for _, s := range p.Sweeps {
		if s.Surface != surface {
			continue
		}
		for i := 1; i < len(s.Points); i++ {
			a, b := s.Points[i-1], s.Points[i]
			dx, dy := float64(b.X-a.X), float64(b.Y-a.Y)
			f := 0.0
			if l := dx*dx + dy*dy; l > 0 {
				f = math.Max(0, math.Min(1, (float64(q.X-a.X)*dx+float64(q.Y-a.Y)*dy)/l))
			}
			far = math.Min(far, math.Hypot(float64(q.X-a.X)-f*dx, float64(q.Y-a.Y)-f*dy))
		}
	}
	return far
}

// A slow probe is moved more slowly: within its response it goes one spacing.
func TestSlowProbeGoesSlowly(t *testing.T) {
	if v := planned(t, largeOven(1000), 2500*time.Millisecond).Speed; math.Abs(v-0.01) > 1e-12 {
		t.Errorf("%.3g cm/s for a response of 2.5 s, want 1", 100*v)
	}
}

// 275 mL from 20 °C to the boil is 91.8 kJ (textbook: 4.18 J/(g·K)); 80 % of it
// over 1.8 kW is 40.8 s.
func TestStageTime(t *testing.T) {
	if d := StageTime(275, 20, 1800).Seconds(); math.Abs(d-40.8) > 0.2 {
		t.Errorf("%g s at 1.8 kW, want 40.8", d)
	}
	if StageTime(275, 100, 1800) != 0 || StageTime(275, 20, 0) != 0 {
		t.Error("a load that boils, or an unknown oven, has a stage")
	}
}

func TestPlansThatCannotBe(t *testing.T) {
	p, _ := FindProcedure("us-field", nil)
	fast := p
	fast.Speed = 0.03
	for name, tc := range map[string]struct {
		o    Oven
		p    Procedure
		want string
	}{
		"power":   {largeOven(0), p, "rated output"},
		"hot":     {largeOven(6000), p, "larger load"},
		"speed":   {largeOven(1000), fast, "3 cm/s"},
		"no door": {Oven{Power: 1000}, p, "the door is 0 m wide"},
	} {
		if _, err := NewPlan(tc.o, tc.p, Hand{Response: time.Second}, false); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: %v, want %q", name, err, tc.want)
		}
	}
	if _, err := NewPlan(largeOven(1000), p, Hand{}, false); err == nil {
		t.Error("a probe of unknown response has a plan")
	}
	outside := largeOven(1000)
	outside.Door.Knobs[0].X = 0.6
	if err := outside.Door.Check(); err == nil || !strings.Contains(err.Error(), "handle does not lie on the front") {
		t.Errorf("a handle beside the oven: %v", err)
	}
}

func TestCells(t *testing.T) {
	d := Door{Width: 0.3, Height: 0.3}
	for want, at := range map[int][2]quantity.Length{1: {0, 0.3}, 3: {0.3, 0.25}, 5: {0.15, 0.15}, 7: {0.05, 0}, 9: {0.29, 0.05}} {
		if got := d.Cell(Front, at[0], at[1]); got != want {
			t.Errorf("at %v: cell %d, want %d", at, got, want)
		}
	}
}

func TestProceduresAreSound(t *testing.T) {
	for _, p := range Procedures() {
		if err := p.Check(); err != nil {
			t.Error(err)
		}
	}
}
