package survey

import (
	"math"
	"strings"
	"testing"
)

func TestParseWalk(t *testing.T) {
	const text = "\ufeff# an invented walk\nlimit,fcc-public\nfrequency,2450 MHz\nfloor,0.01 mW/cm2\n" +
		"distance (cm),value (mW/cm2),expanded uncertainty (%),note\n" +
		"5, 0.4, 10,\n\n10,0.1,20,\"stirrer, one turn\"\noff,0.002,50,\n"
	w, err := ParseWalk("walk.csv", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if w.Limit != "fcc-public" || w.Frequency != 2450e6 || w.Floor != 0.1 || len(w.Marks) != 3 {
		t.Fatalf("%+v", w)
	}
	m := w.Marks
	if m[0].Distance != 0.05 || m[0].Value != 4 || math.Abs(float64(m[0].U)-0.2) > 1e-15 || m[0].Line != 6 || m[1].Line != 8 ||
		m[1].Value != 1 || !m[2].Off() || math.Abs(float64(m[2].U)-0.005) > 1e-15 {
		t.Errorf("%+v", m)
	}
	for _, text := range []string{
		"distance (in),value,standard uncertainty\n2,4 W/m2,0.02 mW/cm2\n",
		"distance (mm),standard uncertainty (W/m²),value (µW/cm²)\n50.8,0.2,400\n",
		"distance (mm),value (dBm/m2),standard uncertainty\n50.8,36.0205999132796239,5 %\n",
	} {
		w, err := ParseWalk("walk.csv", []byte(text))
		if err != nil || len(w.Marks) != 1 {
			t.Fatal(w, err)
		}
		if m := w.Marks[0]; math.Abs(float64(m.Distance)-0.0508) > 1e-12 || math.Abs(float64(m.Value)-4) > 1e-12 || math.Abs(float64(m.U)-0.2) > 1e-12 {
			t.Errorf("%q: %+v, want 4 W/m² ± 0.2 W/m² at 50.8 mm", text, m)
		}
	}
}

func TestWrongWalkFiles(t *testing.T) {
	const head = "distance (cm),value (mW/cm2)\n"
	for text, want := range map[string]string{
		"":                                `w.csv: no line of headings`,
		"5,0.4\n":                         `w.csv:1: there is no setting "5"`,
		"5,0.4,3\n":                       `w.csv:1: "5,0.4,3" is neither`,
		"floor,0.01\n" + head:             `w.csv:1: "0.01" has no unit`,
		"floor,0 mW/cm2\n" + head:         `w.csv:1: the floor "0 mW/cm2" is not above zero`,
		"frequency,2450\n" + head:         `w.csv:1: "2450" has no unit`,
		"distance,value (mW/cm2)\n":       `w.csv:1: "distance" names no unit of length`,
		"distance (cm),value (V/m)\n":     `w.csv:1: "value (V/m)" is in a unit of electric field strength`,
		"distance (cm),value (mw)\n":      `w.csv:1: "value (mw)" names no unit of power density`,
		"distance (cm),value,uncertainty": `w.csv:1: "uncertainty" does not say which`,
		"distance (cm),value,value\n":     `w.csv:1: "value" stands there twice`,
		"distance (cm),remark\n":          `w.csv:1: "remark" is no heading`,
		"distance (cm),note\n":            `w.csv:1: there is no column of values`,
		head + "5,0.4,1\n":                `w.csv:2: 3 cells under 2 headings`,
		head + "5,0.4\n0,1\n":             `w.csv:3: a distance of "0 cm" is not above zero`,
		head + "-5,0.4\n":                 `w.csv:2: "-5 cm" is negative`,
		head + "5,over\n":                 `w.csv:2: "over" is no value: leave out a mark that was over-range`,
		head + "5,\n":                     `w.csv:2: "" is no value`,
		head + "5,NaN\n":                  `w.csv:2: "NaN mW/cm²" is not a finite number`,
		head + "5,\"0,4\"\n":              `w.csv:2: "0,4" is no value`,
		head + "5,\"0.4\n":                `w.csv:2: extraneous or missing`,
		"distance (cm),value\n5,0.4\n":    `w.csv:2: "0.4" has no unit`,
		"distance (cm),value (mW/cm2),standard uncertainty (%)\n5,0,3\n":      `w.csv:2: a share of a value of 0`,
		"distance (cm),value (mW/cm2),standard uncertainty (%)\n5,1,0\n":      `w.csv:2: an uncertainty of "0" has no weight`,
		"distance (cm),value (mW/cm2),standard uncertainty (dBm/m2)\n5,1,0\n": `has two sides`,
	} {
		_, err := ParseWalk("w.csv", []byte(text))
		if err == nil || !strings.Contains(err.Error(), strings.ReplaceAll(want, "mW/cm²", "mW/cm2")) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
	_, err := ParseWalk("w.csv", []byte(head+"x,1\n5,1\ny,2\n"))
	if err == nil || !strings.Contains(err.Error(), "w.csv:2:") || !strings.Contains(err.Error(), "w.csv:4:") {
		t.Errorf("%v: not all that is wrong is told at once", err)
	}
}

func FuzzParseWalk(f *testing.F) {
	f.Add([]byte("floor,1 W/m2\ndistance (cm),value (mW/cm2),standard uncertainty (%)\n5,1,3\noff,1,3\n"))
	f.Add([]byte("distance (cm),value\n5,1 dBm/m2\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		w, err := ParseWalk("w.csv", data)
		if err != nil {
			return
		}
		for _, m := range w.Marks {
			if !(m.Distance > 0) || math.IsNaN(float64(m.Value)) || math.IsInf(float64(m.Value), 0) || !(m.U >= 0) || m.Line < 2 {
				t.Fatalf("%q gave %+v", data, m)
			}
		}
		if len(w.Marks) < 200 {
			if _, err := FitWalk(w.Walk, []Level{{Value: 1}}); err != nil && !strings.Contains(err.Error(), "fit the walk") && !strings.Contains(err.Error(), "fit a curve") {
				t.Fatalf("%q: %v", data, err)
			}
		}
	})
}
