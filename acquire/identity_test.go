package acquire

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/drivers"
)

// named is plain, of an instrument that says who it is: "ID maker,model,serial,firmware".
type named struct{ plain }

func (named) IdentityRequest() []byte { return []byte("ID?\n") }

func (named) ParseIdentity(frame []byte) (drivers.Identity, error) {
	rest, ok := bytes.CutPrefix(frame, []byte("ID "))
	parts := strings.Split(string(rest), ",")
	if !ok || len(parts) != 4 {
		return drivers.Identity{}, errors.New("no identity")
	}
	return drivers.Identity{Maker: parts[0], Model: parts[1], Serial: parts[2], Firmware: parts[3]}, nil
}

// namedProbe is a fakeProbe that also says who it is; "" says nothing.
type namedProbe struct {
	fakeProbe
	who   func(time.Duration) string
	asked bool // for its name
}

func (f *namedProbe) dial(ctx context.Context) (drivers.Link, error) {
	if _, err := f.fakeProbe.dial(ctx); err != nil {
		return nil, err
	}
	return f, nil
}

func (f *namedProbe) Send(request []byte, deadline time.Time) (time.Time, int, error) {
	f.asked = bytes.Equal(request, []byte("ID?\n"))
	return f.fakeProbe.Send(request, deadline)
}

func (f *namedProbe) Receive(split func([]byte) (int, []byte), deadline time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	if !f.asked {
		return f.fakeProbe.Receive(split, deadline, dst)
	}
	who := f.who(time.Since(f.born))
	if who == "" || !f.owed {
		time.Sleep(time.Until(deadline)) // the bubble's clock
		return dst, drivers.ErrTimeout
	}
	f.owed = false
	return append(dst, drivers.Frame{Bytes: []byte("ID " + who), Arrived: time.Now()}), nil
}

// withNamed runs a station over a named probe; said is what the record knows.
func withNamed(t *testing.T, change func(*Post), say, who func(time.Duration) string, said string, check func(t *testing.T, s *Station, m *memory)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		f := &namedProbe{fakeProbe: fakeProbe{born: time.Now(), say: say, took: 4 * time.Millisecond}, who: who}
		p := aPost(&f.fakeProbe)
		p.Probe.Dial, p.Probe.Protocol = f.dial, named{}
		if change != nil {
			change(&p)
		}
		m := newMemory()
		s, err := New(Options{Posts: []Post{p}, Recorder: m, Log: slog.New(slog.DiscardHandler), Now: time.Now,
			Past: func(int) (Past, error) {
				return Past{Zero: calib.Correction{Zero: 1, ZeroAt: time.Now(), ZeroBy: "P. Marlow"}}, nil
			},
			Identity: func(int) ([]byte, error) {
				if said == "" {
					return nil, nil
				}
				return []byte("ID " + said), nil
			}})
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

// taken copies the samples so far.
func (m *memory) taken() []Sample {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.samples[0])
}

// corrected says how many corrections there were.
func (m *memory) corrected() int {
	m.mu.Lock()
	defer m.mu.Unlock()
	return len(m.corrections)
}

// raw joins what the instrument said, of all events of a kind.
func (m *memory) raw(k Kind) (raw string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, e := range m.events {
		if e.Kind == k {
			raw += string(e.Raw)
		}
	}
	return raw
}

func always(word string) func(time.Duration) string {
	return func(time.Duration) string { return word }
}

func TestFirstInstrumentIsRemembered(t *testing.T) {
	withNamed(t, nil, always("1.0"), always("Invented,M3,17,1.0"), "", func(t *testing.T, s *Station, m *memory) {
		at(3 * time.Second)
		if got := m.texts(KindIdentity); len(got) != 1 || got[0] != "probe probe is Invented M3, serial number 17, firmware 1.0" {
			t.Errorf("told %q", got)
		}
		if raw := m.raw(KindIdentity); raw != "ID Invented,M3,17,1.0" {
			t.Errorf("kept of the answer: %q", raw)
		}
		if n := len(m.taken()); n < 25 {
			t.Errorf("%d samples in 3 s at 10 Hz", n)
		}
	})
}

func TestSameInstrumentIsNotToldAgain(t *testing.T) {
	withNamed(t, nil, always("1.0"), always("Invented,M3,17,1.0"), "Invented,M3,17,1.0", func(t *testing.T, s *Station, m *memory) {
		at(3 * time.Second)
		if got := m.texts(KindIdentity); len(got) != 0 || len(m.taken()) < 25 {
			t.Errorf("told %q, %d samples", got, len(m.taken()))
		}
	})
	withNamed(t, nil, always("1.0"), always("Invented,M3,17,1.1"), "Invented,M3,17,1.0", func(t *testing.T, s *Station, m *memory) {
		at(3 * time.Second)
		got := m.texts(KindIdentity)
		if len(got) != 1 || !strings.Contains(got[0], "it had firmware 1.0") || len(m.taken()) < 25 || m.corrected() != 1 {
			t.Errorf("another firmware: told %q, %d samples, %d corrections", got, len(m.taken()), m.corrected())
		}
	})
}

