// Package reference measures the record beside a database of series that many
// sites have, in one run. It is a module of its own, so that the product depends
// on none of it. Run it in this folder:
//
//	go test -run='^$' -bench=. -benchtime=1x .
package reference

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb"

	"ovenward/acquire"
	"ovenward/acquire/store"
	"ovenward/acquire/store/chunk"
	"ovenward/acquire/store/storetest"
	"ovenward/drivers"
)

func start() time.Time { return time.Unix(1_767_225_600, 0) }

// child is set in a process that fills a database and kills itself.
const child = "OVENWARD_REFERENCE_CHILD"

func TestMain(m *testing.M) {
	if dir := os.Getenv(child); dir != "" {
		db, err := openTSDB(dir)
		if err == nil {
			err = fill(db, 8, 864_000, 3, 10)
		}
		fmt.Fprintln(os.Stderr, err)
		if err == nil {
			syscall.Kill(os.Getpid(), syscall.SIGKILL)
		}
		os.Exit(1)
	}
	if dir := os.Getenv(recordIn); dir != "" {
		_, err := fillRecord(dir, 8, 864_000, 3)
		fmt.Fprintln(os.Stderr, err)
		if err == nil {
			syscall.Kill(os.Getpid(), syscall.SIGKILL)
		}
		os.Exit(1)
	}
	os.Exit(m.Run())
}

func openTSDB(dir string) (*tsdb.DB, error) {
	o := tsdb.DefaultOptions()
	o.RetentionDuration = math.MaxInt64
	return tsdb.Open(dir, nil, nil, o, nil)
}

// fill appends n readings to each of so many series, commit readings a
// transaction.
func fill(db *tsdb.DB, series, n, places, commit int) error {
	names, refs, signals := make([]labels.Labels, series), make([]storage.SeriesRef, series), make([]*storetest.Signal, series)
	for i := range names {
		names[i] = labels.FromStrings("__name__", "field", "post", strconv.Itoa(i))
		signals[i] = storetest.New(uint64(i+1), places, start())
	}
	scale := math.Pow10(places)
	for done := 0; done < n; done += commit {
		app := db.Appender(context.Background())
		for i := range names {
			for range commit {
				at, digits := signals[i].Next()
				ref, err := app.Append(refs[i], names[i], at/1e6, float64(digits)/scale)
				if err != nil {
					return err
				}
				refs[i] = ref
			}
		}
		if err := app.Commit(); err != nil {
			return err
		}
	}
	return nil
}

// month packs 30 days of one post into chunks.
func month(places int) [][]byte {
	const ahead = 1 << 17 // more than go into one chunk
	var e chunk.Encoder
	var all [][]byte
	var left []chunk.Row
	s := storetest.New(1, places, start())
	for made := 0; made < storetest.Month || len(left) > 0; {
		if more := min(ahead, storetest.Month-made); len(left) < ahead && more > 0 {
			left = append(append(make([]chunk.Row, 0, len(left)+more), left...), rows(s, made, more, places)...)
			made += more
		}
		b, of := e.Encode(nil, "0", len(left), func(yield func(*chunk.Row) bool) {
			for i := range left {
				if !yield(&left[i]) {
					return
				}
			}
		}, 16<<10)
		all, left = append(all, b), left[of.Rows:]
	}
	return all
}

// rows returns the next n readings as the record has them, of which made were
// before.
func rows(s *storetest.Signal, made, n, places int) []chunk.Row {
	said := make([]byte, 0, 16*n)
	all := make([]chunk.Row, n)
	for i := range all {
		at, digits := s.Next()
		from := len(said)
		said = s.AppendSaid(said, digits)
		all[i] = chunk.Row{Seq: int64(made + i + 1), At: at, AtU: 1e6, HasValue: true, Digits: digits, Exp: int8(-places), Unit: "mW/cm2",
			Version: 1, Correction: 1, Said: said[from:len(said):len(said)]}
	}
	return all
}

