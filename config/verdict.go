package config

import (
	"fmt"
	"slices"

	"ovenward/acquire/limit"
)

// Verdict is the [verdict] section: how uncertainty enters verdicts. It touches
// no alarm.
type Verdict struct {
	Line int    // 0 when the file has no such section
	Rule string // one of limit.Rules; it holds for each limit that names none
}

func readVerdict(root *table) Verdict {
	v := Verdict{Rule: string(limit.GuardedAcceptance)}
	t := root.table("verdict")
	if t == nil {
		return v
	}
	v.Line = t.at.line
	if r := readRule(t); r != "" {
		v.Rule = r
	}
	t.finish()
	return v
}

// readRule reads the name of a decision rule; empty when none is named.
func readRule(t *table) string {
	var names []string
	for _, r := range limit.Rules() {
		names = append(names, string(r))
	}
	return t.oneOf(ask{"rule", `"guarded acceptance"`, false}, names...)
}

// LimitsOf returns the limits of a post, the first first: that of the post or
// of its oven, and what the post names beside it. Built-in ones are evaluated
// at the oven's frequency; the error is of one that does not hold there.
func (f *File) LimitsOf(p Post) ([]limit.Limit, error) {
	i := slices.IndexFunc(f.Ovens, func(o Oven) bool { return o.ID == p.Oven })
	if i < 0 {
		return nil, fmt.Errorf("there is no oven %q", p.Oven)
	}
	oven := f.Ovens[i]
	first := p.Limit
	if first == "" {
		first = oven.Limit
	}
	var all []limit.Limit
	for _, id := range append([]string{first}, p.Limits...) {
		j := slices.IndexFunc(f.Limits, func(l Limit) bool { return l.ID == id })
		if j < 0 {
			return nil, fmt.Errorf("there is no limit %q", id)
		}
		l, err := f.Limits[j].at(oven)
		if err != nil {
			return nil, fmt.Errorf("limit %q: %w", id, err)
		}
		if l.Rule == "" {
			l.Rule = limit.Rule(f.Verdict.Rule)
		}
		all = append(all, l)
	}
	return all, nil
}

// at makes the limit that holds for an oven.
func (l Limit) at(o Oven) (limit.Limit, error) {
	if l.Builtin == "" {
		return limit.Limit{ID: l.ID, Value: l.Value, Distance: l.Distance, Basis: limit.Basis(l.Basis), Source: l.Source,
			Averaging: l.Averaging, Slowest: l.Response, Rule: limit.Rule(l.Rule)}, nil
	}
	e, ok := limit.Lookup(l.Builtin)
	if !ok {
		return limit.Limit{}, fmt.Errorf("there is no built-in limit %q", l.Builtin)
	}
	made, err := e.Limit(l.ID, o.Frequency)
	made.Rule = limit.Rule(l.Rule)
	return made, err
}

// readMore reads the further limits of a post.
func readMore(t *table) []string {
	ids := t.words(ask{"limits", `["public-there"]`, false})
	for i, id := range ids {
		t.r.refs = append(t.r.refs, ref{t.line("limits"), t.label, "limit", id})
		if slices.Contains(ids[:i], id) {
			t.problem("limits", "%q stands in it twice; name each limit once", id)
		}
	}
	return ids
}

// checkLimits tells posts whose built-in limit does not hold at the frequency of
// their oven, that have one limit twice, or whose probe cannot show what a
// limit asks: it must read beyond the limit, and its noise must lie well below.
func (f *File) checkLimits(r *reader) {
	for _, p := range f.Posts {
		all, err := f.LimitsOf(p)
		if err != nil {
			f.tellOutside(r, p, err)
			continue
		}
		if slices.Contains(p.Limits, all[0].ID) {
			r.add(p.Line, "post %q: limits: %q is its first limit already; leave it out of limits", p.ID, all[0].ID)
		}
		for _, l := range all {
			f.checkAbility(r, p, l)
		}
	}
}

// tellOutside tells a limit that does not hold at the oven's frequency. What
// else can be wrong with the limits of a post is told where it is wrong.
func (f *File) tellOutside(r *reader, p Post, err error) {
	i := slices.IndexFunc(f.Ovens, func(o Oven) bool { return o.ID == p.Oven })
	if i < 0 || f.Ovens[i].Frequency <= 0 {
		return
	}
	for _, id := range append([]string{p.Limit, f.Ovens[i].Limit}, p.Limits...) {
		j := slices.IndexFunc(f.Limits, func(l Limit) bool { return l.ID == id })
		if j < 0 || f.Limits[j].Builtin == "" {
			continue
		}
		if _, outside := f.Limits[j].at(f.Ovens[i]); outside != nil {
			r.add(p.Line, "post %q: %v; name a limit that holds at the frequency of oven %q", p.ID, err, p.Oven)
			return
		}
	}
}
