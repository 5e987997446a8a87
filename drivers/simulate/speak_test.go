package simulate

import (
	"bytes"
	"encoding/hex"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/modbus"
	"ovenward/drivers/scpi"
)

// readings asks a simulated probe n times through a driver, and returns what the
// driver made of it beside what the probe was told to know.
func readings(t *testing.T, o Options, p drivers.Protocol, n int) (read []drivers.Reading, told []Answer) {
	t.Helper()
	o.OnAnswer = func(a Answer) { told = append(told, a) }
	_, dial := running(t, o)
	l := open(t, dial)
	for range n {
		if _, _, err := l.Send(p.Request(), time.Now().Add(time.Second)); err != nil {
			t.Fatal(err)
		}
		frames, err := l.Receive(p.Split, time.Now().Add(time.Second), nil)
		if err != nil || len(frames) != 1 {
			t.Fatalf("%d frames, %v, want one", len(frames), err)
		}
		r, err := driverstest.Parse(p, frames[0].Bytes)
		if err != nil {
			t.Fatalf("%q: %v", frames[0].Bytes, err)
		}
		read = append(read, r)
		<-time.After(500 * time.Millisecond) // of the bubble's clock
	}
	return read, told
}

func protocol(t *testing.T, language string) drivers.Protocol {
	t.Helper()
	tenth := drivers.Decimal{Digits: 1, Exp: -1}
	var p drivers.Protocol
	var err error
	if language == SCPI {
		p, err = scpi.New(scpi.Options{Query: "READ:ALL?", Unit: unitSaid, TemperatureColumn: 2, BatteryColumn: 3, BatteryUnit: "%"})
	} else {
		p, err = modbus.New(modbus.Options{Framing: "rtu", UnitID: 1, Function: 4, Unit: unitSaid,
			Value:       modbus.Register{Type: "float32"},
			Status:      &modbus.Status{Address: 2, OverRangeBits: []int{0}, FaultBits: []int{1}, BatteryLowBits: []int{2}},
			Temperature: &modbus.Register{Address: 3, Type: "int16", Scale: tenth},
			Battery:     &modbus.Register{Address: 4, Type: "uint16", Scale: tenth}, BatteryUnit: "%"})
	}
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestLanguagesSayTheSame holds what comes of a probe's readings in SCPI and in
// Modbus against what it would say in lines of text: plain, over range, faulty,
// and with a low battery.
func TestLanguagesSayTheSame(t *testing.T) {
	for _, language := range []string{SCPI, Modbus} {
		t.Run(language, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := Scripted(1, 1, Pattern{On: 20 * time.Second, Off: 10 * time.Second, Level: 250})
				spec := &o.Probes[0]
				spec.Language, spec.Charge, spec.BatteryLife = language, 0.104, 2*time.Hour // low after some 30 s
				spec.Faults = []Span{{12 * time.Second, 15 * time.Second}}
				read, told := readings(t, o, protocol(t, language), 100)
				seen := map[string]int{}
				for i, r := range read {
					s := told[i].shown
					want := drivers.Reading{Unit: unitSaid, HasValue: true, Value: drivers.Decimal{Digits: s.counts, Exp: -3}}
					switch seen[s.status]++; s.status {
					case StatusOver:
						want.Status = drivers.OverRange
					case StatusFault:
						want.Status = drivers.Fault
					case StatusLowBattery:
						if language == Modbus { // SCPI has no word for it but the battery's own number
							want.Status = drivers.BatteryLow
						}
					}
					if want.Status&(drivers.OverRange|drivers.Fault) != 0 {
						want.HasValue, want.Value = false, drivers.Decimal{}
					}
					if r.Status != want.Status || r.HasValue != want.HasValue || r.Value.Float() != want.Value.Float() ||
						language == SCPI && r.Value != want.Value {
						t.Errorf("reading %d: %+v, want %+v", i, r, want)
					}
					if d := math.Abs(r.Temperature.Float() - s.temperature); !r.HasTemp || d > 0.0501 {
						t.Errorf("reading %d: %s °C, want %g", i, r.Temperature, s.temperature)
					}
					if d := math.Abs(r.Battery.Float() - 100*s.charge); r.BatteryUnit != "%" || d > 0.0501 {
						t.Errorf("reading %d: battery %s %s, want %g %%", i, r.Battery, r.BatteryUnit, 100*s.charge)
					}
				}
				for _, status := range []string{StatusOK, StatusOver, StatusFault, StatusLowBattery} {
					if seen[status] == 0 {
						t.Errorf("no reading was %s: %v", status, seen)
					}
				}
			})
		})
	}
}

func TestNR3(t *testing.T) {
	for _, c := range []struct {
		s    shown
		want string
	}{
		{shown{StatusOK, 412, 3, 0, 0}, "4.12E-01"},
		{shown{StatusLowBattery, 12400, 3, 0, 0}, "1.2400E+01"},
		{shown{StatusOK, 5, 3, 0, 0}, "5E-03"},
		{shown{StatusOK, 0, 3, 0, 0}, "0.000E+00"},
		{shown{StatusOver, 0, 3, 0, 0}, "9.9E+37"},
		{shown{StatusFault, 0, 3, 0, 0}, "-9.9E+37"},
	} {
		if got := c.s.scpi(); got != c.want {
			t.Errorf("%+v is said as %s, want %s", c.s, got, c.want)
		}
	}
}