// BenchmarkDensity says how many bytes a sample takes in 30 days at 10 Hz: in the
// other's blocks, in the record's whole file, and in chunks of its codec alone,
// without the file round them.
func BenchmarkDensity(b *testing.B) {
	for _, places := range []int{3, 2} {
		v, t := storetest.Entropy(storetest.New(1, places, start()), storetest.Month)
		b.Run(fmt.Sprintf("places=%d/tsdb", places), func(b *testing.B) {
			for b.Loop() {
				dir := b.TempDir()
				monthTSDB(b, dir, places)
				b.ReportMetric(float64(blocksSize(b, dir))/storetest.Month, "B/sample")
			}
			b.ReportMetric(v+t, "entropy-B/sample")
		})
		b.Run(fmt.Sprintf("places=%d/record", places), func(b *testing.B) {
			for b.Loop() {
				dir := b.TempDir()
				monthRecord(b, dir, places)
				b.ReportMetric(recordSize(b, dir)/storetest.Month, "B/sample")
			}
			b.ReportMetric(v+t, "entropy-B/sample")
		})
		b.Run(fmt.Sprintf("places=%d/chunks", places), func(b *testing.B) {
			for b.Loop() {
				size := 0
				for _, c := range month(places) {
					size += len(c)
				}
				b.ReportMetric(float64(size)/storetest.Month, "B/sample")
			}
			b.ReportMetric(v+t, "entropy-B/sample")
		})
	}
}

// monthTSDB writes 30 days of one series into blocks.
func monthTSDB(b *testing.B, dir string, places int) {
	db, err := openTSDB(dir)
	if err != nil {
		b.Fatal(err)
	}
	if err := fill(db, 1, storetest.Month, places, 36_000); err != nil {
		b.Fatal(err)
	}
	h := db.Head()
	if err := db.Compact(context.Background()); err != nil {
		b.Fatal(err)
	}
	if err := db.CompactHead(tsdb.NewRangeHead(h, h.MinTime(), h.MaxTime())); err != nil {
		b.Fatal(err)
	}
	if err := db.Close(); err != nil {
		b.Fatal(err)
	}
}

// blocksSize is the size of all blocks, without what is yet to be packed.
func blocksSize(b *testing.B, dir string) int64 {
	var size int64
	err := filepath.Walk(dir, func(path string, f os.FileInfo, err error) error {
		if err == nil && f.Mode().IsRegular() && !strings.Contains(path, "/wal") && !strings.Contains(path, "/chunks_head") {
			size += f.Size()
		}
		return err
	})
	if err != nil {
		b.Fatal(err)
	}
	return size
}

// reading is one reading of the signal, made before time is measured. It holds no
// pointer, so that the collector of garbage has nothing to look at in it.
type reading struct {
	at, digits int64
	value      float64
	said       [23]byte
	n          uint8
}

// readings makes n readings of each of so many series.
func readings(series, n int) [][]reading {
	all := make([][]reading, series)
	for i := range all {
		all[i] = make([]reading, n)
		s := storetest.New(uint64(i+1), 3, start())
		for j := range all[i] {
			r := &all[i][j]
			r.at, r.digits = s.Next()
			r.value = float64(r.digits) / 1000
			r.n = uint8(len(s.AppendSaid(r.said[:0], r.digits)))
		}
	}
	return all
}

// inMemory returns a folder where a sync costs nothing, so that nothing is synced
// where the system has such: the record has no switch for less than all.
func inMemory(b *testing.B) string {
	b.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "ovenward-reference")
	if err != nil {
		return b.TempDir()
	}
	b.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// BenchmarkAppend appends to 32 series from one goroutine, a second of 10 Hz
