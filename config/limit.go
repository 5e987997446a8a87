package config

import (
	"strings"

	"ovenward/acquire/quantity"
)

// Limit is one [[limit]]: a number that a field is held against, and where the
// number comes from. None is built in: which one applies is the site's to say.
type Limit struct {
	Line     int
	ID       string
	Value    quantity.PowerDensity // W/m²
	Distance quantity.Length       // m from the oven's surface; 0 for exposure limits
	Basis    string                // one of Bases
	Source   string                // the rule or standard, as the site cites it
}

// Bases returns what a limit can be based on.
func Bases() []string {
	return []string{"emission new", "emission in use", "exposure public", "exposure occupational"}
}

func readLimits(root *table) []Limit {
	var limits []Limit
	for _, t := range root.tables("limit") {
		l := Limit{
			Line:   t.at.line,
			ID:     t.id("limit", `"door-in-use"`),
			Value:  t.powerDensity(ask{"value", `"5 mW/cm2"`, true}),
			Basis:  t.oneOf(ask{"basis", `"emission in use"`, true}, Bases()...),
			Source: t.text(ask{"source", `"the standard and clause that sets it"`, true}),
		}
		// Only a limit on emission says how far from the oven it holds.
		emission := strings.HasPrefix(l.Basis, "emission")
		l.Distance = t.length(ask{"distance", `"50 mm"`, emission})
		if l.Basis != "" && !emission && t.has("distance") {
			t.problem("distance", "a limit with the basis %q holds wherever people are; remove distance, or name an emission basis", l.Basis)
		}
		t.finish()
		limits = append(limits, l)
	}
	return limits
}

// length reads a distance from an oven, in m.
func (t *table) length(a ask) quantity.Length {
	return quantityOf(t, a, quantity.ParseLength, span[quantity.Length]{0.001, 100, `"1 mm" to "100 m"`}, 0)
}
