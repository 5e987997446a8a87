package rows

import (
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// fields is one row as text, before it is understood. What is empty is not
// there.
type fields struct {
	post, seq, utc, within, said, saidHex, value, unit string
	axes                                               [3]string
	temperature, temperatureUnit, battery, batteryUnit string
	status, quality                                    string
	site, oven, probe, origin                          string
}

// row understands a row. All values that somebody made of what was said are left
// aside: S, U and Certificate are not set.
func (f fields) row() (Row, error) {
	r := Row{Post: f.post, Site: f.site, Oven: f.oven, Probe: f.probe, Origin: f.origin}
	nan := quantity.PowerDensity(math.NaN())
	r.Sample.S, r.Sample.U, r.Indicated = nan, nan, nan
	var errs [6]error
	if errs[0] = f.texts(); errs[0] == nil {
		errs[0] = f.place(&r)
	}
	errs[1] = f.instant(&r.Sample)
	r.Sample.Said, errs[2] = f.bytes()
	errs[3] = f.reading(&r.Sample.Reading)
	r.Sample.Reading.Status, errs[4] = words[drivers.Status]("status", f.status, statuses())
	if errs[4] == nil {
		errs[5] = f.judge(&r.Sample)
	}
	return r, errors.Join(errs[:]...)
}

// texts looks at all that is a name or a word.
func (f fields) texts() error {
	for name, s := range map[string]string{"post": f.post, "site": f.site, "oven": f.oven, "probe": f.probe, "unit": f.unit} {
		if len(s) > 300 || !plain([]byte(s)) {
			return fmt.Errorf("%s is no plain text: write at most 300 bytes of UTF-8 on one line", name)
		}
	}
	if !slices.Contains([]string{"", "°C", "°F", "K"}, f.temperatureUnit) {
		return fmt.Errorf("temperature_unit %q is not known: write °C, °F or K", f.temperatureUnit)
	}
	if !slices.Contains([]string{"", "V", "%"}, f.batteryUnit) {
		return fmt.Errorf("battery_unit %q is not known: write V or %%", f.batteryUnit)
	}
	return nil
}

func (f fields) place(r *Row) error {
	var err error
	switch {
	case strings.TrimSpace(f.post) == "":
		return errors.New("post is empty: name the post")
	case f.origin != "" && !slices.Contains([]string{Probe, Simulated, Imported, ImportedSimulated}, f.origin):
		return fmt.Errorf("origin %q is not known: write probe or simulated", f.origin)
	}
	if r.Sample.Seq, err = strconv.ParseInt(f.seq, 10, 64); err != nil || r.Sample.Seq < 1 {
		return fmt.Errorf("seq %q is no number of a sample: write 1, 2, 3 …", f.seq)
	}
	return nil
}

// instant reads when a sample was taken. The record keeps ns since 1970 in 64
// bits, so it knows the years up to 2261.
func (f fields) instant(s *acquire.Sample) error {
	at, err := time.Parse(time.RFC3339Nano, f.utc)
	if err != nil {
		return fmt.Errorf("utc %q is no instant: write for example 2026-11-25T10:00:00.5Z", f.utc)
	}
	if at.Year() < 1970 || at.Year() > 2261 || at.UnixNano() == 0 {
		return fmt.Errorf("utc %s is out of range: write a year from 1970 to 2261", f.utc)
	}
	s.At = at.UTC()
	if f.within == "" {
		return nil
	}
	ms, err := strconv.ParseFloat(f.within, 64)
	if err != nil || !(ms >= 0 && ms <= 1e12) {
		return fmt.Errorf("utc_within_ms %q is no span: write milliseconds, 0 or more", f.within)
	}
	s.AtU = time.Duration(math.Round(ms * 1e6))
	return nil
}

func (f fields) bytes() ([]byte, error) {
	switch {
	case f.saidHex != "" && f.said != "":
		return nil, errors.New("said and said_hex both stand there: keep one of them")
	case f.saidHex != "":
		b, err := hex.DecodeString(f.saidHex)
		if err != nil {
			return nil, fmt.Errorf("said_hex: %w: write two hexadecimal digits a byte", err)
		}
		return b, nil
	case f.said == "":
		return nil, errors.New("said is empty: a sample without what the instrument said is none")
	}
	return []byte(f.said), nil
}

func (f fields) reading(r *drivers.Reading) error {
	var err error
	number := func(name, text string) (d drivers.Decimal) {
		if err == nil {
			if d, err = decimal(text); err != nil {
				err = fmt.Errorf("%s %q is no decimal number of up to 18 digits", name, text)
			}
		}
		return d
	}
	r.Unit, r.TemperatureUnit, r.BatteryUnit = f.unit, f.temperatureUnit, f.batteryUnit
	if r.HasValue = f.value != ""; r.HasValue {
		r.Value = number("value", f.value)
	}
	if r.HasAxes = f.axes != [3]string{}; r.HasAxes {
		for i, name := range []string{"x", "y", "z"} {
			r.Axes[i] = number(name, f.axes[i])
		}
	}
	if r.HasTemp = f.temperature != ""; r.HasTemp {
		r.Temperature = number("temperature", f.temperature)
	}
	if f.batteryUnit != "" {
		r.Battery = number("battery", f.battery)
	}
	if err != nil {
		return err
	}
	switch _, known := quantity.LookupUnit(f.unit); {
	case !known && (r.HasValue || r.HasAxes):
		return fmt.Errorf("unit %q is not known: write for example mW/cm2 or V/m", f.unit)
	case f.temperature == "" && f.temperatureUnit != "", f.battery != "" && f.batteryUnit == "":
		return errors.New("a number and its unit go together: temperature with temperature_unit, battery with battery_unit")
	}
	return nil
}

// judge reads what is wrong with a sample. Where the file does not say, it is
// what the instrument said.
func (f fields) judge(s *acquire.Sample) error {
	q, err := words[acquire.Quality]("quality", f.quality, acquire.Classes()[:5])
	if err != nil {
		return err
	}
	if s.Reading.Status&drivers.OverRange != 0 {
		q |= acquire.OverRange
	}
	if s.Reading.Status&drivers.Fault != 0 || !s.Reading.HasValue && !s.Reading.HasAxes && q&acquire.OverRange == 0 {
		q |= acquire.Fault // no number, and no word why
	}
	s.Quality = q
	return nil
}

// words reads a list of words as bits, the first word being the lowest.
func words[T ~uint8](name, text string, known []string) (T, error) {
	var bits T
	for _, w := range strings.Fields(text) {
		i := slices.Index(known, w)
		if i < 0 && !(name == "quality" && w == "good") {
			return 0, fmt.Errorf("%s %q is not known: write %s", name, w, strings.Join(known, ", "))
		}
		if i >= 0 {
			bits |= 1 << i
		}
	}
	return bits, nil
}

// decimal is the inverse of drivers.Decimal.String.
func decimal(text string) (drivers.Decimal, error) {
	digits, exp, raised := strings.Cut(strings.ReplaceAll(text, "E", "e"), "e")
	whole, fraction, _ := strings.Cut(digits, ".")
	e := int64(-len(fraction))
	if raised {
		n, err := strconv.ParseInt(exp, 10, 16)
		if err != nil {
			return drivers.Decimal{}, err
		}
		e += n
	}
	d, err := strconv.ParseInt(whole+fraction, 10, 64)
	switch {
	case err != nil:
		return drivers.Decimal{}, err
	case strings.ContainsAny(fraction, "+-") || whole == "" || whole == "-":
		return drivers.Decimal{}, errors.New("no number")
	case e < math.MinInt8 || e > math.MaxInt8:
		return drivers.Decimal{}, errors.New("out of range")
	}
	return drivers.Decimal{Digits: d, Exp: int8(e)}, nil
}
