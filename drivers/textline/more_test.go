package textline_test

import (
	"bytes"
	"fmt"
	"math/bits"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/textline"
)

// againMore judges an accepted frame of the languages that say several values,
// by a second reading with the standard library.
func againMore(got driverstest.Outcome, name string) error {
	r := got.Reading
	switch name {
	case "axes":
		f := strings.Split(got.Frame, ";")
		if len(f) == 1 {
			return same("an over-range or a fault alone", r.Status != 0 && !r.HasValue && !r.HasAxes, true)
		}
		return joinFirst(same("columns", len(f) == 8 || !r.HasValue && !r.HasAxes, true),
			number(f, 0, r.HasAxes, r.Axes[0]), number(f, 1, r.HasAxes, r.Axes[1]), number(f, 2, r.HasAxes, r.Axes[2]),
			number(f, 3, r.HasValue, r.Value), number(f, 6, r.HasTemp, r.Temperature), number(f, 7, r.BatteryUnit == "V", r.Battery))
	case "hex":
		m := regexp.MustCompile(`^[ \t]*\$(.*)\*([0-9A-Fa-f]{2})[ \t]*$`).FindStringSubmatch(got.Frame)
		if m == nil {
			return fmt.Errorf("it has no checksum")
		}
		sum := 0
		for _, c := range []byte(m[1]) {
			sum += int(c)
		}
		if !strings.EqualFold(m[2], fmt.Sprintf("%02x", sum%256)) {
			return fmt.Errorf("its checksum is wrong")
		}
		for i, f := range strings.Split(m[1], ",")[:3] {
			f = strings.Trim(f, " \t")
			n, err := strconv.ParseUint(strings.TrimPrefix(strings.TrimPrefix(f, "0x"), "0X"), 16, 32)
			width := 4 * len(strings.TrimPrefix(strings.TrimPrefix(f, "0x"), "0X"))
			if r.HasAxes && (err != nil || r.Axes[i].Exp != -2 || r.Axes[i].Digits != int64(n<<(64-width))>>(64-width)) {
				return fmt.Errorf("axis %d of %q is %+v", i, f, r.Axes[i])
			}
		}
		return same("axes or a status", r.HasAxes || r.Status&drivers.OverRange != 0, true)
	case "crc":
		at := len(strings.TrimRight(got.Frame, " \t")) - 4
		frame := []byte(strings.Trim(got.Frame, " \t"))
		if at < 0 || len(frame) < 4 {
			return fmt.Errorf("it is too short")
		}
		body, said := frame[:len(frame)-4], string(frame[len(frame)-4:])
		return same("CRC", strings.EqualFold(said, fmt.Sprintf("%04x", slowCRC(body, 0x8005, 0xffff, true))), true)
	}
	return fmt.Errorf("no second reading for the language %q", name)
}

func joinFirst(all ...error) error {
	for _, err := range all {
		if err != nil {
			return err
		}
	}
	return nil
}

func same(what string, got, want bool) error {
	if got != want {
		return fmt.Errorf("%s: %v, want %v", what, got, want)
	}
	return nil
}

// number holds a value that was read against its field.
func number(fields []string, n int, has bool, d drivers.Decimal) error {
	if !has {
		return nil
	}
	if n >= len(fields) {
		return fmt.Errorf("there is no field %d", n)
	}
	said := strings.Trim(fields[n], " \t")
	want, err := strconv.ParseFloat(said, 64)
	if strings.Trim(said, "+-.0123456789") != "" || err != nil || d.Float() != want {
		return fmt.Errorf("field %d, %q, was read as %v", n, said, d)
	}
	return nil
}

// slowCRC is the textbook division, with bits reversed where the CRC is
// reflected, so that it shares nothing with the driver's.
func slowCRC(b []byte, poly, crc uint16, reflected bool) uint16 {
	for _, c := range b {
		if reflected {
			c = bits.Reverse8(c)
		}
		for i := 7; i >= 0; i-- {
			top := crc>>15 ^ uint16(c>>i&1)
			crc = crc << 1
			if top == 1 {
				crc ^= poly
			}
		}
	}
	if reflected {
		return bits.Reverse16(crc)
	}
	return crc
}

