package modbus_test

import (
	"encoding/binary"
	"encoding/hex"
	"flag"
	"math"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/modbus"
)

var update = flag.Bool("update", false, "write the golden files from what the driver makes of the transcripts")

// instruments are the options that go with each transcript.
func instruments() map[string]modbus.Options {
	milli := drivers.Decimal{Digits: 1, Exp: -3}
	tenth := drivers.Decimal{Digits: 1, Exp: -1}
	return map[string]modbus.Options{
		"rtu-float": {Framing: "rtu", UnitID: 1, Function: 3, Unit: "mW/cm2", Value: modbus.Register{Address: 0, Type: "float32"},
			Status: &modbus.Status{Address: 2, OverRangeBits: []int{0}, FaultBits: []int{1, 15}, BatteryLowBits: []int{2}, OKBits: []int{3}}},
		"rtu-whole": {Framing: "rtu", UnitID: 17, Function: 4, Unit: "W/m2", Address: 0x0400, Count: 8,
			Value: modbus.Register{Address: 0x0400, Type: "uint16", Scale: milli, OverRange: []int64{0xFFFF}, Fault: []int64{0xFFFE}},
			Axes: []modbus.Register{{Address: 0x0401, Type: "uint16", Scale: milli, OverRange: []int64{0xFFFF}},
				{Address: 0x0402, Type: "uint16", Scale: milli, OverRange: []int64{0xFFFF}},
				{Address: 0x0403, Type: "uint16", Scale: milli, OverRange: []int64{0xFFFF}}},
			Temperature: &modbus.Register{Address: 0x0404, Type: "int16", Scale: tenth},
			Battery:     &modbus.Register{Address: 0x0405, Type: "uint16", Scale: milli}, BatteryUnit: "V",
			Status: &modbus.Status{Address: 0x0407, Mask: 0x00FF, OKCodes: []int{0, 1}, OverRangeCodes: []int{2}, FaultCodes: []int{3}, BatteryLowCodes: []int{4}}},
		"tcp": {Framing: "tcp", UnitID: 1, Function: 3, Unit: "mW/cm2",
			Value: modbus.Register{Address: 100, Type: "float64", Order: "GHEFCDAB"}},
	}
}

func instrument(t testing.TB, name string) drivers.Protocol {
	t.Helper()
	return made(t, instruments()[name])
}

