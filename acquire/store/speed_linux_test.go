package store

import (
	"context"
	"fmt"
	"hash/crc32"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ovenward/acquire"
	"ovenward/acquire/store/chunk"
	"ovenward/acquire/store/storetest"
)

// secondsOf makes the samples of one second of series, again and again.
func secondsOf(series int) ([]*signal, [][]acquire.Sample) {
	made, batch := make([]*signal, series), make([][]acquire.Sample, series)
	for i := range made {
		made[i], batch[i] = newSignal(uint64(i+1), 3, noon()), make([]acquire.Sample, 10)
	}
	return made, batch
}

func benchPosts(b *testing.B, s *Store, n int) {
	var all []acquire.Post
	for i := range n {
		all = append(all, post(fmt.Sprint("post-", i)))
	}
	register(b, s, all...)
}

// BenchmarkAppend is one goroutine that appends 32 series as fast as the record
// takes them, synced nowhere. It waits where the tail is full, so that nothing is
// lost; the samples are made before.
func BenchmarkAppend(b *testing.B) {
	const series, seconds = 32, 400
	made, _ := secondsOf(series)
	all := make([][]acquire.Sample, series)
	for i := range all {
		all[i] = make([]acquire.Sample, 10*seconds)
		made[i].next(all[i])
	}
	for b.Loop() {
		b.StopTimer()
		committed := make(chan struct{}, 1)
		s := open(b, b.TempDir(), Options{CommitEvery: 10 * time.Millisecond, onCommit: func(*batch) {
			select {
			case committed <- struct{}{}:
			default:
			}
		}, pragmas: func() []string { return []string{"PRAGMA synchronous = OFF"} }})
		benchPosts(b, s, series)
		b.StartTimer()
		for n := 0; n < 10*seconds; n += 10 {
			for i := range all {
				s.Append(i, all[i][n:n+10])
			}
			for n%100 == 0 && s.Stats().Pending > 150_000 {
				<-committed
			}
		}
		for s.Stats().Pending > 0 {
			<-committed
		}
		b.StopTimer()
		if st := s.Stats(); st.Lost != 0 || st.Samples != series*10*seconds {
			b.Fatalf("%+v", st)
		}
		shut(b, s)
		b.StartTimer()
	}
	b.ReportMetric(series*10*seconds*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
}

// BenchmarkSynced is 8 series, synced every second of data, beside a bare log of
// frames with a CRC and fdatasync.
func BenchmarkSynced(b *testing.B) {
	b.Run("record", func(b *testing.B) {
		made, second := secondsOf(8)
		done := make(chan struct{}, 1)
		s := open(b, b.TempDir(), Options{CommitEvery: time.Hour, onCommit: func(t *batch) { done <- struct{}{} }})
		benchPosts(b, s, 8)
		for b.Loop() {
			for i := range made {
				made[i].next(second[i])
				s.Append(i, second[i])
			}
			s.mu.Lock()
			s.queue.urgent = true
			s.mu.Unlock()
			s.wake()
			<-done
		}
		b.ReportMetric(80*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
	})
	b.Run("bare-log", func(b *testing.B) {
		made, second := secondsOf(8)
		f, err := os.Create(filepath.Join(b.TempDir(), "log"))
		if err != nil {
			b.Fatal(err)
		}
		defer f.Close()
		var frame []byte
		for b.Loop() {
			frame = frame[:0]
			for i := range made {
				made[i].next(second[i])
				for j := range second[i] {
					x := &second[i][j]
					frame = unixAppend(frame, x.At.UnixNano(), x.Reading.Value.Digits)
				}
			}
			frame = append(frame, byte(len(frame)), byte(len(frame)>>8))
			sum := crc32.Checksum(frame, castagnoli())
			frame = append(frame, byte(sum), byte(sum>>8), byte(sum>>16), byte(sum>>24))
			if _, err := f.Write(frame); err != nil {
				b.Fatal(err)
			}
			if err := unix.Fdatasync(int(f.Fd())); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(80*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
	})
}

func unixAppend(b []byte, at, digits int64) []byte {
	for i := range 8 {
		b = append(b, byte(at>>(8*i)))
	}
	for i := range 4 {
		b = append(b, byte(digits>>(8*i)))
	}
	return b
}

// BenchmarkOpenKilled opens what kill -9 leaves of a day of 8 probes at 10 Hz.
func BenchmarkOpenKilled(b *testing.B) {
	dir := b.TempDir()
	s := open(b, dir, Options{CommitEvery: time.Hour})
	names := make([]string, 8)
	for i := range names {
		names[i] = fmt.Sprint("post-", i)
	}
	benchPosts(b, s, 8)
	recorded(b, s, 24*time.Hour, 3, names...)
	left := crashed(b, dir)
	shut(b, s)
	for b.Loop() {
		b.StopTimer()
		to := crashed(b, left)
		b.StartTimer()
		s, err := Open(to, Options{reserve: testReserve})
		b.StopTimer()
		if err != nil {
			b.Fatal(err)
		}
		shut(b, s)
		os.RemoveAll(to)
		b.StartTimer()
	}
}

// BenchmarkFiveYears charts 1 200 points of five years of sums; samples are not
// needed for it, so but the first and the last are recorded.
func BenchmarkFiveYears(b *testing.B) {
	s := open(b, b.TempDir(), Options{CommitEvery: time.Hour})
	register(b, s, post("fryer"))
	const minutes = 5 * 365 * 24 * 60
	made := storetest.New(1, 3, noon())
	s.Append(0, samples(1, 1))
	flushed(b, s)
	err := s.ask(context.Background(), "make sums", func(ctx context.Context, w *writer) error {
		var rows []chunk.Row
		for n := int64(0); n < minutes; n++ {
			_, digits := made.Next()
			rows = append(rows, chunk.Row{Seq: n + 2, At: noon().UnixNano() + n*nsMinute, HasValue: true, Exp: -3, Unit: "mW/cm2", Digits: digits, Version: 1})
			if len(rows) == 100_000 || n == minutes-1 {
				if err := w.rollUp(ctx, 1, eachOf(rows)); err != nil {
					return err
				}
				rows = rows[:0]
			}
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	last := sample(minutes + 2)
	last.At = noon().Add(minutes * time.Minute)
	s.Append(0, []acquire.Sample{last})
	flushed(b, s)
	worked(s, func(w *writer) { w.merging(true) }) // what ends before its sums is damaged
	for b.Loop() {
		p, err := s.Chart(b.Context(), "fryer", noon(), noon().Add(minutes*time.Minute), 1200)
		if err != nil || len(p) < 1000 || len(p) > 1200 || math.IsNaN(p[600].Mean()) {
			b.Fatalf("%d points, %v", len(p), err)
		}
	}
}

// BenchmarkMerge merges 30 s of posts at 10 Hz, again and again: what that allocates and
// takes a sample, and how large the heap is between two merges.
func BenchmarkMerge(b *testing.B) {
	for _, posts := range []int{1, 8} {
		b.Run(fmt.Sprint(posts, " posts"), func(b *testing.B) { benchMerge(b, posts) })
	}
}

func benchMerge(b *testing.B, posts int) {
	made, second := secondsOf(posts)
	done := make(chan struct{}, 1)
	s := open(b, b.TempDir(), Options{CommitEvery: time.Hour, onCommit: func(*batch) { done <- struct{}{} },
		pragmas: func() []string { return []string{"PRAGMA synchronous = OFF"} }})
	benchPosts(b, s, posts)
	var before, after runtime.MemStats
	var bytes, samples uint64
	var took time.Duration
	for b.Loop() {
		for range 30 {
			for i := range made {
				made[i].next(second[i])
				s.Append(i, second[i])
				samples += uint64(len(second[i]))
			}
			s.mu.Lock()
			s.queue.urgent = true
			s.mu.Unlock()
			s.wake()
			<-done
		}
		worked(s, func(w *writer) {
			runtime.ReadMemStats(&before)
			began := time.Now()
			w.merging(false)
			took += time.Since(began)
			runtime.ReadMemStats(&after)
		})
		bytes += after.TotalAlloc - before.TotalAlloc
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	b.ReportMetric(float64(bytes)/float64(samples), "B/sample")
	b.ReportMetric(float64(took.Nanoseconds())/float64(samples), "ns/sample")
	b.ReportMetric(float64(after.HeapAlloc), "B-held")
}
