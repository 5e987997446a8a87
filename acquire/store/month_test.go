package store

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ovenward/acquire/store/storetest"
)

// BenchmarkMonth records 30 days of one probe at 10 Hz and measures the whole
// file, reading all of it, and charts. The entropy is of the first differences of
// the digits and the second differences of the stamps, of order 0.
func BenchmarkMonth(b *testing.B) {
	for _, places := range []int8{3, 2} {
		b.Run(fmt.Sprintf("q=1e-%d", places), func(b *testing.B) { benchMonth(b, places) })
	}
}

func benchMonth(b *testing.B, places int8) {
	dir := b.TempDir()
	s := open(b, dir, Options{CommitEvery: time.Hour})
	register(b, s, post("fryer"))
	const span = 30 * 24 * time.Hour
	begun := time.Now()
	recorded(b, s, span, places, "fryer")
	shut(b, s)
	n := float64(storetest.Month)
	took := time.Since(begun)
	size := float64(must(os.Stat(filepath.Join(dir, FileName))).Size())
	values, instants := storetest.Entropy(storetest.New(1, int(places), noon()), 1_000_000)
	b.Run("file", func(b *testing.B) {
		for b.Loop() {
		}
		b.ReportMetric(size/n, "B/sample")
		b.ReportMetric(values+instants, "entropy-B/sample")
		b.ReportMetric(n/took.Seconds(), "recorded/s")
		b.ReportMetric(0, "ns/op")
	})
	b.Run("read", func(b *testing.B) {
		for b.Loop() {
			r, err := OpenReadOnly(dir)
			if err != nil {
				b.Fatal(err)
			}
			got := 0
			for v, err := range r.Values(b.Context(), "fryer", time.Time{}, time.Time{}) {
				if err != nil {
					b.Fatal(err)
				}
				got += len(v.S)
			}
			if got != storetest.Month {
				b.Fatalf("%d samples", got)
			}
			r.Close()
		}
		b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
	})
	r, err := OpenReadOnly(dir)
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	for _, points := range []int{1200} {
		b.Run(fmt.Sprintf("chart-%d", points), func(b *testing.B) {
			for b.Loop() {
				p, err := r.Chart(b.Context(), "fryer", noon().Truncate(time.Minute), noon().Truncate(time.Minute).Add(span), points)
				if err != nil || len(p) != points {
					b.Fatalf("%d points, %v", len(p), err)
				}
			}
		})
	}
}
