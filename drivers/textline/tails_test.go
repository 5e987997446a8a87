package textline

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"ovenward/drivers"
)

// A line that is known by its tail is read as any other.
func TestTailsChangeNothing(t *testing.T) {
	options := []Options{
		{ValueColumn: 1, UnitColumn: 2, StatusColumn: 3, Units: []string{"mW/cm2", "W/m2"}, OK: []string{"OK"}, OverRange: []string{"OVER", "9999"},
			BatteryLow: []string{"BATT"}, Fault: []string{"FAIL"}},
		{ValueColumn: 1, UnitColumn: 3, Separator: ";", DecimalMark: ',', Units: []string{"W/m2", "mW/cm2 rms"}, OverRange: []string{"OL"}},
		{ValueColumn: 1, StatusColumn: 2, Separator: ", ", Unit: "W/m2", OK: []string{"OK"}, OverRange: []string{"OVER"}, BatteryLow: []string{"OK BATT"}},
		{ValueColumn: 1, Unit: "W/m2", OverRange: []string{"OL", "-1"}},
		{ValueColumn: 2, UnitColumn: 1, Units: []string{"W/m2"}},
		{ValueColumn: 1, Unit: "W/m2", More: More{Number: "hex"}},
	}
	var speak []*protocol
	for i := range options {
		p, err := New(options[i])
		if err != nil {
			t.Fatalf("%d: %v", i, err)
		}
		speak = append(speak, p.(*protocol))
	}
	for i, want := range []int{10, 2, 3, 1, 0, 0} {
		if got := len(speak[i].tails); got != want {
			t.Errorf("language %d has %d tails, want %d: %+v", i, got, want, speak[i].tails)
		}
	}
	pieces := []string{"1.20", "-0.03", "+7", "007", "1.", ".5", "0,4", "-", "+", "1e3", "9999", "123456789012345678", "1234567890123456789", "OL", "OVER", "OK", "BATT",
		"FAIL", "mW/cm2", "W/m2", "mW/cm2 rms", " ", "  ", "\t", ";", ", ", ",", "", "µ", "\xff", "FF"}
	read := 0
	rapid.Check(t, func(t *rapid.T) {
		line := ""
		for range rapid.IntRange(0, 7).Draw(t, "pieces") {
			line += rapid.SampledFrom(pieces).Draw(t, "piece")
		}
		for i, p := range speak {
			// Half of the lines are plain ones.
			if len(p.tails) > 0 && rapid.Bool().Draw(t, "plain") {
				line = rapid.SampledFrom(pieces[:13]).Draw(t, "number") + rapid.SampledFrom(p.tails).Draw(t, "tail").text
			}
			var got drivers.Reading
			err := p.Parse([]byte(line), &got)
			want, wantErr := p.parse([]byte(line))
			if got != want || fmt.Sprint(err) != fmt.Sprint(wantErr) {
				t.Fatalf("language %d reads %q as %+v, %v; want %+v, %v", i, line, got, err, want, wantErr)
			}
			if err == nil && got.HasValue {
				read++
			}
		}
	})
	if read < 30 {
		t.Errorf("%d lines held a number: the test looks at nothing", read)
	}
}
