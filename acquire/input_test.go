package acquire

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/alarm"
)

// contact is one that a test switches.
type contact struct {
	mu     sync.Mutex
	on     bool
	err    error
	closed bool
}

func (c *contact) Read(context.Context) (bool, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.on, c.err
}

func (c *contact) Close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.closed = true
	return nil
}

func (c *contact) set(on bool, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.on, c.err = on, err
}

// TestAnOpenDoor: a field that ends with the door is none to tell of, within three
// response times and the contact's delay; one that goes on is told, and latches.
func TestAnOpenDoor(t *testing.T) {
	const s = time.Second
	door := &Input{ID: "latch", Says: SaysDoor, On: true, Every: 100 * time.Millisecond, Delay: 200 * time.Millisecond}
	wired := func() (*watch, toldBy) {
		w, told := ruledWatch(t, func(p *Post) { p.Probe.Response = s })
		w.hints[0] = hint{wired: true, input: door}
		return w, told
	}
	opens := func(w *watch, at time.Duration) bool { return w.hinted(door, true, nil, w.epoch.Add(at)) }
	shuts := func(w *watch, at time.Duration) bool { return w.hinted(door, false, nil, w.epoch.Add(at)) }

	w, told := wired()
	w.goOn(0, 100*s, 0.01)
	shuts(w, 0)
	w.goOn(100*s, 130*s, 2)
	if opens(w, 130*s) {
		t.Error("a door that opens ends an operation")
	}
	w.goOn(130*s, 133*s, 1) // the probe falls
	w.goOn(133*s, 200*s, 0.01)
	if !shuts(w, 200*s) || shuts(w, 201*s) {
		t.Error("a door that shuts ends one operation")
	}
	told.want(t, alarm.OpenDoor)

	w.goOn(200*s, 300*s, 0.01)
	w.goOn(300*s, 310*s, 2)
	opens(w, 310*s)
	w.goOn(310*s, 313*s, 2)
	told.want(t, alarm.OpenDoor)
	w.goOn(313*s, 314*s, 2)
	told.want(t, alarm.OpenDoor, alarm.Raised)
	w.goOn(314*s, 420*s, 0.01)
	told.want(t, alarm.OpenDoor, alarm.Raised, alarm.GoneLatched)
	shuts(w, 420*s)
	w.goOn(420*s, 430*s, 0.01)
	told.want(t, alarm.OpenDoor, alarm.Raised, alarm.GoneLatched)
	if a := w.alarms[openDoorAt]; !a.State.Standing() || a.Rule.Priority() != alarm.High || a.Rule.LongestShelf() != alarm.LongestGuardedShelf {
		t.Errorf("%+v", a)
	}

	// A contact that cannot be read tells nothing of the door, and takes nothing back.
	w, told = wired()
	w.goOn(0, 100*s, 0.01)
	w.goOn(100*s, 110*s, 2)
	opens(w, 110*s)
	w.hinted(door, false, errors.New("no answer"), w.epoch.Add(111*s))
	w.goOn(110*s, 130*s, 2)
	told.want(t, alarm.OpenDoor)
	if st := w.stats(w.epoch.Add(130 * s)); len(st.Hints) != 1 || st.Hints[0].Known || st.Hints[0].Err != "no answer" {
		t.Errorf("%+v", st.Hints)
	}
}

// TestAnOpenDoorOverRange: what the probe cannot show persists too.
func TestAnOpenDoorOverRange(t *testing.T) {
	const s = time.Second
	door := &Input{ID: "latch", Says: SaysDoor, On: true, Every: 100 * time.Millisecond}
	w, told := ruledWatch(t, func(p *Post) { p.Probe.Response = s })
	w.hints[0] = hint{wired: true, input: door}
	w.goOn(0, 100*s, 0.01)
	w.hinted(door, true, nil, w.epoch.Add(100*s))
	for at := 101 * s; at < 106*s; at += 100 * time.Millisecond {
		w.feed(at, "OVER")
		w.tick(w.epoch.Add(at))
	}
	told.want(t, alarm.OpenDoor, alarm.Raised)
}

// TestContacts runs with the station: operations are counted, and a contact that is
// not read for a while is an alarm of its own.
func TestContacts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		door, power := &contact{}, &contact{}
		m := newMemory()
		p := aPost(&fakeProbe{born: time.Now(), took: 4 * time.Millisecond, say: func(at time.Duration) string { return dither(0.01, at) }})
		var mu sync.Mutex
		counted := map[string]int{}
		o := Options{Posts: []Post{p}, Recorder: m, Past: func(int) (Past, error) { return Past{}, nil }, Log: discard(), Now: time.Now,
			Inputs: []Input{{ID: "latch", Says: SaysDoor, On: true, Every: 100 * time.Millisecond, Source: door},
				{ID: "relay", Says: SaysPower, On: false, Every: 100 * time.Millisecond, Source: power}},
			Operated: func(id string) { mu.Lock(); counted[id]++; mu.Unlock() }}
		power.set(true, nil) // a relay that opens when the oven is switched on
		s, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		now := time.Duration(0)
		pass := func(d time.Duration) { now += d; at(now) }
		pass(time.Second)
		for range 7 {
			door.set(true, nil)
			power.set(false, nil)
			pass(time.Second)
			door.set(false, nil)
			power.set(true, nil)
			pass(time.Second)
		}
		door.set(false, errors.New("the wire is cut"))
		pass(5 * time.Second)
		told := m.changes(alarm.InputOf("latch"))
		pass(10 * time.Second)
		if after := m.changes(alarm.InputOf("latch")); len(told) != 0 || len(after) != 1 || after[0] != alarm.Raised {
			t.Errorf("told %v, then %v", told, after)
		}
		door.set(false, nil)
		pass(2 * time.Second)
		if all := m.changes(alarm.InputOf("latch")); len(all) != 2 || all[1] != alarm.Returned {
			t.Errorf("told %v", all)
		}
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		mu.Lock()
		defer mu.Unlock()
		if counted["latch"] != 7 || counted["relay"] != 7 || !door.closed || !power.closed {
			t.Errorf("counted %v, closed %v %v", counted, door.closed, power.closed)
		}
		o.Inputs = append(o.Inputs, Input{ID: "second", Says: SaysDoor, Every: time.Second, Source: door})
		if _, err := New(o); err == nil || !strings.Contains(err.Error(), "has one for the door already") {
			t.Errorf("two contacts at one door: %v", err)
		}
	})
}
