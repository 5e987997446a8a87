package survey

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"

	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// SpreadAt is the uncertainty of a value of a hold. n is the probe's nature at a
// fixed post; by hand it is at the procedure's distance, which a spacer keeps to
// within off (0: as assumed everywhere).
func SpreadAt(n calib.Nature, cert *calib.Certificate, p Procedure, off quantity.Length, level quantity.PowerDensity) calib.Spread {
	if cert == nil {
		return calib.Spread{}
	}
	n.Distance, n.Stated.Distance = p.Distance, off
	return calib.ProbeBudget(n, cert, nil).Spread(level)
}

// low is the share by which a hold beside the maximum reads low at most, for a
// field that falls with the square of the distance.
func low(aside, distance quantity.Length) float64 {
	a := float64(aside / distance)
	return 1 - 1/(1+a*a)
}

// expanded is the expanded uncertainty of a value at the place of a sweep. That
// the hold was beside the maximum only ever lowers the value, so it is added whole
// and not as a square (JCGM 100:2008, F.2.4.5).
func (s *Survey) expanded(v float64, n int) float64 {
	plan := &s.Setup.Plan
	return float64(s.Setup.Spread.U(quantity.PowerDensity(v))) + math.Abs(v)*low(plan.Sweeps[n-1].Aside, plan.Procedure.Distance)
}

// proof is what a value must be above the background by to show that the oven
// generates.
func (s *Survey) proof() float64 {
	return float64(s.background.Value) + math.Max(5*s.noise(), float64(s.Setup.Instrument.Floor))
}

// leastRise is the warming of a load that proves that the oven generated, K.
const leastRise = 10

// prove says of each stage whether the oven generated in it.
func (s *Survey) prove() []Stage {
	out := append([]Stage{}, s.stages...)
	for i := range out {
		g := &out[i]
		seen := func(stage int, v *float64, over bool) {
			g.RunSeen = g.RunSeen || stage == g.N && (over || v != nil && *v > s.proof())
		}
		for _, p := range s.peaks {
			seen(p.Stage, p.Value, p.Over)
		}
		for _, p := range s.places {
			seen(p.Stage, p.Value, p.OverRange)
		}
		var why []string
		if g.Start != nil && g.End != nil {
			rise := *g.End - *g.Start
			why = append(why, fmt.Sprintf("the water warmed by %.3g K", rise))
			g.Proved = rise >= leastRise
		} else {
			why = append(why, "the water's temperature at the end was not taken")
		}
		if g.RunSeen && s.background.Taken {
			g.Proved = true
			why = append(why, "emission was seen above the background")
		} else {
			why = append(why, "no emission was seen above the background")
		}
		g.Evidence = strings.Join(why, "; ")
	}
	return out
}

// notRun is how a watch says that nothing shows that the oven generated.
const notRun = "the oven is not known to run"

// said puts the words of a watch into those of a survey.
func said(reason string) string {
	for watch, survey := range map[string]string{
		"above the limit at this moment":      "above the limit",
		"highest value of this run plus":      "highest value of the hold plus",
		"highest value of this run at":        "highest value of the hold at",
		notRun:                                "nothing shows that the oven generated: the water did not warm by 10 K or was not measured, and no emission was seen",
		"above the limit earlier in this run": "above the limit in the sweep",
	} {
		reason = strings.Replace(reason, watch, survey, 1)
	}
	return reason
}

// judge gives the verdict at a place.
func (s *Survey) judge(p Place, stages []Stage) Verdict {
	in := &s.Setup.Instrument
	c := limit.Circumstances{OverRange: p.OverRange, Cover: 1, Calibrated: s.Setup.Lacking == "" && !p.Unsure, Axes: in.Axes, Turned: p.Turned,
		Distance: s.Setup.Plan.Procedure.Distance, Response: time.Duration(in.Response * float64(time.Second)), Certificate: in.Certificate,
		K: p.K, U: quantity.PowerDensity(math.NaN())}
	if p.Value != nil {
		c.HasValue, c.Value = true, quantity.PowerDensity(*p.Value)
		if seen := s.seenAbove(p); seen > 0 {
			c.Value = max(c.Value, quantity.PowerDensity(seen)) // quality takes nothing from exceeds
		}
		if p.U != nil {
			c.U = quantity.PowerDensity(s.expanded(float64(c.Value), p.N))
		}
	}
	c.Peak, c.PeakU = c.Value, c.U
	if p.Stage >= 1 && p.Stage <= len(stages) {
		c.Running = stages[p.Stage-1].Proved
	}
	v := limit.Judge(s.Setup.Limit, c)
	out := Verdict{Outcome: v.Outcome}
	for _, r := range v.Reasons {
		if out.Outcome == limit.Exceeds && r == notRun { // what was seen shows that a field is there
			continue
		}
		if r = said(r); strings.HasPrefix(r, "not calibrated") {
			r = "not calibrated: " + cmp.Or(s.Setup.Lacking, "the hold or its sweep was read beyond what the certificate covers")
		}
		out.Reasons = append(out.Reasons, r)
	}
	if most := float64(s.Setup.Limit.Value); p.Value != nil && *p.Value <= most {
		switch seen := s.seenAbove(p); {
		case p.Peak != nil && *p.Peak > most:
			out.Reasons = append(out.Reasons, fmt.Sprintf("%s in the sweep, which the hold did not find again", shown(*p.Peak)))
		case seen > 0:
			out.Reasons = append(out.Reasons, fmt.Sprintf("%s was seen at this place before, which the hold did not find again", shown(seen)))
		}
	}
	if lacks := s.lacks(p, stages); out.Outcome != limit.Exceeds && len(lacks) > 0 {
		if out.Outcome == limit.Within {
			out.Outcome, out.Reasons = limit.NotDecided, nil
		}
		out.Reasons = append(out.Reasons, lacks...)
	}
	return out
}

