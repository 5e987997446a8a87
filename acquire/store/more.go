package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"ovenward/acquire"
	"ovenward/drivers"
)

// schemaMore keeps what a reading holds beside its value, and what else shapes
// a sample's stamp and its probe's alarms.
//
// samples.more is NULL where the instrument said nothing more, else a JSON
// object of what it said, each number with its digits as said:
//
//	{"axes":[1.20,0.31,-0.02],"temperature":23.5,"temperature_unit":"°C","battery":3.710,"battery_unit":"V"}
//
// axes are x, y, z in the sample's unit. A key that is not there was not said.
// SQLite reads it with json_extract(more, '$.temperature'). probe_offset_s is
// how far a stamp was moved from the middle of question and answer; it is in
// at_ns already. NULL is none, here and in the bounds of the probe's alarms.
const schemaMore = `
ALTER TABLE samples ADD COLUMN more TEXT;
ALTER TABLE post_versions ADD COLUMN probe_offset_s REAL;
ALTER TABLE post_versions ADD COLUMN probe_ask_delay_s REAL;
ALTER TABLE post_versions ADD COLUMN probe_answer_delay_s REAL;
ALTER TABLE post_versions ADD COLUMN probe_battery_below_v REAL;
ALTER TABLE post_versions ADD COLUMN probe_battery_below_ratio REAL;
ALTER TABLE post_versions ADD COLUMN probe_temperature_below_c REAL;
ALTER TABLE post_versions ADD COLUMN probe_temperature_above_c REAL;
DROP VIEW samples_read;
CREATE VIEW samples_read AS
SELECT posts.id AS post, s.seq,
  strftime('%Y-%m-%dT%H:%M:%S', s.at_ns / 1000000000, 'unixepoch')
    || printf('.%09dZ', s.at_ns % 1000000000) AS utc,
  s.at_u_ns / 1e6 AS utc_within_ms,
  CAST(s.said AS TEXT) AS said,
  s.digits, s.exp, units.spelled AS unit,
  CASE s.quality WHEN 0 THEN 'good' ELSE trim(
    iif(s.quality & 1, 'fault ', '') || iif(s.quality & 2, 'over-range ', '') ||
    iif(s.quality & 4, 'uncalibrated ', '') || iif(s.quality & 8, 'under-floor ', '') ||
    iif(s.quality & 16, 'clock-unsure ', '')) END AS quality,
  s.version, s.correction, s.more
FROM samples AS s JOIN posts USING (post) JOIN units USING (unit);
`

// moreColumns are the columns of schemaMore that shape a post.
func moreColumns(p *acquire.Post) []column {
	pr := &p.Probe
	seconds := func(s float64) any {
		if s == 0 {
			return nil
		}
		return s
	}
	bound := func(x *float64) any {
		if x == nil {
			return nil
		}
		return number(*x)
	}
	return []column{
		{"probe_offset_s", seconds(pr.Offset.Seconds())}, {"probe_ask_delay_s", seconds(pr.AskDelay.Seconds())},
		{"probe_answer_delay_s", seconds(pr.AnswerDelay.Seconds())},
		{"probe_battery_below_v", bound(pr.Vitals.BatteryVolts)}, {"probe_battery_below_ratio", bound(pr.Vitals.BatteryRatio)},
		{"probe_temperature_below_c", bound(pr.Vitals.TemperatureBelow)}, {"probe_temperature_above_c", bound(pr.Vitals.TemperatureAbove)},
	}
}

