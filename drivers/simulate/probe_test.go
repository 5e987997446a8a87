package simulate

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
)

func TestSaidMatchesExpected(t *testing.T) {
	for _, p := range build(t, ModelKitchen(11, 1)).Probes() {
		bound := NoiseBound*p.spec.NoiseSD + p.Quantum()/2 + 1e-9
		var sum, squares, n float64
		for k := range uint64(20000) {
			at := time.Duration(k) * 50 * time.Millisecond
			_, expected := p.Truth(at)
			s := decode(t, p.Line(at, k))
			if !s.hasValue || s.status != StatusOK {
				t.Fatalf("%s at %v: %+v, want a plain reading", p.spec.ID, at, s)
			}
			off := s.value - expected
			if math.Abs(off) > bound {
				t.Fatalf("%s at %v: says %g W/m², expected %g W/m²: more than %g W/m² apart", p.spec.ID, at, s.value, expected, bound)
			}
			if steps := s.value / p.Quantum(); math.Abs(steps-math.Round(steps)) > 1e-6 {
				t.Fatalf("%s at %v: %g W/m² is no whole number of steps", p.spec.ID, at, s.value)
			}
			if expected > 1 { // far from the floor, which cuts the noise short
				sum, squares, n = sum+off, squares+off*off, n+1
			}
		}
		mean, sd := sum/n, math.Sqrt(squares/n)
		wantSD := math.Hypot(p.spec.NoiseSD, p.Quantum()/math.Sqrt(12)) // noise and even steps
		if n < 2000 || math.Abs(mean) > 5*wantSD/math.Sqrt(n) || math.Abs(sd/wantSD-1) > 0.05 {
			t.Errorf("%s: %g readings scatter by %g about %g W/m², want %g about 0", p.spec.ID, n, sd, mean, wantSD)
		}
	}
}

func TestSameSeedSameBytes(t *testing.T) {
	script := func(seed uint64, reverse bool) [300]string {
		var lines [300]string
		k := build(t, ModelKitchen(seed, 1))
		for i := range lines {
			if reverse {
				i = len(lines) - 1 - i
			}
			lines[i] = k.probes[i%3].Line(time.Duration(i)*377*time.Millisecond, uint64(i))
		}
		return lines
	}
	if script(1, false) != script(1, true) {
		t.Error("the same questions to the same kitchen got other answers in another order")
	}
	if script(1, false) == script(2, false) {
		t.Error("two seeds give the same kitchen")
	}
}

func TestAddingAnOvenChangesNoOtherNoise(t *testing.T) {
	o := ModelKitchen(1, 1)
	o.Ovens = o.Ovens[:1]
	alone, all := build(t, o).Probe("probe-1"), build(t, ModelKitchen(1, 1)).Probe("probe-1")
	if a, b := alone.Line(3*time.Second, 9), all.Line(3*time.Second, 9); a != b {
		t.Errorf("%q alone, %q in the whole kitchen", a, b)
	}
}

