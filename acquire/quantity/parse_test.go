package quantity

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestParsePowerDensity(t *testing.T) {
	for s, want := range map[string]PowerDensity{
		"1 mW/cm2":         10,
		"5 mW/cm²":         50,
		"5mW/cm^2":         50,
		" 0.412  mW/cm2 ":  4.12,
		"0.07 mW/cm2":      0.7, // 0.07·10 in float64 is 0.7000000000000001
		"1.1 uW/cm2":       0.011,
		"50 W/m2":          50,
		"+1e3 mW/m2":       1,
		"−0.02 mW/cm2":     -0.2,
		"-.5 W/m2":         -0.5,
		"40 dBm/m2":        10,
		"0 dBm/cm2":        10,
		"-10 dBW/m2":       0.1,
		"0 W/m2":           0,
		"1E-3 kW/m2":       1,
		"0.001 W/cm2":      10,
		"1000000 nW/cm2":   10,
		"0e999999999 W/m2": 0,
	} {
		got, err := ParsePowerDensity(s)
		if err != nil || got != want {
			t.Errorf("ParsePowerDensity(%q) = %v W/m², %v, want %v", s, float64(got), err, float64(want))
		}
	}
}

func TestParsePowerDensityRefuses(t *testing.T) {
	for s, want := range map[string]string{
		"5":                 `"5" has no unit: write for example "5 mW/cm2"`,
		"0.25 ":             `"0.25 " has no unit: write for example "0.25 mW/cm2"`,
		"":                  `"" does not start with a number: write for example "1 mW/cm2"`,
		"mW/cm2":            `does not start with a number`,
		"NaN mW/cm2":        `is not a finite number`,
		"-Inf mW/cm2":       `is not a finite number`,
		"infinity":          `is not a finite number`,
		"0,5 mW/cm2":        `holds a comma`,
		"1,000 mW/cm2":      `holds a comma`,
		"1e400 mW/cm2":      `is too large`,
		"1e99999999999 V/m": `is an electric field strength, not power density`,
		"1e-400 mW/cm2":     `is too small`,
		"9999 dBm/m2":       `is too large`,
		"-9999 dBm/m2":      `is too small`,
		"5 mw/cm2":          `"mw/cm2" is no unit of power density: write for example "5 mW/cm2"`,
		"5 MW / CM2":        `write for example "5 mW/cm2"`,
		"5 mW":              `"mW" is no unit of power density: write for example "1 mW/cm2"`,
		"5 mm":              `"mm" is no unit of power density`,
		"0x10 W/m2":         `"x10 W/m2" is no unit`,
		"1_000 W/m2":        `"_000 W/m2" is no unit`,
		"1 2 W/m2":          `"2 W/m2" is no unit`,
		"61.4 V/m":          `"61.4 V/m" is an electric field strength, not power density`,
		"1e W/m2":           `"e W/m2" is no unit`,
	} {
		got, err := ParsePowerDensity(s)
		if err == nil {
			t.Errorf("ParsePowerDensity(%q) = %v, want an error", s, got)
			continue
		}
		if !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "mW/cm2") {
			t.Errorf("ParsePowerDensity(%q): %v\nwant it to hold %s and what would be right", s, err, want)
		}
	}
}

func TestLongInputStaysReadable(t *testing.T) {
	_, err := ParsePowerDensity(strings.Repeat("1", 100_000))
	if err == nil || len(err.Error()) > 300 {
		t.Errorf("a number of 100,000 digits without unit: %.400v", err)
	}
}

