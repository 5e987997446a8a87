package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"

	"ovenward/drivers"
)

// readings prints what a trial reads. It keeps the first error of its writer.
type readings struct {
	json bool
	to   io.Writer
	err  error
}

func newReadings(format string, to io.Writer) *readings {
	return &readings{json: format == "json", to: to}
}

const instantForm = "2006-01-02T15:04:05.000000Z07:00"

func (r *readings) outcome(o outcome) {
	text := o.text()
	if r.json {
		b, err := json.Marshal(o.object())
		if err != nil {
			r.err = errors.Join(r.err, err)
			return
		}
		text = string(b)
	}
	if _, err := fmt.Fprintln(r.to, text); err != nil && r.err == nil {
		r.err = err
	}
}

// text is one line for people.
func (o outcome) text() string {
	at := o.At.UTC().Format(instantForm)
	if o.Err != nil {
		text := at + "  " + o.Err.Error()
		if o.Frame != nil && !strings.Contains(text, strconv.Quote(string(o.Frame))) {
			text += ": " + strconv.Quote(string(o.Frame))
		}
		return text
	}
	parts := []string{fmt.Sprintf("%s ± %s", at, milliseconds(o.uncertainty())), o.value(), o.Quality.String()}
	rd := &o.Reading
	if rd.HasAxes {
		parts = append(parts, fmt.Sprintf("axes %s, %s, %s %s", rd.Axes[0], rd.Axes[1], rd.Axes[2], rd.Unit))
	}
	if rd.HasTemp {
		parts = append(parts, rd.Temperature.String()+" "+temperatureUnit(rd))
	}
	if rd.BatteryUnit != "" {
		parts = append(parts, "battery "+rd.Battery.String()+" "+rd.BatteryUnit)
	}
	if rd.Status&drivers.BatteryLow != 0 {
		parts = append(parts, "battery low")
	}
	if o.Late {
		parts = append(parts, "late: lengthen timeout")
	}
	if o.RoundTrip > 0 {
		parts = append(parts, "round trip "+milliseconds(o.RoundTrip))
	}
	return strings.Join(parts, "  ")
}

// temperatureUnit is what an instrument tells its temperature in.
func temperatureUnit(r *drivers.Reading) string {
	if r.TemperatureUnit == "" {
		return "°C"
	}
	return r.TemperatureUnit
}

func (o outcome) value() string {
	switch {
	case !o.Reading.HasValue && o.Reading.HasAxes:
		return fmt.Sprintf("sum %.4g W/m²", float64(o.S))
	case !o.Reading.HasValue:
		return "no number"
	}
	return o.Reading.Value.String() + " " + o.Reading.Unit
}

// reading is one outcome as JSON. What is not known is absent.
type reading struct {
	At          string   `json:"at"`
	Within      float64  `json:"at_within_s,omitempty"`
	Value       string   `json:"value,omitempty"` // digits as said
	Unit        string   `json:"unit,omitempty"`
	S           *float64 `json:"value_w_per_m2,omitempty"` // as said, or the sum of the axes; not corrected
	Quality     string   `json:"quality,omitempty"`
	Axes        []string `json:"axes,omitempty"`        // in unit
	Temperature string   `json:"temperature,omitempty"` // digits as said
	TempUnit    string   `json:"temperature_unit,omitempty"`
	Battery     string   `json:"battery,omitempty"`
	BatteryUnit string   `json:"battery_unit,omitempty"`
	BatteryLow  bool     `json:"battery_low,omitempty"`
	RoundTrip   float64  `json:"round_trip_s,omitempty"`
	Late        bool     `json:"late,omitempty"` // it came after the time-out
	Said        string   `json:"said,omitempty"` // escaped like a Go string
	Error       string   `json:"error,omitempty"`
}

func (o outcome) object() reading {
	j := reading{At: o.At.UTC().Format(instantForm), RoundTrip: o.RoundTrip.Seconds()}
	if o.Frame != nil {
		quoted := strconv.Quote(string(o.Frame))
		j.Said = quoted[1 : len(quoted)-1]
	}
	if o.Err != nil {
		j.Error = o.Err.Error()
		return j
	}
	rd := &o.Reading
	j.Within, j.Quality, j.BatteryLow = o.uncertainty().Seconds(), o.Quality.String(), rd.Status&drivers.BatteryLow != 0
	j.Late = o.Late
	if rd.HasValue || rd.HasAxes {
		s := float64(o.S)
		j.Unit, j.S = rd.Unit, &s
	}
	if rd.HasValue {
		j.Value = rd.Value.String()
	}
	if rd.HasAxes {
		j.Axes = []string{rd.Axes[0].String(), rd.Axes[1].String(), rd.Axes[2].String()}
	}
	if rd.HasTemp {
		j.Temperature, j.TempUnit = rd.Temperature.String(), temperatureUnit(rd)
	}
	if rd.BatteryUnit != "" {
		j.Battery, j.BatteryUnit = rd.Battery.String(), rd.BatteryUnit
	}
	return j
}
