package rows

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

func noon() time.Time { return time.Date(2031, 5, 20, 12, 0, 0, 123456789, time.UTC) }

func row(seq int64, said string, r drivers.Reading, q acquire.Quality, s float64) Row {
	return Row{Post: "hatch-door", Site: "Larkfield House, \"annexe\"", Oven: "hatch", Probe: "p 1", Origin: Probe, Certificate: "LH-17",
		Stale: 3 * time.Second, Indicated: quantity.PowerDensity(s),
		Sample: acquire.Sample{Seq: seq, At: noon().Add(time.Duration(seq) * time.Second), AtU: 1234567, Said: []byte(said), Reading: r, Quality: q,
			S: quantity.PowerDensity(s), U: quantity.PowerDensity(s / 4)}}
}

// every is a row of each kind that a record can hold.
func every() []Row {
	nan := math.NaN()
	one := func(digits int64, exp int8) drivers.Reading {
		return drivers.Reading{Value: drivers.Decimal{Digits: digits, Exp: exp}, HasValue: true, Unit: "mW/cm2"}
	}
	full := one(-5, -1)
	full.HasAxes, full.Axes = true, [3]drivers.Decimal{{Digits: 120, Exp: -2}, {Digits: math.MinInt64}, {Digits: 7, Exp: -128}}
	full.HasTemp, full.Temperature, full.TemperatureUnit = true, drivers.Decimal{Digits: -2350, Exp: -2}, "°F"
	full.Battery, full.BatteryUnit = drivers.Decimal{Digits: 3710, Exp: -3}, "V"
	axes := drivers.Reading{Unit: "V/m", HasAxes: true, Axes: [3]drivers.Decimal{{Digits: 1, Exp: 127}, {}, {Exp: -3}}}
	low := one(10, 0)
	low.Status = drivers.BatteryLow
	return []Row{
		row(1, "1.20,mW/cm2,OK", one(120, -2), 0, 12),
		row(2, "0.000", one(0, -3), acquire.UnderFloor|acquire.ClockUnsure, 0),
		row(3, "OVER", drivers.Reading{Unit: "mW/cm2", Status: drivers.OverRange}, acquire.OverRange|acquire.Uncalibrated, nan),
		row(4, "9.99 ERR", drivers.Reading{Value: drivers.Decimal{Digits: 999, Exp: -2}, HasValue: true, Unit: "mW/cm2", Status: drivers.Fault}, acquire.Fault, 99.9),
		row(5, "\xff\x00\x01\xb2", one(1, 0), 0, 10),
		row(6, "two\r\nlines, a \"quote\" and a \\ bar", one(1, 3), 0, 10_000),
		row(7, " blanks at both ends ", full, 0, 5),
		row(8, "é µ ² \u2028 \ufffd", axes, acquire.Uncalibrated, 3),
		row(9, `\.`, low, 0, 100),
		row(10, "=1+1", one(999999999999999999, -18), acquire.UnderFloor, -0.25),
	}
}

