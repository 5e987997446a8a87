package calib

import (
	"fmt"

	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// Single turns one number that a probe said into a power density: as it is when
// u is a unit of power density, by the stated impedance when it is one of field
// strength.
func (s Setting) Single(x float64, u quantity.Unit) (quantity.PowerDensity, error) {
	if p, ok := u.PowerDensity(x); ok {
		return p, nil
	}
	if err := s.takes(u); err != nil {
		return 0, err
	}
	if u.ToSI(x) < 0 {
		return 0, fmt.Errorf("%g %s is negative, and a root-mean-square field is not", x, u)
	}
	return s.Impedance.PowerDensity(x, u), nil
}

// Sum combines what a probe said of three axes: power densities add, field
// strengths add as squares. A level is no power density: each is turned into one
// before it is added.
func (s Setting) Sum(axes [3]float64, u quantity.Unit) (quantity.PowerDensity, error) {
	var sum quantity.PowerDensity
	for i, x := range axes {
		p, err := s.Single(x, u)
		if err != nil {
			return 0, fmt.Errorf("axis %c: %w", 'x'+rune(i), err)
		}
		sum += p
	}
	return sum, nil
}

// Raw turns a reading into a power density, as Level does. A temperature goes
// along, if it was said in a unit known here.
func (s *Setting) Raw(r *drivers.Reading, u quantity.Unit) (in Raw, err error) {
	if r.HasTemp {
		in.Temperature, in.HasTemperature = r.Celsius()
	}
	in.S, err = s.Level(r, u)
	return in, err
}

// Level is the power density of a reading: the number the instrument said as one, or
// else the sum of its three axes.
func (s *Setting) Level(r *drivers.Reading, u quantity.Unit) (quantity.PowerDensity, error) {
	if r.HasValue {
		return s.Single(r.Value.Float(), u)
	}
	return s.Sum([3]float64{r.Axes[0].Float(), r.Axes[1].Float(), r.Axes[2].Float()}, u)
}

// takes says whether the setting can make a power density of the unit.
func (s Setting) takes(u quantity.Unit) error {
	switch u.Kind() {
	case quantity.KindPowerDensity:
		return nil
	case quantity.KindElectricField, quantity.KindMagneticField:
		if s.Impedance == 0 {
			return fmt.Errorf(`unit %s is one of %s: state impedance = "377" or "codata" for this probe`, u, u.Kind())
		}
		return nil
	}
	return fmt.Errorf("unit %s is no unit of power density or field strength", u)
}
