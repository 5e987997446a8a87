package reference

import (
	"context"
	"math"
	"os"
	"os/exec"
	"runtime"
	"syscall"
	"testing"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/chunkenc"

	"ovenward/acquire/store"
	"ovenward/acquire/store/chunk"
	"ovenward/acquire/store/storetest"
)

// killed is the folder that a writer left which was killed after 24 h of 8 × 10 Hz.
func killed(b *testing.B, by string) string {
	b.Helper()
	dir := b.TempDir()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), by+"="+dir)
	out, err := cmd.CombinedOutput()
	if status, ok := cmd.ProcessState.Sys().(syscall.WaitStatus); !ok || status.Signal() != syscall.SIGKILL {
		b.Fatalf("the writer was not killed: %v\n%s", err, out)
	}
	return dir
}

// BenchmarkOpenAfterKill opens 24 h of 8 × 10 Hz whose writer was killed.
func BenchmarkOpenAfterKill(b *testing.B) {
	dir, record := killed(b, child), killed(b, recordIn)
	b.Run("record", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			dir := copied(b, record)
			b.StartTimer()
			s := must(store.Open(dir, store.Options{}))(b)
			b.StopTimer()
			if st := s.Stats(); st.Damaged != 0 {
				b.Fatalf("%+v", st)
			}
			if err := s.Close(); err != nil {
				b.Fatal(err)
			}
			b.StartTimer()
		}
	})
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
	b.Run("record", func(b *testing.B) {
		dir := b.TempDir()
		monthRecord(b, dir, 3)
		runtime.GC()
		for b.Loop() {
			if n := readRecord(b, dir); n != storetest.Month {
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
