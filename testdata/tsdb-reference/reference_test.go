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
	"os/exec"
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
	"github.com/prometheus/prometheus/tsdb/chunkenc"

	"ovenward/acquire/store/chunk"
	"ovenward/acquire/store/storetest"
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
		b, n := e.Encode(nil, "0", left, 16<<10)
		all, left = append(all, b), left[n:]
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

// BenchmarkDensity says how many bytes a sample takes in 30 days at 10 Hz. The
// chunks' are those of the codec alone, without the file round them.
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

// BenchmarkAppend appends to 32 series from one goroutine, a second of 10 Hz
// each at a time, and syncs nothing.
func BenchmarkAppend(b *testing.B) {
	const series, n = 32, 60_000
	b.Run("tsdb", func(b *testing.B) {
		for b.Loop() {
			db, err := openTSDB(b.TempDir())
			if err != nil {
				b.Fatal(err)
			}
			if err := fill(db, series, n, 3, 10); err != nil {
				b.Fatal(err)
			}
			b.StopTimer()
			if err := db.Close(); err != nil {
				b.Fatal(err)
			}
			b.StartTimer()
		}
		b.ReportMetric(series*n*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
	})
	b.Run("fragments", func(b *testing.B) {
		file, err := os.Create(filepath.Join(b.TempDir(), "log"))
		if err != nil {
			b.Fatal(err)
		}
		defer file.Close()
		for b.Loop() {
			fragments(b, file, series, n)
		}
		b.ReportMetric(series*n*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
	})
}

// fragments does what fill does, with fragments written to a file.
func fragments(b *testing.B, file *os.File, series, n int) {
	var e chunk.Encoder
	signals, batch, buf := make([]*storetest.Signal, series), make([]chunk.Row, 10), []byte(nil)
	said := make([]byte, 0, 64*len(batch))
	for i := range signals {
		signals[i] = storetest.New(uint64(i+1), 3, start())
	}
	for done := 0; done < n; done += len(batch) {
		buf = buf[:0]
		for i, s := range signals {
			said = said[:0]
			for j := range batch {
				at, digits := s.Next()
				from := len(said)
				said = s.AppendSaid(said, digits)
				batch[j] = chunk.Row{Seq: int64(done + j + 1), At: at, AtU: 1e6, HasValue: true, Digits: digits, Exp: -3, Unit: "mW/cm2", Said: said[from:]}
			}
			buf, _ = e.EncodeFragment(buf, strconv.Itoa(i), batch, 64<<10)
		}
		if _, err := file.Write(buf); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkOpenAfterKill opens 24 h of 8 × 10 Hz whose writer was killed.
func BenchmarkOpenAfterKill(b *testing.B) {
	dir := b.TempDir()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), child+"="+dir)
	out, err := cmd.CombinedOutput()
	if status, ok := cmd.ProcessState.Sys().(syscall.WaitStatus); !ok || status.Signal() != syscall.SIGKILL {
		b.Fatalf("the writer was not killed: %v\n%s", err, out)
	}
	b.Run("tsdb", func(b *testing.B) {
		for b.Loop() {
			db, err := openTSDB(dir)
			if err != nil {
				b.Fatal(err)
			}
			b.StopTimer()
			if n := db.Head().NumSeries(); n != 8 {
				b.Fatalf("%d series", n)
			}
			if err := db.Close(); err != nil {
				b.Fatal(err)
			}
			b.StartTimer()
		}
	})
}

// BenchmarkRead reads every sample of 30 days of one post at 10 Hz: instant and
// value.
func BenchmarkRead(b *testing.B) {
	b.Run("tsdb", func(b *testing.B) {
		dir := b.TempDir()
		monthTSDB(b, dir, 3)
		db, err := openTSDB(dir)
		if err != nil {
			b.Fatal(err)
		}
		defer db.Close()
		runtime.GC()
		for b.Loop() {
			if n := readTSDB(b, db); n != storetest.Month {
				b.Fatalf("%d samples, want %d", n, storetest.Month)
			}
		}
	})
	b.Run("chunks", func(b *testing.B) {
		all := month(3)
		runtime.GC()
		for b.Loop() {
			var c chunk.Chunk
			var out chunk.Block
			n := 0
			for _, one := range all {
				if err := c.Open(one); err != nil {
					b.Fatal(err)
				}
				for i := range c.Blocks() {
					if err := c.Read(i, &out); err != nil {
						b.Fatal(err)
					}
					n += out.Len()
				}
			}
			if n != storetest.Month {
				b.Fatalf("%d samples, want %d", n, storetest.Month)
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/storetest.Month, "ns/sample")
	})
}

func readTSDB(b *testing.B, db *tsdb.DB) int {
	q, err := db.Querier(math.MinInt64, math.MaxInt64)
	if err != nil {
		b.Fatal(err)
	}
	defer q.Close()
	n := 0
	set := q.Select(context.Background(), false, nil, labels.MustNewMatcher(labels.MatchEqual, "__name__", "field"))
	for set.Next() {
		it := set.At().Iterator(nil)
		for it.Next() == chunkenc.ValFloat {
			it.At()
			n++
		}
		if it.Err() != nil {
			b.Fatal(it.Err())
		}
	}
	if set.Err() != nil {
		b.Fatal(set.Err())
	}
	return n
}
