package driverstest

import (
	"fmt"

	"ovenward/drivers"
)

// more is what a reading holds beside its value, as a golden file has it.
type more struct {
	Axes        []string `json:"axes,omitempty"` // x, y, z
	Temperature string   `json:"temperature,omitempty"`
	Degrees     string   `json:"temperature_unit,omitempty"`
	Battery     string   `json:"battery,omitempty"`
	BatteryUnit string   `json:"battery_unit,omitempty"`
}

func moreOf(r drivers.Reading) more {
	m := more{BatteryUnit: r.BatteryUnit}
	if r.HasAxes {
		for _, a := range r.Axes {
			m.Axes = append(m.Axes, a.String())
		}
	}
	if r.HasTemp {
		m.Temperature, m.Degrees = r.Temperature.String(), r.TemperatureUnit
	}
	if r.BatteryUnit != "" {
		m.Battery = r.Battery.String()
	}
	return m
}

func (m more) add(r *drivers.Reading) error {
	read := func(what, said string, to *drivers.Decimal) (err error) {
		if *to, err = drivers.ParseNRf([]byte(said)); err != nil {
			err = fmt.Errorf("%s %q: %w", what, said, err)
		}
		return err
	}
	if m.Axes != nil {
		if len(m.Axes) != len(r.Axes) {
			return fmt.Errorf("%d axes, want %d", len(m.Axes), len(r.Axes))
		}
		r.HasAxes = true
		for i, said := range m.Axes {
			if err := read("axis", said, &r.Axes[i]); err != nil {
				return err
			}
		}
	}
	if m.Temperature != "" {
		r.HasTemp, r.TemperatureUnit = true, m.Degrees
		if err := read("temperature", m.Temperature, &r.Temperature); err != nil {
			return err
		}
	}
	if m.BatteryUnit != "" {
		r.BatteryUnit = m.BatteryUnit
		return read("battery", m.Battery, &r.Battery)
	}
	return nil
}

// otherRequests are those that p may send beside the one for a reading.
func otherRequests(p drivers.Protocol) [][]byte {
	var all [][]byte
	if i, ok := p.(drivers.Identified); ok {
		all = append(all, i.IdentityRequest())
	}
	if t, ok := p.(drivers.Troubled); ok {
		all = append(all, t.TroubleRequest())
	}
	return all
}
