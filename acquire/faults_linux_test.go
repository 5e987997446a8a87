package acquire

import (
	"context"
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
)

func TestFaultClosedInTheMiddleOfALine(t *testing.T) {
	b := newBench(t, slot, impatient)
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
	b.soon("the post to be known silent", b.alarmed(alarm.Silent))
	b.plug(func(n int) string { return number(900000+n) + "\n" })
	b.soon("readings after the plug is back", b.has(3, 900000))
	b.soon("the alarm to return", b.returned(alarm.Silent))
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

func TestFaultSilentForAWhile(t *testing.T) {
	b := newBench(t, slot, impatient)
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
	b.soon("the alarm", b.alarmed(alarm.Silent))
	if n := len(b.said()); n == 0 || n > 10 {
		t.Errorf("%d samples of 10 answers", n)
	}
	close(speaks)
	b.soon("the alarm to return", b.returned(alarm.Silent))
	b.stop()
	b.noneTwice()
	b.balanced(len(in.Seen()), 0)
	if c := b.station.Stats()[0].Counts; c.Unanswered == 0 || c.Unanswered+c.Missed < 20 { // a busy machine misses some
		t.Errorf("%d polls counted as unanswered and %d as missed, want the 1.6 s of silence", c.Unanswered, c.Missed)
	}
}

// TestFaultBabbling: an instrument that talks without end, without a line end and with,
// costs neither the program nor its memory, and nothing it says is a sample.
func TestFaultBabbling(t *testing.T) {
	for name, text := range map[string]string{"without line ends": "UUUUUUUUUUUUUUUU", "in lines": "U U U U\n"} {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, slot, impatient)
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
			b.soon("readings after the babble", b.has(3, 0))
			b.stop()
			b.noneTwice()
			if n := len(b.memory.texts(KindUnparsed)); n > 3 {
				t.Errorf("%d events of lines that hold no reading in a few seconds: they should be spaced", n)
			}
		})
	}
}

// TestFaultLateIntoTheNextSlot: an answer that comes after its question was given up,
// behind that to the next one, is no sample.
func TestFaultLateIntoTheNextSlot(t *testing.T) {
	b := newBench(t, slot, impatient)
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
	b.balanced(len(in.Seen()), 0)
	if u := b.station.Stats()[0].Counts.Unanswered; u < 9 || len(said) < 10 {
		t.Errorf("%d unanswered, %d samples, want a fifth of fifty and most of the rest", u, len(said))
	}
	if got := b.memory.changes(alarm.Silent); len(got) > 0 {
		t.Errorf("silent: %q", got)
	}
}

// TestFaultGarbage: what is heard at a wrong speed is no sample; the post is stale, and
// sees again when the speed is right.
func TestFaultGarbage(t *testing.T) {
	b := newBench(t, slot, impatient)
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
	b.soon("the stale alarm", b.alarmed(alarm.Stale))
	if n := len(b.said()); n > 0 {
		t.Errorf("%d samples from garbage: %q", n, b.said())
	}
	close(right)
	b.soon("the alarm to return", b.returned(alarm.Stale))
	b.stop()
	b.noneTwice()
}

// TestFaultHundredReplugs: each time the probe is back under another name, it is read
// within 2 s. No answer is lost but one that was on its way when the plug was
// pulled, and that one is counted as unanswered; nothing comes twice.
func TestFaultHundredReplugs(t *testing.T) {
	const rounds = 100
	b := newBench(t, slot/4, patient)
	var slowest time.Duration
	heard, pulled := make([]int, rounds), 0
	for round := range rounds {
		in := b.plug(func(n int) string { return number(round*1000+n) + "\n" })
		took := b.soon("the first reading", b.has(1, round*1000))
		slowest = max(slowest, took)
		b.soon("two more readings", b.has(3, round*1000))
		b.unplug()
		heard[round] = len(in.Seen())
	}
	b.stop()
	b.noneTwice()
	if slowest > 2*time.Second {
		t.Errorf("the slowest replug took %v to be read", slowest)
	}
	t.Logf("the slowest of %d replugs was read after %v", rounds, slowest)
	all := 0
	for round, n := range heard {
		all += n
		for _, lost := range b.lost(round*1000, n) {
			pulled++
			if lost != n-1 {
				t.Errorf("round %d: answer %d of %d is lost, and was not on its way when the plug was pulled", round, lost, n)
			}
		}
	}
	c := b.station.Stats()[0].Counts
	if samples := len(b.said()); samples != all-pulled || int(c.Unanswered) < pulled || c.Late != 0 {
		t.Errorf("%d samples, %d unanswered and %d late, of %d answers, %d of them pulled out", samples, c.Unanswered, c.Late, all, pulled)
	}
	b.balanced(all, rounds)
	if c.Connects != uint64(rounds) {
		t.Errorf("%d openings for %d replugs", c.Connects, rounds)
	}
}

// TestFaultNothingAnsweredIsLost: of a probe that takes from no time at all to longer
// than a slot, with the machine kept busy, each answer is a sample, exactly.
func TestFaultNothingAnsweredIsLost(t *testing.T) {
	b := newBench(t, slot, patient)
	busy, idle := context.WithCancel(t.Context())
	var burners sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		burners.Go(func() {
			for busy.Err() == nil {
			}
		})
	}
	defer burners.Wait()
	defer idle()
	in := b.plug(func(n int) string {
		<-time.After(time.Duration(n%8) * 10 * time.Millisecond)
		return number(n) + "\n"
	})
	b.soon("forty answers", func() bool { return len(in.Seen()) >= 40 })
	idle()
	b.stop()
	b.noneTwice()
	heard := len(in.Seen())
	if lost := b.lost(0, heard); len(lost) > 1 || len(lost) == 1 && lost[0] != heard-1 {
		t.Errorf("of %d answers these are no samples: %v", heard, lost)
	}
	if c := b.station.Stats()[0].Counts; c.Unanswered > 1 || c.Late != 0 || c.Missed == 0 {
		t.Errorf("%d unanswered, %d late, %d slots missed by answers longer than a slot", c.Unanswered, c.Late, c.Missed)
	}
}

// TestFaultReplugWithAThousandDescriptors: the port cannot be read then; it is said
// why, nothing panics, and when there is room again the probe is read.
func TestFaultReplugWithAThousandDescriptors(t *testing.T) {
	b := newBench(t, slot, impatient)
	b.plug(func(n int) string { return number(n) + "\n" })
	b.soon("readings", b.has(3, 0))
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
	b.plug(func(n int) string { return number(900000+n) + "\n" })
	b.soon("the reason", func() bool {
		return slices.ContainsFunc(b.memory.texts(KindLink), func(s string) bool { return strings.Contains(s, "too high for the serial library") })
	})
	b.soon("the alarm", b.alarmed(alarm.Silent))
	for _, f := range held {
		f.Close()
	}
	b.soon("readings again", b.has(3, 900000))
	b.soon("the alarm to return", b.returned(alarm.Silent))
	b.stop()
	b.noneTwice()
}
