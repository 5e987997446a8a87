package cycle

import (
	"sort"
	"time"
)

// Switched is a time in which a contact said that the oven of a post was switched to
// heat; shorter pauses than the run gap are part of it.
type Switched struct {
	Contact string        `json:"contact"`
	Oven    string        `json:"oven"`
	From    time.Time     `json:"from"`
	To      time.Time     `json:"to"`
	Lag     time.Duration `json:"lag_ns"` // by how much it may say so late
}

// Join makes one of those that go on where the one before ended; all are in order.
func Join(all []Switched) []Switched {
	var out []Switched
	for _, s := range all {
		if n := len(out); n > 0 && out[n-1].Contact == s.Contact && out[n-1].Oven == s.Oven && !out[n-1].To.Before(s.From) {
			out[n-1].To = s.To
			continue
		}
		out = append(out, s)
	}
	return out
}

// Said finds by whose word an oven was switched to heat from one instant to another,
// both unsure by slack. all are joined; empty: nobody said so of the whole time.
func Said(all []Switched, from, to time.Time, slack time.Duration) (contact string) {
	i := sort.Search(len(all), func(i int) bool { return all[i].From.After(from.Add(slack + all[i].Lag)) })
	if i == 0 || all[i-1].To.Add(slack+all[i-1].Lag).Before(to) {
		return ""
	}
	return all[i-1].Contact
}
