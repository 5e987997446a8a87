package modbus_test

import (
	"bytes"
	"math"
	"testing"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
)

// FuzzSplitParse feeds rubbish to every instrument. Split must go on or ask for
// more within its bound, no RTU answer may be read whose check, computed in
// another way, does not fit, and none that is whole and good may be lost at the
// end of the stream.
func FuzzSplitParse(f *testing.F) {
	f.Add(append(unhex(f, "00 01 03 00 00 00 03 05 CB"), answer(1, 3, []byte{0x3F, 0x9E, 4, 0x19, 0, 0})...))
	f.Add(append(unhex(f, "11 04 10 11 84"), answer(17, 4, bytes.Repeat([]byte{0xFF}, 16))...))
	f.Add(unhex(f, "4F57 0000 000B 01 03 08 0419 3F9E 0419 3F9E 4F57 0000 0003 01 83 02"))
	speaks := map[string]drivers.Protocol{}
	for name := range instruments() {
		speaks[name] = instrument(f, name)
	}
	f.Fuzz(func(t *testing.T, sent []byte) {
		for name, p := range speaks {
			out, err := driverstest.Read(p, sent)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			for _, o := range out {
				if o.Refused != "" {
					continue
				}
				checkAgain(t, name, o)
			}
		}
		// Behind whatever came, an answer is found once the line has been
		// silent for a frame's length, as it is between polls.
		good := answer(1, 3, []byte{0x3F, 0x9E, 4, 0x19, 0, 0})
		stream := append(append(bytes.Clone(sent), make([]byte, 16)...), good...)
		out, err := driverstest.Read(speaks["rtu-float"], stream)
		if err != nil || len(out) == 0 || out[len(out)-1].Frame != string(good) {
			t.Fatalf("behind % X: %+v, %v, want the good answer last", sent, out, err)
		}
	})
}

func checkAgain(t *testing.T, name string, got driverstest.Outcome) {
	t.Helper()
	b, r := []byte(got.Frame), got.Reading
	if !r.HasValue && r.Status&(drivers.OverRange|drivers.Fault) == 0 {
		t.Fatalf("%s: % X, %+v: nothing says why there is no number", name, b, r)
	}
	switch name {
	case "rtu-float":
		if len(b) != 11 || !bytes.Equal(crc(b[:9]), b[9:]) || !bytes.HasPrefix(b, []byte{1, 3, 6}) {
			t.Fatalf("% X was read", b)
		}
		bits := uint32(b[3])<<24 | uint32(b[4])<<16 | uint32(b[5])<<8 | uint32(b[6])
		want := math.Float32frombits(bits)
		if said := float32(r.Value.Float()); r.HasValue && said != want || r.HasValue == (want-want != 0) {
			t.Fatalf("% X holds %v and was read as %+v", b, want, r)
		}
	case "rtu-whole":
		if len(b) != 21 || !bytes.Equal(crc(b[:19]), b[19:]) {
			t.Fatalf("% X was read", b)
		}
		want := int64(b[3])<<8 | int64(b[4])
		if r.HasValue != (want < 0xFFFE) || r.HasValue && r.Value != (drivers.Decimal{Digits: want, Exp: -3}) {
			t.Fatalf("% X holds %d and was read as %+v", b, want, r)
		}
	case "tcp":
		if len(b) != 17 || !bytes.HasPrefix(b, []byte{0x4F, 0x57, 0, 0, 0, 11, 1, 3, 8}) {
			t.Fatalf("% X was read", b)
		}
	}
}
