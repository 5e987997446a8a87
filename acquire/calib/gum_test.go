package calib

import (
	"math"
	"strconv"
	"testing"
)

func decimal(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// The rows are JCGM 100:2008, table G.2, as printed there to two decimals; the
// columns are the fractions p of its head, in per cent.
func TestStudentTable(t *testing.T) {
	fractions := []float64{0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973}
	for _, row := range []struct {
		df   float64
		want [6]float64
	}{
		{1, [6]float64{1.84, 6.31, 12.71, 13.97, 63.66, 235.78}}, // printed 235.80, which belongs to p = 0.9973002
		{2, [6]float64{1.32, 2.92, 4.30, 4.53, 9.92, 19.21}},
		{3, [6]float64{1.20, 2.35, 3.18, 3.31, 5.84, 9.22}},
		{4, [6]float64{1.14, 2.13, 2.78, 2.87, 4.60, 6.62}},
		{5, [6]float64{1.11, 2.02, 2.57, 2.65, 4.03, 5.51}},
		{6, [6]float64{1.09, 1.94, 2.45, 2.52, 3.71, 4.90}},
		{8, [6]float64{1.07, 1.86, 2.31, 2.37, 3.36, 4.28}},
		{10, [6]float64{1.05, 1.81, 2.23, 2.28, 3.17, 3.96}},
		{16, [6]float64{1.03, 1.75, 2.12, 2.17, 2.92, 3.54}},
		{20, [6]float64{1.03, 1.72, 2.09, 2.13, 2.85, 3.42}},
		{30, [6]float64{1.02, 1.70, 2.04, 2.09, 2.75, 3.27}},
		{50, [6]float64{1.01, 1.68, 2.01, 2.05, 2.68, 3.16}},
		{math.Inf(1), [6]float64{1.00, 1.645, 1.960, 2.000, 2.576, 3.000}},
	} {
		for i, p := range fractions {
			tolerance := 0.0051
			if math.IsInf(row.df, 1) {
				tolerance = 0.00051
			}
			if got := Coverage(p, row.df); !(math.Abs(got-row.want[i]) <= tolerance) {
				t.Errorf("ν = %v, p = %v: t = %.4f, printed %v", row.df, p, got, row.want[i])
			}
		}
	}
	// More digits of the column for 95 %, from published tables of the
	// distribution.
	for df, want := range map[float64]float64{1: 12.706205, 2: 4.302653, 5: 2.570582, 10: 2.228139, 30: 2.042272, math.Inf(1): 1.959964} {
		if got := Coverage(0.95, df); math.Abs(got-want) > 6e-7 {
			t.Errorf("ν = %v: t95 = %.7f, want %.6f", df, got, want)
		}
	}
	for _, bad := range [][2]float64{{0, 5}, {1, 5}, {0.95, 0}, {0.95, math.NaN()}, {math.NaN(), 5}} {
		if got := Coverage(bad[0], bad[1]); !math.IsNaN(got) {
			t.Errorf("p = %v, ν = %v gave t = %v", bad[0], bad[1], got)
		}
	}
}

func TestCombine(t *testing.T) {
	unlimited := math.Inf(1)
	for _, tc := range []struct {
		name         string
		parts        []Component
		u, uTo       float64
		df, dfWithin float64
	}{
		// JCGM 100:2008, H.1: the comparison of end gauges, in nm. u(d) is made of
		// three: 5.8 (ν 24), 3.9 (ν 5), 6.7 (ν 8), printed as 9.7 with ν 25.6.
		{"GUM H.1, u(d)", []Component{{5.8, 24}, {3.9, 5}, {6.7, 8}}, 9.7, 0.05, 25.6, 1},
		// Printed: u_c = 32 nm, ν_eff = 16 (16.7, cut).
		{"GUM H.1", []Component{{25, 18}, {9.7, 25.6}, {2.9, 50}, {16.6, 2}}, 32, 0.5, 16.7, 0.2},
		{"GUM H.1, d in its parts", []Component{{25, 18}, {5.8, 24}, {3.9, 5}, {6.7, 8}, {2.9, 50}, {16.6, 2}}, 32, 0.5, 16.7, 0.2},
		// A published test of another program (suncal): .57 (ν 9) and .25 (ν ∞).
		{"two", []Component{{0.57, 9}, {0.25, unlimited}}, 0.6224, 0.0001, 12.7956, 0.0001},
		{"one", []Component{{3, 7}}, 3, 1e-12, 7, 1e-12},
		{"nothing that is limited", []Component{{3, unlimited}, {4, unlimited}}, 5, 1e-12, unlimited, 0},
		{"none", nil, 0, 0, unlimited, 0},
	} {
		u, df := Combine(tc.parts...)
		if math.Abs(u-tc.u) > tc.uTo || !(df == tc.df || math.Abs(df-tc.df) <= tc.dfWithin) {
			t.Errorf("%s: u = %v, ν = %v; want %v, %v", tc.name, u, df, tc.u, tc.df)
		}
	}
	// H.1 ends with t99(16) = 2.92 and U99 = 93 nm (from memory; 2.92 stands in
	// table G.2, and 31.67 × 2.92 = 92.5).
	u, df := Combine(Component{25, 18}, Component{9.7, 25.6}, Component{2.9, 50}, Component{16.6, 2})
	if U := Coverage(0.99, math.Floor(df)) * u; math.Abs(U-92.5) > 0.2 {
		t.Errorf("H.1: U99 = %v nm", U)
	}
}

// JCGM 100:2008, H.2, by its second approach: R, X and Z are computed from each
// of the five simultaneous observations of table H.2, and averaged. Printed:
// R = 127.732 Ω, u 0.071; X = 219.847 Ω, u 0.295; Z = 254.260 Ω, u 0.236.
func TestGUMH2(t *testing.T) {
	rows := [][3]float64{ // V in volts, I in milliamperes, phase in radians
		{5.007, 19.663, 1.0456}, {4.994, 19.639, 1.0438}, {5.005, 19.640, 1.0468}, {4.990, 19.685, 1.0428}, {4.999, 19.678, 1.0433},
	}
	var V, I, phase, R, X, Z Moments
	for _, r := range rows {
		v, i, p := r[0], r[1]/1000, r[2]
		V.Add(v)
		I.Add(r[1])
		phase.Add(p)
		R.Add(v / i * math.Cos(p))
		X.Add(v / i * math.Sin(p))
		Z.Add(v / i)
	}
	for _, c := range []struct {
		name     string
		m        *Moments
		mean, to float64
		u, uTo   float64
	}{
		{"V in V", &V, 4.9990, 5e-5, 0.0032, 5e-5}, {"I in mA", &I, 19.6610, 5e-5, 0.0095, 5e-5}, {"phase in rad", &phase, 1.04446, 5e-6, 0.00075, 5e-6},
		{"R in Ω", &R, 127.732, 5e-4, 0.071, 5e-4}, {"X in Ω", &X, 219.847, 5e-4, 0.295, 6e-4}, {"Z in Ω", &Z, 254.260, 5e-4, 0.236, 5e-4},
	} {
		if math.Abs(c.m.Mean()-c.mean) > c.to || math.Abs(c.m.MeanSD()-c.u) > c.uTo {
			t.Errorf("%s: %v, u %v; printed %v, %v", c.name, c.m.Mean(), c.m.MeanSD(), c.mean, c.u)
		}
	}
}