func TestParseField(t *testing.T) {
	for s, want := range map[string]float64{
		"61.4 V/m": 61.4, "120 dBuV/m": 1, "163 mA/m": 0.163, "0 dBV/m": 1, "2 kV/m": 2000, "5 uV/m": 5e-6, "1 mW/cm2": 10,
	} {
		got, u, err := ParseField(s)
		if err != nil || !near(got, want, 1e-15) || u.Kind() == KindNone {
			t.Errorf("ParseField(%q) = %v %v, %v, want %v", s, got, u, err, want)
		}
	}
	if e, err := ParseFieldStrength("61.4 V/m"); err != nil || e != 61.4 {
		t.Errorf("61.4 V/m = %v, %v", e, err)
	}
	if h, err := ParseMagneticField("0.163 A/m"); err != nil || h != 0.163 {
		t.Errorf("0.163 A/m = %v, %v", h, err)
	}
	for _, s := range []string{"-1 V/m", "1 mW/cm2", "5", "1 A/m"} {
		if e, err := ParseFieldStrength(s); err == nil || !strings.Contains(err.Error(), "V/m") {
			t.Errorf("ParseFieldStrength(%q) = %v, %v, want an error that says what would be right", s, e, err)
		}
	}
}

func TestParseScaled(t *testing.T) {
	length := func(s string) (float64, error) { x, err := ParseLength(s); return float64(x), err }
	frequency := func(s string) (float64, error) { x, err := ParseFrequency(s); return float64(x), err }
	power := func(s string) (float64, error) { x, err := ParsePower(s); return float64(x), err }
	for _, c := range []struct {
		parse func(string) (float64, error)
		s     string
		want  float64
		err   string
	}{
		{length, "50 mm", 0.05, ""},
		{length, "5 cm", 0.05, ""},
		{length, "2in", 0.0508, ""}, // the inch is 25.4 mm by definition
		{length, "6 ft", 1.8288, ""},
		{length, "12 µm", 12e-6, ""},
		{length, "0 m", 0, ""},
		{length, "50", 0, `"50" has no unit: write for example "50 mm"`},
		{length, "-5 mm", 0, "negative"},
		{length, "5 MHz", 0, `"MHz" is no unit of length`},
		{frequency, "2450 MHz", 2.45e9, ""},
		{frequency, "2.45 GHz", 2.45e9, ""},
		{frequency, "50 Hz", 50, ""},
		{frequency, "2450 mhz", 0, `"mhz" is no unit of frequency`},
		{frequency, "0 Hz", 0, "not above zero"},
		{frequency, "2450", 0, `"2450" has no unit: write for example "2450 MHz"`},
		{power, "800 W", 800, ""},
		{power, "0 dBm", 0.001, ""},
		{power, "20 dBW", 100, ""},
		{power, "-1 W", 0, "negative"},
		{power, "800 VA", 0, `"VA" is no unit of power`},
		{ParseRatio, "25 %", 0.25, ""},
		{ParseRatio, "0.25", 0.25, ""},
		{ParseRatio, "125%", 1.25, ""},
		{ParseRatio, "-0.2 %", -0.002, ""},
		{ParseRatio, "NaN", 0, "not a finite number"},
		{ParseRatio, "25 mm", 0, `"mm" is no unit of ratio`},
		{ParseRatio, "0,25", 0, "comma"},
		{ParseRatio, "1e999", 0, "too large"},
		{ParseDecibel, "20 dB", 20, ""},
		{ParseDecibel, "2.2 dBi", 2.2, ""},
		{ParseDecibel, "20", 0, `"20" has no unit: write for example "20 dB"`},
	} {
		got, err := c.parse(c.s)
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) || !strings.Contains(err.Error(), "for example") {
				t.Errorf("%q: %v, %v, want the error to hold %q and an example", c.s, got, err, c.err)
			}
		} else if err != nil || !near(got, c.want, 2e-16) {
			t.Errorf("%q = %v, %v, want %v", c.s, got, err, c.want)
		}
	}
}

