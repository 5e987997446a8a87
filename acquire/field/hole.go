package field

import (
	"math"

	"ovenward/acquire/quantity"
)

// Hole is an opening in a conducting wall, taken as a waveguide as long as the
// wall is thick. Below its cut-off frequency a field dies away along it. Only
// the hole's depth counts here: neither its mouth nor how many there are. The
// zero Hole, and one of no width, has no cut-off and attenuates to NaN.
type Hole struct {
	cutoff quantity.Frequency
}

// te11 is the first zero of the derivative of the Bessel function J1, which
// fixes the lowest mode (TE11) of a round guide.
const te11 = 1.841183781340659

// RoundHole returns a round hole of diameter d, in m: f_c = 1.8412·c/πd
// (textbook, TE11; 6.917/d(in) GHz).
func RoundHole(d quantity.Length) Hole {
	return Hole{quantity.Frequency(te11 * SpeedOfLight / (math.Pi * positive(float64(d))))}
}

// Slot returns a slot or rectangular hole whose longer side is width, in m:
// f_c = c/2w (textbook, TE10; 5.901/w(in) GHz).
func Slot(width quantity.Length) Hole {
	return Hole{quantity.Frequency(SpeedOfLight / (2 * positive(float64(width))))}
}

// Cutoff returns the frequency in Hz above which the hole lets waves through.
func (h Hole) Cutoff() quantity.Frequency {
	return quantity.Frequency(positive(float64(h.cutoff)))
}

// AttenuationPerMetre returns the attenuation along the hole at f, in dB/m:
// (20/ln 10)·(2π/c)·√(f_c²-f²), the exact form of the textbook rules 31.98 dB·t/D
// (round) and 27.29 dB·t/w (slot), which hold far below cut-off. It is 0 from
// cut-off up, where the hole guides the wave.
func (h Hole) AttenuationPerMetre(f quantity.Frequency) float64 {
	fc, x := float64(h.Cutoff()), notNegative(float64(f))
	if x >= fc {
		return 0
	}
	// The product of sum and difference keeps its digits close to cut-off.
	return 20 / math.Ln10 * 2 * math.Pi / SpeedOfLight * math.Sqrt((fc-x)*(fc+x))
}

// Attenuation returns the attenuation through depth (m) of the hole at f, in dB.
func (h Hole) Attenuation(depth quantity.Length, f quantity.Frequency) float64 {
	return notNegative(float64(depth)) * h.AttenuationPerMetre(f)
}

// DepthFor returns the depth in m that gives attenuation (dB) at f. It is +Inf
// from cut-off up, where no depth does.
func (h Hole) DepthFor(attenuation float64, f quantity.Frequency) quantity.Length {
	return quantity.Length(positive(attenuation) / h.AttenuationPerMetre(f))
}