// seenAbove is the highest value above the limit that was seen at a place beside its
// hold, W/m²; 0: none.
func (s *Survey) seenAbove(p Place) float64 {
	seen := s.above[p.N]
	if p.Peak != nil && *p.Peak > float64(s.Setup.Limit.Value) {
		seen = max(seen, *p.Peak)
	}
	return seen
}

// lacks lists what else keeps a place from being within.
func (s *Survey) lacks(p Place, stages []Stage) []string {
	var all []string
	add := func(is bool, why string) {
		if is {
			all = append(all, why)
		}
	}
	add(!p.Settled, "the hold had not settled")
	floor := s.Setup.Instrument.Floor
	if p.Value != nil && zeroOff(*p.Value, floor) {
		add(true, fmt.Sprintf("the hold reads %s: the zero is off", shown(*p.Value)))
	}
	if p.Peak != nil && zeroOff(*p.Peak, floor) { // where the field was highest nobody saw
		add(true, fmt.Sprintf("the sweep read %s at most: the zero is off", shown(*p.Peak)))
	}
	if p.Stage >= 1 && p.Stage <= len(stages) {
		for _, c := range s.loadConditions(stages[p.Stage-1]) {
			add(!c.Kept, fmt.Sprintf("%s: %s, and the procedure asks for %s", c.Name, c.Was, c.Want))
		}
	}
	for _, c := range s.checks {
		add(open(c), fmt.Sprintf("check of the probe, %s: %s", c.Name, cmp.Or(c.Text, c.Outcome)))
	}
	add(!s.background.Taken, "the background was not taken")
	add(s.background.Unsure, "the background with the oven off was read beyond what the certificate covers")
	high := float64(s.background.Value) > float64(s.Setup.Limit.Value)/10
	add(s.background.Taken && high, fmt.Sprintf("the background with the oven off is %s, more than a tenth of the limit: another source is near, or the zero is off", shown(float64(s.background.Value))))
	add(s.background.Taken && zeroOff(float64(s.background.Value), floor), fmt.Sprintf("the background with the oven off is %s: the zero is off", shown(float64(s.background.Value))))
	return all
}

// open says whether a check keeps the survey from being decided. A second probe, to
// agree with, there may not be.
func open(c Check) bool {
	return c.Outcome == CheckBad || c.Outcome == CheckNotDone && (c.Name == CheckBattery || c.Name == CheckZero)
}

// loadConditions are those of one stage.
func (s *Survey) loadConditions(g Stage) []Condition {
	p := s.Setup.Plan.Procedure
	name := func(what string) string { return fmt.Sprintf("stage %d, %s", g.N, what) }
	load := Condition{Name: name("load"), Want: fmt.Sprintf("%g ± %g mL of water", p.Load.Value, p.Load.Off),
		Was: fmt.Sprintf("%g mL", g.Volume), Kept: p.Load.Holds(g.Volume)}
	water := Condition{Name: name("water at the start"), Want: fmt.Sprintf("%g ± %g °C", p.Water.Value, p.Water.Off), Was: "not taken"}
	if g.Start != nil {
		water.Was, water.Kept = fmt.Sprintf("%.3g °C", *g.Start), p.Water.Holds(*g.Start)
	}
	return []Condition{load, water}
}

// conditions are all that the procedure states.
func (s *Survey) conditions(stages []Stage) []Condition {
	p := s.Setup.Plan
	all := []Condition{
		{"distance", fmt.Sprintf("%s from the sensing centre to the nearest outer surface", p.Procedure.Distance), "kept by the person with the spacer", true},
		{"speed", fmt.Sprintf("at most %.3g cm/s", 100*p.Procedure.Speed), fmt.Sprintf("the mark moved at %.3g cm/s", 100*p.Speed), p.Speed <= p.Procedure.Speed+1e-12},
		{"power", "highest, continuous", "set by the person", true},
		{"stirrer", "each hold lasts at least one turn", fmt.Sprintf("%.3g s", p.TurnS), true},
	}
	slow := time.Duration(s.Setup.Instrument.Response * float64(time.Second))
	all = append(all, Condition{"response of the probe", fmt.Sprintf("90 %% of a step within %.3g s", limit.EmissionResponse.Seconds()),
		fmt.Sprintf("%.3g s; values are judged as it shows them, which is the stricter for a faster one", slow.Seconds()), slow > 0 && slow <= limit.EmissionResponse})
	if p.Oven.Stirrer <= 0 {
		all[3].Was = fmt.Sprintf("%.3g s, taken since nobody stated the turn", p.TurnS)
	}
	for _, g := range stages {
		all = append(all, s.loadConditions(g)...)
		all = append(all, Condition{fmt.Sprintf("stage %d, the oven generated", g.N), fmt.Sprintf("a rise of at least %d K, or a run seen", leastRise), g.Evidence, g.Proved})
	}
	return all
}
