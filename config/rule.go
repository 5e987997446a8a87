package config

import (
	"fmt"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Rule is one [[rule]]: an alarm beside those of the limits.
type Rule struct {
	Line  int
	ID    string
	Posts []string // ids; every post when empty
	Limit string   // id of the limit it is about; the post's first when empty

	// Exactly one of these is set.
	Share float64                // of the limit
	Above quantity.PowerDensity  // a level of its own
	Dose  quantity.EnergyDensity // of a civil day
	Count int                    // rises above the limit in one run

	Window    time.Duration // of the mean that is compared; 0: each value
	Sustained bool          // the [alarm] section's rule for staying above, with this level
	Deadband  float64       // share of the level
	OnDelay   time.Duration
	OffDelay  time.Duration
	Priority  alarm.Priority // empty: that of its kind
}

// The words of window beside a span of time.
const (
	instantaneous = "instantaneous"
	sustained     = "sustained"
)

func readRules(root *table, clear time.Duration) []Rule {
	var rules []Rule
	for _, t := range root.tables("rule") {
		r := Rule{
			Line: t.at.line, ID: t.id("rule", `"half-of-the-limit"`),
			Posts: readPostIDs(t), Limit: t.ref(ask{"limit", `"door-in-use"`, false}),
			Share:    t.percent(ask{"share", `"50 %"`, false}, span[float64]{0.01, 10, `"1 %" to "1000 %"`}),
			Above:    t.powerDensity(ask{"above", `"2 mW/cm2"`, false}),
			Dose:     readDose(t),
			Count:    int(t.integer(ask{"count", "3", false}, span[int64]{1, 10000, "1 to 10000"}, 0)),
			Deadband: t.percent(ask{"deadband", `"5 %"`, false}, span[float64]{0, 0.9, `"0 %" to "90 %"`}),
			OnDelay:  t.duration(ask{"on_delay", `"2 s"`, false}, span[time.Duration]{0, time.Hour, `"0 s" to "1 h"`}, 0),
			OffDelay: t.duration(ask{"off_delay", `"90 s"`, false}, span[time.Duration]{0, 24 * time.Hour, `"0 s" to "24 h"`}, clear),
			Priority: alarm.Priority(t.oneOf(ask{"priority", `"low"`, false}, string(alarm.High), string(alarm.Medium), string(alarm.Low))),
		}
		readWindow(t, &r)
		r.checkKind(t)
		t.finish()
		rules = append(rules, r)
	}
	return rules
}

func readPostIDs(t *table) []string {
	ids := t.words(ask{"posts", `["kitchen-left-door"]`, false})
	for i, id := range ids {
		t.r.refs = append(t.r.refs, ref{t.at.key("posts").item(i).line, t.label, "post", id})
	}
	return ids
}

// readDose reads an energy density. 1 mJ/cm² is 10 J/m².
func readDose(t *table) quantity.EnergyDensity {
	a := ask{"dose", `"3600 J/m2"`, false}
	s := t.text(a)
	if s == "" {
		return 0
	}
	x, unit, ok := number(s)
	factor := map[string]float64{"J/m2": 1, "J/m²": 1, "kJ/m2": 1000, "kJ/m²": 1000, "mJ/cm2": 10, "mJ/cm²": 10}[unit]
	if !ok || factor == 0 || x <= 0 || x*factor > 1e12 {
		t.problem("dose", "%s is no dose; write for example dose = %s; the units are J/m2, kJ/m2 and mJ/cm2", shown(s), a.example)
		return 0
	}
	return quantity.EnergyDensity(x * factor)
}

func readWindow(t *table, r *Rule) {
	a := ask{"window", `"6 min"`, false}
	s := t.text(a)
	switch s {
	case "", instantaneous:
		return
	case sustained:
		r.Sustained = true
		return
	}
	d, err := quantity.ParseDuration(s)
	if err != nil || d < time.Second || d > 24*time.Hour {
		t.problem("window", `%s is no window; write "instantaneous", "sustained", or the time of a mean from "1 s" to "24 h"`, shown(s))
		return
	}
	r.Window = d
}

// checkKind tells rules that are about nothing, or about two things.
func (r *Rule) checkKind(t *table) {
	kinds := []string{"share", "above", "dose", "count"}
	var set []string
	for _, k := range kinds {
		if t.has(k) {
			set = append(set, k)
		}
	}
	switch {
	case len(set) == 0:
		t.r.add(t.at.line, `%s: nothing says what it is about; write share = "50 %%" of a limit, above = "2 mW/cm2", dose = "3600 J/m2" in a day, or count = 3 of rises above a limit in one run`, t.label)
	case len(set) > 1:
		t.problem(set[1], "%s is set too, and a rule is about one thing; write one rule for each", set[0])
	}
	field := t.has("share") || t.has("above")
	if t.has("window") && !field {
		t.problem("window", "it counts only with share or above; remove it")
	}
	if t.has("deadband") && t.has("dose") {
		t.problem("deadband", "a dose never falls before its day ends; remove it")
	}
	if t.has("limit") && (t.has("above") || t.has("dose")) {
		t.problem("limit", "it counts only with share or count; remove it")
	}
}

// RulesOf returns the rules of a post, for the station. The post's limits are
// those of LimitsOf.
func (f *File) RulesOf(p Post, limits []limit.Limit) []acquire.Rule {
	var out []acquire.Rule
	for _, c := range f.Rules {
		if len(c.Posts) > 0 && !slices.Contains(c.Posts, p.ID) {
			continue
		}
		i := 0
		if c.Limit != "" {
			i = slices.IndexFunc(limits, func(l limit.Limit) bool { return l.ID == c.Limit })
		}
		if i < 0 || len(limits) == 0 {
			continue // a rule for every post, of which this one has another limit
		}
		out = append(out, c.at(limits[i]))
	}
	return out
}

// at is the rule against one limit. At or above the limit it is an exceedance,
// which latches; below it is a warning.
func (c Rule) at(l limit.Limit) acquire.Rule {
	r := acquire.Rule{Dose: c.Dose, Count: c.Count, Level: c.Above, Window: c.Window, Sustained: c.Sustained,
		Deadband: c.Deadband, OnDelay: c.OnDelay, OffDelay: c.OffDelay}
	if c.Share > 0 {
		r.Level, r.Share = quantity.PowerDensity(c.Share)*l.Value, c.Share
	}
	if c.Dose == 0 {
		r.LimitID = l.ID
	}
	switch {
	case c.Dose > 0:
		r.Rule = alarm.DoseOf(c.ID)
		r.OffDelay = 0 // another day is another day
	case c.Count > 0:
		r.Rule = alarm.CountOf(c.ID)
	case r.Level >= l.Value:
		r.Rule = alarm.ExceedsBy(c.ID)
	default:
		r.Rule = alarm.WarningOf(c.ID)
	}
	if r.Priority = c.Priority; r.Priority == "" {
		r.Priority = r.Rule.Priority()
	}
	return r
}

// checkRules tells rules that no post can keep: of a limit that a named post does
// not have, or of a level that its probe cannot show.
func (f *File) checkRules(r *reader) {
	for _, c := range f.Rules {
		used := false
		for _, p := range f.Posts {
			limits, err := f.LimitsOf(p)
			if err != nil || len(c.Posts) > 0 && !slices.Contains(c.Posts, p.ID) {
				continue
			}
			has := c.Limit == "" || slices.ContainsFunc(limits, func(l limit.Limit) bool { return l.ID == c.Limit })
			used = used || has
			if !has && len(c.Posts) > 0 {
				r.add(c.Line, "rule %q: post %q is not judged against limit %q; name a limit of it, or leave the post out", c.ID, p.ID, c.Limit)
			}
			if has {
				f.checkLevel(r, c, p, limits)
			}
		}
		if !used && len(c.Posts) == 0 && len(f.Posts) > 0 && c.Limit != "" {
			r.add(c.Line, "rule %q: no post is judged against limit %q, so it has no effect; name a limit of a post", c.ID, c.Limit)
		}
		if c.exceeds(f) && c.Priority != "" && c.Priority != alarm.High {
			r.add(c.Line, "rule %q: priority: a field above its limit is told with priority high; remove it", c.ID)
		}
	}
}

func (c Rule) exceeds(f *File) bool {
	for _, p := range f.Posts {
		if limits, err := f.LimitsOf(p); err == nil {
			for _, r := range (&File{Rules: []Rule{c}}).RulesOf(p, limits) {
				if r.Rule.IsExceedance() {
					return true
				}
			}
		}
	}
	return false
}

func (f *File) checkLevel(r *reader, c Rule, p Post, limits []limit.Limit) {
	i := slices.IndexFunc(f.Probes, func(q Probe) bool { return q.ID == p.Probe })
	rules := (&File{Rules: []Rule{c}}).RulesOf(p, limits)
	if i < 0 || len(rules) == 0 || rules[0].Level <= 0 || f.Probes[i].Range <= 0 {
		return
	}
	switch level := rules[0].Level; {
	case level >= f.Probes[i].Range:
		r.add(c.Line, "rule %q: its level at post %q is %s, and the range of probe %q ends at %s; write a lower one", c.ID, p.ID, level, p.Probe, f.Probes[i].Range)
	case level <= f.Probes[i].Floor:
		r.add(c.Line, "rule %q: its level at post %q is %s, and the floor of probe %q is %s; write a higher one", c.ID, p.ID, level, p.Probe, f.Probes[i].Floor)
	}
}

// checkSchedules tells ovens that run by a schedule that is none.
func (f *File) checkSchedules(r *reader) {
	for _, o := range f.Ovens {
		if o.Runs == "" || f.schedule(o.Runs) != nil {
			continue
		}
		var ids []string
		for _, s := range f.Schedules {
			ids = append(ids, s.ID)
		}
		hint := "add a [[schedule]] with that id"
		if near, ok := nearest(o.Runs, ids); ok {
			hint = fmt.Sprintf("did you mean %q?", near)
		}
		r.add(o.RunsLine, "oven %q: runs: there is no schedule %q; %s", o.ID, o.Runs, hint)
	}
}

// schedule finds a schedule by its id; nil when there is none.
func (f *File) schedule(id string) *Schedule {
	for i := range f.Schedules {
		if f.Schedules[i].ID == id {
			return &f.Schedules[i]
		}
	}
	return nil
}

// RunsBy is the schedule in which an oven is known to run; nil when none is
// stated.
func (f *File) RunsBy(o Oven) *Schedule { return f.schedule(o.Runs) }
