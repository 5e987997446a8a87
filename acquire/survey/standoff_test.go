package survey

import (
	"math"
	"slices"
	"strings"
	"testing"

	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
)

// exact makes marks on a curve, in m and W/m², each with an uncertainty of 2 %.
func exact(s0, n, background float64, distances ...float64) Walk {
	var w Walk
	for _, d := range distances {
		s := float64(field.FallOff(quantity.PowerDensity(s0), quantity.Length(distances[0]), quantity.Length(d), n)) + background
		w.Marks = append(w.Marks, Mark{Distance: quantity.Length(d), Value: quantity.PowerDensity(s), U: quantity.PowerDensity(0.02 * s)})
	}
	return w
}

func fitted(t *testing.T, w Walk, levels ...Level) StandOff {
	t.Helper()
	s, err := FitWalk(w, levels)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestExactCurveIsFound(t *testing.T) {
	w := exact(40, 1.7, 0.05, 0.05, 0.1, 0.2, 0.4, 0.8, 1.2)
	slices.Reverse(w.Marks)
	s := fitted(t, w, Level{Name: "among", Value: 2}, Level{Name: "nearer", Value: 80}, Level{Name: "farther", Value: 0.1}, Level{Name: "under", Value: 0.04})
	if len(s.Refused) > 0 || len(s.Warnings) > 0 || s.Count != 6 || s.DF != 3 || s.From != 0.05 || s.To != 1.2 || s.Sum > 1e-12 {
		t.Fatalf("%+v", s)
	}
	for name, v := range map[string]struct {
		e    Estimate
		want float64
	}{"S0": {s.S0, 40}, "n": {s.N, 1.7}, "background": {s.Background, 0.05}} {
		if math.Abs(v.e.Value-v.want) > 1e-6*v.want || !(v.e.Lo < v.want && v.e.Hi > v.want) {
			t.Errorf("%s: %+v, want %g", name, v.e, v.want)
		}
	}
	where := []Where{Among, Nearer, Farther, Nowhere}
	for i, r := range s.Levels {
		if r.Where != where[i] || r.Beyond != (i == 1 || i == 2) {
			t.Errorf("%s: %s, beyond %v", r.Name, r.Where, r.Beyond)
		}
		if r.Where == Nowhere {
			if r.Why == "" || !math.IsNaN(r.Distance.Value) {
				t.Errorf("%s: %+v", r.Name, r)
			}
			continue
		}
		want := float64(field.FallOffDistance(40, 0.05, r.Value-0.05, 1.7))
		if math.Abs(r.Distance.Value-want) > 1e-6*want || !(r.Distance.Lo < want && r.Distance.Hi > want) {
			t.Errorf("%s: %+v, want %g m", r.Name, r.Distance, want)
		}
	}
}

func TestRefusals(t *testing.T) {
	flat := exact(1, 2, 0, 0.05, 0.1, 0.2, 0.4, 0.8)
	for i := range flat.Marks {
		flat.Marks[i].Value, flat.Marks[i].U = 1+0.01*quantity.PowerDensity(i%2), 0.1
	}
	steep := exact(100, 9, 0, 0.05, 0.07, 0.09, 0.12, 0.2)
	for i := range steep.Marks {
		steep.Marks[i].U = 0.01
	}
	sunk := exact(40, 1, -0.5, 0.05, 0.1, 0.2, 0.4, 0.8)
	sunk.Floor = 0.1
	floored := exact(40, 2, 0, 0.05, 0.06, 0.08, 0.1, 0.2, 0.8)
	floored.Floor = 4
	repeated := exact(40, 2, 0, 0.05, 0.05, 0.1, 0.2, 0.2, 0.8)
	for name, tc := range map[string]struct {
		w    Walk
		want string
	}{
		"none":         {Walk{}, "0 marks at different distances"},
		"four":         {exact(40, 2, 0, 0.05, 0.1, 0.2, 0.4), "4 marks at different distances"},
		"repeated":     {repeated, "4 marks at different distances"},
		"span":         {exact(40, 2, 0, 0.05, 0.07, 0.09, 0.12, 0.1499), "a span of 3 : 1"},
		"flat":         {flat, "do not fall|exponent came to rest"},
		"steep":        {steep, "exponent came to rest at 6"},
		"background":   {sunk, "background came to rest at -0.01 mW/cm²"},
		"under floor":  {floored, "4 marks at different distances"},
		"no fall":      {exact(40, -2, 0, 0.05, 0.1, 0.2, 0.4, 0.8), "do not fall|came to rest"},
		"only the off": {Walk{Marks: []Mark{{Distance: quantity.Length(math.Inf(1)), Value: 1, U: 1}}}, "0 marks"},
	} {
		s := fitted(t, tc.w, Level{Value: 1})
		ok := false
		for _, want := range strings.Split(tc.want, "|") {
			ok = ok || strings.Contains(strings.Join(s.Refused, "; "), want)
		}
		if !ok || len(s.Levels) != 0 || s.N != (Estimate{}) {
			t.Errorf("%s: refused %q, exponent %+v, levels %v; want %q and nothing else", name, s.Refused, s.N, s.Levels, tc.want)
		}
	}
	if s := fitted(t, exact(40, 2, 0, 0.05, 0.07, 0.09, 0.12, 0.15)); len(s.Refused) > 0 {
		t.Errorf("5 marks over 3 : 1 are refused: %q", s.Refused)
	}
}

func TestWhatIsSaidBesides(t *testing.T) {
	w := exact(40, 2, 0.1, 0.05, 0.1, 0.2, 0.4, 0.8, 1.2)
	w.Marks[2].Value *= 1.3
	s := fitted(t, w, Level{Value: 2})
	if s.Widened < 3 || len(s.Warnings) == 0 || !strings.Contains(s.Warnings[0], "times as far") {
		t.Errorf("a mark far off: widened %g, warnings %q", s.Widened, s.Warnings)
	}
	for i := range w.Marks {
		w.Marks[i].U = 0
	}
	if s = fitted(t, w, Level{Value: 2}); s.Stated || !math.IsNaN(s.P) || !strings.Contains(strings.Join(s.Warnings, ";"), "no uncertainty is stated") {
		t.Errorf("%+v", s)
	}
	w.Marks[0].U = 1
	if _, err := FitWalk(w, nil); err == nil {
		t.Error("a walk with some uncertainties stated is fitted")
	}
	w = exact(40, 2, 0, 0.05, 0.1, 0.2, 0.4, 0.8, 1.2)
	w.Floor = 0.1
	if s = fitted(t, w); s.Count != 5 || len(s.Notes) != 1 || !s.Marks[5].Left || s.Marks[4].Left {
		t.Errorf("a mark under the floor: %+v", s)
	}
	// A hold with the oven off tells the background from the fall.
	near := exact(40, 1.5, 0.3, 0.05, 0.08, 0.12, 0.2, 0.3)
	off := near
	off.Marks = append(slices.Clone(near.Marks), Mark{Distance: quantity.Length(math.Inf(1)), Value: 0.3, U: 0.02})
	a, b := fitted(t, near), fitted(t, off)
	if len(b.Refused)+len(b.Warnings) > 0 || !(b.N.Hi-b.N.Lo < (a.N.Hi-a.N.Lo)/2) || b.Count != 5 {
		t.Errorf("exponent %+v without, %+v with the oven off", a.N, b.N)
	}
	// Nobody who took one is asked to take one, also where it reads nothing and no floor is stated.
	for _, v := range []quantity.PowerDensity{0, 0.001, -0.001} {
		w = exact(40, 1.5, 0, 0.05, 0.08, 0.12, 0.2, 0.3)
		w.Marks = append(w.Marks, Mark{Distance: quantity.Length(math.Inf(1)), Value: v, U: 0.02})
		if s = fitted(t, w); len(s.Refused)+len(s.Warnings) > 0 {
			t.Errorf("with the oven off %g W/m²: refused %q, warnings %q", float64(v), s.Refused, s.Warnings)
		}
	}
}
