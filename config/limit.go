package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Limit is one [[limit]]: a number that a field is held against, and where the
// number comes from; or the name of a built-in one, whose number depends on the
// oven's frequency. None applies unless an oven or a post names it.
type Limit struct {
	Line     int
	ID       string
	Builtin  string                // id in the catalogue; the next five are then empty
	Value    quantity.PowerDensity // W/m²
	Distance quantity.Length       // m from the oven's surface; 0 for exposure limits
	Basis    string                // one of Bases
	Source   string                // the rule or standard, as the site cites it

	Averaging time.Duration // exposure limits only; 0: not stated
	Response  time.Duration // emission limits only: of the meter, to 90 %, as the document asks; 0: not stated
	Rule      string        // one of limit.Rules; empty: that of [verdict]
}

// Bases returns what a limit can be based on.
func Bases() []string {
	return []string{"emission new", "emission in use", "exposure public", "exposure occupational"}
}

func readLimits(root *table) []Limit {
	var limits []Limit
	for _, t := range root.tables("limit") {
		l := Limit{Line: t.at.line, ID: t.id("limit", `"door-in-use"`), Builtin: readBuiltin(t)}
		own := !t.has("builtin")
		l.Value = t.powerDensity(ask{"value", `"5 mW/cm2"`, own})
		l.Basis = t.oneOf(ask{"basis", `"emission in use"`, own}, Bases()...)
		l.Source = t.text(ask{"source", `"the standard and clause that sets it"`, own})
		// Only a limit on emission says how far from the oven it holds, and only
		// one on exposure is a mean over time.
		emission := strings.HasPrefix(l.Basis, "emission")
		l.Distance = t.length(ask{"distance", `"50 mm"`, own && emission})
		l.Averaging = t.duration(ask{"averaging", `"6 min"`, false}, span[time.Duration]{time.Second, 24 * time.Hour, `"1 s" to "24 h"`}, 0)
		l.Response = t.duration(ask{"response", `"3 s"`, false}, span[time.Duration]{100 * time.Millisecond, limit.EmissionResponse, `"100 ms" to "3 s"`}, 0)
		l.Rule = readRule(t)
		switch {
		case !own:
			for _, key := range []string{"value", "distance", "basis", "source", "averaging", "response"} {
				if t.has(key) {
					t.problem(key, "a built-in limit states it already; remove %s, or remove builtin and state all", key)
				}
			}
		case l.Basis != "" && !emission && t.has("distance"):
			t.problem("distance", "a limit with the basis %q holds wherever people are; remove distance, or name an emission basis", l.Basis)
		case l.Basis != "" && !emission && t.has("response"):
			t.problem("response", "a limit with the basis %q is a mean over time, and asks no response of the meter; remove response, or name an emission basis", l.Basis)
		case emission && t.has("averaging"):
			t.problem("averaging", "a limit with the basis %q is a maximum, and no mean is within it; remove averaging, or name an exposure basis", l.Basis)
		}
		t.finish()
		limits = append(limits, l)
	}
	return limits
}

// readBuiltin reads the id of a built-in limit; one that does not exist is told
// with those it could have been.
func readBuiltin(t *table) string {
	id := t.text(ask{"builtin", `"us-emission-in-use"`, false})
	if id == "" {
		return ""
	}
	if _, ok := limit.Lookup(id); ok {
		return id
	}
	var all []string
	for _, e := range limit.Catalogue() {
		all = append(all, e.ID)
	}
	hint := "see all of them with: ovenward limits --frequency=2450MHz"
	if near := alike(id, all); len(near) > 0 {
		hint = fmt.Sprintf("did you mean %s? Or %s", listed(near, "or"), hint)
	}
	t.problem("builtin", "there is no built-in limit %s; %s", shown(id), hint)
	return ""
}

// alike returns the candidates that word may have meant, at most five: the
// nearest first, then those that share a part between hyphens with it.
func alike(word string, candidates []string) []string {
	var near []string
	if best, ok := nearest(word, candidates); ok {
		near = append(near, best)
	}
	for _, part := range strings.Split(strings.ToLower(word), "-") {
		for _, c := range candidates {
			if part != "" && len(near) < 5 && !slices.Contains(near, c) && slices.Contains(strings.Split(c, "-"), part) {
				near = append(near, c)
			}
		}
	}
	return near
}

// length reads a distance from an oven, in m.
func (t *table) length(a ask) quantity.Length {
	return quantityOf(t, a, quantity.ParseLength, span[quantity.Length]{0.001, 100, `"1 mm" to "100 m"`}, 0)
}