func made(t testing.TB, o modbus.Options) drivers.Protocol {
	t.Helper()
	p, err := modbus.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestTranscripts(t *testing.T) {
	paths, err := filepath.Glob("testdata/*.transcript")
	if err != nil || len(paths) != len(instruments()) {
		t.Fatalf("transcripts %q, %v: want one for each of %d instruments", paths, err, len(instruments()))
	}
	for _, path := range paths {
		name := strings.TrimSuffix(filepath.Base(path), ".transcript")
		t.Run(name, func(t *testing.T) {
			p := instrument(t, name)
			driverstest.Conformance(t, p, driverstest.LoadCase(t, p, path, *update))
		})
	}
}

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// crc is the check of an RTU frame, made bit by bit from the polynomial rather
// than reflected, so that it does not share the driver's arithmetic.
func crc(b []byte) []byte {
	reg := uint16(0xFFFF)
	for _, c := range b {
		for bit := range 8 {
			in := uint16(c>>bit) & 1
			out := reg >> 15
			reg <<= 1
			if in^out == 1 {
				reg ^= 0x8005
			}
		}
	}
	var lsbFirst uint16
	for bit := range 16 {
		lsbFirst |= reg >> bit & 1 << (15 - bit)
	}
	return []byte{byte(lsbFirst), byte(lsbFirst >> 8)}
}

// rtu makes a frame of unit, function and what follows.
func rtu(b ...byte) []byte { return append(b[:len(b):len(b)], crc(b)...) }

// answer makes an RTU answer of these registers.
func answer(unit, fn byte, registers []byte) []byte {
	return rtu(append([]byte{unit, fn, byte(len(registers))}, registers...)...)
}

func TestRequests(t *testing.T) {
	value := func(at int, kind string) modbus.Register { return modbus.Register{Address: at, Type: kind} }
	for _, c := range []struct {
		name, want string
		o          modbus.Options
	}{
		// The first two are frames of goburrow/modbus rtuclient_test.go.
		{"two registers", "01 03 00 00 00 02 C4 0B", modbus.Options{Framing: "rtu", UnitID: 1, Function: 3, Value: value(0, "float32")}},
		{"twenty-four", "01 03 50 00 00 18 54 C0", modbus.Options{Framing: "rtu", UnitID: 1, Function: 3, Address: 0x5000, Count: 24, Value: value(0x5005, "int16")}},
		{"input registers of unit 17", hex.EncodeToString(rtu(0x11, 4, 0, 7, 0, 1)),
			modbus.Options{Framing: "rtu", UnitID: 17, Function: 4, Value: value(7, "uint16")}},
		{"tcp", "4F57 0000 0006 FF 03 0064 0004", modbus.Options{Framing: "tcp", UnitID: 255, Function: 3, Value: value(100, "float64")}},
		{"from the first named to the last", "4F57 0000 0006 00 04 0010 0005",
			modbus.Options{Framing: "tcp", UnitID: 0, Function: 4, Value: value(18, "int32"), Status: &modbus.Status{Address: 16, OKBits: []int{0}},
				Temperature: &modbus.Register{Address: 20, Type: "int16"}}},
	} {
		c.o.Unit = "W/m2"
		if got := made(t, c.o).Request(); string(got) != string(unhex(t, c.want)) {
			t.Errorf("%s: asks % X, want %s", c.name, got, c.want)
		}
	}
}

// TestOrders reads one number in each order of bytes. Those of 32 bits are of a
// public write-up of the orders (CSDN 104663989), computed anew; the others are
// made here by moving the bytes of the big-endian form.
func TestOrders(t *testing.T) {
	double := binary.BigEndian.AppendUint64(nil, math.Float64bits(1.2345))
	moved := func(at ...int) string {
		var b []byte
		for _, i := range at {
			b = append(b, double[i])
		}
		return hex.EncodeToString(b)
	}
	for _, c := range []struct{ kind, order, bytes, want string }{
		{"float32", "ABCD", "3F 9E 04 19", "1.2345"},
		{"float32", "", "3F 9E 04 19", "1.2345"},
		{"float32", "DCBA", "4F 1E 16 40", "2.3456"},
		{"float32", "BADC", "A3 40 E5 F2", "5.1234"},
		{"float32", "CDAB", "B9 24 3D FC", "0.1234"},
		{"int32", "ABCD", "FF FE 1D C0", "-123456"},
		{"int32", "DCBA", "C0 1D FE FF", "-123456"},
		{"int32", "BADC", "FE FF C0 1D", "-123456"},
		{"int32", "CDAB", "1D C0 FF FE", "-123456"},
		{"uint32", "ABCD", "FF FE 1D C0", "4294843840"},
		{"uint32", "CDAB", "1D C0 FF FE", "4294843840"},
		{"uint32", "DCBA", "C0 1D FE FF", "4294843840"},
		{"uint32", "BADC", "FE FF C0 1D", "4294843840"},
		{"int16", "ABCD", "FF FE", "-2"},
		{"int16", "CDAB", "FF FE", "-2"},
		{"int16", "BADC", "FE FF", "-2"},
		{"int16", "DCBA", "FE FF", "-2"},
		{"uint16", "ABCD", "FF FE", "65534"},
		{"uint16", "DCBA", "FE FF", "65534"},
		{"float64", "ABCD", moved(0, 1, 2, 3, 4, 5, 6, 7), "1.2345"},
		{"float64", "ABCDEFGH", moved(0, 1, 2, 3, 4, 5, 6, 7), "1.2345"},
		{"float64", "DCBA", moved(7, 6, 5, 4, 3, 2, 1, 0), "1.2345"},
		{"float64", "HGFEDCBA", moved(7, 6, 5, 4, 3, 2, 1, 0), "1.2345"},
		{"float64", "BADC", moved(1, 0, 3, 2, 5, 4, 7, 6), "1.2345"},
		{"float64", "BADCFEHG", moved(1, 0, 3, 2, 5, 4, 7, 6), "1.2345"},
		{"float64", "CDAB", moved(6, 7, 4, 5, 2, 3, 0, 1), "1.2345"},
		{"float64", "GHEFCDAB", moved(6, 7, 4, 5, 2, 3, 0, 1), "1.2345"},
	} {
		p := made(t, modbus.Options{Framing: "rtu", UnitID: 1, Function: 3, Unit: "W/m2",
			Value: modbus.Register{Address: 4, Type: c.kind, Order: c.order}})
		r, err := driverstest.Parse(p, answer(1, 3, unhex(t, c.bytes)))
		if err != nil || !r.HasValue || r.Value.String() != c.want {
			t.Errorf("%s %s, %s: %+v, %v, want %s", c.kind, c.order, c.bytes, r, err, c.want)
		}
	}
}

// TestNumbers holds what is said of a number: whole ones exactly, with the
// digits that the scale gives them, floating-point ones by the shortest decimal
// of the same bits.
func TestNumbers(t *testing.T) {
	scale := func(s string) drivers.Decimal {
		d, err := drivers.ParseNRf([]byte(s))
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	f32 := func(v float32) []byte { return binary.BigEndian.AppendUint32(nil, math.Float32bits(v)) }
	f64 := func(v float64) []byte { return binary.BigEndian.AppendUint64(nil, math.Float64bits(v)) }
	for _, c := range []struct {
		name  string
		r     modbus.Register
		bytes []byte
		want  string
		is    drivers.Status
	}{
		{"thousandths", modbus.Register{Type: "int16", Scale: scale("0.001")}, []byte{0x04, 0xB0}, "1.200", 0},
		{"a tenth", modbus.Register{Type: "uint32", Scale: scale("0.1")}, []byte{0xFF, 0xFF, 0xFF, 0xFF}, "429496729.5", 0},
		{"0.30, exactly", modbus.Register{Type: "int16", Scale: scale("0.10")}, []byte{0, 3}, "0.30", 0},
		{"a third", modbus.Register{Type: "int16", Scale: scale("0.333")}, []byte{0xFF, 0xFD}, "-0.999", 0},
		{"offset", modbus.Register{Type: "int16", Scale: scale("0.1"), Offset: scale("-40")}, []byte{2, 0x71}, "22.5", 0},
		{"finer offset", modbus.Register{Type: "uint16", Scale: scale("2"), Offset: scale("0.25")}, []byte{0, 3}, "6.25", 0},
		{"tens", modbus.Register{Type: "uint16", Scale: scale("1E1")}, []byte{0, 3}, "3e1", 0},
		{"most negative", modbus.Register{Type: "int32", Scale: scale("0.001")}, []byte{0x80, 0, 0, 0}, "-2147483.648", 0},
		{"over range", modbus.Register{Type: "uint16", OverRange: []int64{0xFFFF}}, []byte{0xFF, 0xFF}, "", drivers.OverRange},
		{"over range, signed", modbus.Register{Type: "int16", OverRange: []int64{0x7FFF, -1}}, []byte{0xFF, 0xFF}, "", drivers.OverRange},
		{"over range by its bits", modbus.Register{Type: "int16", OverRange: []int64{0xFFFF}}, []byte{0xFF, 0xFF}, "", drivers.OverRange},
		{"fault", modbus.Register{Type: "int32", Fault: []int64{-2147483648}}, []byte{0x80, 0, 0, 0}, "", drivers.Fault},
		{"just below", modbus.Register{Type: "uint16", OverRange: []int64{0xFFFF}}, []byte{0xFF, 0xFE}, "65534", 0},
		{"float", modbus.Register{Type: "float32"}, f32(0.1), "0.1", 0},
		{"float, all digits", modbus.Register{Type: "float32"}, f32(16777217e3), "16777217000", 0},
		{"float, least", modbus.Register{Type: "float32"}, f32(math.SmallestNonzeroFloat32), "1e-45", 0},
		{"float, most", modbus.Register{Type: "float32"}, f32(math.MaxFloat32), "3.4028235e+38", 0},
		{"float, zero", modbus.Register{Type: "float32"}, f32(0), "0", 0},
		{"float, negative zero", modbus.Register{Type: "float32"}, []byte{0x80, 0, 0, 0}, "0", 0},
		{"float, scaled", modbus.Register{Type: "float32", Scale: scale("0.1")}, f32(1.25), "0.125", 0},
		{"float, scaled by 25", modbus.Register{Type: "float32", Scale: scale("25")}, f32(0.1), "2.5", 0},
		{"float, not a number", modbus.Register{Type: "float32"}, f32(float32(math.NaN())), "", drivers.Fault},
		{"float, infinity", modbus.Register{Type: "float32"}, f32(float32(math.Inf(1))), "", drivers.Fault},
		{"float, infinity that means over range", modbus.Register{Type: "float32", OverRange: []int64{0x7F800000}}, f32(float32(math.Inf(1))), "", drivers.OverRange},
		{"double", modbus.Register{Type: "float64"}, f64(0.30000000000000004), "0.30000000000000004", 0},
		{"double, thousandths", modbus.Register{Type: "float64", Scale: scale("1000")}, f64(0.0123), "12.3", 0},
		{"double, minus infinity", modbus.Register{Type: "float64"}, f64(math.Inf(-1)), "", drivers.Fault},
		{"double, far above", modbus.Register{Type: "float64"}, f64(1e300), "", drivers.OverRange},
		{"double, far below", modbus.Register{Type: "float64"}, f64(-1e300), "", drivers.Fault},
		{"double, next to nothing", modbus.Register{Type: "float64"}, f64(1e-300), "0", 0},
		{"double, over range by its bits", modbus.Register{Type: "float64", OverRange: []int64{-1}}, []byte{255, 255, 255, 255, 255, 255, 255, 255}, "", drivers.OverRange},
	} {
		p := made(t, modbus.Options{Framing: "rtu", UnitID: 9, Function: 4, Unit: "W/m2", Value: c.r})
		r, err := driverstest.Parse(p, answer(9, 4, c.bytes))
		if err != nil || r.Status != c.is || r.HasValue != (c.want != "") {
			t.Errorf("%s: %+v, %v, want %s and status %d", c.name, r, err, c.want, c.is)
			continue
		}
		if c.want != "" && r.Value != scale(c.want) {
			t.Errorf("%s: said %s, want %s", c.name, r.Value, c.want)
		}
	}
}

// TestSilence holds the guide's t3.5 (MODBUS over Serial Line V1.02, 2.5.1.1):
// 11 bits a character, so 4.010 ms at 9600 baud, 2.005 ms at 19200, and a fixed
// 1.750 ms above.
func TestSilence(t *testing.T) {
	for baud, want := range map[int]time.Duration{9600: 4010 * time.Microsecond, 19200: 2005 * time.Microsecond,
		19201: 1750 * time.Microsecond, 38400: 1750 * time.Microsecond, 115200: 1750 * time.Microsecond} {
		if got := modbus.Silence(baud).Round(time.Microsecond); got != want {
			t.Errorf("at %d baud: %v, want %v", baud, got, want)
		}
	}
}