// each at a time, and syncs nothing. Both keep what was appended in memory and
// write it to a log all the while. Neither makes its final form, blocks or
// chunks, of the readings: they are fewer than both wait for. What that costs is
// packed: from the first reading to the file closed, all in its final form. Bind
// it to one processor (taskset -c 1), or the record's writer takes a second one.
func BenchmarkAppend(b *testing.B) {
	const series, n = 32, 30_000
	made := readings(series, n)
	for _, packed := range []string{"", "-packed"} {
		all := made
		if packed != "" { // as many as the record packs within the time that a stop may take
			all = make([][]reading, series)
			for i := range all {
				all[i] = made[i][:n/4]
			}
		}
		rate := func(b *testing.B) {
			b.ReportMetric(float64(series*len(all[0])*b.N)/b.Elapsed().Seconds(), "samples/s")
		}
		b.Run("tsdb"+packed, func(b *testing.B) {
			for b.Loop() {
				b.StopTimer()
				dir := inMemory(b)
				db := must(openTSDB(dir))(b)
				runtime.GC()
				b.StartTimer()
				appendTSDB(b, db, all)
				if packed == "" {
					b.StopTimer()
				} else if err := db.CompactHead(tsdb.NewRangeHead(db.Head(), db.Head().MinTime(), db.Head().MaxTime())); err != nil {
					b.Fatal(err)
				}
				if err := db.Close(); err != nil {
					b.Fatal(err)
				}
				b.StartTimer()
			}
			rate(b)
		})
		b.Run("record"+packed, func(b *testing.B) {
			for b.Loop() {
				b.StopTimer()
				s := must(store.Open(inMemory(b), store.Options{CommitEvery: 2 * time.Millisecond}))(b)
				register(b, s, series)
				runtime.GC()
				b.StartTimer()
				appendRecord(b, s, all)
				if packed == "" {
					b.StopTimer()
				}
				if err := s.Close(); err != nil {
					b.Fatal(err)
				}
				b.StartTimer()
			}
			rate(b)
		})
	}
}

func must[T any](v T, err error) func(*testing.B) T {
	return func(b *testing.B) T {
		b.Helper()
		if err != nil {
			b.Fatal(err)
		}
		return v
	}
}

func appendTSDB(b *testing.B, db *tsdb.DB, all [][]reading) {
	b.Helper()
	names, refs := make([]labels.Labels, len(all)), make([]storage.SeriesRef, len(all))
	for i := range names {
		names[i] = labels.FromStrings("__name__", "field", "post", strconv.Itoa(i))
	}
	for from := 0; from < len(all[0]); from += 10 {
		app := db.Appender(context.Background())
		for i := range all {
			for j := range 10 {
				r := &all[i][from+j]
				ref, err := app.Append(refs[i], names[i], r.at/1e6, r.value)
				if err != nil {
					b.Fatal(err)
				}
				refs[i] = ref
			}
		}
		if err := app.Commit(); err != nil {
			b.Fatal(err)
		}
	}
}

func register(b *testing.B, s *store.Store, n int) {
	b.Helper()
	if err := s.Register(posts(n), start()); err != nil {
		b.Fatal(err)
	}
}

func posts(n int) []acquire.Post {
	all := make([]acquire.Post, n)
	for i := range all {
		id := strconv.Itoa(i)
		all[i] = acquire.Post{ID: id, Oven: id, Probe: acquire.Probe{ID: id, Period: storetest.Period}}
	}
	return all
}

// appendRecord waits where the record's memory is nearly full, so that nothing is
// lost, and at the end until all is committed.
func appendRecord(b *testing.B, s *store.Store, all [][]reading) {
	b.Helper()
	batch := make([]acquire.Sample, 10)
	wait := func(most int) {
		for s.Stats().Pending > most {
			time.Sleep(100 * time.Microsecond)
		}
	}
	for from := 0; from < len(all[0]); from += len(batch) {
		for i := range all {
			for j := range batch {
				x, r := &batch[j], &all[i][from+j]
				x.Seq, x.At, x.AtU, x.Said = int64(from+j+1), time.Unix(0, r.at), time.Millisecond, r.said[:r.n]
				x.Reading.Value, x.Reading.HasValue, x.Reading.Unit = drivers.Decimal{Digits: r.digits, Exp: -3}, true, "mW/cm2"
			}
			s.Append(i, batch)
		}
		if from%100 == 0 {
			wait(150_000)
		}
	}
	wait(0)
	if st := s.Stats(); st.Lost != 0 || st.Refused != 0 || st.Samples != uint64(len(all)*len(all[0])) {
		b.Fatalf("%+v", st)
	}
}
