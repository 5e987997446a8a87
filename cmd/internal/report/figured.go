package report

import (
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// Figured is a part of a time and what it comes to. Figures are of the time in which
// the oven emitted; what is not known is NaN.
type Figured struct {
	Name                         string
	Seen, On                     time.Duration
	Runs                         int
	Mean, Deviation, Median, P95 quantity.PowerDensity // Median, P95 +Inf: over range
	OffMedian                    quantity.PowerDensity
	Highest                      quantity.PowerDensity // +Inf: over range
	HighestAt                    time.Time
	Exceedances                  int // of the limit; negative: not counted
	Above                        time.Duration
}

// stretches is a table of them.
func figured(name string, all []Figured) Block {
	t := &Table{Columns: []Column{{name, false}, {"Seen", true}, {"Runs", true}, {"On", true}, {"Mean on", true}, {"Dev. on", true}, {"Median on", true}, {"95 % on", true},
		{"Median off", true}, {"Highest", true}, {"At", false}, {"Above the limit", true}}, None: "Nothing was seen in it."}
	for i := range all {
		x := &all[i]
		row := []Cell{words(x.Name), about(x.Seen), count(int64(x.Runs)), about(x.On)}
		for _, v := range []quantity.PowerDensity{x.Mean, x.Deviation, x.Median, x.P95, x.OffMedian, x.Highest} {
			row = append(row, field(v))
		}
		at := ""
		if !x.HighestAt.IsZero() {
			at = stamp(x.HighestAt)
		}
		above := raw("not counted")
		if x.Exceedances >= 0 {
			above = about(x.Above)
			above.Text = plural(x.Exceedances, "time") + ", " + above.Text
		}
		t.Rows = append(t.Rows, append(row, raw(at), above))
	}
	return t
}

// field is a power density, W/m², in a table.
func field(s quantity.PowerDensity) Cell {
	switch x := float64(s); {
	case math.IsNaN(x):
		return raw("–")
	case math.IsInf(x, 1):
		return raw("over range")
	}
	return of(quantity.MilliwattPerSquareCentimetre().FormatDigits(float64(s), 3), float64(s), "W/m²")
}
