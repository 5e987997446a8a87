package web

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// noon is the instant of all tests that need none of their own.
func noon() time.Time { return time.Date(2026, 6, 3, 12, 0, 0, 0, time.UTC) }

// fakeStation is a station whose state the test sets.
type fakeStation struct {
	mu      sync.Mutex
	stats   []acquire.Stats
	own     alarm.Alarm
	traces  map[int]acquire.Trace
	calls   []string
	refuse  error
	panics  bool
	asked   int
	padding string // makes answers large
}

func (f *fakeStation) Stats() []acquire.Stats {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.panics {
		panic("the fake was told to")
	}
	f.asked++
	out := slices.Clone(f.stats)
	for i := range out {
		out[i].Detail += f.padding
	}
	return out
}

func (f *fakeStation) Alarms() []alarm.Alarm {
	f.mu.Lock()
	defer f.mu.Unlock()
	all := []alarm.Alarm{f.own}
	for _, st := range f.stats {
		all = append(all, st.Alarms...)
	}
	return all
}

func (f *fakeStation) Trace(post int) acquire.Trace {
	f.mu.Lock()
	defer f.mu.Unlock()
	t := f.traces[post]
	t.Slots = slices.Clone(t.Slots)
	return t
}

func (f *fakeStation) act(id string, h alarm.Happening, call string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.refuse != nil {
		return f.refuse
	}
	for i := range f.stats {
		for k, a := range f.stats[i].Alarms {
			if a.ID != id {
				continue
			}
			next, reason := a.Step(h, noon())
			if reason.Refused() {
				return errors.New(string(reason))
			}
			f.stats[i].Alarms = slices.Clone(f.stats[i].Alarms)
			f.stats[i].Alarms[k] = next
			f.calls = append(f.calls, call)
			return nil
		}
	}
	return acquire.ErrNoAlarm
}

func (f *fakeStation) Acknowledge(id, who string) error {
	return f.act(id, alarm.Acknowledge, "acknowledge "+id+" "+who)
}

func (f *fakeStation) Reset(id, who, remedy string) error {
	return f.act(id, alarm.Reset, "reset "+id+" "+who+": "+remedy)
}

func (f *fakeStation) Zero(post int, who string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.refuse == nil {
		f.calls = append(f.calls, "zero "+f.stats[post].Post.ID+" "+who)
	}
	return f.refuse
}

func (f *fakeStation) AcceptInstrument(post int, who string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.refuse == nil {
		f.calls = append(f.calls, "accept "+f.stats[post].Post.ID+" "+who)
	}
	return f.refuse
}

// note keeps what was asked for, or refuses it.
func (f *fakeStation) note(call string, args ...any) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.refuse == nil {
		f.calls = append(f.calls, fmt.Sprintf(call, args...))
	}
	return f.refuse
}

func (f *fakeStation) Act(id string, act alarm.Act, lasting time.Duration) error {
	return f.note("act %d on %s by %s: %q for %s", act.What, id, act.Who, act.Why, lasting)
}

func (f *fakeStation) Announce(post int, r alarm.Rule, who, why string, lasting time.Duration) error {
	return f.note("%s at post %d by %s: %q for %s", r, post, who, why, lasting)
}

func (f *fakeStation) Conclude(post int, who string) error {
	return f.note("back at post %d by %s", post, who)
}

func (f *fakeStation) CheckPosition(post int, who, remark string) error {
	return f.note("checked at post %d by %s: %q", post, who, remark)
}

func (f *fakeStation) Runs(post int, who string, lasting time.Duration) error {
	return f.note("runs at post %d by %s for %s", post, who, lasting)
}

func (f *fakeStation) Withdraw(oven, who, why string) error {
	return f.note("withdraw %s by %s: %q", oven, who, why)
}

func (f *fakeStation) ReturnOven(oven, who, why string) error {
	return f.note("return %s by %s: %q", oven, who, why)
}

// set changes the state under the lock.
func (f *fakeStation) set(change func(f *fakeStation)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change(f)
}

func (f *fakeStation) called() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return strings.Join(f.calls, "\n")
}

// aPost is an invented post with a limit of 1 mW/cm² at 50 mm.
func aPost(id, oven, place string) *acquire.Post {
	return &acquire.Post{
		Site: "Larkfield House", ID: id, Oven: oven, OvenPlace: place,
		Distance: 0.05, Stale: 3 * time.Second, Silent: 5 * time.Second,
		Probe: acquire.Probe{ID: "probe-" + id, Range: 100, Floor: 0.1, Axes: 3,
			Certificate: &calib.Certificate{Number: "LH-0417", Due: time.Date(2027, 2, 1, 0, 0, 0, 0, time.UTC), Factor: 1, U: 0.2, K: 2}},
		Limit: limit.Limit{ID: "in-use", Value: 10, Distance: 0.05, Basis: limit.EmissionInUse, Source: "an invented rule of the house"},
	}
}

