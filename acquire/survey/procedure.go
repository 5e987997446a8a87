package survey

import (
	"fmt"
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// What every plan keeps to, whatever its procedure allows.
const (
	MostSpacing quantity.Length = 0.025 // between lines of a sweep
	MostSpeed                   = 0.025 // m/s; HEW Publication (FDA) 77-8037, 4.2.2: about 1 in/s
	SurfaceGap  quantity.Length = 0.05  // sensing centre to the nearest outer surface; 21 CFR 1030.10(c)(1)
)

// Range is a value with what it may be off by.
type Range struct {
	Value float64 `json:"value"`
	Off   float64 `json:"off"`
}

// Holds says whether x lies in the range.
func (r Range) Holds(x float64) bool { return math.Abs(x-r.Value) <= r.Off+1e-9 }

// Procedure is what a survey follows.
type Procedure struct {
	ID       string          `json:"id"`
	Title    string          `json:"title"`
	Source   string          `json:"source"`
	Load     Range           `json:"load_ml"` // of water
	Water    Range           `json:"water_c"` // °C at the start of a stage
	Distance quantity.Length `json:"distance_m"`
	Spacing  quantity.Length `json:"spacing_m"`
	Speed    float64         `json:"speed_m_per_s"`
	Valid    int             `json:"valid_months"` // until the next check is due
	ValidBy  string          `json:"valid_by"`     // why that long
	Notes    []string        `json:"notes,omitempty"`
	// Unconfirmed is what of it we could not read in its document.
	Unconfirmed string `json:"unconfirmed,omitempty"`
}

// Procedures lists the named ones. Spacing is our own choice in all of them: no
// document that we know states one.
func Procedures() []Procedure {
	const customary = "customary in workplaces; we know of no law that states an interval"
	water := Range{20, 5}
	base := Procedure{Load: Range{275, 15}, Water: water, Distance: SurfaceGap, Spacing: MostSpacing, Speed: MostSpeed, Valid: 12, ValidBy: customary}
	with := func(id, title, source, unconfirmed string, notes ...string) Procedure {
		p := base
		p.ID, p.Title, p.Source, p.Unconfirmed, p.Notes = id, title, source, unconfirmed, notes
		return p
	}
	field := with("us-field", "United States, field test of an oven in use",
		"HEW Publication (FDA) 77-8037, Procedures for Field Testing Microwave Ovens, 1977, 4.1 and 4.2; load and meter: 21 CFR 1030.10(c)(3)", "",
		"the vessel is a low-form beaker of 600 mL, inside about 8.5 cm wide, of glass or plastic",
		"what is written down there is the reading without its correction factor; here the corrected value is judged and both are kept")
	canada := with("ca-field", "Canada, oven with the test load",
		"Radiation Emitting Devices Regulations, C.R.C. c. 1370, Schedule II Part III (load, distance, meter)", "the pace of the sweep, which is taken from the United States' field test")
	iec := with("iec-field", "IEC, household oven", "IEC 60335-2-25 cl. 32, as quoted in secondary sources",
		"the whole clause: water at 20 ± 2 °C in a thin glass vessel 85 mm wide is from memory")
	iec.Water = Range{20, 2}
	return []Procedure{field, canada, iec}
}

// FindProcedure looks up a named procedure.
func FindProcedure(id string, own []Procedure) (Procedure, bool) {
	for _, p := range append(append([]Procedure{}, own...), Procedures()...) {
		if p.ID == id {
			return p, true
		}
	}
	return Procedure{}, false
}

// Check says what is wrong with a procedure of the user's own. It may ask for
// more than ours, never for a faster or a coarser sweep.
func (p Procedure) Check() error {
	switch {
	case p.ID == "" || p.Title == "" || p.Source == "":
		return fmt.Errorf("a procedure needs an id, a title and a source: where it is written down")
	case !(p.Load.Value >= 100 && p.Load.Value <= 5000 && p.Load.Off >= 0 && p.Load.Off < p.Load.Value):
		return fmt.Errorf("procedure %s: a load of %g ± %g mL; give it 100 to 5000 mL of water", p.ID, p.Load.Value, p.Load.Off)
	case !(p.Water.Value > 0 && p.Water.Value <= 40 && p.Water.Off >= 0 && p.Water.Off <= 20):
		return fmt.Errorf("procedure %s: water at %g ± %g °C; give it 0 to 40 °C", p.ID, p.Water.Value, p.Water.Off)
	case !(p.Distance >= 0.01 && p.Distance <= 1):
		return fmt.Errorf("procedure %s: a distance of %s; give it 1 cm to 1 m", p.ID, p.Distance)
	case !(p.Spacing >= 0.002 && p.Spacing <= MostSpacing+1e-12):
		return fmt.Errorf("procedure %s: lines %s apart; give it 2 mm to %s", p.ID, p.Spacing, MostSpacing)
	case !(p.Speed >= 0.002 && p.Speed <= MostSpeed+1e-12):
		return fmt.Errorf("procedure %s: a speed of %g cm/s; give it 0.2 to %g cm/s", p.ID, 100*p.Speed, 100*MostSpeed)
	case p.Valid < 0 || p.Valid > 120:
		return fmt.Errorf("procedure %s: valid for %d months; give it 0 to 120", p.ID, p.Valid)
	}
	return nil
}

// Water's, textbook: 1 mL weighs 0.998 g at 20 °C, warms by 1 K with 4.18 J per g,
// and boils at 100 °C at sea level.
const (
	gramPerMillilitre = 0.998
	joulePerGramK     = 4.18
	boiling           = 100.0
)

// loadShare is how much of the energy that would boil the load a stage may take.
const loadShare = 0.8

// StageTime is how long one load bears: 80 % of the energy that would bring it to
// the boil, over the oven's rated output in W. It is 0 where that is not known.
func StageTime(millilitres, celsius, watts float64) time.Duration {
	joules := millilitres * gramPerMillilitre * joulePerGramK * (boiling - celsius)
	if !(watts > 0) || !(joules > 0) {
		return 0
	}
	return time.Duration(loadShare * joules / watts * float64(time.Second)).Truncate(100 * time.Millisecond)
}
