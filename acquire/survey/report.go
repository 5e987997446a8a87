package survey

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/civil"
	"ovenward/acquire/limit"
)

// Result is what the survey has found up to now.
func (s *Survey) Result() Result {
	set := &s.Setup
	stages := s.prove()
	r := set.result()
	r.Who, r.Begun, r.Ended, r.State, r.Why, r.Background = s.who, s.begun, s.ended, s.state, s.why, s.background
	r.Checks, r.Conditions, r.Stages, r.Notes = append([]Check{}, s.checks...), s.conditions(stages), stages, append([]Note{}, s.notes...)
	for _, sw := range set.Plan.Sweeps {
		if p, ok := s.places[sw.N]; ok {
			p.Verdict = s.judge(p, stages)
			r.Places = append(r.Places, p)
		}
	}
	r.Verdict = s.ofOven(r.Places)
	if set.Plan.Pull {
		r.Cautions = append(r.Cautions, PullCaution)
	}
	if r.Verdict.Outcome == limit.Exceeds {
		r.Cautions = append(ExceedsCautions(), r.Cautions...)
	}
	if set.Last != nil {
		c := compare(*set.Last, r)
		r.Comparison = &c
	}
	s.next(&r)
	return r
}

// result is what is known of a survey when it begins.
func (set *Setup) result() Result {
	r := Result{
		ID: set.ID, Site: set.Site, Simulated: set.Simulated, Oven: set.Plan.Oven,
		Procedure: set.Plan.Procedure, Plan: set.Plan.Facts(),
		Limit: LimitFacts{ID: set.Limit.ID, Value: set.Limit.Value, Distance: set.Limit.Distance, Basis: set.Limit.Basis,
			Source: set.Limit.Source, Rule: set.Limit.Rule, Unconfirmed: set.Limit.Unconfirmed},
		Places: []Place{}, Instruments: []Instrument{set.Instrument}, Cautions: Cautions(),
	}
	if r.Limit.Rule == "" {
		r.Limit.Rule = limit.GuardedAcceptance
	}
	return r
}

// GivenUp is what remains of a survey whose steps do not all hold together any more: what
// was seen above the limit at a place exceeds, and nothing is within.
func GivenUp(steps []Step, why error) Result {
	r := Result{Places: []Place{}, Cautions: Cautions()}
	var told, found []string
	for _, st := range steps {
		switch {
		case st.Setup != nil:
			r = st.Setup.result()
		case st.Kind == WasAbove && st.Peak != nil: // without a value the probe was carried
			told = append(told, st.Text)
		case st.Kind == Swept && st.Peak != nil && above(st.Peak.Value, r.Limit):
			found = append(found, shown(*st.Peak.Value)+" in a sweep, above the limit")
		}
	}
	r.State, r.Why, r.Verdict = Abandoned, why.Error(), Verdict{Outcome: limit.NotDecided, Reasons: []string{why.Error()}}
	if len(told) == 0 { // the step that told it may be the one that is lost
		told = found
	}
	if len(told) > 0 {
		r.Verdict = Verdict{Outcome: limit.Exceeds, Reasons: told}
		r.Cautions = append(ExceedsCautions(), r.Cautions...)
	}
	(&Survey{state: r.State}).next(&r)
	return r
}

// above is false where the limit is not known.
func above(v *float64, l LimitFacts) bool { return v != nil && l.Value > 0 && *v > float64(l.Value) }

// ofOven is the verdict on the oven: the worst of its places, and within only
// when all were held.
func (s *Survey) ofOven(places []Place) Verdict {
	v := Verdict{Outcome: limit.Within}
	most := -1.0
	var why []Place // those that decide
	for _, p := range places {
		value := -1.0
		if p.Value != nil {
			value = *p.Value
		}
		if p.OverRange {
			value = float64(s.Setup.Instrument.Range) * 1e6
		}
		if value > most {
			most, v.Worst = value, p.N
		}
		switch {
		case p.Verdict.Outcome == limit.Exceeds:
			if v.Outcome != limit.Exceeds {
				v.Outcome, why = limit.Exceeds, nil
			}
			why = append(why, p)
		case p.Verdict.Outcome == limit.NotDecided && v.Outcome != limit.Exceeds:
			v.Outcome = limit.NotDecided
			why = append(why, p)
		}
	}
	v.Reasons = placesSay(why)
	for _, why := range s.aboveElsewhere(v.Outcome == limit.Exceeds) {
		if v.Outcome != limit.Exceeds {
			v.Outcome, v.Reasons = limit.Exceeds, nil
		}
		v.Reasons = append(v.Reasons, why)
	}
	missing := s.missing()
	if missing > 0 && v.Outcome != limit.Exceeds {
		v.Outcome = limit.NotDecided
		v.Reasons = append(v.Reasons, fmt.Sprintf("%d of %d places were not held", missing, missing+len(places)))
	}
	if v.Outcome == limit.Within {
		v.Reasons = []string{fmt.Sprintf("within at each of %d places", len(places))}
	}
	return v
}

