package field

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"ovenward/acquire/quantity"
)

const inch = 0.0254 // m, exact

// Cut-off of a round hole, 6.917/d(in) GHz, and of a slot, 5.901/w(in) GHz
// (arithmetic on the textbook formulae; Ott prints 6.9 and 5.9).
func TestCutoff(t *testing.T) {
	for got, want := range map[quantity.Frequency]float64{
		RoundHole(1 * inch).Cutoff(): 6.917e9,
		Slot(1 * inch).Cutoff():      5.901e9,
	} {
		if math.Abs(float64(got)-want) > 0.0005e9 {
			t.Errorf("cut-off of an inch: %v, want %v Hz", got, want)
		}
	}
}

// dB per mm of depth at 2.45 and 5.8 GHz, from the exact formula
// 8.686·(2π/c)·√(f_c²-f²) (arithmetic).
func TestAttenuationOfRoundHoles(t *testing.T) {
	diameters := []quantity.Length{0.0010, 0.0015, 0.002, 0.003, 0.005, 0.010}
	for f, row := range map[quantity.Frequency][]float64{
		2.45e9: {31.98, 21.32, 15.99, 10.65, 6.381, 3.167},
		5.8e9:  {31.97, 21.30, 15.96, 10.61, 6.309, 3.019},
	} {
		for i, want := range row {
			digit := 0.005
			if want < 10 {
				digit = 0.0005
			}
			if got := RoundHole(diameters[i]).Attenuation(0.001, f); math.Abs(got-want) > digit*1.001 {
				t.Errorf("%v hole at %v: %v dB/mm, want %v", diameters[i], f, got, want)
			}
		}
	}
}

// Far below cut-off the rules 31.98 dB·t/D and 27.29 dB·t/w hold (arithmetic;
// Kimmel & Gerke 2007 print 'SE = 32 t/d').
func TestFarBelowCutoff(t *testing.T) {
	if got := RoundHole(0.001).Attenuation(0.001, 0); math.Abs(got-31.98) > 0.005 {
		t.Errorf("round: %v dB·t/D, want 31.98", got)
	}
	if got := Slot(0.001).Attenuation(0.001, 0); math.Abs(got-27.29) > 0.005 {
		t.Errorf("slot: %v dB·t/w, want 27.29", got)
	}
}

// The textbook example of Kimmel & Gerke: a 1/8-in hole 5/8 in deep has
// f_c = 7/d = 56 GHz and SE = 32·5 = 160 dB. Theirs are rounded (55.3 GHz and
// 159.9 dB by the exact form).
func TestTextbookHole(t *testing.T) {
	hole := RoundHole(inch / 8)
	if got := float64(hole.Cutoff()); !near(got, 56e9, 0.013) {
		t.Errorf("cut-off %v Hz, published 56 GHz", got)
	}
	if got := hole.Attenuation(5*inch/8, 0); !near(got, 160, 0.001) {
		t.Errorf("attenuation %v dB, published 160", got)
	}
}

// A published ventilation-panel example finds 100 dB in round tubes of 5 mm that
// are 10.7 mm long, by applying the slot's 27.3 dB rule to f_c/1.706. That is
// wrong: 100 dB takes 15.6 mm, and 10.7 mm give 68 dB (arithmetic).
func TestWrongVentilationPanel(t *testing.T) {
	tube := RoundHole(0.005)
	if got := 1000 * float64(tube.DepthFor(100, 0)); math.Abs(got-15.6) > 0.05 {
		t.Errorf("100 dB takes %v mm, want 15.6", got)
	}
	if got := tube.Attenuation(0.0107, 0); math.Abs(got-68) > 0.5 {
		t.Errorf("10.7 mm give %v dB, want 68", got)
	}
}

func TestFromCutoffUpNothingIsHeldBack(t *testing.T) {
	hole := Slot(0.0612) // cut-off 2.449 GHz
	if got := hole.Attenuation(1, 2.45e9); got != 0 {
		t.Errorf("above cut-off: %v dB, want 0", got)
	}
	if got := hole.Attenuation(1, hole.Cutoff()); got != 0 {
		t.Errorf("at cut-off: %v dB, want 0", got)
	}
	if got := hole.DepthFor(20, 2.45e9); !math.IsInf(float64(got), 1) {
		t.Errorf("above cut-off %v m give 20 dB, want no depth to do it", float64(got))
	}
}

func TestNonsenseHolesGiveNoValue(t *testing.T) {
	for name, x := range map[string]float64{
		"no diameter":        RoundHole(0).Attenuation(0.001, 2.45e9),
		"negative width":     Slot(-1).Attenuation(0.001, 2.45e9),
		"the zero Hole":      Hole{}.Attenuation(0.001, 2.45e9),
		"its cut-off":        float64(Hole{}.Cutoff()),
		"negative depth":     RoundHole(0.001).Attenuation(-0.001, 2.45e9),
		"negative frequency": RoundHole(0.001).Attenuation(0.001, -1),
		"no frequency":       RoundHole(0.001).Attenuation(0.001, quantity.Frequency(math.NaN())),
		"negative decibels":  float64(RoundHole(0.001).DepthFor(-1, 2.45e9)),
	} {
		if !math.IsNaN(x) {
			t.Errorf("%s: %v, want no value", name, x)
		}
	}
}

func TestAttenuationProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := quantity.Length(rapid.Float64Range(0.0005, 0.05).Draw(t, "d"))
		hole := RoundHole(d)
		if rapid.Bool().Draw(t, "slot") {
			hole = Slot(d)
		}
		f := hole.Cutoff() * quantity.Frequency(rapid.Float64Range(0, 0.99).Draw(t, "f/fc"))
		depth := quantity.Length(rapid.Float64Range(0.0001, 0.1).Draw(t, "depth"))
		db := hole.Attenuation(depth, f)
		if !(db > 0) {
			t.Fatalf("below cut-off %v dB, want some", db)
		}
		if got := hole.DepthFor(db, f); !near(float64(got), float64(depth), 1e-14) {
			t.Fatalf("depth %v, want %v", float64(got), float64(depth))
		}
		if higher := hole.Attenuation(depth, f+(hole.Cutoff()-f)/2); higher >= db {
			t.Fatalf("nearer to cut-off %v dB, at %v %v dB: want less", higher, f, db)
		}
		if wider := RoundHole(2*d).Attenuation(depth, 0); wider >= RoundHole(d).Attenuation(depth, 0) {
			t.Fatalf("twice as wide a hole holds back %v dB: want less", wider)
		}
	})
}
