package textline

import (
	"errors"
	"fmt"
	"slices"

	"ovenward/drivers"
)

// More is what a line can say beside value, unit and status, and how its
// numbers are written. Names in the comments are those of the configuration.
type More struct {
	// Columns, from 1; 0 means that there is none. With a pattern, its groups
	// x, y, z, temperature and battery take their place.
	AxisColumns       [3]int // axes: x, y, z; all three or none
	TemperatureColumn int    // temperature
	BatteryColumn     int    // battery

	TemperatureUnit string // temperature_unit: °C (default), °F or K
	BatteryUnit     string // battery_unit: V, mV or %

	// Number (number) is how all numbers are written: "decimal" (default),
	// "hex" for counts without a sign, "signed hex" for two's complement over
	// as many digits as there are. In hex the scales, positive decimals, turn a
	// count into a number of its unit; 1 when empty.
	Number           string
	Scale            string // scale: of value and axes
	TemperatureScale string // temperature_scale
	BatteryScale     string // battery_scale

	Checksum Checksum
}

// maxHexDigits keeps count times scale within an int64.
const (
	maxHexDigits   = 8
	maxScaleDigits = 9
)

// numbers is how numbers are written, as protocol holds it.
type numbers struct {
	hex, signed bool
	scale       drivers.Decimal // of value and axes
	temperature drivers.Decimal
	battery     drivers.Decimal
}

// more is what protocol holds of More.
type more struct {
	axes                 [3]int // columns, or groups of the pattern; 0 = none
	temperature, battery int
	temperatureUnit      string
	batteryUnit          string // as in a Reading
	batteryExp           int8   // said in 10^batteryExp of that unit
	numbers              numbers
	checksum             check
}

// setMore takes the options over; what is wrong with them comes back joined.
func (p *protocol) setMore(o More) error {
	m := &p.more
	m.axes, m.temperature, m.battery = o.AxisColumns, o.TemperatureColumn, o.BatteryColumn
	p.columns = max(p.columns, slices.Max(m.axes[:]), m.temperature, m.battery)
	var errs []error
	m.temperatureUnit = "°C"
	switch o.TemperatureUnit {
	case "", "°C", "degC":
	case "°F", "degF":
		m.temperatureUnit = "°F"
	case "K":
		m.temperatureUnit = "K"
	default:
		errs = append(errs, fmt.Errorf(`temperature_unit: %q, want "°C", "°F" or "K"`, o.TemperatureUnit))
	}
	switch o.BatteryUnit {
	case "", "V", "%":
		m.batteryUnit = o.BatteryUnit
	case "mV":
		m.batteryUnit, m.batteryExp = "V", -3
	default:
		errs = append(errs, fmt.Errorf(`battery_unit: %q, want "V", "mV" or "%%"`, o.BatteryUnit))
	}
	errs = append(errs, m.numbers.set(o), m.checksum.set(o.Checksum, p.terminator))
	return errors.Join(errs...)
}

func (n *numbers) set(o More) error {
	switch o.Number {
	case "", "decimal":
	case "hex":
		n.hex = true
	case "signed hex":
		n.hex, n.signed = true, true
	default:
		return fmt.Errorf(`number: %q, want "decimal", "hex" or "signed hex"`, o.Number)
	}
	var errs []error
	for _, s := range []struct {
		option, said string
		to           *drivers.Decimal
	}{{"scale", o.Scale, &n.scale}, {"temperature_scale", o.TemperatureScale, &n.temperature}, {"battery_scale", o.BatteryScale, &n.battery}} {
		*s.to = drivers.Decimal{Digits: 1}
		if s.said == "" {
			continue
		}
		d, err := drivers.ParseDecimal([]byte(s.said), '.')
		switch {
		case !n.hex:
			errs = append(errs, fmt.Errorf(`%s: decimal numbers are taken as said; leave it out, or set number = "hex"`, s.option))
		case err != nil || d.Digits <= 0 || d.Digits >= 1e9:
			errs = append(errs, fmt.Errorf("%s: %q, want a decimal number above 0 with at most %d digits", s.option, s.said, maxScaleDigits))
		default:
			*s.to = d
		}
	}
	return errors.Join(errs...)
}

