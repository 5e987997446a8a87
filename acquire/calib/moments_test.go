package calib

import (
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

// lre is the number of correct digits, the log relative error of NIST StRD.
func lre(got, want float64) float64 {
	if got == want {
		return 16
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

func gather(values []float64) *Moments {
	var m Moments
	for _, x := range values {
		m.Add(x)
	}
	return &m
}

func numbers(t *testing.T, text string) []float64 {
	t.Helper()
	var all []float64
	for _, w := range strings.Fields(text) {
		all = append(all, decimal(t, w))
	}
	return all
}

// alternating is how NIST StRD builds NumAcc2 to NumAcc4: a first value, then a
// lower and a higher one by turns.
func alternating(first, low, high float64) []float64 {
	all := []float64{first}
	for range 500 {
		all = append(all, low, high)
	}
	return all
}

// Certified values: NIST Statistical Reference Datasets, univariate summary
// statistics (NumAcc1, NumAcc2, NumAcc3, Mavro, Michelso).
func TestCertifiedStatistics(t *testing.T) {
	for _, tc := range []struct {
		name           string
		values         []float64
		mean, sd, lag1 float64
		sdDigits       float64
	}{
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, -0.5, 14},
		{"NumAcc2", alternating(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, 13},
		// The data themselves are not representable: 9.5 digits is the most that
		// float64 allows here.
		{"NumAcc3", alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, -0.999, 9},
		{"Mavro", numbers(t, mavro), 2.001856, 0.000429123454003053, 0.937989183438248, 12},
		{"Michelso", numbers(t, michelso), 299.8524, 0.0790105478190518, 0.535199668621283, 12},
	} {
		m := gather(tc.values)
		for _, c := range []struct {
			what              string
			got, want, digits float64
		}{{"mean", m.Mean(), tc.mean, 14}, {"deviation", m.SD(), tc.sd, tc.sdDigits}, {"lag-1 autocorrelation", m.Lag1(), tc.lag1, 9}} {
			if d := lre(c.got, c.want); d < c.digits {
				t.Errorf("%s: %s %.17g, certified %.15g: %.1f digits, want %v", tc.name, c.what, c.got, c.want, d, c.digits)
			}
		}
		mean, sd := stat.MeanStdDev(tc.values, nil)
		if lre(m.Mean(), mean) < 14 || lre(m.SD(), sd) < 9 {
			t.Errorf("%s: %.17g and %.17g, gonum has %.17g and %.17g", tc.name, m.Mean(), m.SD(), mean, sd)
		}
	}
}

func TestMomentsAreThoseOfTheWholeList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(-1e3, 1e3), 2, 60).Draw(t, "values")
		m := gather(values)
		mean, sd := stat.MeanStdDev(values, nil)
		var over, under float64
		for i, x := range values {
			under += (x - mean) * (x - mean)
			if i > 0 {
				over += (x - mean) * (values[i-1] - mean)
			}
		}
		near := func(a, b, scale float64) bool { return math.Abs(a-b) <= 1e-9*scale }
		if m.N() != len(values) || !near(m.Mean(), mean, 1e3) || !near(m.SD(), sd, 1e3) {
			t.Fatalf("%d values: %v ± %v, want %v ± %v", m.N(), m.Mean(), m.SD(), mean, sd)
		}
		if sd > 1e-3 && !near(m.Lag1(), over/under, 1) {
			t.Fatalf("lag 1: %v, want %v", m.Lag1(), over/under)
		}
	})
}

func TestFewValuesHaveNoDeviation(t *testing.T) {
	var m Moments
	if !math.IsNaN(m.Mean()) || !math.IsNaN(m.SD()) || !math.IsNaN(m.Lag1()) {
		t.Errorf("nothing has %v ± %v, %v", m.Mean(), m.SD(), m.Lag1())
	}
	m.Add(3)
	if m.Mean() != 3 || !math.IsNaN(m.SD()) || !math.IsNaN(m.Lag1()) {
		t.Errorf("one value has %v ± %v, %v", m.Mean(), m.SD(), m.Lag1())
	}
	m.Add(3)
	if m.SD() != 0 || !math.IsNaN(m.Lag1()) {
		t.Errorf("two alike have a deviation of %v and a lag-1 of %v", m.SD(), m.Lag1())
	}
}

const mavro = `2.00180 2.00170 2.00180 2.00190 2.00180 2.00170 2.00150 2.00140 2.00150 2.00150
2.00170 2.00180 2.00180 2.00190 2.00190 2.00210 2.00200 2.00160 2.00140 2.00130
2.00130 2.00150 2.00150 2.00160 2.00150 2.00140 2.00130 2.00140 2.00150 2.00140
2.00150 2.00160 2.00150 2.00160 2.00190 2.00200 2.00200 2.00210 2.00220 2.00230
2.00240 2.00250 2.00270 2.00260 2.00260 2.00260 2.00270 2.00260 2.00250 2.00240`

const michelso = `299.85 299.74 299.90 300.07 299.93 299.85 299.95 299.98 299.98 299.88
300.00 299.98 299.93 299.65 299.76 299.81 300.00 300.00 299.96 299.96
299.96 299.94 299.96 299.94 299.88 299.80 299.85 299.88 299.90 299.84
299.83 299.79 299.81 299.88 299.88 299.83 299.80 299.79 299.76 299.80
299.88 299.88 299.88 299.86 299.72 299.72 299.62 299.86 299.97 299.95
299.88 299.91 299.85 299.87 299.84 299.84 299.85 299.84 299.84 299.84
299.89 299.81 299.81 299.82 299.80 299.77 299.76 299.74 299.75 299.76
299.91 299.92 299.89 299.86 299.88 299.72 299.84 299.85 299.85 299.78
299.89 299.84 299.78 299.81 299.76 299.81 299.79 299.81 299.82 299.85
299.87 299.87 299.81 299.74 299.81 299.94 299.95 299.80 299.81 299.87`
