package calib

import (
	"math"
	"strings"
	"testing"

	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

func unitOf(t *testing.T, spelling string) quantity.Unit {
	t.Helper()
	u, ok := quantity.LookupUnit(spelling)
	if !ok {
		t.Fatalf("no unit %q", spelling)
	}
	return u
}

// Power densities add: 0.1 + 0.2 + 0.3 mW/cm² are 6 W/m². Field strengths add as
// squares: 30, 40 and 0 V/m are 50 V/m, which is 2500/377 W/m² (21 CFR
// 1030.10(b)(8)); 0.163 A/m is 1.0 mW/cm² by 47 CFR 1.1310, table 1, within its
// rounding.
func TestAxes(t *testing.T) {
	standard := Setting{Impedance: field.Standard377}
	for _, tc := range []struct {
		name    string
		setting Setting
		axes    [3]float64
		unit    string
		want    float64
		within  float64
	}{
		{"power densities", Setting{}, [3]float64{0.1, 0.2, 0.3}, "mW/cm2", 6, 1e-12},
		{"noise on one axis", Setting{}, [3]float64{0.1, -0.02, 0}, "mW/cm2", 0.8, 1e-12},
		{"levels", Setting{}, [3]float64{30, 30, 30}, "dBm/m2", 3, 1e-9},
		{"field strengths", standard, [3]float64{30, 40, 0}, "V/m", 2500. / 377, 1e-12},
		{"the same with CODATA", Setting{Impedance: field.CODATA2022}, [3]float64{30, 40, 0}, "V/m", 2500 / 376.730313412, 1e-12},
		{"magnetic", standard, [3]float64{0.163, 0, 0}, "A/m", 10.0166, 0.001},
		{"levels of field strength", standard, [3]float64{155.760, -200, -200}, "dBuV/m", 10, 0.01},
	} {
		got, err := tc.setting.Sum(tc.axes, unitOf(t, tc.unit))
		if err != nil || math.Abs(float64(got)-tc.want) > tc.within {
			t.Errorf("%s: %v W/m², %v; want %v", tc.name, float64(got), err, tc.want)
		}
	}
	for _, tc := range []struct {
		setting Setting
		axes    [3]float64
		unit    string
		err     string
	}{
		{Setting{}, [3]float64{1, 2, 3}, "V/m", `axis x: unit V/m is one of electric field strength: state impedance = "377" or "codata" for this probe`},
		{standard, [3]float64{1, 2, -3}, "V/m", "axis z: -3 V/m is negative, and a root-mean-square field is not"},
	} {
		if _, err := tc.setting.Sum(tc.axes, unitOf(t, tc.unit)); err == nil || err.Error() != tc.err {
			t.Errorf("%v %s: %v, want %q", tc.axes, tc.unit, err, tc.err)
		}
	}
	if _, err := standard.Single(1, quantity.Unit{}); err == nil || !strings.Contains(err.Error(), "no unit of power density or field strength") {
		t.Errorf("a number without a unit gave %v", err)
	}
	if s, err := standard.Single(61.4, unitOf(t, "V/m")); err != nil || math.Abs(float64(s)-9.9999) > 1e-4 {
		t.Errorf("61.4 V/m is %v W/m², %v; with 377 Ω it is 9.9999", float64(s), err)
	}
}

// TestTemperatureInEveryUnit: a certificate's table is in °C, whatever the probe
// says its temperature in. 73.4 °F and 296.15 K are 23 °C.
func TestTemperatureInEveryUnit(t *testing.T) {
	for unit, said := range map[string]drivers.Decimal{"": {Digits: 23}, "°C": {Digits: 23}, "°F": {Digits: 734, Exp: -1}, "K": {Digits: 29615, Exp: -2}} {
		r := drivers.Reading{HasValue: true, HasTemp: true, Temperature: said, TemperatureUnit: unit}
		in, err := new(Setting).Raw(&r, unitOf(t, "W/m2"))
		if err != nil || !in.HasTemperature || math.Abs(in.Temperature-23) > 1e-9 {
			t.Errorf("%s %s: %+v, %v; want 23 °C", said, unit, in, err)
		}
	}
	if in, err := new(Setting).Raw(&drivers.Reading{HasValue: true}, unitOf(t, "W/m2")); err != nil || in.HasTemperature {
		t.Errorf("nothing said of it: %+v, %v", in, err)
	}
}
