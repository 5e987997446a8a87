package config

import (
	"slices"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Sum is one [[sum]]: posts at one place whose probes see ovens of different
// frequencies, and the limit that all are held against together.
type Sum struct {
	Line  int
	ID    string
	Posts []string // ids
	Limit string   // id
}

func readSums(root *table) []Sum {
	var sums []Sum
	for _, t := range root.tables("sum") {
		s := Sum{Line: t.at.line, ID: t.id("sum", `"serving-hatch"`),
			Posts: t.words(ask{"posts", `["hatch-2450", "hatch-915"]`, true}),
			Limit: t.ref(ask{"limit", `"public"`, true})}
		for i, id := range s.Posts {
			t.r.refs = append(t.r.refs, ref{t.line("posts"), t.label, "post", id})
			if slices.Contains(s.Posts[:i], id) {
				t.problem("posts", "%q stands in it twice; name each post once", id)
			}
		}
		if t.has("posts") && len(s.Posts) < 2 {
			t.problem("posts", "a sum is one of several posts; name two or more")
		}
		t.finish()
		sums = append(sums, s)
	}
	return sums
}

// checkSums tells sums of posts that are not held against the limit, by a mean,
// or that see the same frequency: that field would count twice.
func (f *File) checkSums(r *reader) {
	for _, s := range f.Sums {
		seen := map[quantity.Frequency]string{}
		for _, id := range s.Posts {
			i := slices.IndexFunc(f.Posts, func(p Post) bool { return p.ID == id })
			if i < 0 {
				continue // told already
			}
			p := f.Posts[i]
			all, err := f.LimitsOf(p)
			if err != nil {
				continue // told already
			}
			j := slices.IndexFunc(all, func(l limit.Limit) bool { return l.ID == s.Limit })
			switch {
			case j < 0:
				r.add(s.Line, "sum %q: post %q is not held against limit %q; add it to limits of that post", s.ID, id, s.Limit)
			case !all[j].Averaged():
				r.add(s.Line, "sum %q: limit %q is not one on a mean; name an exposure limit that has an averaging time", s.ID, s.Limit)
			}
			k := slices.IndexFunc(f.Ovens, func(o Oven) bool { return o.ID == p.Oven })
			if k < 0 {
				continue
			}
			if other, twice := seen[f.Ovens[k].Frequency]; twice {
				r.add(s.Line, "sum %q: the ovens of posts %q and %q have one frequency, %s, and its field would count twice; name one post a frequency",
					s.ID, other, id, f.Ovens[k].Frequency)
			}
			seen[f.Ovens[k].Frequency] = id
		}
	}
}