// seeing is the state of a post that reads s W/m² while its oven runs.
func seeing(index int, p *acquire.Post, s quantity.PowerDensity, now time.Time) acquire.Stats {
	sample := acquire.Sample{Seq: 100, At: now.Add(-400 * time.Millisecond), AtU: 2 * time.Millisecond, S: s, U: s / 5}
	sample.Reading.HasValue = true
	st := acquire.Stats{
		Post: p, Index: index, Now: now, Condition: acquire.Seeing, Since: now.Add(-90 * time.Second),
		Up: true, Last: sample, Newest: sample, Running: true,
	}
	st.Verdict = limit.Judge(p.Limit, limit.Circumstances{HasValue: true, Value: s, U: s / 5, K: 2, Peak: s, PeakU: s / 5, Running: true,
		Calibrated: true, Axes: 3, Response: time.Second, Distance: p.Distance})
	return st
}

// blinded makes a state blind, as the station does.
func blinded(st acquire.Stats, c acquire.Condition, why string) acquire.Stats {
	st.Condition, st.Detail, st.Running = c, why, false
	st.Verdict = limit.Judge(st.Post.Limit, limit.Circumstances{HasValue: true, Value: st.Last.S, U: st.Last.U, K: 2,
		Blind: why, Calibrated: true, Axes: 3, Response: time.Second, Distance: st.Post.Distance})
	return st
}

// overRanged makes a state whose newest sample is over range.
func overRanged(st acquire.Stats) acquire.Stats {
	st.OverRange = true
	st.Newest.Quality |= acquire.OverRange
	st.Newest.S = quantity.PowerDensity(math.NaN())
	st.Verdict = limit.Judge(st.Post.Limit, limit.Circumstances{OverRange: true, Running: true, Calibrated: true, Axes: 3,
		U: quantity.PowerDensity(math.NaN()), Distance: st.Post.Distance})
	return st
}

// stood is an alarm of a post that was raised two minutes before now.
func stood(post string, r alarm.Rule, s alarm.State, now time.Time) alarm.Alarm {
	a, _ := alarm.Alarm{Post: post, Rule: r}.Step(alarm.Appears, now.Add(-2*time.Minute))
	a.State, a.Changed = s, now.Add(-30*time.Second)
	return a
}

// wave is a trace of five minutes with a pause, and an over-range at its end if
// wanted: an oven at part power, 4 s in each 22 s.
func wave(now time.Time, high quantity.PowerDensity, over bool) acquire.Trace {
	t := acquire.Trace{Width: 250 * time.Millisecond, End: now.Add(100 * time.Millisecond), Slots: make([]acquire.Slot, 1200)}
	for i := range t.Slots {
		if i > 300 && i < 480 {
			continue
		}
		s := 0.2 + 0.1*math.Sin(float64(i)/3)
		if i%88 < 16 {
			s = float64(high) * (0.8 + 0.2*math.Sin(float64(i)/5))
		}
		t.Slots[i] = acquire.Slot{N: 3, Lo: quantity.PowerDensity(s * 0.93), Hi: quantity.PowerDensity(s)}
		if over && i > 1100 && i%88 < 16 {
			t.Slots[i] = acquire.Slot{OverRange: true}
		}
	}
	return t
}

// newFake is a station of three posts that see, none above its limit.
func newFake(now time.Time) *fakeStation {
	f := &fakeStation{traces: map[int]acquire.Trace{}}
	for i, p := range []*acquire.Post{
		aPost("galley", "Galley oven", "ground floor, by the window"),
		aPost("ward", "Ward kitchen oven", "second floor"),
		aPost("canteen", "Canteen oven", "staff canteen"),
	} {
		f.stats = append(f.stats, seeing(i, p, quantity.PowerDensity(0.8*float64(i+1)), now))
		f.traces[i] = wave(now, quantity.PowerDensity(float64(i+1)), false)
	}
	return f
}

// newServer makes a server over a fake at noon.
func newServer(f *fakeStation, change ...func(*Options)) *Server { return New(optionsOf(f, change...)) }

func optionsOf(f *fakeStation, change ...func(*Options)) Options {
	o := Options{
		Station: f, Site: "Larkfield House", Version: "0.1.0-test", Now: noon,
		Events: func(context.Context, int64, int) ([]acquire.Event, error) { return nil, nil },
		Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			_, _ = w.Write([]byte("ovenward_simulated 0\n"))
		}),
	}
	for _, c := range change {
		c(&o)
	}
	return o
}

// plainVoice is the voice of a viewer who picked nothing, at a site in UTC.
func plainVoice() voice { return newServer(&fakeStation{}).voiceIn(unitNamed("")) }
