package rows

import (
	"bufio"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"unicode/utf8"
)

// saidColumns are the columns of what was said; those of values follow, then
// placeColumns.
func saidColumns() []string {
	return []string{"post", "seq", "utc", "utc_within_ms", "said", "said_hex", "value", "unit", "x", "y", "z",
		"temperature", "temperature_unit", "battery", "battery_unit", "status", "quality"}
}

func placeColumns() []string { return []string{"certificate", "site", "oven", "probe", "origin"} }

// csvRows writes CSV (RFC 4180), with a line of names.
type csvRows struct {
	out    *bufio.Writer
	w      *csv.Writer
	v      Values
	begun  bool
	fields []string
	values []float64
}

func newCSV(out *bufio.Writer, v Values) *csvRows {
	return &csvRows{out: out, w: csv.NewWriter(out), v: v}
}

func (c *csvRows) Passes() int { return 1 }

func (c *csvRows) begin() error {
	if c.begun {
		return nil
	}
	c.begun = true
	return c.w.Write(append(append(saidColumns(), c.v.columns()...), placeColumns()...))
}

func (c *csvRows) Add(_ int, r *Row) error {
	if err := c.begin(); err != nil {
		return err
	}
	s, said := r.Sample, r.Sample.Reading
	f := append(c.fields[:0], r.Post, strconv.FormatInt(s.Seq, 10), s.At.UTC().Format(utcLayout), string(milliseconds(nil, s.AtU)))
	if plain(s.Said) {
		f = append(f, string(s.Said), "")
	} else {
		f = append(f, "", hex.EncodeToString(s.Said))
	}
	f = append(f, optional(said.HasValue, said.Value.String()), said.Unit)
	for _, a := range said.Axes {
		f = append(f, optional(said.HasAxes, a.String()))
	}
	f = append(f, optional(said.HasTemp, said.Temperature.String()), optional(said.HasTemp, said.TemperatureUnit),
		optional(said.BatteryUnit != "", said.Battery.String()), said.BatteryUnit, statusWords(said.Status), qualityWords(s.Quality))
	c.values = c.v.of(r, c.values)
	for _, x := range c.values {
		f = append(f, string(appendNumber(nil, x, "")))
	}
	c.fields = append(f, r.Certificate, r.Site, r.Oven, r.Probe, r.Origin)
	return c.w.Write(c.fields)
}

func optional(has bool, text string) string {
	if !has {
		return ""
	}
	return text
}

func (c *csvRows) Close() error {
	if err := c.begin(); err != nil {
		return err
	}
	c.w.Flush()
	if err := c.w.Error(); err != nil {
		return err
	}
	return c.out.Flush()
}

// jsonl writes one JSON object a line. Numbers that were said keep their digits.
type jsonl struct {
	w      *bufio.Writer
	v      Values
	names  []string
	buf    []byte
	values []float64
}

func (j *jsonl) Passes() int { return 1 }

func (j *jsonl) Add(_ int, r *Row) error {
	s, said := r.Sample, r.Sample.Reading
	b := append(j.buf[:0], '{')
	b = j.text(b, "post", r.Post)
	b = strconv.AppendInt(j.key(b, "seq"), s.Seq, 10)
	b = j.text(b, "utc", s.At.UTC().Format(utcLayout))
	b = milliseconds(j.key(b, "utc_within_ms"), s.AtU)
	if utf8.Valid(s.Said) {
		b = j.text(b, "said", string(s.Said))
	} else {
		b = j.text(b, "said_hex", hex.EncodeToString(s.Said))
	}
	b = append(j.key(b, "value"), orNull(said.HasValue, said.Value.String())...)
	b = j.text(b, "unit", said.Unit)
	for i, name := range []string{"x", "y", "z"} {
		if said.HasAxes {
			b = append(j.key(b, name), said.Axes[i].String()...)
		}
	}
	if said.HasTemp {
		b = append(j.key(b, "temperature"), said.Temperature.String()...)
		b = j.text(b, "temperature_unit", said.TemperatureUnit)
	}
	if said.BatteryUnit != "" {
		b = append(j.key(b, "battery"), said.Battery.String()...)
		b = j.text(b, "battery_unit", said.BatteryUnit)
	}
	b = j.text(b, "status", statusWords(said.Status))
	b = j.text(b, "quality", qualityWords(s.Quality))
	j.values = j.v.of(r, j.values)
	for i, x := range j.values {
		b = appendNumber(j.key(b, j.names[i]), x, "null")
	}
	if r.Certificate == "" {
		b = append(j.key(b, "certificate"), "null"...)
	} else {
		b = j.text(b, "certificate", r.Certificate)
	}
	for _, p := range [][2]string{{"site", r.Site}, {"oven", r.Oven}, {"probe", r.Probe}, {"origin", r.Origin}} {
		b = j.text(b, p[0], p[1])
	}
	j.buf = append(b, '}', '\n')
	_, err := j.w.Write(j.buf)
	return err
}

func orNull(has bool, text string) string {
	if !has {
		return "null"
	}
	return text
}

func (j *jsonl) key(b []byte, name string) []byte {
	if len(b) > 1 {
		b = append(b, ',')
	}
	return append(append(append(b, '"'), name...), `":`...)
}

func (j *jsonl) text(b []byte, name, s string) []byte {
	b = j.key(b, name)
	for i := range len(s) {
		if c := s[i]; c < ' ' || c >= 0x7f || c == '"' || c == '\\' {
			quoted, err := json.Marshal(s)
			if err != nil { // a string always marshals
				panic(fmt.Sprintf("write %q as JSON: %v", s, err))
			}
			return append(b, quoted...)
		}
	}
	return append(append(append(b, '"'), s...), '"')
}

func (j *jsonl) Close() error { return j.w.Flush() }
