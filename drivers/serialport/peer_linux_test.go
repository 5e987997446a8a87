package serialport

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"ovenward/drivers"
	"ovenward/drivers/textline"

	"ovenward/drivers/driverstest"
)

func peerLanguage(t *testing.T, query string) drivers.Protocol {
	t.Helper()
	p, err := textline.New(textline.Options{
		Query: query, Terminator: "\r\n", ValueColumn: 1, UnitColumn: 2, StatusColumn: 3, Units: []string{"mW/cm2"},
		OK: []string{"OK"}, OverRange: []string{"OVER", "----"}, BatteryLow: []string{"BATT"}, Fault: []string{"FAIL"},
	})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// wanted is what the n-th line of testdata/instrument.py is to be read as, in
// whole hundredths; a spoilt line is no reading.
func wanted(n int) (r drivers.Reading, ok bool) {
	r = drivers.Reading{Unit: "mW/cm2", HasValue: true, Value: drivers.Decimal{Digits: int64(n)*37 - 50, Exp: -2}}
	switch n % 10 {
	case 3:
		r.Value.Digits, r.Status = 2000, drivers.OverRange
	case 5:
		r.Value, r.HasValue, r.Status = drivers.Decimal{}, false, drivers.OverRange
	case 6:
		r.Status = drivers.BatteryLow
	case 7:
		r.Value, r.HasValue, r.Status = drivers.Decimal{}, false, drivers.Fault
	case 8:
		return drivers.Reading{}, false
	}
	return r, true
}

func checkPeerFrame(t *testing.T, p drivers.Protocol, n int, f drivers.Frame) {
	t.Helper()
	want, ok := wanted(n)
	got, err := driverstest.Parse(p, f.Bytes)
	if ok != (err == nil) || ok && got != want {
		t.Errorf("line %d, %q: %+v, %v, want %+v, a reading: %t", n, f.Bytes, got, err, want, ok)
	}
}

// TestPeerPolled reads an instrument written in another language, over a pair
// of terminals that a third program links.
func TestPeerPolled(t *testing.T) {
	python := driverstest.Program(t, "python3")
	near, far := driverstest.SerialPair(t)
	p := peerLanguage(t, "MEAS?\r\n")
	l := open(t, Options{Path: near, Baud: 9600})
	const count = 60
	driverstest.Start(t, python, "testdata/instrument.py", far, "poll", fmt.Sprint(count))
	frames, err := l.Receive(p.Split, soon(), nil)
	if err != nil || len(frames) != 1 || string(frames[0].Bytes) != "ready" {
		t.Fatalf("Receive: %+v, %v, want ready", frames, err)
	}
	for n := range count {
		sent := time.Now()
		departed, dropped, err := l.Send(p.Request(), soon())
		if err != nil || dropped != 0 {
			t.Fatalf("query %d: dropped %d, %v", n, dropped, err)
		}
		if frames, err = l.Receive(p.Split, soon(), frames[:0]); err != nil || len(frames) != 1 {
			t.Fatalf("query %d: %d frames, %v, want 1", n, len(frames), err)
		}
		f := frames[0]
		if f.Departed != departed || departed.Before(sent) || f.Arrived.Before(departed) || time.Now().Before(f.Arrived) {
			t.Errorf("query %d: sent %v, departed %v, arrived %v, want them in this order", n, sent, departed, f.Arrived)
		}
		checkPeerFrame(t, p, n, f)
	}
	if _, err := l.Receive(p.Split, time.Now().Add(20*time.Millisecond), nil); !errors.Is(err, drivers.ErrTimeout) {
		t.Errorf("Receive: %v, want silence", err)
	}
	tell(t, l, "END\n")
}

// TestPeerStreaming reads the same instrument while it talks by itself.
func TestPeerStreaming(t *testing.T) {
	python := driverstest.Program(t, "python3")
	near, far := driverstest.SerialPair(t)
	p := peerLanguage(t, "")
	l := open(t, Options{Path: near, Baud: 115200})
	const count = 20_000
	driverstest.Start(t, python, "testdata/instrument.py", far, "stream", fmt.Sprint(count))
	frames, err := l.Receive(p.Split, soon(), nil)
	if err != nil || len(frames) != 1 || !strings.HasPrefix(string(frames[0].Bytes), "ready") {
		t.Fatalf("Receive: %+v, %v, want ready", frames, err)
	}
	tell(t, l, "GO\n")
	for n := 0; n < count; {
		if frames, err = l.Receive(p.Split, soon(), frames[:0]); err != nil {
			t.Fatalf("after %d lines: %v", n, err)
		}
		for _, f := range frames {
			checkPeerFrame(t, p, n, f)
			n++
		}
	}
	tell(t, l, "END\n")
}

func tell(t *testing.T, l drivers.Link, text string) {
	t.Helper()
	if _, _, err := l.Send([]byte(text), soon()); err != nil {
		t.Fatalf("tell the instrument %q: %v", text, err)
	}
}
