package acquire

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strings"
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

// newBench starts the station; nothing is plugged in yet. When the test ends,
// neither a goroutine nor a descriptor may be left of it.
func newBench(t testing.TB) *bench {
	t.Helper()
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
	p.Probe.Period, p.Probe.Timeout = 40*time.Millisecond, 40*time.Millisecond
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

func (b *bench) has(said string) func() bool {
	return func() bool { return slices.Contains(b.said(), said) }
}

func (b *bench) alarmed(rule alarm.Rule, reasons ...alarm.Reason) func() bool {
	return func() bool { return slices.Equal(b.memory.changes(rule), reasons) }
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

// number is an answer that says which one it is: 0.0001 mW/cm² a step.
func number(n int) string { return fmt.Sprintf("1.%04d", n) }

func TestClosedInTheMiddleOfALine(t *testing.T) {
	b := newBench(t)
	cut := make(chan struct{})
	b.plug(func(n int) string {
		if n == 5 {
			close(cut)
			return "9.9" // and no more
		}
		return number(n) + "\n"
	})
	<-cut
	b.unplug()
	b.soon("the post to be known silent", b.alarmed(alarm.Silent, alarm.Raised))
	b.plug(func(n int) string { return number(1000+n) + "\n" })
	b.soon("readings after the plug is back", b.has(number(1003)))
	b.soon("the alarm to return", b.alarmed(alarm.Silent, alarm.Raised, alarm.Returned))
	b.stop()
	b.noneTwice()
	for _, said := range b.said() {
		if strings.HasPrefix(said, "9") {
			t.Errorf("half a line became a sample: %q", said)
		}
	}
	if got := b.memory.changes(alarm.Exceeds); len(got) > 0 {
		t.Errorf("exceeds: %q", got)
	}
}

func TestSilentForAWhile(t *testing.T) {
	b := newBench(t)
	speaks := make(chan struct{})
	in := b.plug(func(n int) string {
		select {
		case <-speaks:
		default:
			if n >= 10 {
				return ""
			}
		}
		return number(n) + "\n"
	})
	b.soon("the alarm", b.alarmed(alarm.Silent, alarm.Raised))
	if n := len(b.said()); n != 10 {
		t.Errorf("%d samples of 10 answers", n)
	}
	close(speaks)
	b.soon("the alarm to return", b.alarmed(alarm.Silent, alarm.Raised, alarm.Returned))
	b.stop()
	b.noneTwice()
	if n, m := len(b.said()), len(in.Seen()); n <= 10 || m < n {
		t.Errorf("%d samples of %d questions", n, m)
	}
	if u := b.station.Stats()[0].Counts.Unanswered; u < 20 {
		t.Errorf("%d polls counted as unanswered, want the 1.6 s of silence", u)
	}
}

// TestBabbling: an instrument that talks without end, without a line end and with,
// costs neither the program nor its memory, and nothing it says is a sample.
func TestBabbling(t *testing.T) {
	for name, text := range map[string]string{"without line ends": "UUUUUUUUUUUUUUUU", "in lines": "U U U U\n"} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t)
			b.tty = driverstest.OpenPTY(t)
			tty := b.tty
			b.count++
			b.plugged = driverstest.USBAdapter{Class: "tty", Node: "ttyUSB0", Vendor: "1234", Product: "abcd", Serial: "LH0417", Socket: "1-1", Leads: tty.Path}
			done := make(chan struct{})
			go func() {
				defer close(done)
				chunk := []byte(strings.Repeat(text, 256))
				for {
					if _, err := tty.Master.Write(chunk); err != nil {
						return
					}
				}
			}()
			var before runtime.MemStats
			runtime.ReadMemStats(&before)
			b.tree.Plug(b.plugged)
			b.soon("a blindness alarm", func() bool {
				return len(b.memory.changes(alarm.Stale))+len(b.memory.changes(alarm.Silent)) > 0
			})
			var after runtime.MemStats
			runtime.ReadMemStats(&after)
			if grown := int64(after.HeapInuse) - int64(before.HeapInuse); grown > 32<<20 {
				t.Errorf("the heap grew by %d bytes", grown)
			}
			b.unplug()
			<-done
			if n := len(b.said()); n > 0 {
				t.Errorf("%d samples from rubbish", n)
			}
			b.plug(func(n int) string { return number(n) + "\n" })
			b.soon("readings after the babble", b.has(number(3)))
			b.stop()
			b.noneTwice()
			if n := len(b.memory.texts(KindUnparsed)); n > 3 {
				t.Errorf("%d events of lines that hold no reading in a few seconds: they should be spaced", n)
			}
		})
	}
}

