package acquire

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// plain is the smallest protocol: a decimal in mW/cm2, OVER, FAULT or LOBAT n.
type plain struct{}

func (plain) Request() []byte { return []byte("?\n") }

func (plain) Split(buf []byte) (int, []byte) {
	if i := bytes.IndexByte(buf, '\n'); i >= 0 {
		return i + 1, buf[:i]
	}
	return 0, nil
}

func (p plain) Parse(frame []byte, r *drivers.Reading) (err error) {
	*r, err = p.parse(frame)
	return err
}

func (plain) parse(frame []byte) (drivers.Reading, error) {
	switch string(frame) {
	case "OVER":
		return drivers.Reading{Status: drivers.OverRange, Unit: "mW/cm2"}, nil
	case "FAULT":
		return drivers.Reading{Status: drivers.Fault, Unit: "mW/cm2"}, nil
	}
	var status drivers.Status
	if rest, ok := bytes.CutPrefix(frame, []byte("LOBAT ")); ok {
		frame, status = rest, drivers.BatteryLow
	}
	d, err := drivers.ParseDecimal(frame, '.')
	return drivers.Reading{Value: d, HasValue: err == nil, Unit: "mW/cm2", Status: status}, err
}

// fakeProbe answers with what say gives for the time since it was made; "" is
// no answer and "gone" an unplugged port. It lives in a synctest bubble.
type fakeProbe struct {
	born time.Time
	say  func(time.Duration) string
	took time.Duration // between question and answer
	buf  []byte
	owed bool // one question, one answer

	opened, closed atomic.Int64
}

func (f *fakeProbe) dial(context.Context) (drivers.Link, error) {
	if f.say(time.Since(f.born)) == "gone" {
		return nil, drivers.ErrAbsent
	}
	f.opened.Add(1)
	return f, nil
}

func (f *fakeProbe) Send(request []byte, _ time.Time) (time.Time, int, error) {
	if f.say(time.Since(f.born)) == "gone" {
		return time.Time{}, 0, drivers.ErrGone
	}
	f.owed = len(request) > 0
	return time.Now(), 0, nil
}

func (f *fakeProbe) Receive(split func([]byte) (int, []byte), deadline time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	time.Sleep(f.took) // the bubble's clock, not the wall's
	word := f.say(time.Since(f.born))
	if word == "" || word == "gone" || !f.owed {
		time.Sleep(time.Until(deadline)) // the bubble's clock
		return dst, drivers.ErrTimeout
	}
	f.owed = false
	f.buf = append(append(f.buf[:0], word...), '\n')
	_, frame := split(f.buf)
	return append(dst, drivers.Frame{Bytes: frame, Arrived: time.Now()}), nil
}

func (f *fakeProbe) Close() error { f.closed.Add(1); return nil }

// memory is a Recorder that keeps everything in memory.
type memory struct {
	mu          sync.Mutex
	samples     map[int][]Sample
	said        map[int][]string
	events      []Event
	corrections []calib.Correction
	err         error
}

func newMemory() *memory { return &memory{samples: map[int][]Sample{}, said: map[int][]string{}} }

func (m *memory) Append(post int, batch []Sample) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, s := range batch {
		m.said[post] = append(m.said[post], string(s.Said))
		s.Said = nil
		m.samples[post] = append(m.samples[post], s)
	}
}

func (m *memory) Record(e Event) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.events = append(m.events, e)
}

func (m *memory) Correction(_ int, c calib.Correction) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.corrections = append(m.corrections, c)
}

func (m *memory) Err() error {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.err
}

func (m *memory) fail(err error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.err = err
}

// changes lists the alarm changes of a rule: "raised", "returned" …
func (m *memory) changes(rule alarm.Rule) []alarm.Reason {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []alarm.Reason
	for _, e := range m.events {
		if e.Alarm != nil && e.Alarm.Rule == rule {
			out = append(out, e.Alarm.Reason)
		}
	}
	return out
}

// grounds are those of the newest change of a rule's alarm that has some.
func (m *memory) grounds(rule alarm.Rule) (g *alarm.Grounds) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, e := range m.events {
		if e.Alarm != nil && e.Alarm.Rule == rule && e.Alarm.Verdict != nil {
			g = e.Alarm.Verdict
		}
	}
	return g
}

func (m *memory) texts(k Kind) []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	var out []string
	for _, e := range m.events {
		if e.Kind == k {
			out = append(out, e.Text)
		}
	}
	return out
}

// aPost is a post with default rules, a calibrated probe, and a limit of
// 5 mW/cm² (the in-use limit of 21 CFR 1030.10(c)(1)).
func aPost(f *fakeProbe) Post {
	return Post{
		Site: "test", ID: "door", Oven: "oven", Distance: 0.05, Turned: true,
		Probe: Probe{ID: "probe", Protocol: plain{}, Dial: f.dial, Port: "fake", Period: 100 * time.Millisecond,
			Timeout: 100 * time.Millisecond, Response: time.Second, Range: 200, Floor: 0.1, Axes: 1,
			Certificate: &calib.Certificate{Number: "K-1", Factor: 1, U: 0.1, K: 2,
				Date: time.Date(1999, 6, 1, 0, 0, 0, 0, time.UTC), Due: time.Date(2001, 6, 1, 0, 0, 0, 0, time.UTC)}},
		Limit: limit.Limit{ID: "in-use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "21 CFR 1030.10(c)(1)",
			Slowest: 3 * time.Second}, // (c)(3)(i)
		Sustained: limit.SustainedRule{Unbroken: 3 * time.Second, Summed: 10 * time.Second,
			Within: time.Minute, Clear: 90 * time.Second},
		RunGap: 90 * time.Second, Silent: 10 * time.Second, Stale: 5 * time.Second, Stuck: 2 * time.Minute,
	}
}

// watching runs a station over one fake probe inside a bubble, and calls check
// with it; the bubble's clock starts at 2000-01-01.
func watching(t *testing.T, say func(time.Duration) string, past Past, check func(t *testing.T, s *Station, m *memory), change ...func(*Options)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		f := &fakeProbe{born: time.Now(), say: say, took: 4 * time.Millisecond}
		m := newMemory()
		o := Options{Posts: []Post{aPost(f)}, Recorder: m, Log: discard(), Now: time.Now,
			Past: func(int) (Past, error) { return past, nil }}
		for _, c := range change {
			c(&o)
		}
		s, err := New(o)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		check(t, s, m)
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

// at lets the bubble's clock run to a time since its start.
func at(d time.Duration) {
	time.Sleep(time.Until(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC).Add(d))) // the bubble's clock
	synctest.Wait()
}

func discard() *slog.Logger { return slog.New(slog.DiscardHandler) }

var errDiskFull = errors.New("writing the record: no space left on device")

func milliwatts(x float64) quantity.PowerDensity { return quantity.PowerDensity(10 * x) }