// TestStranger: another instrument makes no samples, raises the fault alarm and
// no other, and is forgotten when the right one is back.
func TestStranger(t *testing.T) {
	who := func(d time.Duration) string {
		if d < 20*time.Second {
			return "Invented,M3,18,1.0"
		}
		return "Invented,M3,17,1.0"
	}
	withNamed(t, nil, always("99"), who, "Invented,M3,17,1.0", func(t *testing.T, s *Station, m *memory) {
		at(2 * time.Second)
		if got := m.changes(alarm.Fault); !slices.Equal(got, []alarm.Reason{alarm.Raised}) {
			t.Errorf("the fault alarm: %q, want it raised within 2 s", got)
		}
		at(19 * time.Second)
		if n := len(m.taken()); n != 0 {
			t.Errorf("%d samples of a stranger", n)
		}
		for _, rule := range []alarm.Rule{alarm.Exceeds, alarm.Silent, alarm.Stale, alarm.Stuck} {
			if got := m.changes(rule); len(got) != 0 {
				t.Errorf("%s: %q, want the fault alone", rule, got)
			}
		}
		told := m.texts(KindLink)
		if len(told) == 0 || !strings.Contains(told[0], "serial number 18") || !strings.Contains(told[0], "in place of Invented M3, serial number 17") || len(told) > 2 {
			t.Errorf("told %q", told)
		}
		if d := s.Stats()[0].Detail; !strings.Contains(d, "put the right one back") {
			t.Errorf("the page says %q", d)
		}
		at(30 * time.Second)
		if n := len(m.taken()); n < 80 {
			t.Errorf("%d samples of the right one in 10 s", n)
		}
		if got := m.changes(alarm.Fault); !slices.Equal(got, []alarm.Reason{alarm.Raised, alarm.Returned}) {
			t.Errorf("the fault alarm: %q", got)
		}
		if err := s.AcceptInstrument(0, "P. Marlow"); err == nil {
			t.Error("there is nobody to accept")
		}
	})
}

// TestAccept: an operator's word makes a stranger known; its predecessor's zero
// goes.
func TestAccept(t *testing.T) {
	withNamed(t, nil, always("1.0"), always("Invented,M3,18,1.0"), "Invented,M3,17,1.0", func(t *testing.T, s *Station, m *memory) {
		at(3 * time.Second)
		if err := s.AcceptInstrument(0, " "); err == nil {
			t.Error("accepted without a name")
		}
		if err := s.AcceptInstrument(0, "P. Marlow"); err != nil {
			t.Fatal(err)
		}
		at(6 * time.Second)
		got := m.texts(KindIdentity)
		if len(got) != 1 || !strings.Contains(got[0], "accepted by P. Marlow") || !strings.Contains(got[0], "its zero is no longer") {
			t.Errorf("told %q", got)
		}
		if n := len(m.taken()); n < 15 || m.taken()[0].S != milliwatts(1) {
			t.Errorf("%d samples, the first %v, want 1 mW/cm² without a zero", n, m.taken())
		}
	})
}

func TestConfiguredIdentity(t *testing.T) {
	expect := func(p *Post) { p.Probe.Identity = "Invented, M3, 18" }
	withNamed(t, expect, always("1.0"), always("Invented,M3,18,1.0"), "Invented,M3,17,1.0", func(t *testing.T, s *Station, m *memory) {
		at(3 * time.Second)
		if got := m.texts(KindIdentity); len(got) != 1 || !strings.Contains(got[0], "it was Invented M3, serial number 17") || len(m.taken()) < 25 {
			t.Errorf("told %q, %d samples", got, len(m.taken()))
		}
	})
	withNamed(t, expect, always("1.0"), always("Invented,M3,17,1.0"), "", func(t *testing.T, s *Station, m *memory) {
		at(3 * time.Second)
		if len(m.taken()) != 0 || len(m.changes(alarm.Fault)) != 1 {
			t.Errorf("%d samples, fault %q", len(m.taken()), m.changes(alarm.Fault))
		}
		if err := s.AcceptInstrument(0, "P. Marlow"); err == nil || !strings.Contains(err.Error(), "the configuration names") {
			t.Errorf("accepted against the configuration: %v", err)
		}
	})
}

// TestNamelessInstrument: one that does not say who it is makes no samples.
func TestNamelessInstrument(t *testing.T) {
	withNamed(t, nil, always("1.0"), always(""), "Invented,M3,17,1.0", func(t *testing.T, s *Station, m *memory) {
		at(25 * time.Second)
		if len(m.taken()) != 0 || len(m.changes(alarm.Silent)) != 1 {
			t.Errorf("%d samples, silent %q", len(m.taken()), m.changes(alarm.Silent))
		}
	})
}
