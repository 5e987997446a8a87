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
	Oven      string           // id
	Probe     string           // id; a probe stands at one post
	Distance  quantity.Length  // from the oven's surface to the probe's sensing centre, m
	Height    *quantity.Length // m above the floor; nil when not set
	Facing    string           // which way the probe looks, in people's words; may be empty
	Turned    *Turned          // nil unless somebody turned the probe for the maximum
	Limit     string           // id; the oven's limit when empty
	Limits    []string         // ids of further limits, judged beside it
	Alone     bool             // the site says that nothing else that emits is near enough to be seen
	ZeroBound quantity.PowerDensity

	Keep *Keep // of its samples; nil: as [retention] says

	ToHousing   bool            // distance was stated to the front of the probe's housing; Distance is not
	MovedOn     time.Time       // first instant of the day it came here, UTC; zero when not stated
	DistanceOff quantity.Length // m, within which Distance is known; 0: not stated
	CheckedOn   time.Time       // first instant of the day its position was last checked, UTC; zero when not stated
	Falloff     float64         // exponent n of S ~ 1/rⁿ about the post; 0: not stated
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
		if p.ID == "station" { // a topic, and names of alarms
			t.problem("id", `"station" names the station itself to whoever is told of its own alarms; give the post another id, for example "station-door"`)
		}
		if b := t.boolean(ask{"nothing_near", "true", false}); b != nil {
			p.Alone = *b
		}
		readStand(t, &p)
		if k := readKeep(t, "keep", "keep_bytes"); k != (Keep{}) {
			p.Keep = &k
		}
		const unset = -1
		height := quantityOf(t, ask{"height", `"1.2 m"`, false}, quantity.ParseLength,
			span[quantity.Length]{0, 100, `"0 m" to "100 m"`}, unset)
		if height != unset {
			p.Height = &height
		}
		p.Turned = readTurned(t, p.Facing)
		if p.Turned != nil && p.Turned.On.Before(p.MovedOn) {
			t.problem("turned_on", "the post was moved after that, on %s, so the turning no longer counts; turn the probe for the maximum again, or remove facing",
				p.MovedOn.Format(time.DateOnly))
		}
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

// The two ends that distance may be stated to.
const (
	toCentre  = "sensing centre"
	toHousing = "housing"
)

// readStand reads where the probe stands at the post, and how surely.
func readStand(t *table, p *Post) {
	p.ToHousing = t.oneOf(ask{"distance_to", `"housing"`, false}, toCentre, toHousing) == toHousing
	p.MovedOn = t.date(ask{"moved_on", "2026-03-02", false})
	p.CheckedOn = t.date(ask{"checked_on", "2026-03-02", false})
	if !p.CheckedOn.IsZero() && p.CheckedOn.Before(p.MovedOn) {
		t.problem("checked_on", "the post was moved after that, on %s; check it there, and write that day", p.MovedOn.Format(time.DateOnly))
	}
	p.DistanceOff = quantityOf(t, ask{"distance_uncertainty", `"2 mm"`, false}, quantity.ParseLength,
		span[quantity.Length]{1e-5, 1, `"0.01 mm" to "1 m"`}, 0)
	if p.Distance > 0 && p.DistanceOff >= p.Distance {
		t.problem("distance_uncertainty", "it is not below distance, %s; write within what the distance is known", p.Distance)
	}
	p.Falloff = t.number(ask{"falloff", "2", false}, span[float64]{0.5, 4, "an exponent from 0.5 to 4; far from a source it is 2"}, 0)
}

// addCentres turns distances that were stated to a probe's housing into those to
// its sensing centre, where the field is measured and limits apply.
func (f *File) addCentres(r *reader) {
	for i := range f.Posts {
		p := &f.Posts[i]
		j := slices.IndexFunc(f.Probes, func(q Probe) bool { return q.ID == p.Probe })
		switch {
		case !p.ToHousing || j < 0 || p.Distance == 0:
		case f.Probes[j].SensingCentre == nil:
			r.add(p.Line, "post %q: distance_to: how far behind its front probe %q senses is not known; set sensing_centre of the probe, for example \"12 mm\"", p.ID, p.Probe)
		default:
			p.Distance += *f.Probes[j].SensingCentre
		}
	}
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
