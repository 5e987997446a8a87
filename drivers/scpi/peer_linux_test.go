package scpi_test

import (
	"context"
	"testing"
	"time"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/scpi"
	"ovenward/drivers/serialport"
)

// TestPeer reads an instrument scripted in another language, over a serial line
// that a third program makes of two terminals, and over TCP.
func TestPeer(t *testing.T) {
	python := driverstest.Python(t, "serial")
	t.Run("serial", func(t *testing.T) {
		near, far := driverstest.SerialPair(t)
		driverstest.Start(t, python, "testdata/instrument.py", "serial", far)
		l, err := serialport.Dial(serialport.Options{Path: near, Baud: 19200})(context.Background())
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		readPeer(t, l)
	})
	t.Run("tcp", func(t *testing.T) {
		port := driverstest.FreePort(t)
		driverstest.Start(t, python, "testdata/instrument.py", "tcp", port)
		readPeer(t, driverstest.DialTCP(t, port))
	})
}

func readPeer(t *testing.T, l drivers.Link) {
	p := instrument(t, "bench")
	who := p.(drivers.Identified)
	frames := driverstest.Ask(t, l, p, who.IdentityRequest())
	want := drivers.Identity{Maker: "Larkfield Instruments", Model: "FM-2", Serial: "LH0417", Firmware: "1.02"}
	if id, err := who.ParseIdentity(frames[0].Bytes); err != nil || id != want {
		t.Errorf("it is %+v, %v, want %+v", id, err, want)
	}
	is := func(digits int64, exp int8) drivers.Reading {
		return drivers.Reading{Value: drivers.Decimal{Digits: digits, Exp: exp}, HasValue: true, Unit: "mW/cm2"}
	}
	for i, want := range []drivers.Reading{
		is(12, 0), is(1250, -2), is(12500, -3), is(412, -3),
		{Unit: "mW/cm2", Status: drivers.OverRange}, {Unit: "mW/cm2", Status: drivers.OverRange}, {Unit: "mW/cm2", Status: drivers.Fault},
		is(125, -2), is(-15, -4), is(12, 0),
	} {
		frames := driverstest.Ask(t, l, p, p.Request())
		if len(frames) != 1 {
			t.Fatalf("answer %d: %d frames, want one", i, len(frames))
		}
		if r, err := driverstest.Parse(p, frames[0].Bytes); err != nil || r != want {
			t.Errorf("answer %d, %q: %+v, %v, want %+v", i, frames[0].Bytes, r, err, want)
		}
	}
	all := instrument(t, "list")
	frames = driverstest.Ask(t, l, all, all.Request())
	if r, err := driverstest.Parse(all, frames[0].Bytes); err != nil || r.Value.String() != "4.12" || r.Axes[0].String() != "1.50" || r.Battery.String() != "87" {
		t.Errorf("%q: %+v, %v", frames[0].Bytes, r, err)
	}
	// A command it does not know stands in its list of errors, once.
	wrong, err := scpi.New(scpi.Options{Query: "FETC?", Unit: "mW/cm2"})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := l.Send(wrong.Request(), time.Now().Add(10*time.Second)); err != nil {
		t.Fatal(err)
	}
	what := p.(drivers.Troubled)
	for _, want := range []string{"-113, Undefined header;FETC?", ""} {
		frames := driverstest.Ask(t, l, p, what.TroubleRequest())
		if text, err := what.ParseTrouble(frames[0].Bytes); err != nil || text != want {
			t.Errorf("%q: %q, %v, want %q", frames[0].Bytes, text, err, want)
		}
	}
}