func TestStatusWords(t *testing.T) {
	quiet := func(level float64, change func(*ProbeSpec)) *Probe {
		o := Scripted(1, 1, Pattern{On: time.Second, Level: level})
		o.Ovens[0].Magnetrons = 2
		o.Probes[0].NoiseSD = -1 // none
		if change != nil {
			change(&o.Probes[0])
		}
		return build(t, o).Probe("probe-1")
	}
	battery := func(s *ProbeSpec) { s.BatteryLife = 10 * time.Minute }
	faulty := func(s *ProbeSpec) { s.Faults = []Span{{30 * time.Second, 40 * time.Second}} }
	tests := []struct {
		name  string
		probe *Probe
		at    time.Duration
		want  string
	}{
		{"plain", quiet(50, nil), time.Minute, "5.000,mW/cm2,OK"},
		{"small", quiet(0.12, nil), time.Minute, "0.012,mW/cm2,OK"},
		{"rounds to even", quiet(0.125, nil), time.Minute, "0.012,mW/cm2,OK"},
		{"nothing", quiet(0, nil), time.Minute, "0.000,mW/cm2,OK"},
		{"coarse", quiet(50, func(s *ProbeSpec) { s.Decimals = 1 }), time.Minute, "5.0,mW/cm2,OK"},
		{"top of the range", quiet(199.9, nil), time.Minute, "19.990,mW/cm2,OK"},
		{"over the range", quiet(200.1, nil), time.Minute, ",mW/cm2,OVER"},
		{"battery not yet low", quiet(50, battery), 9*time.Minute - time.Second, "5.000,mW/cm2,OK"},
		{"battery low", quiet(50, battery), 9*time.Minute + time.Second, "5.000,mW/cm2,LOBAT"},
		{"battery empty", quiet(50, battery), time.Hour, "5.000,mW/cm2,LOBAT"},
		{"over range with a low battery", quiet(300, battery), time.Hour, ",mW/cm2,OVER"},
		{"before a fault", quiet(50, faulty), 30*time.Second - 1, "5.000,mW/cm2,OK"},
		{"fault", quiet(50, faulty), 30 * time.Second, ",mW/cm2,FAULT"},
		{"after a fault", quiet(50, faulty), 40 * time.Second, "5.000,mW/cm2,OK"},
		{"floor", quiet(0, func(s *ProbeSpec) { s.Floor = 0.1 }), time.Minute, "0.010,mW/cm2,OK"},
		{"no minus sign", quiet(0, func(s *ProbeSpec) { s.Zero = -1 }), time.Minute, "0.000,mW/cm2,OK"},
		{"zero", quiet(50, func(s *ProbeSpec) { s.Zero = 0.3 }), time.Minute, "5.030,mW/cm2,OK"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			if got := test.probe.Line(test.at, 0); got != test.want {
				t.Errorf("says %q, want %q", got, test.want)
			}
		})
	}
}

func TestZeroDriftsWithTemperature(t *testing.T) {
	o := Scripted(1, 1, Pattern{On: time.Second, Level: 0})
	o.Probes[0].Zero, o.Probes[0].ZeroPerKelvin = 0.5, 0.1
	p := build(t, o).Probe("probe-1")
	low, high := math.Inf(1), 0.0
	for at := time.Duration(0); at < swingPeriod; at += time.Second {
		_, e := p.Truth(at)
		near(t, "zero", e, 0.5+0.1*(p.temperature(at)-22), 1e-9)
		low, high = min(low, e), max(high, e)
	}
	near(t, "lowest zero", low, 0.1, 1e-3) // ± 4 K of 0.1 W/m² each
	near(t, "highest zero", high, 0.9, 1e-3)
}

func TestNoFieldBeforeTheStart(t *testing.T) {
	p := build(t, Scripted(1, 1, Pattern{On: time.Second, Level: 10})).Probe("probe-1")
	if _, e := p.Truth(-time.Hour); e != 0 {
		t.Errorf("expected %g W/m² before the start, want 0 W/m²", e)
	}
}

// TestSays: the axes add up to the value, and nothing stands for them where no
// number is shown; temperature and battery are those of the probe.
func TestSays(t *testing.T) {
	for _, s := range []shown{{status: StatusOK, counts: 1237}, {status: StatusLowBattery, counts: 9}, {status: StatusOK}, {status: StatusOver}, {status: StatusFault}} {
		s.decimals, s.temperature, s.charge = 3, 21.96, 0.7012
		columns := strings.Split(s.text()+s.more(Extras()), ",")
		if len(columns) != 8 || columns[6] != "22.0" || columns[7] != "70.1" {
			t.Errorf("%+v: %q", s, columns)
			continue
		}
		if s.status == StatusOver || s.status == StatusFault {
			if strings.Join(columns[3:6], "") != "" {
				t.Errorf("%+v shows axes: %q", s, columns)
			}
			continue
		}
		var sum float64
		for _, axis := range columns[3:6] {
			x, err := strconv.ParseFloat(axis, 64)
			if err != nil || x < 0 {
				t.Errorf("%+v: axis %q", s, axis)
			}
			sum += x
		}
		if value, err := strconv.ParseFloat(columns[0], 64); err != nil || math.Abs(sum-value) > 1e-9 {
			t.Errorf("%+v: the axes of %q add up to %g", s, columns, sum)
		}
	}
	o := ModelKitchen(1, 1)
	for _, wrong := range []ProbeSpec{{ID: "x", Says: []string{"mood"}}, {ID: "x", Says: Extras(), Language: SCPI}} {
		o.Probes = []ProbeSpec{wrong}
		if _, err := New(o); err == nil {
			t.Errorf("%+v was taken", wrong)
		}
	}
}
