package serialport

import (
	"path/filepath"
	"testing"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/textline"
)

// TestReplay plays a kept conversation over a terminal and reads in it what is
// read in it without one.
func TestReplay(t *testing.T) {
	p, err := textline.New(textline.Options{
		Query: "MEAS?\r\n", ValueColumn: 1, UnitColumn: 2, StatusColumn: 3, Units: []string{"mW/cm2"},
		OK: []string{"OK"}, OverRange: []string{"OVER"}, BatteryLow: []string{"BATT"}, Fault: []string{"FAIL"},
	})
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join("..", "textline", "testdata", "polled.transcript")
	tr, err := driverstest.ReadTranscript(path)
	if err != nil {
		t.Fatal(err)
	}
	tty := driverstest.OpenPTY(t)
	l := open(t, Options{Path: tty.Path})
	var got []driverstest.Outcome
	for _, line := range tr.Lines {
		if line.Asked {
			if _, _, err := l.Send(p.Request(), soon()); err != nil {
				t.Fatal(err)
			}
			continue
		}
		whole, err := driverstest.Read(p, line.Bytes)
		if err != nil {
			t.Fatal(err)
		}
		tty.Send(t, string(line.Bytes))
		var frames []drivers.Frame
		for n := 0; n < len(whole); n += len(frames) {
			if frames, err = l.Receive(p.Split, soon(), frames[:0]); err != nil {
				t.Fatal(err)
			}
			for _, f := range frames {
				o := driverstest.Outcome{Frame: string(f.Bytes)}
				if o.Reading, err = driverstest.Parse(p, f.Bytes); err != nil {
					o.Refused = err.Error()
				}
				got = append(got, o)
			}
		}
	}
	want := driverstest.LoadCase(t, p, path, false).Want
	if len(got) != len(want) {
		t.Fatalf("%d frames, want %d", len(got), len(want))
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("frame %d:\n got %+v\nwant %+v", i+1, got[i], want[i])
		}
	}
}

// BenchmarkExchange is one request and answer over a terminal.
func BenchmarkExchange(b *testing.B) {
	tty := driverstest.OpenPTY(b)
	l := open(b, Options{Path: tty.Path})
	request, answer, heard := []byte("MEAS?\r\n"), []byte("12.40 mW/cm2 OK\r\n"), make([]byte, 64)
	var frames []drivers.Frame
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := l.Send(request, soon()); err != nil {
			b.Fatal(err)
		}
		if _, err := tty.Master.Read(heard); err != nil {
			b.Fatal(err)
		}
		if _, err := tty.Master.Write(answer); err != nil {
			b.Fatal(err)
		}
		var err error
		if frames, err = l.Receive(lines, soon(), frames[:0]); err != nil {
			b.Fatal(err)
		}
	}
}