// TestLateIntoTheNextSlot: an answer that comes after its question was given up,
// behind that to the next one, is no sample.
func TestLateIntoTheNextSlot(t *testing.T) {
	b := newBench(t)
	in := b.plug(func(n int) string {
		switch n % 5 {
		case 2:
			return "" // it comes with the next one
		case 3:
			return number(n) + "\n77.77\n"
		}
		return number(n) + "\n"
	})
	b.soon("fifty questions", func() bool { return len(in.Seen()) >= 50 })
	b.stop()
	b.noneTwice()
	said := b.said()
	if slices.Contains(said, "77.77") {
		t.Error("a late answer became a sample")
	}
	// Each question became a sample or was counted as unanswered, but for the one
	// under way at the end; on a slow machine more than a fifth may be late.
	asked, unanswered := len(in.Seen()), int(b.station.Stats()[0].Counts.Unanswered)
	if got := len(said) + unanswered; got < asked-1 || got > asked+1 || unanswered < 9 || len(said) < 10 {
		t.Errorf("%d samples and %d unanswered of %d questions", len(said), unanswered, asked)
	}
	if got := b.memory.changes(alarm.Silent); len(got) > 0 {
		t.Errorf("silent: %q", got)
	}
}

// TestGarbage: what is heard at a wrong speed is no sample; the post is stale, and
// sees again when the speed is right.
func TestGarbage(t *testing.T) {
	b := newBench(t)
	rnd := rand.New(rand.NewPCG(5, 6))
	right := make(chan struct{})
	b.plug(func(n int) string {
		select {
		case <-right:
			return number(n) + "\n"
		default:
		}
		noise := make([]byte, 1+rnd.IntN(12))
		for i := range noise {
			noise[i] = byte(rnd.Uint32()) | 0x80 // never a digit
		}
		return string(noise) + "\n"
	})
	b.soon("the stale alarm", b.alarmed(alarm.Stale, alarm.Raised))
	if n := len(b.said()); n > 0 {
		t.Errorf("%d samples from garbage: %q", n, b.said())
	}
	close(right)
	b.soon("the alarm to return", b.alarmed(alarm.Stale, alarm.Raised, alarm.Returned))
	b.stop()
	b.noneTwice()
}

// TestHundredReplugs: each time the probe is back under another name, it is read
// within 2 s; nothing answered is lost but what was on its way when the plug was
// pulled, and nothing comes twice.
func TestHundredReplugs(t *testing.T) {
	rounds := 100
	if testing.Short() {
		rounds = 10
	}
	b := newBench(t)
	var slowest time.Duration
	answers := map[string]bool{}
	for round := range rounds {
		in := b.plug(func(n int) string { return number(round*100+n%100) + "\n" })
		took := b.soon("the first reading", b.has(number(round*100)))
		slowest = max(slowest, took)
		b.soon("two more readings", b.has(number(round*100+2)))
		b.unplug()
		seen := in.Seen()
		for n := range seen[:len(seen)-1] {
			answers[number(round*100+n)] = true
		}
	}
	b.stop()
	b.noneTwice()
	if slowest > 2*time.Second {
		t.Errorf("the slowest replug took %v to be read", slowest)
	}
	t.Logf("the slowest of %d replugs was read after %v", rounds, slowest)
	got := map[string]bool{}
	for _, s := range b.said() {
		got[s] = true
	}
	for a := range answers {
		if !got[a] {
			t.Errorf("answer %s is lost", a)
		}
	}
	if c := b.station.Stats()[0].Counts.Connects; c != uint64(rounds) {
		t.Errorf("%d openings for %d replugs", c, rounds)
	}
}

// TestReplugWithAThousandDescriptors: the port cannot be read then; it is said
// why, nothing panics, and when there is room again the probe is read.
func TestReplugWithAThousandDescriptors(t *testing.T) {
	b := newBench(t)
	b.plug(func(n int) string { return number(n) + "\n" })
	b.soon("readings", b.has(number(3)))
	b.unplug()
	b.soon("the port to be given back", func() bool {
		return slices.ContainsFunc(b.memory.texts(KindLink), func(s string) bool { return strings.Contains(s, "went away") })
	})
	var held []*os.File
	for range 1000 {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Fatalf("%v; this test needs 'ulimit -n' above 1100", err)
		}
		held = append(held, f)
	}
	b.plug(func(n int) string { return number(1000+n) + "\n" })
	b.soon("the reason", func() bool {
		return slices.ContainsFunc(b.memory.texts(KindLink), func(s string) bool { return strings.Contains(s, "too high for the serial library") })
	})
	b.soon("the alarm", b.alarmed(alarm.Silent, alarm.Raised))
	for _, f := range held {
		f.Close()
	}
	b.soon("readings again", b.has(number(1003)))
	b.soon("the alarm to return", b.alarmed(alarm.Silent, alarm.Raised, alarm.Returned))
	b.stop()
	b.noneTwice()
}
