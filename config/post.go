package config

import (
	"fmt"
	"slices"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Post is one [[post]]: a place where a probe stands and what it watches.
type Post struct {
	Line      int
	ID        string
	Oven      string // id
	Probe     string // id; a probe stands at one post
	Distance  quantity.Length
	Height    *quantity.Length // m above the floor; nil when not set
	Facing    string           // which way the probe looks, in people's words; may be empty
	Turned    *Turned          // nil unless somebody turned the probe for the maximum
	Limit     string           // id; the oven's limit when empty
	Limits    []string         // ids of further limits, judged beside it
	ZeroBound quantity.PowerDensity
}

// Turned tells who turned a one-axis probe until it read the most, and when.
type Turned struct {
	By string
	On time.Time // first instant of that day, UTC
}

// turnedForMaximum is the facing that says that the probe was turned so.
const turnedForMaximum = "turned for maximum"

func readPosts(root *table) []Post {
	if !root.has("post") {
		root.needs("post", "nothing is watched without one: write [[post]] and, below it, its id, oven, probe and distance")
	}
	var posts []Post
	for _, t := range root.tables("post") {
		p := Post{
			Line:      t.at.line,
			ID:        t.id("post", `"kitchen-left-door"`),
			Oven:      t.ref(ask{"oven", `"kitchen-left"`, true}),
			Probe:     t.ref(ask{"probe", `"hatch"`, true}),
			Distance:  t.length(ask{"distance", `"50 mm"`, true}),
			Facing:    t.text(ask{"facing", `"the door's latch side"`, false}),
			Limit:     t.ref(ask{"limit", `"door-in-use"`, false}),
			Limits:    readMore(t),
			ZeroBound: t.powerDensity(ask{"zero_bound", `"0.05 mW/cm2"`, false}),
		}
		const unset = -1
		height := quantityOf(t, ask{"height", `"1.2 m"`, false}, quantity.ParseLength,
			span[quantity.Length]{0, 100, `"0 m" to "100 m"`}, unset)
		if height != unset {
			p.Height = &height
		}
		p.Turned = readTurned(t, p.Facing)
		if p.Probe != "" {
			if other, taken := t.r.claim("probe at a post", p.Probe, t.label, t.line("probe")); taken {
				t.problem("probe", "%q stands at %s already (line %d); a probe stands at one post: name another probe",
					p.Probe, other.label, other.line)
			}
		}
		t.finish()
		posts = append(posts, p)
	}
	return posts
}

func readTurned(t *table, facing string) *Turned {
	is := facing == turnedForMaximum
	by := t.text(ask{"turned_by", `"P. Marlow"`, is})
	on := t.date(ask{"turned_on", "2026-03-02", is})
	if !is {
		for _, key := range []string{"turned_by", "turned_on"} {
			if t.has(key) {
				t.problem(key, "it counts only with facing = %q; set that, or remove %s", turnedForMaximum, key)
			}
		}
		if near, ok := nearest(facing, []string{turnedForMaximum}); ok && facing != "" {
			t.problem("facing", "%s is nearly %q, which alone counts; write it so", shown(facing), near)
		}
		return nil
	}
	if by == "" || on.IsZero() {
		return nil
	}
	return &Turned{By: by, On: on}
}

// checkAbility tells a post whose probe cannot show what a limit asks.
func (f *File) checkAbility(r *reader, p Post, l limit.Limit) {
	i := slices.IndexFunc(f.Probes, func(q Probe) bool { return q.ID == p.Probe })
	if i < 0 || l.Value <= 0 || f.Probes[i].Range <= 0 {
		return // told elsewhere
	}
	probe := f.Probes[i]
	label := fmt.Sprintf("post %q", p.ID)
	if probe.Range <= l.Value {
		r.add(p.Line, "%s: the range of probe %q ends at %s, and limit %q is %s; name a probe that reads beyond the limit",
			label, probe.ID, probe.Range, l.ID, l.Value)
	}
	if 3*probe.Floor >= l.Value {
		r.add(p.Line, "%s: the floor of probe %q is %s, and limit %q is %s; name a probe whose floor is below a third of the limit",
			label, probe.ID, probe.Floor, l.ID, l.Value)
	}
}