func TestSCPICommands(t *testing.T) {
	const unknown = `-113,"Undefined header;`
	for _, c := range []struct {
		name, sent string
		want       []string // "V" is a reading
	}{
		{"identity", "*idn?\r\n", []string{"Ovenward,simulated probe,probe-1,0"}},
		{"reading", "READ?\n", []string{"V"}},
		{"no errors", "SYST:ERR?\n", []string{`0,"No error"`}},
		{"unknown", "MEAS?\nSYST:ERR?\nSYST:ERR:NEXT?\n", []string{unknown + `MEAS?"`, `0,"No error"`}},
		{"cleared", "A\nB\n*CLS\nSYSTEM:ERROR?\n", []string{`0,"No error"`}},
		{"in order", "A\nB\nSYST:ERR?\nSYST:ERR?\n", []string{unknown + `A"`, unknown + `B"`}},
		{"of no sense", "\x00\"\xff\nSYST:ERR?\n", []string{unknown + `???"`}},
		{"overflow", strings.Repeat("A\n", 40) + strings.Repeat("SYST:ERR?\n", 17),
			append(slices.Repeat([]string{unknown + `A"`}, 15), `-350,"Queue overflow"`, `0,"No error"`)},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				o := Scripted(1, 1, Pattern{On: time.Second, Level: 50})
				o.Probes[0].Language = SCPI
				_, dial := running(t, o)
				l := open(t, dial)
				if _, _, err := l.Send([]byte(c.sent), time.Now().Add(time.Second)); err != nil {
					t.Fatal(err)
				}
				synctest.Wait() // for all answers
				got := hear(t, l)
				for i, line := range got {
					if _, err := drivers.ParseNRf([]byte(line)); err == nil {
						got[i] = "V"
					}
				}
				if !slices.Equal(got, c.want) {
					t.Errorf("%q: answers %q, want %q", c.sent, got, c.want)
				}
			})
		})
	}
}

func TestFaultIsAnError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := Scripted(1, 1, Pattern{On: time.Second, Level: 50})
		o.Probes[0].Language, o.Probes[0].Faults = SCPI, []Span{{0, time.Minute}}
		_, dial := running(t, o)
		l := open(t, dial)
		for _, c := range []struct{ ask, want string }{
			{"READ?\n", "-9.9E+37"}, {"READ?\n", "-9.9E+37"}, {"SYST:ERR?\n", `-240,"Hardware error"`}, {"SYST:ERR?\n", `0,"No error"`},
		} {
			if got := ask(t, l, c.ask); len(got) != 1 || got[0] != c.want {
				t.Errorf("%q: %q, want %q", c.ask, got, c.want)
			}
		}
	})
}

// TestSlave asks for registers well and ill. The answers to ill ones are those
// of the MODBUS Application Protocol specification V1.1b3, section 7; what starts
// within the registers and ends behind them is exception 2, as vendors' pages
// tell of a server with 100 registers asked for 5 from 96.
func TestSlave(t *testing.T) {
	withCheck := func(s string) string {
		b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
		if err != nil {
			t.Fatal(err)
		}
		crc := checksum(b)
		return string(append(b, byte(crc), byte(crc>>8)))
	}
	o := Scripted(1, 1, Pattern{On: time.Second, Level: 50})
	o.Probes[0].Language = Modbus
	for _, c := range []struct{ name, sent, want string }{
		{"status", withCheck("01 03 0002 0001"), withCheck("01 03 02 0000")},
		{"by function 4", withCheck("01 04 0002 0001"), withCheck("01 04 02 0000")},
		{"behind noise", "\x00\x01\x03\xff" + withCheck("01 03 0002 0001"), withCheck("01 03 02 0000")},
		{"twice", withCheck("01 03 0002 0001") + withCheck("01 03 0002 0001"), withCheck("01 03 02 0000") + withCheck("01 03 02 0000")},
		{"another unit", withCheck("02 03 0002 0001") + withCheck("01 03 0002 0001"), withCheck("01 03 02 0000")},
		{"broadcast", withCheck("00 03 0002 0001"), ""},
		{"spoilt", "\x01\x03\x00\x02\x00\x01\x00\x00", ""},
		{"half", withCheck("01 03 0002 0001")[:5], ""},
		{"too far", withCheck("01 03 0004 0002"), withCheck("01 83 02")},
		{"none there", withCheck("01 03 0005 0001"), withCheck("01 83 02")},
		{"none", withCheck("01 03 0000 0000"), withCheck("01 83 03")},
		{"too many", withCheck("01 04 0000 007E"), withCheck("01 84 03")},
		{"coils", withCheck("01 01 0000 0001"), withCheck("01 81 01")},
		{"write", withCheck("01 06 0000 0001"), withCheck("01 86 01")},
		{"write several", withCheck("01 10 0000 0002 04 000A 0102"), withCheck("01 90 01")},
		{"babble", strings.Repeat("\x01\x03\x00", 2000) + withCheck("01 03 0002 0001"), withCheck("01 03 02 0000")},
		{"identification", withCheck("01 2B 0E 01 00"), withCheck("01 AB 01")},
	} {
		for _, pieces := range []int{1, 3, 1000} {
			s := &slave{probe: build(t, o).Probe("probe-1")}
			var said bytes.Buffer
			for chunk := range slices.Chunk([]byte(c.sent), pieces) {
				if err := s.hear(&said, chunk); err != nil {
					t.Fatal(err)
				}
			}
			if said.String() != c.want {
				t.Errorf("%s, in pieces of %d: % X, want % X", c.name, pieces, said.String(), c.want)
			}
			if len(s.heard) > longestRequest {
				t.Errorf("%s: %d bytes are kept", c.name, len(s.heard))
			}
		}
	}
}
