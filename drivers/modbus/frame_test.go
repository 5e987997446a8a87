package modbus_test

import (
	"encoding/hex"
	"slices"
	"strings"
	"testing"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/modbus"
)

// frames splits a stream and names each frame by its bytes.
func frames(t *testing.T, p drivers.Protocol, sent string) []string {
	t.Helper()
	out, err := driverstest.Read(p, unhex(t, sent))
	if err != nil {
		t.Fatalf("%s: %v", sent, err)
	}
	var got []string
	for _, o := range out {
		s := strings.ToUpper(hex.EncodeToString([]byte(o.Frame)))
		if o.Refused == "" {
			s += " good"
		}
		got = append(got, s)
	}
	return got
}

// TestSplitRTU holds that answers are found in noise, behind echoes, and behind
// what was cut; one that is good is never lost to what came before it.
func TestSplitRTU(t *testing.T) {
	p := made(t, modbus.Options{Framing: "rtu", UnitID: 1, Function: 3, Unit: "W/m2", Value: modbus.Register{Type: "float32"}})
	good := strings.ToUpper(hex.EncodeToString(answer(1, 3, []byte{0x3F, 0x9E, 0x04, 0x19})))
	echo := "010300000002C40B"
	for name, c := range map[string]struct {
		sent string
		want []string
	}{
		"alone":                             {good, []string{good + " good"}},
		"two":                               {good + good, []string{good + " good", good + " good"}},
		"behind noise":                      {"00FF7E" + good, []string{good + " good"}},
		"behind noise that is the unit":     {"010101" + good, []string{good + " good"}},
		"behind an echo":                    {echo + good, []string{good + " good"}},
		"behind half an echo":               {"00000002C40B" + good, []string{good + " good"}},
		"echo alone":                        {echo, nil},
		"echo growing":                      {echo[:10], nil},
		"growing":                           {good[:16], nil},
		"cut, then whole":                   {good[:10] + good, []string{good[:10], good + " good"}},
		"one byte changed":                  {"010304 3F9E0418" + good[14:] + good, []string{"0103043F9E0418" + good[14:], good + " good"}},
		"a header in noise":                 {"010304" + good, []string{"010304", good + " good"}},
		"a header, and its beginning":       {"01030401" + good, []string{"01030401", good + " good"}},
		"exception":                         {"018302C0F1", []string{"018302C0F1"}},
		"exception, spoilt":                 {"018302C0F2" + good, []string{"018302C0F2", good + " good"}},
		"another unit's":                    {strings.ToUpper(hex.EncodeToString(answer(2, 3, []byte{5, 6, 7, 8}))) + good, []string{good + " good"}},
		"another function":                  {strings.ToUpper(hex.EncodeToString(answer(1, 4, []byte{1, 2, 3, 4}))) + good, []string{good + " good"}},
		"another number of registers":       {strings.ToUpper(hex.EncodeToString(answer(1, 3, []byte{1, 2}))) + good, []string{"010302", good + " good"}},
		"checksum with its bytes exchanged": {good[:14] + good[16:] + good[14:16], []string{good[:14] + good[16:] + good[14:16]}},
	} {
		if got := frames(t, p, c.sent); !slices.Equal(got, c.want) {
			t.Errorf("%s: %s: frames %q, want %q", name, c.sent, got, c.want)
		}
	}
}

// TestEchoThatLooksLikeAnAnswer asks for a register whose number begins with
// the byte count of its answer.
func TestEchoThatLooksLikeAnAnswer(t *testing.T) {
	// 8 registers are 16 bytes.
	for _, address := range []int{0x1000, 0x10FF} {
		o := instruments()["rtu-whole"]
		shift := address - o.Address
		o.Address += shift
		o.Value.Address += shift
		for i := range o.Axes {
			o.Axes[i].Address += shift
		}
		o.Temperature.Address += shift
		o.Battery.Address += shift
		o.Status.Address += shift
		p := made(t, o)
		good := strings.ToUpper(hex.EncodeToString(answer(17, 4, make([]byte, 16))))
		echo := strings.ToUpper(hex.EncodeToString(p.Request()))
		if got := frames(t, p, echo); got != nil {
			t.Errorf("the echo %s alone: %q", echo, got)
		}
		if got := frames(t, p, echo+good); !slices.Equal(got, []string{good + " good"}) {
			t.Errorf("behind the echo %s: %q", echo, got)
		}
	}
}

