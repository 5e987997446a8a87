package metrics

import (
	"math"
	"slices"
	"strconv"

	"github.com/prometheus/client_golang/prometheus"

	"ovenward/acquire"
)

// Native buckets: each at most 10 % wider than the last, over 20 octaves from
// about 0.001 W/m², below which a field counts as none. 160 of them cover that.
const (
	nativeFactor  = 1.1
	nativeZero    = 1.0 / 1024 // W/m²; a power of two, so it ends a bucket
	nativeBuckets = 160
)

const (
	samplesName = prefix + "sample_power_density_watts_per_square_meter"
	samplesHelp = "Every sample that shows a field, corrected; below zero counts as zero, over-range as the top of the range. Faults are not in it."
)

// observed is what Observe needs of a post: its series, found once.
type observed struct {
	series prometheus.Observer
	top    float64 // of the probe's range, W/m²; +Inf when not stated
}

func newSamples(o Options) (*prometheus.HistogramVec, []observed) {
	vec := prometheus.NewHistogramVec(prometheus.HistogramOpts{
		Name:                         samplesName,
		Help:                         samplesHelp,
		Buckets:                      buckets(o.Posts),
		NativeHistogramBucketFactor:  nativeFactor,
		NativeHistogramZeroThreshold: nativeZero,
		// Past this number buckets grow wider; the counts are never reset.
		NativeHistogramMaxBucketNumber: nativeBuckets,
		NativeHistogramMaxExemplars:    -1,
	}, postLabels())
	return vec, observe(vec, o)
}

// observe finds the series of all posts.
func observe(vec *prometheus.HistogramVec, o Options) []observed {
	posts := make([]observed, len(o.Posts))
	for i := range o.Posts {
		p := &o.Posts[i]
		top := float64(p.Probe.Range)
		if !(top > 0) {
			top = math.Inf(1)
		}
		posts[i] = observed{vec.WithLabelValues(labels(p, o.Site)...), top}
	}
	return posts
}

// TakeOver has the histogram go on where that of a collector before stands, for the
// posts that both have, if the two have the same buckets. It is called before c is
// used.
func (c *Collector) TakeOver(before *Collector) {
	if !slices.Equal(buckets(c.o.Posts), buckets(before.o.Posts)) {
		return
	}
	c.samples, c.posts = before.samples, observe(before.samples, c.o)
	for i := range before.o.Posts {
		gone := labels(&before.o.Posts[i], before.o.Site)
		if !slices.ContainsFunc(c.o.Posts, func(p acquire.Post) bool { return slices.Equal(labels(&p, c.o.Site), gone) }) {
			c.samples.DeleteLabelValues(gone...)
		}
	}
}

// Observe implements acquire.Observer. It counts every sample that shows a
// field; it waits for nothing and keeps nothing of the batch.
func (c *Collector) Observe(post int, batch []acquire.Sample) {
	if post < 0 || post >= len(c.posts) {
		return
	}
	p := &c.posts[post]
	for i := range batch {
		switch s := &batch[i]; {
		case s.Quality&acquire.Fault != 0:
		case s.Quality&acquire.OverRange != 0:
			p.series.Observe(p.top)
		case s.Reading.HasValue && !math.IsNaN(float64(s.S)):
			p.series.Observe(max(float64(s.S), 0))
		}
	}
}

// buckets returns the upper bounds of the classic buckets, W/m²: steps of 1, 2,
// 5 from a hundredth of the lowest limit to ten times the highest, and each
// limit itself, so that 'above the limit' can be counted exactly. A bound holds
// what equals it, as a limit does.
func buckets(posts []acquire.Post) []float64 {
	var limits []float64
	for i := range posts {
		for _, p := range posts[i].Limits() {
			if l := float64(p.Value); l > 0 && !math.IsInf(l, 0) {
				limits = append(limits, l)
			}
		}
	}
	if len(limits) == 0 {
		limits = []float64{10} // 1 mW/cm², only to have some bounds
	}
	lo, hi := slices.Min(limits)/100, slices.Max(limits)*10
	all := limits
	for e := int(math.Floor(math.Log10(lo))); e <= int(math.Ceil(math.Log10(hi))); e++ {
		for _, m := range []string{"1e", "2e", "5e"} {
			// Parsed, so that the bound is the float nearest to the decimal shown.
			b, err := strconv.ParseFloat(m+strconv.Itoa(e), 64)
			if err == nil && b >= lo*(1-1e-9) && b <= hi*(1+1e-9) {
				all = append(all, b)
			}
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}