func TestParseDuration(t *testing.T) {
	for s, want := range map[string]time.Duration{
		"6 min": 6 * time.Minute, "90 s": 90 * time.Second, "500 ms": 500 * time.Millisecond, "24 h": 24 * time.Hour,
		"1 d": 24 * time.Hour, "1m30s": 90 * time.Second, "1h": time.Hour, "1 h 30 min": 90 * time.Minute, "1.5 min": 90 * time.Second,
		"0.1 s": 100 * time.Millisecond, "0 s": 0, ".5s": 500 * time.Millisecond, "2 µs": 2 * time.Microsecond, "7 ns": 7,
		"106000 d": 106000 * 24 * time.Hour, "9223372036854775807 ns": math.MaxInt64,
	} {
		if got, err := ParseDuration(s); err != nil || got != want {
			t.Errorf("ParseDuration(%q) = %v, %v, want %v", s, got, err, want)
		}
	}
	for s, want := range map[string]string{
		"2": `"2" has no unit: write for example "2 min"`, "0": "has no unit", "": "does not start with a number",
		"-6 min": "negative", "5 m": `reads as metres: write minutes as "5 min"`, "6 mins": "is no span of time",
		"1 h 30": "is no span of time", "30 min 1 h": "out of order", "1 s 1 s": "out of order", "0,5 s": "comma",
		"200000 d": "too long", "1e99 d": "too long", "106751 d 24 h": "too long", "inf": "not a finite number", "1 y": "is no span of time",
	} {
		got, err := ParseDuration(s)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("ParseDuration(%q) = %v, %v, want the error to hold %q", s, got, err, want)
		}
	}
}

func TestDurationRoundTrip(t *testing.T) {
	for d, want := range map[time.Duration]string{0: "0 s", 6 * time.Minute: "6 min", 90 * time.Second: "90 s",
		24 * time.Hour: "24 h", 1500 * time.Millisecond: "1500 ms", 1: "1 ns"} {
		if got := FormatDuration(d); got != want {
			t.Errorf("FormatDuration(%v) = %q, want %q", d, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		d := time.Duration(rapid.Int64Min(0).Draw(t, "ns"))
		if got, err := ParseDuration(FormatDuration(d)); err != nil || got != d {
			t.Fatalf("%q = %v, %v, want %v", FormatDuration(d), got, err, d)
		}
	})
}

// What strconv reads from a decimal text in W/m², this package reads from the
// same text in any linear unit, its exponent shifted: one rounding, no drift.
func TestParseRoundsOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		digits := rapid.StringMatching(`[0-9]{1,12}(\.[0-9]{1,12})?`).Draw(t, "digits")
		u := rapid.SampledFrom(Units()).Filter(func(u Unit) bool { return !u.IsLevel() }).Draw(t, "unit")
		want, _ := strconv.ParseFloat(digits+"e"+strconv.Itoa(int(u.exp)), 64)
		got, _, err := ParseField(digits + " " + u.String())
		if err != nil || got != want {
			t.Fatalf("%s %v = %v, %v, want %v", digits, u, got, err, want)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"1 mW/cm2", "−5e-3 dB(µV/m)", "1 h 30 min", "25 %", "0,5 s", "\xff", "9e9999999999999 m", "1 W/m^^2"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if x, u, err := ParseField(s); err == nil {
			if again, _, err := ParseField(u.FormatExact(x)); !u.IsLevel() && (err != nil || again != x) {
				t.Fatalf("%q = %v, printed %q, read as %v, %v", s, x, u.FormatExact(x), again, err)
			}
		}
		if d, err := ParseDuration(s); err == nil && d < 0 {
			t.Fatalf("%q is a negative span", s)
		}
		for _, parse := range []func(string) (float64, error){ParseRatio, ParseDecibel} {
			if x, err := parse(s); err == nil && (math.IsNaN(x) || math.IsInf(x, 0)) {
				t.Fatalf("%q is read as %v", s, x)
			}
		}
		if l, err := ParseLength(s); err == nil && (l < 0 || math.IsInf(float64(l), 0)) {
			t.Fatalf("%q is a length of %v m", s, float64(l))
		}
	})
}
