package watchdog

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// diary is a log that may be read while it is written.
type diary struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (d *diary) Write(p []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.b.Write(p)
}

func (d *diary) String() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.b.String()
}

// kennel is a watchdog in a bubble, with three loops that come round each second.
type kennel struct {
	dog  *Watchdog
	log  diary
	fed  atomic.Int64
	feed error

	mu    sync.Mutex
	stuck string // the loop that does not come round
	alarm error  // the excuse of the third
}

func (k *kennel) start(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	k.dog = New(Options{Every: 5 * time.Second, Now: time.Now, Log: slog.New(slog.NewTextHandler(&k.log, nil)),
		Feed: func() error { k.fed.Add(1); return k.feed }})
	var all sync.WaitGroup
	t.Cleanup(func() { cancel(); all.Wait() })
	excuse := func() error { k.mu.Lock(); defer k.mu.Unlock(); return k.alarm }
	for name, bound := range map[string]time.Duration{"station": 10 * time.Second, "courier duty": time.Minute, "record": 20 * time.Second} {
		var may func() error
		if name == "record" {
			may = excuse
		}
		round := k.dog.Loop(name, bound, may)
		all.Go(func() {
			for ctx.Err() == nil {
				k.mu.Lock()
				stuck := k.stuck == name
				k.mu.Unlock()
				if !stuck {
					round()
				}
				select {
				case <-time.After(time.Second):
				case <-ctx.Done():
				}
			}
		})
	}
	all.Go(func() { _ = k.dog.Run(ctx) })
}

func (k *kennel) set(stuck string, alarm error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.stuck, k.alarm = stuck, alarm
}

// after waits, and returns how often the supervisor was fed meanwhile.
func (k *kennel) after(d time.Duration) int {
	before := k.fed.Load()
	time.Sleep(d) // the bubble's clock
	synctest.Wait()
	return int(k.fed.Load() - before)
}

// Each loop alone stops the feeding once its bound is past, is named once, and
// when it goes on the feeding does.
func TestOneStuckLoopStopsTheFeeding(t *testing.T) {
	for name, bound := range map[string]time.Duration{"station": 10 * time.Second, "courier duty": time.Minute, "record": 20 * time.Second} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var k kennel
				k.start(t)
				if n := k.after(time.Hour); n < 720 {
					t.Fatalf("fed %d times in an hour of good health, every 5 s", n)
				}
				k.set(name, nil)
				if n := k.after(bound - 2*time.Second); n == 0 {
					t.Error("not fed within the bound")
				}
				k.after(7 * time.Second)
				if n := k.after(10 * time.Minute); n != 0 {
					t.Errorf("fed %d times while %s hangs", n, name)
				}
				if late := k.dog.Late(); len(late) != 1 || late[0].Name != name || late[0].Bound != bound || late[0].For < 10*time.Minute {
					t.Errorf("late: %+v", late)
				}
				if n := strings.Count(k.log.String(), "hangs, so the watchdog"); n != 1 || strings.Count(k.log.String(), "loop="+quoted(name)) != 1 {
					t.Errorf("the log names it %d times: %s", n, &k.log)
				}
				k.set("", nil)
				if n := k.after(time.Minute); n < 11 || len(k.dog.Late()) != 0 {
					t.Errorf("fed %d times in the minute after it went on", n)
				}
				if !strings.Contains(k.log.String(), "goes on") {
					t.Errorf("the log does not say that it goes on: %s", &k.log)
				}
			})
		})
	}
}

func quoted(name string) string {
	if strings.Contains(name, " ") {
		return `"` + name + `"`
	}
	return name
}

// A disk that an alarm tells of is no hang; when it answers and the loop still
// does not come round, that is one.
func TestWhatAnAlarmTellsIsNoHang(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var k kennel
		k.start(t)
		k.set("record", errors.New("the disk does not answer"))
		if n := k.after(time.Hour); n < 720 {
			t.Errorf("fed %d times in an hour in which the disk was away", n)
		}
		if k.log.String() != "" {
			t.Errorf("told as a hang: %s", &k.log)
		}
		k.set("record", nil)
		k.after(6 * time.Second)
		if n := k.after(time.Minute); n != 0 {
			t.Errorf("fed %d times though nothing excuses the writer", n)
		}
	})
}

// Whoever cannot feed says so once, and again after it worked.
func TestFeedingThatFailsIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		k := kennel{feed: errors.New("no such socket")}
		k.start(t)
		k.after(time.Minute)
		if n := strings.Count(k.log.String(), "no such socket"); n != 1 {
			t.Errorf("told %d times: %s", n, &k.log)
		}
	})
}

// Loops of a group are watched from when it begins until it ends, and anew when it
// begins again.
func TestGroup(t *testing.T) {
	now := time.Now()
	w := New(Options{Every: time.Second, Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return now }})
	g := w.Group()
	round := g.Loop("a", time.Minute, nil)
	late := func(want int) {
		t.Helper()
		if got := w.Late(); len(got) != want || w.look() != (want == 0) {
			t.Errorf("late: %+v, want %d", got, want)
		}
	}
	now = now.Add(time.Hour)
	late(0) // it has not begun
	g.Begin()
	now = now.Add(50 * time.Second)
	round()
	now = now.Add(50 * time.Second)
	late(0)
	now = now.Add(time.Minute)
	late(1)
	g.End()
	late(0)
	round() // late itself, and harmless
	g.Begin()
	g.Begin()
	late(0)
	now = now.Add(2 * time.Minute)
	late(1)
}
