package store

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
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
			if got, err := readMonth(dir); got != storetest.Month || err != nil {
				b.Fatalf("%d samples, %v", got, err)
			}
		}
		b.StopTimer()
		b.ReportMetric(readerSize(b, dir), "MB-resident")
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

const readEnv = "OVENWARD_STORE_READ"

// readMonth reads every value of a month.
func readMonth(dir string) (n int, err error) {
	r, err := OpenReadOnly(dir)
	if err != nil {
		return 0, err
	}
	defer r.Close()
	for v, err := range r.Values(context.Background(), "fryer", time.Time{}, time.Time{}) {
		if err != nil {
			return n, err
		}
		n += len(v.S)
	}
	return n, nil
}

// reader is a process that does nothing else, and says how large it became.
func reader(dir string) {
	n, err := readMonth(dir)
	status, _ := os.ReadFile("/proc/self/status")
	_, peak, _ := strings.Cut(string(status), "VmHWM:")
	fmt.Println(n, err, peak)
}

// readerSize is the most memory, in MB, that a process takes that reads the month.
func readerSize(b *testing.B, dir string) float64 {
	b.Helper()
	self, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	c := exec.Command(self)
	c.Env = append(os.Environ(), readEnv+"="+dir)
	out, err := c.CombinedOutput()
	var n int
	var failed string
	var kB float64
	if _, serr := fmt.Sscan(string(out), &n, &failed, &kB); err != nil || serr != nil || n != storetest.Month || failed != "<nil>" {
		b.Fatalf("the reader says %q, %v, %v", out, err, serr)
	}
	return kB / 1000
}