// appendMore appends what goes into the column more; nothing where it is NULL.
func appendMore(b []byte, r drivers.Reading) []byte {
	if !r.HasAxes && !r.HasTemp && r.BatteryUnit == "" {
		return b
	}
	from := len(b)
	key := func(name string) {
		if mark := byte('{'); len(b) == from {
			b = append(b, mark)
		} else {
			b = append(b, ',')
		}
		b = append(append(append(b, '"'), name...), `":`...)
	}
	if r.HasAxes {
		key("axes")
		b = append(b, '[')
		for i, a := range r.Axes {
			if i > 0 {
				b = append(b, ',')
			}
			b = appendDecimal(b, a)
		}
		b = append(b, ']')
	}
	if r.HasTemp {
		key("temperature")
		b = appendDecimal(b, r.Temperature)
		if r.TemperatureUnit != "" {
			key("temperature_unit")
			b = appendString(b, r.TemperatureUnit)
		}
	}
	if r.BatteryUnit != "" {
		key("battery")
		b = appendDecimal(b, r.Battery)
		key("battery_unit")
		b = appendString(b, r.BatteryUnit)
	}
	return append(b, '}')
}

// appendDecimal appends d with all its digits, as a JSON number. It allocates
// nothing.
func appendDecimal(b []byte, d drivers.Decimal) []byte {
	if d.Exp > 0 {
		return strconv.AppendInt(append(strconv.AppendInt(b, d.Digits, 10), 'e'), int64(d.Exp), 10)
	}
	u := uint64(d.Digits)
	if d.Digits < 0 {
		b, u = append(b, '-'), -u
	}
	var room [20]byte
	digits := strconv.AppendUint(room[:0], u, 10)
	places := -int(d.Exp)
	if places == 0 {
		return append(b, digits...)
	}
	whole := len(digits) - places
	if whole <= 0 {
		b = append(b, '0', '.')
		for range -whole {
			b = append(b, '0')
		}
		return append(b, digits...)
	}
	return append(append(append(b, digits[:whole]...), '.'), digits[whole:]...)
}

// appendString appends a JSON string. Units as said are plain; what is not is
// left to the library.
func appendString(b []byte, s string) []byte {
	for _, c := range s {
		if c < ' ' || c == '"' || c == '\\' || c == '\uFFFD' {
			text, err := json.Marshal(s)
			if err != nil {
				text = []byte(`""`)
			}
			return append(b, text...)
		}
	}
	return append(append(append(b, '"'), s...), '"')
}

// readMore puts what the column more holds back into r.
func readMore(text string, r *drivers.Reading) error {
	var m struct {
		Axes            []json.Number `json:"axes"`
		Temperature     json.Number   `json:"temperature"`
		TemperatureUnit string        `json:"temperature_unit"`
		Battery         json.Number   `json:"battery"`
		BatteryUnit     string        `json:"battery_unit"`
	}
	if err := json.Unmarshal([]byte(text), &m); err != nil {
		return fmt.Errorf("column more, %.60q: %w", text, err)
	}
	if m.Axes != nil && len(m.Axes) != len(r.Axes) {
		return fmt.Errorf("column more: %d axes, want %d", len(m.Axes), len(r.Axes))
	}
	r.HasAxes, r.HasTemp = m.Axes != nil, m.Temperature != ""
	r.TemperatureUnit, r.BatteryUnit = m.TemperatureUnit, m.BatteryUnit
	var err error
	decimal := func(n json.Number) (d drivers.Decimal) {
		if n != "" && err == nil {
			d, err = readDecimal(n)
		}
		return d
	}
	for i, n := range m.Axes {
		r.Axes[i] = decimal(n)
	}
	r.Temperature, r.Battery = decimal(m.Temperature), decimal(m.Battery)
	return err
}

// readDecimal is the inverse of appendDecimal, over all that a Decimal can be.
func readDecimal(n json.Number) (drivers.Decimal, error) {
	digits, exp, _ := strings.Cut(string(n), "e")
	whole, fraction, _ := strings.Cut(digits, ".")
	e := int64(-len(fraction))
	var err error
	if exp != "" {
		e, err = strconv.ParseInt(exp, 10, 8)
	}
	d, derr := strconv.ParseInt(whole+fraction, 10, 64)
	if err = errors.Join(err, derr); err != nil || e < math.MinInt8 {
		return drivers.Decimal{}, fmt.Errorf("column more: %q is no number of ours: %w", n, err)
	}
	return drivers.Decimal{Digits: d, Exp: int8(e)}, nil
}
