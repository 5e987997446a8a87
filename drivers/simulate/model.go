package simulate

import "time"

// ModelKitchen returns the site Ovenward shows when it is given no
// configuration: three ovens, each with a probe 50 mm from its door. The
// pantry oven's seam fails: from kitchen time 25 s its leak grows from
// 0.4 mW/cm² (4 W/m²), passes 5 mW/cm² (50 W/m²) at about 45 s and stays at
// about 7.5 mW/cm² (75 W/m²) whenever it runs. The other two stay below
// 1 mW/cm². All of it is invented.
func ModelKitchen(seed uint64, speed float64) Options {
	const s = time.Second
	return Options{
		Site:  "model kitchen",
		Seed:  seed,
		Speed: speed,
		Ovens: []Oven{{
			ID: "counter", Name: "counter oven", Power: 1000, Magnetrons: 1,
			Seam: Point{0, 0, 1.1}, Gap: Gap{Before: 0.7, After: 0.7}, Stir: 0.2,
			Runs:       []Run{{0, 154 * s, On11Off11}},
			SeededFrom: 180 * s,
		}, {
			ID: "pantry", Name: "pantry oven", Power: 800, Magnetrons: 1,
			Seam: Point{6.5, 3, 1.3}, Gap: Gap{Before: 1, After: 4.33, From: 25 * s, Until: 50 * s}, Stir: 0.06,
			Runs:       []Run{{3 * s, 362 * s, FullPower}},
			SeededFrom: 390 * s,
		}, {
			ID: "staff-room", Name: "staff room oven", Power: 1800, Magnetrons: 2,
			Seam: Point{14, 1.5, 1.2}, Gap: Gap{Before: 0.55, After: 0.55}, Stir: 0.25,
			Runs:       []Run{{2 * s, 30 * s, FullPower}, {44 * s, 40 * s, FullPower}, {100 * s, 45 * s, FullPower}},
			SeededFrom: 160 * s,
		}},
		Probes: []ProbeSpec{
			{ID: "probe-1", Post: "counter-door", At: Point{0, 0.05, 1.1}, Zero: 0.04, ZeroPerKelvin: 0.003, Charge: 0.9},
			{ID: "probe-2", Post: "pantry-door", At: Point{6.5, 3.05, 1.3}, Zero: 0.03, ZeroPerKelvin: -0.002, Charge: 0.7},
			{ID: "probe-3", Post: "staff-room-door", At: Point{14, 1.55, 1.2}, Zero: 0.05, ZeroPerKelvin: 0.004, Charge: 0.8},
		},
	}
}

// Scripted returns a kitchen of one oven ("oven-1") that emits as the pattern
// says and of one probe ("probe-1", post "door-1") that stands 50 mm from it,
// without zero error and else with the defaults of ProbeSpec. It is for tests
// that need a known field.
func Scripted(seed uint64, speed float64, pattern Pattern) Options {
	return Options{
		Site:  "scripted kitchen",
		Seed:  seed,
		Speed: speed,
		Ovens: []Oven{{ID: "oven-1", Name: "scripted oven", Magnetrons: 1, Pattern: &pattern}},
		Probes: []ProbeSpec{
			{ID: "probe-1", Post: "door-1", At: Point{0, reference, 0}},
		},
	}
}
