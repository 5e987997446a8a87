package metrics

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

func nan() quantity.PowerDensity { return quantity.PowerDensity(math.NaN()) }
func inf() quantity.PowerDensity { return quantity.PowerDensity(math.Inf(1)) }

func histogram(t *testing.T, c *Collector, post int) *dto.Histogram {
	t.Helper()
	var m dto.Metric
	if err := c.posts[post].series.Write(&m); err != nil {
		t.Fatal(err)
	}
	return m.GetHistogram()
}

func TestObserveCountsWhatShowsAField(t *testing.T) {
	noNumber := sample(1, 3, 0)
	noNumber.Reading.HasValue = false
	for _, tt := range []struct {
		name  string
		s     acquire.Sample
		count uint64
		sum   float64
	}{
		{"good", sample(1, 6.25, 0), 1, 6.25},
		{"uncalibrated", sample(1, 6.25, acquire.Uncalibrated), 1, 6.25},
		{"clock unsure", sample(1, 6.25, acquire.ClockUnsure), 1, 6.25},
		{"under floor", sample(1, 0.05, acquire.UnderFloor), 1, 0.05},
		{"below zero", sample(1, -0.2, acquire.UnderFloor), 1, 0},
		{"so far below zero that the zero is off", sample(1, -0.5, acquire.UnderFloor|acquire.Uncalibrated), 0, 0},
		{"over range", sample(1, math.NaN(), acquire.OverRange), 1, 200},
		{"over range with a number", sample(1, 950, acquire.OverRange), 1, 200},
		{"fault", sample(1, 6.25, acquire.Fault), 0, 0},
		{"fault and over range", sample(1, math.NaN(), acquire.Fault|acquire.OverRange), 0, 0},
		{"no number said", noNumber, 0, 0},
		{"not a number", sample(1, math.NaN(), 0), 0, 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := newSite(wholeSite)
			c.Observe(0, []acquire.Sample{tt.s})
			c.Observe(-1, []acquire.Sample{tt.s})
			c.Observe(99, []acquire.Sample{tt.s})
			h := histogram(t, c, 0)
			if h.GetSampleCount() != tt.count || h.GetSampleSum() != tt.sum {
				t.Errorf("count %d, sum %g W/m²; want %d, %g W/m²", h.GetSampleCount(), h.GetSampleSum(), tt.count, tt.sum)
			}
		})
	}
}

// What equals a limit is not above it, and each limit ends a bucket.
func TestLimitEndsABucket(t *testing.T) {
	c := newSite(wholeSite)
	c.Observe(0, []acquire.Sample{sample(1, 50, 0), sample(2, math.Nextafter(50, 51), 0)})
	for _, b := range histogram(t, c, 0).GetBucket() {
		if b.GetUpperBound() == 50 {
			if b.GetCumulativeCount() != 1 {
				t.Errorf("%d samples at or below the limit, want 1", b.GetCumulativeCount())
			}
			return
		}
	}
	t.Error("no bucket ends at the limit of 50 W/m²")
}

func TestBuckets(t *testing.T) {
	posts := func(limits ...quantity.PowerDensity) []acquire.Post {
		var all []acquire.Post
		for _, l := range limits {
			all = append(all, acquire.Post{Limit: limit.Limit{Value: l}})
		}
		return all
	}
	for _, tt := range []struct {
		limits []quantity.PowerDensity
		want   []float64
	}{
		{[]quantity.PowerDensity{10}, []float64{0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100}},
		{[]quantity.PowerDensity{50, 10, 50}, []float64{0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500}},
		{[]quantity.PowerDensity{7}, []float64{0.1, 0.2, 0.5, 1, 2, 5, 7, 10, 20, 50}},
		{[]quantity.PowerDensity{nan(), 10}, []float64{0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100}},
		{nil, []float64{0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100}},
	} {
		if got := buckets(posts(tt.limits...)); !slices.Equal(got, tt.want) {
			t.Errorf("limits %v W/m²: buckets %v, want %v", tt.limits, got, tt.want)
		}
	}
}

// However the field varies, the native buckets stay bounded and nothing is lost.
func TestNativeBucketsAreBounded(t *testing.T) {
	c := newSite(wholeSite)
	const n = 4000
	for i := range n {
		c.Observe(0, []acquire.Sample{sample(int64(i), math.Pow(10, float64(i%1200)/100-6), 0)})
	}
	h := histogram(t, c, 0)
	held := 0
	for _, s := range h.GetPositiveSpan() {
		held += int(s.GetLength())
	}
	if held > nativeBuckets+1 || h.GetSampleCount() != n {
		t.Errorf("%d native buckets, %d samples; want at most %d, and %d", held, h.GetSampleCount(), nativeBuckets+1, n)
	}
}

// Once the native buckets exist, observing allocates nothing.
func TestObserveAllocates(t *testing.T) {
	c := newSite(wholeSite)
	batch := make([]acquire.Sample, 100)
	for i := range batch {
		batch[i] = sample(int64(i), 0.01*float64(i*i), 0)
	}
	if n := testing.AllocsPerRun(100, func() { c.Observe(0, batch) }); n != 0 {
		t.Errorf("%g allocations in a batch of 100, want 0", n)
	}
}

func BenchmarkObserve(b *testing.B) {
	for _, size := range []int{1, 100} {
		b.Run(fmt.Sprintf("batch=%d", size), func(b *testing.B) {
			c := newSite(wholeSite)
			batch := make([]acquire.Sample, size)
			for i := range batch {
				batch[i] = sample(int64(i), float64(i%97)/4, 0)
			}
			b.ReportAllocs()
			for b.Loop() {
				c.Observe(0, batch)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*size), "ns/sample")
		})
	}
}

func BenchmarkScrape(b *testing.B) {
	const n = 64
	posts := make([]acquire.Post, n)
	stats := make(fixed, n)
	for i := range posts {
		posts[i] = larkfield()[0]
		posts[i].ID = fmt.Sprintf("post-%d", i)
		stats[i] = seeing(&posts[i])
	}
	c := New(Options{Source: stats, Posts: posts, Site: "Larkfield House"})
	r := prometheus.NewRegistry()
	r.MustRegister(c)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := r.Gather(); err != nil {
			b.Fatal(err)
		}
	}
}
