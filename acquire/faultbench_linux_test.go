package acquire

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/plugged"
	"ovenward/drivers/serialport"
)

// bench is a station that reads one probe over a real terminal, which is found by
// its USB identity in a tree of devices that the test rewrites.
type bench struct {
	t       testing.TB
	tree    *driverstest.USBTree
	station *Station
	memory  *memory
	stop    func()

	plugged driverstest.USBAdapter
	tty     *driverstest.PTY
	count   int // adapters so far
}

// How often a bench asks, and when it gives a question up: as soon as the next is
// due, or long after whatever a slow machine does, so that nothing answered may be
// lost.
const (
	slot      = 40 * time.Millisecond
	impatient = slot
	patient   = 10 * time.Second
)

// newBench starts the station; nothing is plugged in yet. When the test ends,
// neither a goroutine nor a descriptor may be left of it.
func newBench(t testing.TB, period, timeout time.Duration) *bench {
	t.Helper()
	if r, w, err := os.Pipe(); err == nil { // Go's network poller opens its own with the first
		r.Close()
		w.Close()
	}
	goroutines, files := runtime.NumGoroutine(), openFiles(t)
	b := &bench{t: t, tree: driverstest.NewUSBTree(t), memory: newMemory()}
	id, err := plugged.ParseIdentity("1234:abcd:LH0417")
	if err != nil {
		t.Fatal(err)
	}
	p := aPost(&fakeProbe{})
	tree := plugged.Tree{Root: b.tree.Root}
	p.Probe.Dial = serialport.Dial(serialport.Options{Path: "usb:1234:abcd:LH0417",
		Resolve: func() (string, error) { return tree.Open(plugged.Serial, id) }})
	p.Probe.Period, p.Probe.Timeout = period, timeout
	p.Stale, p.Silent, p.Stuck = 800*time.Millisecond, 1600*time.Millisecond, time.Hour
	b.station, err = New(Options{Posts: []Post{p}, Recorder: b.memory, Log: slog.New(slog.DiscardHandler), Now: time.Now,
		Past: func(int) (Past, error) { return Past{}, nil }})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); _ = b.station.Run(ctx) }()
	b.stop = sync.OnceFunc(func() {
		asked := time.Now()
		cancel()
		<-done
		if took := time.Since(asked); took > 2*time.Second {
			t.Errorf("the station took %v to stop", took)
		}
		b.unplug()
		if _, ok := await(func() bool {
			return runtime.NumGoroutine() <= goroutines && openFiles(t) <= files+b.count // the test holds each terminal's far end
		}); !ok {
			t.Errorf("%d goroutines, %d before; %d descriptors, %d before and %d of the test's own",
				runtime.NumGoroutine(), goroutines, openFiles(t), files, b.count)
		}
	})
	t.Cleanup(b.stop)
	return b
}

func openFiles(t testing.TB) int {
	t.Helper()
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(entries)
}

// await waits until ok, at most 20 s, and says how long it took.
func await(ok func() bool) (time.Duration, bool) {
	begun := time.Now()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		if time.Since(begun) > 20*time.Second {
			return 0, false
		}
		<-tick.C
	}
	return time.Since(begun), true
}

// soon waits for something to come about.
func (b *bench) soon(what string, ok func() bool) time.Duration {
	b.t.Helper()
	took, came := await(ok)
	if !came {
		b.t.Fatalf("waited in vain for %s; events: %q", what, append(b.memory.texts(KindLink), b.memory.texts(KindAlarm)...))
	}
	return took
}

// plug puts in an adapter under a new name, behind which an instrument answers:
// answer gets the n-th question.
func (b *bench) plug(answer func(n int) string) *driverstest.Instrument {
	b.t.Helper()
	b.tty = driverstest.OpenPTY(b.t)
	in := driverstest.Answer(b.t, b.tty, "\n", func(n int, _ string) string { return answer(n) })
	b.count++
	b.plugged = driverstest.USBAdapter{Class: "tty", Node: fmt.Sprintf("ttyUSB%d", b.count%7), Vendor: "1234", Product: "abcd",
		Serial: "LH0417", Socket: fmt.Sprintf("1-1.%d", 1+b.count%3), Leads: b.tty.Path}
	b.tree.Plug(b.plugged)
	return in
}

// unplug pulls it out.
func (b *bench) unplug() {
	if b.tty != nil {
		b.tty.Unplug()
		b.tree.Unplug(b.plugged)
		b.tty = nil
	}
}

func (b *bench) said() []string {
	b.memory.mu.Lock()
	defer b.memory.mu.Unlock()
	return slices.Clone(b.memory.said[0])
}

// has says whether k readings from the answer n on were taken. Which ones matters
// not: on a slow machine some come too late.
func (b *bench) has(k, n int) func() bool {
	return func() bool {
		taken := 0
		for _, said := range b.said() {
			if said >= number(n) && said < "2" {
				taken++
			}
		}
		return taken >= k
	}
}

// alarmed says whether the alarm of a rule was raised, and returned whether it returned
// then. What came before matters not: while a slow machine stalls nothing is heard, and
// that is a silence too.
func (b *bench) alarmed(rule alarm.Rule) func() bool {
	return b.newest(rule, alarm.Raised, alarm.RaisedAgain)
}

func (b *bench) returned(rule alarm.Rule) func() bool { return b.newest(rule, alarm.Returned) }

func (b *bench) newest(rule alarm.Rule, of ...alarm.Reason) func() bool {
	return func() bool {
		all := b.memory.changes(rule)
		return len(all) > 0 && slices.Contains(of, all[len(all)-1])
	}
}

// noneTwice fails when a sample was taken twice, or out of order, in number or in
// time.
func (b *bench) noneTwice() {
	b.t.Helper()
	b.memory.mu.Lock()
	defer b.memory.mu.Unlock()
	seen := map[string]bool{}
	for i, s := range b.memory.samples[0] {
		said := b.memory.said[0][i]
		if seen[said] {
			b.t.Errorf("sample %d: %q was taken twice", s.Seq, said)
		}
		seen[said] = true
		if s.Seq != int64(i+1) || i > 0 && s.At.Before(b.memory.samples[0][i-1].At) {
			b.t.Errorf("sample %d of %v is out of order", s.Seq, s.At)
		}
	}
}

// balanced fails unless each question that was heard became a sample or was counted
// as unanswered, but for one under way when the station stopped. One that was
// answered too late to be in time, and in time to be a sample, is both, and counted
// as late. pulled is how many questions can have left and not been heard.
func (b *bench) balanced(heard, pulled int) {
	b.t.Helper()
	samples, c := len(b.said()), b.station.Stats()[0].Counts
	if got := samples + int(c.Unanswered) - int(c.Late); got < heard-1 || got > heard+pulled {
		b.t.Errorf("%d samples and %d unanswered, of which %d late, of %d questions", samples, c.Unanswered, c.Late, heard)
	}
}

// lost lists the answers to questions heard that are no samples.
func (b *bench) lost(first, heard int) (lost []int) {
	taken := map[string]bool{}
	for _, said := range b.said() {
		taken[said] = true
	}
	for n := range heard {
		if !taken[number(first+n)] {
			lost = append(lost, n)
		}
	}
	return lost
}

// number is an answer that says which one it is: 0.000001 mW/cm² a step.
func number(n int) string { return fmt.Sprintf("1.%06d", n) }
