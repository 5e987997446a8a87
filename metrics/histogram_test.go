package metrics

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"ovenward/acquire"
)

// What is counted a batch at a time is shown as Prometheus' own histogram shows what
// it observes value by value.
func TestCountsAreThoseOfPrometheus(t *testing.T) {
	widened := 0
	rapid.Check(t, func(t *rapid.T) {
		bounds := buckets(nil)
		if rapid.Bool().Draw(t, "other bounds") {
			bounds = rapid.SampledFrom([][]float64{{}, {nativeZero / 2, nativeZero, 1, 1.5, 2, 2.0001, 4}, {1, 1e9}}).Draw(t, "bounds")
		}
		began := time.Unix(1_767_225_600, 0)
		plain := prometheus.NewHistogram(prometheus.HistogramOpts{Name: "x", Buckets: bounds, NativeHistogramBucketFactor: 1.1,
			NativeHistogramZeroThreshold: nativeZero, NativeHistogramMaxBucketNumber: nativeBuckets, NativeHistogramMaxExemplars: -1})
		c := newCounts(bounds)
		s := &series{c, prometheus.NewDesc("x", "", nil, nil), nil, began}
		top := rapid.SampledFrom([]float64{200, math.Inf(1)}).Draw(t, "top")
		edges := append([]float64{0, nativeZero, 1, math.MaxFloat64}, bounds...)
		for i := range 2 * nativeOctave {
			edges = append(edges, math.Float64frombits(c.octave.begin[i%cells]|1023<<mantissa), math.Exp2(float64(i-nativeOctave)))
		}
		value := rapid.OneOf(rapid.Float64Range(0, 300), rapid.Map(rapid.Float64Range(-8, 5), func(x float64) float64 { return math.Pow(10, x) }),
			rapid.Map(rapid.SampledFrom(edges), func(x float64) float64 { return x }),
			rapid.Map(rapid.SampledFrom(edges), func(x float64) float64 { return math.Nextafter(x, math.Inf(1)) }))
		most := rapid.SampledFrom([]int{50, 2000}).Draw(t, "most")
		for range rapid.IntRange(1, 3).Draw(t, "batches") {
			batch := make([]acquire.Sample, rapid.IntRange(0, most).Draw(t, "n"))
			for i := range batch {
				v := 0.0
				if i < 50 {
					v = value.Draw(t, "v")
				} else { // more than are worth drawing
					v = math.Pow(10, math.Mod(float64(i)*0.6180339887, 1)*13-8)
				}
				switch batch[i] = sample(int64(i), v, 0); {
				case i%31 == 30:
					batch[i].Quality = acquire.OverRange
					plain.Observe(top)
				default:
					plain.Observe(v)
				}
			}
			c.take(batch, top, &acquire.Probe{Floor: 1})
			var got, want dto.Metric
			if err := s.Write(&got); err != nil {
				t.Fatal(err)
			}
			if err := plain.Write(&want); err != nil {
				t.Fatal(err)
			}
			want.Histogram.CreatedTimestamp, got.Histogram.CreatedTimestamp = nil, nil
			if got.Histogram.GetSchema() < nativeSchema {
				widened++
			}
			if !proto.Equal(&got, &want) {
				t.Fatalf("%v\nwant %v", &got, &want)
			}
		}
	})
	if widened == 0 {
		t.Error("the native buckets were never too many")
	}
}

// A collector that takes over goes on counting the posts that stay, and forgets those
// that went.
func TestTakeOverGoesOn(t *testing.T) {
	posts := larkfield()
	before := New(Options{Posts: posts, Site: "Larkfield House"})
	for i := range posts {
		before.Observe(i, []acquire.Sample{sample(1, 6.25, 0)})
	}
	after := slices.Clone(posts)
	slices.Reverse(after)
	last := len(after) - 1
	after[last].ID = "another"
	c := New(Options{Posts: after, Site: "Larkfield House"})
	c.TakeOver(before)
	for i := range after {
		c.Observe(i, []acquire.Sample{sample(2, 6.25, 0)})
		want := uint64(2)
		if i == last {
			want = 1
		}
		if n := histogram(t, c, i).GetSampleCount(); n != want {
			t.Errorf("post %s: %d samples, want %d", after[i].ID, n, want)
		}
	}
	other := posts[0]
	other.Limit.Value *= 100
	c = New(Options{Posts: []acquire.Post{other}, Site: "Larkfield House"})
	c.TakeOver(before)
	if n := histogram(t, c, 0).GetSampleCount(); n != 0 {
		t.Errorf("%d samples in buckets of other limits, want 0", n)
	}
}
