package reference

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"runtime"
	"slices"
	"strconv"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
	"ovenward/drivers"
	"ovenward/drivers/textline"
	"ovenward/metrics"
)

// talker is a probe that talks by itself as fast as it is listened to. Its readings
// and their lines were made before.
type talker struct {
	at    []time.Duration // of its readings, since the first; without pointers, as the other's readings are
	lines []byte          // that were not read yet
	from  int
	now   atomic.Int64 // ns since the first reading, of the newest one that was handed on
	read  []byte
	reads int
	room  func() bool // asked each fourth time
	ended func()
}

// linesOf is what a probe says, and when.
func linesOf(all []reading) (lines []byte, at []time.Duration) {
	at = make([]time.Duration, 0, len(all))
	for i := range all {
		lines = append(append(lines, all[i].said[:all[i].n]...), '\n')
		at = append(at, time.Duration(all[i].at-all[0].at))
	}
	return lines, at
}

func (l *talker) Send([]byte, time.Time) (time.Time, int, error) { return time.Time{}, 0, nil }
func (l *talker) Close() error                                   { return nil }

// Receive hands out what a read of a busy line holds. It takes as little time for it as it can: that is
// not the chain's.
func (l *talker) Receive(split func([]byte) (int, []byte), _ time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	if l.from > 0 {
		l.now.Store(int64(l.at[l.from-1]))
	}
	if l.from == len(l.at) {
		if l.ended != nil {
			l.ended()
			l.ended = nil
		}
		time.Sleep(time.Millisecond)
		return dst, drivers.ErrTimeout
	}
	for l.reads++; l.reads%4 == 0 && !l.room(); {
		time.Sleep(100 * time.Microsecond)
	}
	l.read = append(l.read[:0], l.lines[:min(aRead, len(l.lines))]...) // copied, as a system's read does
	rest, at, start, n := l.read, l.at[l.from:], stationStart(), 0
	frames := slices.Grow(dst[:0], len(rest)/2)[:len(rest)/2] // no line is shorter
	for size, frame := split(rest); size > 0; size, frame = split(rest) {
		frames[n].Bytes, frames[n].Arrived = frame, start.Add(at[n])
		n++
		rest = rest[size:]
	}
	l.from += n
	l.lines = l.lines[len(l.read)-len(rest):] // a line that is not whole comes again
	return frames[:n], nil
}

// aRead is how many bytes of a line that never rests are read at a time: what a
// terminal hands out at most (n_tty(4) keeps 4 096).
const aRead = 4095

var began = time.Now()

// stationStart has a monotonic reading, as the station wants.
func stationStart() time.Time { return began }

