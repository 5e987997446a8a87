package stats

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"
)

func digits(got, want float64) float64 {
	if got == want {
		return 15
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

func of(y []float64) (m Moments) {
	for _, v := range y {
		m.Add(v, time.Second)
	}
	return m
}

// alternating is how NIST's constructed sets of 1001 values go on.
func alternating(first, low, high float64) []float64 {
	y := []float64{first}
	for range 500 {
		y = append(y, low, high)
	}
	return y
}

// TestCertifiedMoments holds mean, deviation and autocorrelation to NIST's certified
// values; NumAcc3 is worth 9.5 digits in float64, whatever one does.
func TestCertifiedMoments(t *testing.T) {
	for _, r := range []struct {
		name           string
		y              []float64
		mean, sd, lag  float64
		least, leastSD float64
	}{
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, -0.5, 14, 14},
		{"NumAcc2", alternating(1.2, 1.1, 1.3), 1.2, 0.1, -0.999, 14, 13},
		{"NumAcc3", alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, -0.999, 14, 9},
		{"Michelso", michelso(), 299.8524, 0.0790105478190518, 0.535199668621283, 14, 12},
		{"Mavro", mavro(), 2.001856, 0.000429123454003053, 0.937989183438248, 14, 12},
	} {
		m := of(r.y)
		if digits(m.Mean, r.mean) < r.least || digits(m.Deviation(), r.sd) < r.leastSD || digits(Lag1(r.y), r.lag) < r.leastSD {
			t.Errorf("%s: mean %.15g, deviation %.15g, autocorrelation %.15g: %.1f, %.1f and %.1f digits", r.name, m.Mean, m.Deviation(), Lag1(r.y),
				digits(m.Mean, r.mean), digits(m.Deviation(), r.sd), digits(Lag1(r.y), r.lag))
		}
		// Merged from pieces it is as good.
		var merged Moments
		for c := range slices.Chunk(r.y, 7) {
			merged.Merge(of(c))
		}
		if digits(merged.Mean, r.mean) < r.least || digits(merged.Deviation(), r.sd) < r.leastSD-1 || merged.N != m.N {
			t.Errorf("%s merged: mean %.15g, deviation %.15g", r.name, merged.Mean, merged.Deviation())
		}
	}
}

func TestMomentsAgreeWithGonum(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var m Moments
	var x, w []float64
	for range 1000 {
		held := time.Duration(1 + rng.Int64N(int64(2*time.Second)))
		x, w = append(x, math.Exp(rng.NormFloat64())), append(w, held.Seconds())
		m.Add(x[len(x)-1], held)
	}
	m.Add(1e9, 0) // what held for no time does not count
	mean, variance := stat.PopMeanVariance(x, w)
	if digits(m.Mean, mean) < 12 || digits(m.Deviation(), math.Sqrt(variance*1000/999)) < 12 || m.N != 1000 {
		t.Errorf("%+v, want %g, %g", m, mean, math.Sqrt(variance*1000/999))
	}
	if e := (Moments{}); !math.IsNaN(e.Deviation()) || !math.IsNaN(of([]float64{1}).Deviation()) {
		t.Error("a deviation of fewer than two values")
	}
}

// The extra hours of sleep of ten patients with a second drug over a first ("Student",
// Biometrika 6, 1908). Published there: mean 1.58 h; the interval is that of R's
// documented example of its t.test on these data (from memory).
func TestStudentsSleep(t *testing.T) {
	m := of([]float64{1.2, 2.4, 1.3, 1.3, 0, 1, 1.8, 0.8, 4.6, 1.4})
	lo, hi := m.MeanInterval(0.95)
	if digits(m.Mean, 1.58) < 12 || digits(lo, 0.7001142) < 6.5 || digits(hi, 2.4598858) < 7 || digits(m.Mean/m.Deviation()*math.Sqrt(10), 4.0621) < 4.5 {
		t.Errorf("mean %.7f, interval %.7f to %.7f", m.Mean, lo, hi)
	}
}
