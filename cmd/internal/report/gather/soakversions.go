package gather

import (
	"fmt"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
)

// SoakWatched is the post of a soak test, as the record keeps its versions.
func SoakWatched(post history.Post, p soak.Plan, versions []store.History) soak.Watched {
	w := soak.Watched{Post: post, Lacks: func(at time.Time, highest quantity.PowerDensity) []string { return lacks(versions, p, at, highest) }}
	for i := range versions {
		w.Changed = append(w.Changed, versions[i].ValidFrom)
	}
	return w
}

// lacks is soak.Watched's, by the version of the post that was in force.
func lacks(all []store.History, p soak.Plan, at time.Time, highest quantity.PowerDensity) []string {
	h := newestBefore(all, at)
	if h == nil {
		return []string{fmt.Sprintf("the record does not know how post %s was on %s", p.Post, at.Format(time.DateOnly))}
	}
	if h.Oven != p.Oven {
		return []string{fmt.Sprintf("post %s watched another oven, %s", p.Post, h.Oven)}
	}
	for _, l := range h.Limits() {
		if l.ID == p.LimitID {
			l.Value, l.Rule = p.Level, p.Rule
			post := h.Post
			for i := range all {
				if o := &all[i]; o.Version < h.Version && o.Probe.ID == post.Probe.ID && o.Probe.Certificate != nil {
					post.Probe.Earlier = append(post.Probe.Earlier, o.Probe.Certificate) // the newest may begin later
				}
			}
			return post.Lacks(l, at, highest)
		}
	}
	return []string{fmt.Sprintf("post %s had no limit %s on %s", p.Post, p.LimitID, at.Format(time.DateOnly))}
}

func newestBefore(all []store.History, by time.Time) *store.History {
	for i := len(all) - 1; i >= 0; i-- {
		if !all[i].ValidFrom.After(by) {
			return &all[i]
		}
	}
	return nil
}