func TestChecksums(t *testing.T) {
	// Check values are those of the catalogue of parametrised CRC algorithms
	// (from memory), each computed a second time by slowCRC; those of xmodem and
	// ibm-3740 by Python's binascii.crc_hqx, too. The last row is the worked
	// example of the MODBUS over serial line guide, whose register is 0x1241.
	const digits = "123456789"
	for _, c := range []struct {
		name, body, want string
		slow             uint16
	}{
		{"sum", digits, "DD", 0xDD}, // 9 × 0x30 + 45 = 477
		{"xor", digits, "31", 0x31}, // 1^2^…^9 = 1, and nine times 0x30
		{"crc-16/modbus", digits, "4B37", slowCRC([]byte(digits), 0x8005, 0xffff, true)},
		{"crc-16/arc", digits, "BB3D", slowCRC([]byte(digits), 0x8005, 0, true)},
		{"crc-16/kermit", digits, "2189", slowCRC([]byte(digits), 0x1021, 0, true)},
		{"crc-16/xmodem", digits, "31C3", slowCRC([]byte(digits), 0x1021, 0, false)},
		{"crc-16/ibm-3740", digits, "29B1", slowCRC([]byte(digits), 0x1021, 0xffff, false)},
		{"crc-16/modbus", "\x02\x07", "1241", 0x1241},
	} {
		if got := fmt.Sprintf("%0*X", len(c.want), c.slow); got != c.want {
			t.Errorf("%s of %q the slow way: %s, want %s", c.name, c.body, got, c.want)
		}
		p, err := textline.New(textline.Options{Unit: "W/m2", Pattern: `(?P<value>\d{9})|\x02\x07(?P<status>.{0})`, OK: []string{"OK"}, OverRange: []string{"x"},
			More: textline.More{Checksum: textline.Checksum{Name: c.name}}})
		if err != nil {
			t.Fatal(err)
		}
		_, err = driverstest.Parse(p, []byte(c.body+c.want))
		wrong := strings.Map(func(r rune) rune { return rune("123456789ABCDEF0"[strings.IndexRune("0123456789ABCDEF", r)]) }, c.want)
		if err != nil && strings.Contains(err.Error(), "checksum") {
			t.Errorf("%s of %q: %v", c.name, c.body, err)
		}
		if _, err := driverstest.Parse(p, []byte(c.body+wrong)); err == nil || !strings.Contains(err.Error(), "the checksum is "+c.want) {
			t.Errorf("%s: a wrong checksum gives %v", c.name, err)
		}
	}
}

// TestLowByteFirst has a CRC said low byte first, and one said the wrong way round
// refused with what to do about it.
func TestLowByteFirst(t *testing.T) {
	for _, c := range []struct {
		lowFirst bool
		line     string
		ok       bool
	}{{true, "123456789 374B", true}, {true, "123456789 4B37", false}, {false, "123456789 4b37", true}, {false, "123456789 374B", false}} {
		p, err := textline.New(textline.Options{ValueColumn: 1, Unit: "W/m2",
			More: textline.More{Checksum: textline.Checksum{Name: "crc-16/modbus", Mark: " ", LowFirst: c.lowFirst}}})
		if err != nil {
			t.Fatal(err)
		}
		r, err := driverstest.Parse(p, []byte(c.line))
		switch {
		case c.ok && (err != nil || r.Value.String() != "123456789"):
			t.Errorf("%+v: %+v, %v", c, r, err)
		case !c.ok && (err == nil || !strings.Contains(err.Error(), "checksum_low_first")):
			t.Errorf("%+v: %+v, %v, want what to set", c, r, err)
		}
	}
}

// TestNoWrongBitPasses turns over each bit of a checksummed line.
func TestNoWrongBitPasses(t *testing.T) {
	for name, line := range map[string]string{"hex": "$0078,001F,FFFE,0E7E*" + fmt.Sprintf("%02X", sum8("0078,001F,FFFE,0E7E")),
		"crc": "S=0.412 mW/cm2 T=88.7F B=74% " + fmt.Sprintf("%04X", slowCRC([]byte("S=0.412 mW/cm2 T=88.7F B=74% "), 0x8005, 0xffff, true))} {
		p := language(t, name)
		if _, err := driverstest.Parse(p, []byte(line)); err != nil {
			t.Fatal(err)
		}
		for i := range 8 * len(line) {
			b := []byte(line)
			b[i/8] ^= 1 << (i % 8)
			if bytes.EqualFold(b, []byte(line)) {
				continue // a digit of the checksum in the other case
			}
			if got, err := driverstest.Parse(p, b); err == nil {
				t.Errorf("%s: %q was read as %+v", name, b, got)
			}
		}
	}
}

func sum8(s string) (sum byte) {
	for _, c := range []byte(s) {
		sum += c
	}
	return sum
}