// placesSay lists the reasons of places, and once those that more than two share.
func placesSay(all []Place) []string {
	shared := map[string][]string{}
	for _, p := range all {
		because := join(p.Verdict.Reasons)
		shared[because] = append(shared[because], strconv.Itoa(p.N))
	}
	var out []string
	for _, p := range all {
		because := join(p.Verdict.Reasons)
		switch there := shared[because]; {
		case len(there) <= 2:
			out = append(out, fmt.Sprintf("place %d, %s: %s", p.N, p.Sweep, because))
		case there[0] == strconv.Itoa(p.N):
			out = append(out, fmt.Sprintf("places %s: %s", strings.Join(there, ", "), because))
		}
	}
	return out
}

// aboveElsewhere says where the limit was exceeded though no place was held there,
// and, unless a place says so already, that the field ended the survey.
func (s *Survey) aboveElsewhere(said bool) []string {
	var all []string
	for _, sw := range s.Setup.Plan.Sweeps {
		seen, above := s.above[sw.N]
		if _, held := s.places[sw.N]; above && !held {
			all = append(all, fmt.Sprintf("place %d, %s: %s was seen, above the limit, and it was not held", sw.N, sw.Name, shown(seen)))
		}
	}
	// What ends a survey is above any limit lower than that, and the oven may still run
	// when its load has had its time.
	if !said && s.state == Stopped && len(s.stages) > 0 && s.Setup.Limit.Value < endLevel {
		all = append(all, s.why)
	}
	return all
}

// missing counts the places that were not held; those with pulling on the door
// only where they were not left out by rule.
func (s *Survey) missing() int {
	n := 0
	for _, sw := range s.Setup.Plan.Sweeps {
		if _, ok := s.places[sw.N]; !ok && (!sw.Pull || s.skipPull == "") {
			n++
		}
	}
	return n
}

func join(reasons []string) string {
	out := ""
	for i, r := range reasons {
		if i > 0 {
			out += "; "
		}
		out += r
	}
	return out
}

// next says what to do.
func (s *Survey) next(r *Result) {
	if s.skipPull != "" {
		r.Conditions = append(r.Conditions, Condition{"pulling on the closed door", "only after a clean pass", s.skipPull, true})
	}
	if s.state == UnderWay {
		return
	}
	switch r.Verdict.Outcome {
	case limit.Exceeds:
		r.Next = []string{
			"Withdraw the oven: unplug it, hang the printed tag on it, and withdraw it in Ovenward, so that emission from it is an alarm.",
			"Tell who is responsible for the site today, and licensed service; where the law asks for it, the authority.",
			"After the repair survey it again before it is used.",
		}
	case limit.Within:
		r.Next = []string{"Keep this record with the oven's papers."}
		if m := r.Procedure.Valid; m > 0 {
			r.NextCheck = civil.AddMonths(s.ended, m)
			r.Next = append(r.Next, fmt.Sprintf("Next check by %s (%d months: %s), and at once after damage, a repair, or a door that closes otherwise than before.",
				r.NextCheck.Format(time.DateOnly), m, r.Procedure.ValidBy))
		}
	default:
		if s.state == Stopped {
			r.Next = []string{"Keep away: the field was too high before the oven was started. Find which source it comes from, or whether the probe is sound, before another survey."}
			return
		}
		r.Next = []string{"Not decided is not within: until it is decided treat the oven as not checked."}
		r.Next = append(r.Next, improve(r)...)
	}
}

// improve says what to do better.
func improve(r *Result) []string {
	var out []string
	any := func(is func(Place) bool) bool {
		for _, p := range r.Places {
			if p.Verdict.Outcome == limit.NotDecided && is(p) {
				return true
			}
		}
		return false
	}
	say := func(is bool, what string) {
		if is {
			out = append(out, what)
		}
	}
	in := r.Instruments[0]
	say(len(r.Places) < r.Plan.Sweeps, "Hold at every place of the plan.")
	say(any(func(p Place) bool { return !p.Settled }), "Hold still until the value has settled.")
	say(any(func(p Place) bool { return p.Stage < 1 || p.Stage > len(r.Stages) || !r.Stages[p.Stage-1].Proved }),
		"Take the water's temperature before and after each stage: only a rise of 10 K or emission that is seen shows that the oven generated.")
	say(in.Certificate == "" || r.Background.Unsure || any(func(p Place) bool { return p.U == nil || p.Unsure }), "Use a probe whose certificate is in force and covers frequency and level.")
	say(in.Axes < 3 && any(func(p Place) bool { return !p.Turned }), "Turn the one-axis probe for the maximum at each hold, or use a probe with three axes.")
	say(any(func(p Place) bool { return p.U != nil && p.Value != nil && *p.Value+*p.U > float64(r.Limit.Value) }),
		"The value is below the limit by less than its uncertainty: a probe with a smaller one, a stated distance tolerance, or a stated fall-off can decide.")
	for _, c := range r.Checks {
		say(open(c) && c.Name != CheckCertificate, fmt.Sprintf("Check the probe before the survey, and mend what is wrong with it: %s.", c.Name))
	}
	say(r.Background.Taken && r.Background.Value > r.Limit.Value/10,
		"Find what the probe sees with the oven off, another source or a zero that is off: the background has to be at most a tenth of the limit.")
	say(r.Limit.Distance > 0 && r.Plan.Distance > r.Limit.Distance,
		fmt.Sprintf("Use a procedure that keeps the limit's distance, %s.", r.Limit.Distance))
	for _, c := range r.Conditions {
		if !c.Kept {
			out = append(out, fmt.Sprintf("Keep the procedure's condition: %s, %s.", c.Name, c.Want))
			break
		}
	}
	return out
}