func written(t *testing.T, format string, v Values, all []Row) string {
	t.Helper()
	var b bytes.Buffer
	e, err := NewEncoder(format, &b, v)
	if err != nil {
		t.Fatal(err)
	}
	for pass := range e.Passes() {
		for i := range all {
			if err := e.Add(pass, &all[i]); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// What was said comes back byte for byte and digit for digit, from both formats.
func TestRoundTrip(t *testing.T) {
	for _, format := range []string{"csv", "jsonl"} {
		text := written(t, format, Values{Unit: quantity.MilliwattPerSquareCentimetre()}, every())
		for _, bom := range []string{"", "\uFEFF"} {
			lines, err := Read(format, strings.NewReader(bom+text))
			if err != nil {
				t.Fatal(err)
			}
			n := 0
			for line, err := range lines {
				if err != nil {
					t.Fatalf("%s:%d: %v", format, line.No, err)
				}
				want, got := every()[n], line.Row
				n++
				if string(got.Sample.Said) != string(want.Sample.Said) || got.Sample.Reading != want.Sample.Reading ||
					got.Sample.Quality != want.Sample.Quality || got.Sample.Seq != want.Sample.Seq || !got.Sample.At.Equal(want.Sample.At) ||
					got.Sample.AtU != want.Sample.AtU || got.Post != want.Post || got.Site != want.Site || got.Oven != want.Oven ||
					got.Probe != want.Probe || got.Origin != want.Origin {
					t.Errorf("%s, row %d:\ngot  %+v\nwant %+v", format, n, got, want)
				}
				if !math.IsNaN(float64(got.Sample.S)) || got.Certificate != "" {
					t.Errorf("%s, row %d: what somebody made of it came back: %v, %q", format, n, got.Sample.S, got.Certificate)
				}
			}
			if n != len(every()) {
				t.Errorf("%s: %d rows, want %d", format, n, len(every()))
			}
		}
	}
}

// A number that is not known is empty or null; each stands under its unit.
func TestValues(t *testing.T) {
	field := func(text, name string, n int) string {
		lines := strings.Split(text, "\n")
		for i, h := range strings.Split(lines[0], ",") {
			if h == name {
				return strings.Split(lines[n], ",")[i]
			}
		}
		return "no column " + name
	}
	one := every()[1:4] // rows without commas
	one[0].Sample.S, one[0].Sample.U, one[0].Indicated = 12.5, 2.5, 10
	for _, tt := range []struct {
		unit        quantity.Unit
		raw         bool
		name, value string
	}{
		{quantity.MilliwattPerSquareCentimetre(), false, "power_density_mw_per_cm2", "1.25"}, // 10 W/m² are 1 mW/cm²: SI
		{quantity.MilliwattPerSquareCentimetre(), false, "expanded_uncertainty_mw_per_cm2", "0.25"},
		{quantity.WattPerSquareMetre(), false, "power_density_w_per_m2", "12.5"},
		{quantity.MicrowattPerSquareCentimetre(), false, "power_density_uw_per_cm2", "1250"},
		{quantity.MilliwattPerSquareCentimetre(), true, "indicated_power_density_mw_per_cm2", "1"},
		{quantity.DecibelWattPerSquareMetre(), false, "power_density_lower_dbw_per_m2", "10"}, // 12.5 − 2.5 = 10 W/m² are 10 dB
		{quantity.DecibelWattPerSquareMetre(), false, "power_density_upper_dbw_per_m2", "11.76091259055681"},
		{quantity.VoltPerMetre(), true, "indicated_plane_wave_electric_field_v_per_m", "61.37836"},
	} {
		text := written(t, "csv", Values{Unit: tt.unit, Raw: tt.raw}, one)
		if got := field(text, tt.name, 1); !strings.HasPrefix(got, tt.value) {
			t.Errorf("%s is %q, want %q", tt.name, got, tt.value)
		}
		for n, why := range map[int]string{2: "over range", 3: "a fault"} {
			if got := field(text, tt.name, n); got != "" {
				t.Errorf("%s of %s is %q, want nothing", tt.name, why, got)
			}
		}
	}
	text := written(t, "jsonl", Values{Unit: quantity.MilliwattPerSquareCentimetre()}, one)
	if lines := strings.Split(text, "\n"); !strings.Contains(lines[0], `"power_density_mw_per_cm2":1.25,"expanded_uncertainty_mw_per_cm2":0.25,`) ||
		!strings.Contains(lines[1], `"value":null,`) || !strings.Contains(lines[1], `"quality":"over-range uncalibrated","power_density_mw_per_cm2":null,`) {
		t.Error(text)
	}
}

// Each mistake is told with its line, and reading goes on.
func TestMistakes(t *testing.T) {
	head := "post,seq,utc,utc_within_ms,said,said_hex,value,unit,status,quality\n"
	for text, says := range map[string]string{
		"p,1,2031-05-20T12:00:00Z,,0.1,,0.1,mW/cm2,,good":              "",
		"p,1,2031-05-20T12:00:00Z,,0.1,,,,,":                           "", // no number: a fault
		",1,2031-05-20T12:00:00Z,,0.1,,,,,":                            "post is empty",
		"p,0,2031-05-20T12:00:00Z,,0.1,,,,,":                           `seq "0"`,
		"p,1.5,2031-05-20T12:00:00Z,,0.1,,,,,":                         `seq "1.5"`,
		"p,1,20 May,,0.1,,,,,":                                         `utc "20 May"`,
		"p,1,2031-05-20 12:00:00,,0.1,,,,,":                            "is no instant",
		"p,1,1820-05-20T12:00:00Z,,0.1,,,,,":                           "out of range",
		"p,1,2031-05-20T12:00:00Z,-1,0.1,,,,,":                         "utc_within_ms",
		"p,1,2031-05-20T12:00:00Z,NaN,0.1,,,,,":                        "utc_within_ms",
		"p,1,2031-05-20T12:00:00Z,,,,0.1,mW/cm2,,":                     "said is empty",
		"p,1,2031-05-20T12:00:00Z,,0.1,30,0.1,mW/cm2,,":                "keep one of them",
		"p,1,2031-05-20T12:00:00Z,,,3,0.1,mW/cm2,,":                    "said_hex",
		"p,1,2031-05-20T12:00:00Z,,0.1,,NaN,mW/cm2,,":                  `value "NaN"`,
		"p,1,2031-05-20T12:00:00Z,,0.1,,0x10,mW/cm2,,":                 `value "0x10"`,
		"p,1,2031-05-20T12:00:00Z,,0.1,,1.-2,mW/cm2,,":                 `value "1.-2"`,
		"p,1,2031-05-20T12:00:00Z,,0.1,,99999999999999999999,mW/cm2,,": "18 digits",
		"p,1,2031-05-20T12:00:00Z,,0.1,,0.1,furlong,,":                 `unit "furlong"`,
		"p,1,2031-05-20T12:00:00Z,,0.1,,0.1,,,":                        `unit ""`,
		"p,1,2031-05-20T12:00:00Z,,0.1,,0.1,mW/cm2,tired,":             `status "tired"`,
		"p,1,2031-05-20T12:00:00Z,,0.1,,0.1,mW/cm2,,fine":              `quality "fine"`,
		"p,1,2031-05-20T12:00:00Z,,0.1,,0.1":                           "wrong number of fields",
	} {
		lines, err := Read("csv", strings.NewReader(head+text+"\np,9,2031-05-20T12:00:09Z,,0.1,,0.1,mW/cm2,,good\n"))
		if err != nil {
			t.Fatal(err)
		}
		n, good := 0, 0
		for line, err := range lines {
			n++
			switch {
			case n == 1 && says == "" && err != nil, n == 1 && says != "" && (err == nil || !strings.Contains(err.Error(), says)), n == 2 && err != nil, line.No != n+1:
				t.Errorf("%s: line %d: %v, want %q", text, line.No, err, says)
			case err == nil:
				good++
			}
		}
		if n != 2 || good == 0 {
			t.Errorf("%s: %d rows, %d good", text, n, good)
		}
	}
	for format, text := range map[string]string{"csv": "post,seq,utc\n", "jsonl": `{"post":"p"` + strings.Repeat(" ", maxLine) + "\n"} {
		lines, _ := Read(format, strings.NewReader(text))
		for _, err := range lines {
			if broken, ok := errors.AsType[*Broken](err); !ok {
				t.Errorf("%s: %v, want one that ends it (%v)", format, err, broken)
			}
		}
	}
}

// No text, and no row of it, upsets the readers.
func FuzzRead(f *testing.F) {
	for _, format := range []string{"csv", "jsonl"} {
		var b bytes.Buffer
		e, _ := NewEncoder(format, &b, Values{Unit: quantity.WattPerSquareMetre()})
		for _, r := range every() {
			if err := e.Add(0, &r); err != nil {
				f.Fatal(err)
			}
		}
		if err := e.Close(); err != nil {
			f.Fatal(err)
		}
		f.Add(format == "csv", b.Bytes())
	}
	f.Fuzz(func(t *testing.T, asCSV bool, text []byte) {
		format := "jsonl"
		if asCSV {
			format = "csv"
		}
		lines, err := Read(format, bytes.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		for line, err := range lines {
			if err != nil {
				continue
			}
			// What is read is written so that the same is read again.
			for _, again := range []string{"csv", "jsonl"} {
				out := written(t, again, Values{Unit: quantity.WattPerSquareMetre()}, []Row{line.Row})
				back, _ := Read(again, strings.NewReader(out))
				for l, err := range back {
					a, b := l.Row.Sample, line.Row.Sample
					if err != nil || string(a.Said) != string(b.Said) || a.Reading != b.Reading || !a.At.Equal(b.At) || a.Seq != b.Seq || a.Quality != b.Quality {
						t.Fatalf("%v: %+v came back as %+v", err, b, a)
					}
				}
			}
		}
	})
}

// A reader that multiplies by 1 000 and cuts off finds each millisecond again.
func TestSeconds(t *testing.T) {
	for ms := int64(1_795_621_465_000); ms < 1_795_621_475_000; ms++ {
		text := string(appendSeconds(nil, ms))
		f, err := (drivers.Decimal{}), error(nil)
		if f, err = decimal(text); err != nil {
			t.Fatal(err)
		}
		if got := int64(f.Float() * 1000); got != ms {
			t.Fatalf("%d is printed as %s and read as %d", ms, text, got)
		}
	}
}

func TestMetricUnits(t *testing.T) {
	for spelled, want := range map[string]string{"W/m2": "watts_per_square_meter", "mW/cm2": "milliwatts_per_square_centimeter",
		"uW/cm2": "microwatts_per_square_centimeter", "kV/m": "kilovolts_per_meter", "A/m": "amperes_per_meter"} {
		u, ok := quantity.LookupUnit(spelled)
		if got := metricUnit(u); !ok || got != want {
			t.Errorf("%s is %s, want %s", spelled, got, want)
		}
	}
	for _, u := range quantity.Units() {
		if u.IsLevel() {
			continue
		}
		if strings.Contains(metricUnit(u), "/") || strings.HasPrefix(metricUnit(u), "_") {
			t.Errorf("%s is %s", u, metricUnit(u))
		}
	}
}