func TestHexNumbers(t *testing.T) {
	read := func(number, scale, line string) (drivers.Reading, error) {
		p, err := textline.New(textline.Options{Unit: "W/m2", ValueColumn: 1, OverRange: []string{"FFFF"},
			More: textline.More{Number: number, Scale: scale}})
		if err != nil {
			t.Fatal(err)
		}
		return driverstest.Parse(p, []byte(line))
	}
	for _, c := range []struct {
		number, scale, line, want string // "" = refused
	}{
		{"hex", "", "1F", "31"},
		{"hex", "0.001", "04D2", "1.234"},
		{"hex", "0.5", "0x3", "1.5"},
		{"hex", "0.999999999", "FFFFFFFE", "4294967289.705032706"}, // (2³²−2) × 0.999999999, exact
		{"hex", "", "fffe", "65534"},
		{"signed hex", "0.01", "FFFE", "-0.02"},
		{"signed hex", "0.01", "7FFE", "327.66"},
		{"signed hex", "", "FE", "-2"},
		{"signed hex", "", "80000000", "-2147483648"},
		{"signed hex", "", "8", "-8"},
		{"hex", "", "123456789", ""},
		{"hex", "", "-1", ""},
		{"hex", "", "1.5", ""},
		{"hex", "", "0x", ""},
		{"hex", "", "1G", ""},
	} {
		r, err := read(c.number, c.scale, c.line)
		if got := r.Value.String(); err != nil && c.want != "" || err == nil && got != c.want {
			t.Errorf("%s %q × %q = %s, %v, want %s", c.number, c.line, c.scale, got, err, c.want)
		}
	}
	if r, err := read("hex", "", "FFFF"); err != nil || r.HasValue || r.Status != drivers.OverRange {
		t.Errorf("the word FFFF: %+v, %v, want over-range and no number", r, err)
	}
}

func TestMoreRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		change func(o *textline.Options)
		want   string
	}{
		"two axes":           {func(o *textline.Options) { o.More.AxisColumns = [3]int{2, 3, 0} }, "axes: name all three"},
		"axis on the value":  {func(o *textline.Options) { o.More.AxisColumns = [3]int{1, 2, 3} }, "axes: column 1 is the column of value"},
		"nothing":            {func(o *textline.Options) { o.ValueColumn = 0 }, "value:"},
		"battery, no unit":   {func(o *textline.Options) { o.More.BatteryColumn = 2 }, "battery_unit: say"},
		"unit, no battery":   {func(o *textline.Options) { o.More.BatteryUnit = "V" }, "battery_unit: the line"},
		"battery in Ah":      {func(o *textline.Options) { o.More.BatteryColumn, o.More.BatteryUnit = 2, "Ah" }, `battery_unit: "Ah"`},
		"degrees, nothing":   {func(o *textline.Options) { o.More.TemperatureUnit = "K" }, "temperature_unit: the line"},
		"degrees Réaumur":    {func(o *textline.Options) { o.More.TemperatureColumn, o.More.TemperatureUnit = 2, "°R" }, `temperature_unit: "°R"`},
		"octal":              {func(o *textline.Options) { o.More.Number = "octal" }, `number: "octal"`},
		"scale of decimals":  {func(o *textline.Options) { o.More.Scale = "0.1" }, "scale: decimal numbers"},
		"scale of 0":         {func(o *textline.Options) { o.More.Number, o.More.Scale = "hex", "0.0" }, `scale: "0.0"`},
		"long scale":         {func(o *textline.Options) { o.More.Number, o.More.Scale = "hex", "1.234567891" }, `scale: "1.234567891"`},
		"scale of nothing":   {func(o *textline.Options) { o.More.Number, o.More.BatteryScale = "hex", "1" }, "battery_scale"},
		"unknown checksum":   {func(o *textline.Options) { o.More.Checksum.Name = "crc-16" }, "crc-16/modbus"},
		"mark, no checksum":  {func(o *textline.Options) { o.More.Checksum.Mark = "*" }, "checksum: name it"},
		"with what mark":     {func(o *textline.Options) { o.More.Checksum = textline.Checksum{Name: "xor", WithMark: true} }, "checksum_with_mark"},
		"low byte of one":    {func(o *textline.Options) { o.More.Checksum = textline.Checksum{Name: "sum", LowFirst: true} }, "checksum_low_first: sum is one byte"},
		"low first, nothing": {func(o *textline.Options) { o.More.Checksum.LowFirst = true }, "checksum: name it"},
		"mark ends the line": {func(o *textline.Options) { o.More.Checksum = textline.Checksum{Name: "xor", Mark: "\n"} }, "checksum_mark"},
		"group and column": {func(o *textline.Options) {
			o.ValueColumn, o.Pattern, o.More.TemperatureColumn = 0, "(?P<value>.)", 3
		}, "pattern: takes the place"},
	} {
		t.Run(name, func(t *testing.T) {
			o := textline.Options{ValueColumn: 1, Unit: "W/m2"}
			c.change(&o)
			if _, err := textline.New(o); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("New gives %v, want an error with %q", err, c.want)
			}
		})
	}
}