func talking(b *testing.B, i int, l *talker) acquire.Post {
	b.Helper()
	id := strconv.Itoa(i)
	day := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	people := func(id string, value quantity.PowerDensity, averaging time.Duration) limit.Limit {
		return limit.Limit{ID: id, Value: value, Averaging: averaging, Basis: limit.ExposurePublic, Source: "invented for this benchmark"}
	}
	return acquire.Post{Site: "Larkfield House", ID: id, Oven: id, OvenPlace: "kitchen", Distance: 0.05, Turned: true, Frequency: 2.45e9,
		Probe: acquire.Probe{ID: id, Port: id, Timeout: time.Second, Response: time.Second, Range: 200, Floor: 0.1, Axes: 3,
			Protocol: must(textline.New(textline.Options{Terminator: "\n", DecimalMark: '.', Separator: " ", ValueColumn: 1, UnitColumn: 2,
				Units: []string{"mW/cm2"}}))(b),
			Dial:        func(context.Context) (drivers.Link, error) { return l, nil },
			Certificate: &calib.Certificate{Number: "LH-17", Laboratory: "Larkfield Metrology", Date: day, Due: day.AddDate(50, 0, 0), Factor: 1.02, U: 0.1, K: 2}},
		Limit:     limit.Limit{ID: "in use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "21 CFR 1030.10(c)(1)"},
		More:      []limit.Limit{people("half an hour", 40, 30*time.Minute), people("six minutes", 45, 6*time.Minute)},
		Sustained: limit.SustainedRule{Unbroken: 3 * time.Second, Summed: 10 * time.Second, Within: time.Minute, Clear: 90 * time.Second},
		RunGap:    90 * time.Second, Silent: 1000 * time.Hour, Stale: 5 * time.Second, Stuck: 1000 * time.Hour}
}

// BenchmarkChain is the whole way of a reading on streams: lines split and parsed,
// corrected, judged by three limits, appended to the record, counted in the
// metrics; beside it the database of series appends the same values, and does
// nothing else; it commits each second of data, as a scrape does, so that the more series there are
// the less a commit costs each. Neither is synced. Bind it to one processor (taskset -c 1). cpu-ns is
// the processor's time, which other work on the machine disturbs far less than the
// time it takes.
func BenchmarkChain(b *testing.B) {
	for _, probes := range []int{1, 8, 32} {
		b.Run(fmt.Sprintf("probes=%d", probes), func(b *testing.B) { benchmarkChain(b, probes, 960_000/probes) })
	}
}

func benchmarkChain(b *testing.B, series, n int) {
	made, lines, at := readings(series, n), make([][]byte, series), make([][]time.Duration, series)
	for i := range lines {
		lines[i], at[i] = linesOf(made[i])
	}
	rate := func(b *testing.B, used time.Duration) {
		b.ReportMetric(float64(series*n*b.N)/b.Elapsed().Seconds(), "samples/s")
		b.ReportMetric(float64(used)/float64(series*n*b.N), "cpu-ns/sample")
	}
	b.Run("tsdb", func(b *testing.B) {
		used := time.Duration(0)
		for b.Loop() {
			b.StopTimer()
			db := must(openTSDB(inMemory(b)))(b)
			runtime.GC()
			before := processorTime(b)
			b.StartTimer()
			appendTSDB(b, db, made)
			b.StopTimer()
			used += processorTime(b) - before
			if err := db.Close(); err != nil {
				b.Fatal(err)
			}
			b.StartTimer()
		}
		rate(b, used)
	})
	b.Run("ovenward", func(b *testing.B) {
		used := time.Duration(0)
		for b.Loop() {
			b.StopTimer()
			used += chain(b, lines, at)
			b.StartTimer()
		}
		rate(b, used)
	})
}

// processorTime is what this process has used.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		b.Fatal(err)
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}

// chain times one go from the first line to the last sample written, and returns the
// processor's time.
func chain(b *testing.B, lines [][]byte, at [][]time.Duration) (used time.Duration) {
	b.Helper()
	record := must(store.Open(inMemory(b), store.Options{CommitEvery: 2 * time.Millisecond}))(b)
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	left := new(atomic.Int64)
	left.Store(int64(len(at)))
	talkers := make([]*talker, len(at))
	room := func() bool { return record.Stats().Pending < 100_000 }
	posts := make([]acquire.Post, len(at))
	for i := range posts {
		talkers[i] = &talker{at: at[i], lines: lines[i], room: room, ended: func() {
			if left.Add(-1) == 0 {
				cancel()
			}
		}}
		posts[i] = talking(b, i, talkers[i])
	}
	// The station's clock is that of the probe that has come least far: a look at the
	// posts in between must not account for time whose readings are still to come.
	clock := func() time.Time {
		now := talkers[0].now.Load()
		for _, l := range talkers[1:] {
			now = min(now, l.now.Load())
		}
		return stationStart().Add(time.Duration(now))
	}
	if err := record.Register(posts, clock()); err != nil {
		b.Fatal(err)
	}
	numbers := metrics.New(metrics.Options{Posts: posts, Site: "Larkfield House"})
	station := must(acquire.New(acquire.Options{Posts: posts, Recorder: record, Past: func(int) (acquire.Past, error) { return acquire.Past{}, nil },
		Observers: []acquire.Observer{numbers}, Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Now: clock}))(b)
	runtime.GC()
	before := processorTime(b)
	b.StartTimer()
	err := station.Run(ctx)
	for record.Stats().Pending > 0 {
		time.Sleep(100 * time.Microsecond)
	}
	b.StopTimer()
	used = processorTime(b) - before
	if err != nil {
		b.Fatal(err)
	}
	stats := record.Stats()
	got := uint64(0)
	for i, p := range station.Stats() {
		got += uint64(p.Newest.Seq)
		if span := at[i][len(at[i])-1]; p.Counts.Observed != span {
			b.Fatalf("of %s the windows of post %d hold %s", span, i, p.Counts.Observed)
		}
	}
	if want := uint64(len(at) * len(at[0])); got != want || stats.Lost > 0 {
		b.Fatalf("%d samples and %d lost, want %d", got, stats.Lost, want)
	}
	if err := record.Close(); err != nil {
		b.Fatal(err)
	}
	return used
}