func TestSplitTCP(t *testing.T) {
	p := made(t, modbus.Options{Framing: "tcp", UnitID: 1, Function: 3, Unit: "W/m2", Value: modbus.Register{Type: "float32"}})
	good := "4F5700000007" + "01030412345678"
	for name, c := range map[string]struct {
		sent string
		want []string
	}{
		"alone":               {good, []string{good + " good"}},
		"behind noise":        {"4F574F" + good, []string{good + " good"}},
		"growing":             {good[:20], nil},
		"another transaction": {"0001" + good[4:] + good, []string{good + " good"}},
		"another unit":        {"4F5700000007" + "02030412345678" + good, []string{"4F570000000702030412345678", good + " good"}},
		"another length":      {"4F5700000005" + "0103021234" + good, []string{"4F57000000050103021234", good + " good"}},
		"exception":           {"4F5700000003" + "01830B" + good, []string{"4F570000000301830B", good + " good"}},
		"cut, then whole":     {good[:16] + good, []string{good[:16], good + " good"}},
		"cut, then exception": {good[:16] + "4F570000000301830B", []string{good[:16], "4F570000000301830B"}},
		"no length":           {"4F5700000000" + good, []string{good + " good"}},
		"a length too great":  {"4F57000000FF" + good, []string{good + " good"}},
	} {
		if got := frames(t, p, c.sent); !slices.Equal(got, c.want) {
			t.Errorf("%s: %s: frames %q, want %q", name, c.sent, got, c.want)
		}
	}
}

// TestRefused holds what is said of frames that hold no reading. The names of
// the exceptions are those of the MODBUS Application Protocol specification
// V1.1b3, section 7, as vendors' pages repeat them; 7 stands in older lists only
// (libmodbus has it).
func TestRefused(t *testing.T) {
	p := made(t, modbus.Options{Framing: "rtu", UnitID: 1, Function: 3, Unit: "W/m2", Value: modbus.Register{Type: "float32"}})
	exception := func(code byte) []byte { return rtu(1, 0x83, code) }
	for _, c := range []struct {
		name  string
		frame []byte
		want  string
	}{
		{"exception 1", exception(1), "exception 1, illegal function"},
		{"exception 2", unhex(t, "01 83 02 C0 F1"), "exception 2, illegal data address"},
		{"exception 3", exception(3), "exception 3, illegal data value"},
		{"exception 4", exception(4), "exception 4, server device failure"},
		{"exception 5", exception(5), "exception 5, acknowledge"},
		{"exception 6", exception(6), "exception 6, server device busy"},
		{"exception 7", exception(7), "exception 7, negative acknowledge"},
		{"exception 8", exception(8), "exception 8, memory parity error"},
		{"exception 10", exception(10), "exception 10, gateway path unavailable"},
		{"exception 11", exception(11), "exception 11, gateway target device failed to respond"},
		{"exception 9", exception(9), "exception 9, which has no name"},
		{"checksum", unhex(t, "01 03 04 3F 9E 04 19 00 00"), "checksum (CRC) is 0000, want " + strings.ToUpper(hex.EncodeToString(crc(unhex(t, "01 03 04 3F 9E 04 19"))))},
		{"cut", unhex(t, "01 03 04 3F 9E"), "cut, 5 bytes are left"},
		{"nothing", nil, "cut, 0 bytes are left"},
		{"count", unhex(t, "01 03 02"), "announces 2 bytes of registers, want 4"},
		{"whole, count", answer(1, 3, []byte{1, 2}), "announces 2 bytes"},
		{"whole, greater count", answer(1, 3, make([]byte, 6)), "announces 6 bytes"},
		{"unit", answer(2, 3, make([]byte, 4)), "comes from unit 2, want 1"},
		{"function", answer(1, 4, make([]byte, 4)), "is of function 4, want 3"},
	} {
		r, err := driverstest.Parse(p, c.frame)
		if err == nil || !strings.Contains(err.Error(), c.want) || len(err.Error()) > 300 {
			t.Errorf("%s: %+v, %v, want an error with %q", c.name, r, err, c.want)
		}
	}
	tcp := made(t, modbus.Options{Framing: "tcp", UnitID: 1, Function: 3, Unit: "W/m2", Value: modbus.Register{Type: "float32"}})
	for frame, want := range map[string]string{
		"4F57 0000 0003 01 83 06":             "exception 6, server device busy",
		"4F57 0000 0007 02 03 04 00 00 00 00": "comes from unit 2",
		"4F57 0000 0007 01 04 04 00 00 00 00": "is of function 4",
		"4F57 0000 0005 01 03 02 00 00":       "announces 2 bytes",
		"4F57 0000 0007 01 03 02 00 00 00 00": "announces 2 bytes",
		"4F57 0000 0008 01 03 04 00 00 00 00": "cut, 13 bytes are left",
		"0001 0000 0007 01 03 04 00 00 00 00": "no answer to the request",
		"4F57 0001 0007 01 03 04 00 00 00 00": "no answer to the request",
		"4F57 0000 0002 01 83":                "no answer to the request",
		"4F57 0000 0006 01 03 04 00 00 00 00": "no answer to the request",
	} {
		if r, err := driverstest.Parse(tcp, unhex(t, frame)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %+v, %v, want an error with %q", frame, r, err, want)
		}
	}
}