// checkMore tells what does not fit together, once columns and groups are
// known.
func (p *protocol) checkMore(o Options) error {
	var errs []error
	m := &p.more
	n := 0
	for _, a := range m.axes {
		n += min(max(a, 0), 1)
	}
	if n != 0 && n != len(m.axes) {
		errs = append(errs, errors.New("axes: name all three, x, y and z, or none"))
	}
	switch {
	case m.battery > 0 && m.batteryUnit == "":
		errs = append(errs, errors.New(`battery_unit: say in what the battery is told: "V", "mV" or "%"`))
	case m.battery == 0 && o.More.BatteryUnit != "":
		errs = append(errs, errors.New("battery_unit: the line says no battery; leave it out, or say where battery stands"))
	}
	if m.temperature == 0 && o.More.TemperatureUnit != "" {
		errs = append(errs, errors.New("temperature_unit: the line says no temperature; leave it out, or say where temperature stands"))
	}
	if m.temperature == 0 && o.More.TemperatureScale != "" || m.battery == 0 && o.More.BatteryScale != "" {
		errs = append(errs, errors.New("temperature_scale, battery_scale: the line does not say what they scale; leave them out"))
	}
	return errors.Join(errs...)
}

// number reads a field as the instrument writes numbers.
func (p *protocol) number(field []byte, scale drivers.Decimal) (drivers.Decimal, error) {
	if !p.more.numbers.hex {
		return drivers.ParseDecimal(field, p.mark)
	}
	n, digits, ok := hexCount(field)
	if !ok {
		return drivers.Decimal{}, errNotHex
	}
	if bits := 4 * digits; p.more.numbers.signed && n >= 1<<(bits-1) {
		n -= 1 << bits
	}
	return drivers.Decimal{Digits: n * scale.Digits, Exp: scale.Exp}, nil
}

var errNotHex = fmt.Errorf("not a hexadecimal number of up to %d digits", maxHexDigits)

// hexCount reads hexadecimal digits, after 0x or not.
func hexCount(b []byte) (n int64, digits int, ok bool) {
	if len(b) > 2 && b[0] == '0' && (b[1] == 'x' || b[1] == 'X') {
		b = b[2:]
	}
	if len(b) == 0 || len(b) > maxHexDigits {
		return 0, 0, false
	}
	for _, c := range b {
		d, ok := hexDigit(c)
		if !ok {
			return 0, 0, false
		}
		n = n<<4 | int64(d)
	}
	return n, len(b), true
}

func hexDigit(c byte) (byte, bool) {
	switch {
	case c >= '0' && c <= '9':
		return c - '0', true
	case c >= 'a' && c <= 'f':
		return c - 'a' + 10, true
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10, true
	}
	return 0, false
}

// numberWords says how numbers are written, for errors.
func (p *protocol) numberWords() string {
	if p.more.numbers.hex {
		return fmt.Sprintf("a hexadecimal number of up to %d digits", maxHexDigits)
	}
	return fmt.Sprintf("a decimal number with the mark %q", string(rune(p.mark)))
}

// readAxes reads the three axes. A word in place of one counts as it does in
// place of the value, so that no axis' over-range is lost.
func (p *protocol) readAxes(f *fields, r *drivers.Reading) error {
	if p.more.axes[0] == 0 {
		return nil
	}
	said := 0
	for i, field := range f.axes {
		d, err := p.number(field, p.more.numbers.scale)
		instead, known := p.replaces(field)
		switch {
		case known && (err != nil || p.more.numbers.hex):
			r.Status |= instead
		case err == nil:
			r.Axes[i] = d
			said++
		case len(field) > 0:
			return fmt.Errorf("axis %c: %s is not %s", 'x'+i, quote(field), p.numberWords())
		}
	}
	if r.HasAxes = said == len(r.Axes); !r.HasAxes {
		r.Axes = [3]drivers.Decimal{}
	}
	return nil
}

// readVitals reads temperature and battery. An empty field says nothing.
func (p *protocol) readVitals(f *fields, r *drivers.Reading) error {
	m := &p.more
	if len(f.temperature) > 0 {
		d, err := p.number(f.temperature, m.numbers.temperature)
		if err != nil {
			return fmt.Errorf("temperature %s is not %s", quote(f.temperature), p.numberWords())
		}
		r.Temperature, r.HasTemp, r.TemperatureUnit = d, true, m.temperatureUnit
	}
	if len(f.battery) > 0 {
		d, err := p.number(f.battery, m.numbers.battery)
		if err != nil || int(d.Exp)+int(m.batteryExp) < -128 {
			return fmt.Errorf("battery %s is not %s", quote(f.battery), p.numberWords())
		}
		d.Exp += m.batteryExp
		r.Battery, r.BatteryUnit = d, m.batteryUnit
	}
	return nil
}
