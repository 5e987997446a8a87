package alarm

import (
	"cmp"
	"maps"
	"slices"
	"sort"
	"time"
)

// What one operator can live with. By EEMUA publication 191, as two summaries
// of it give it (its text was not seen): on average at most one alarm in ten
// minutes, and ten in ten minutes are a flood. By ISA-18.2, from memory: about 150
// a day are very likely acceptable, about 300 the most that can be managed; about
// two in ten minutes likewise.
const (
	AcceptableADay   = 150
	ManageableADay   = 300
	AcceptableInTen  = 1
	ManageableInTen  = 2
	FloodInTen       = 10
	tenMinutes       = 10 * time.Minute
	chatteringTimes  = 3 // raised so often within a minute: chattering (common practice, no source)
	chatteringWithin = time.Minute
	staleAfter       = 24 * time.Hour // standing for longer: stale (common practice, no source)
	mostListed       = 10
)

// Raise is that an alarm was raised, or raised again.
type Raise struct {
	Post string
	Rule Rule
	At   time.Time
}

// Tally is one alarm's share of a summary.
type Tally struct {
	Post  string        `json:"post"`
	Rule  Rule          `json:"rule"`
	Times int           `json:"times"`
	Since time.Time     `json:"since,omitzero"` // of what stands
	For   time.Duration `json:"-"`
	State State         `json:"state,omitempty"`
}

// Summary is how much the alarms of a span of time asked of people.
type Summary struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Raised int       `json:"raised"`

	PerDay    float64 `json:"per_day"`         // mean over the span
	PerTen    float64 `json:"per_ten_minutes"` // mean over the span
	MostInTen int     `json:"most_in_ten_minutes"`
	Floods    int     `json:"ten_minutes_above_ten"` // tens of minutes, by the clock, with more than FloodInTen

	Frequent   []Tally `json:"most_frequent"`
	Longest    []Tally `json:"longest_standing"`
	Chattering []Tally `json:"chattering"` // Times is of the worst minute
	Stale      []Tally `json:"stale"`
	SetAside   []Tally `json:"set_aside"`
}

// Word is what a rate comes to against two figures.
func Word(rate, acceptable, manageable float64) string {
	switch {
	case rate <= acceptable:
		return "acceptable"
	case rate <= manageable:
		return "the most that can be managed"
	}
	return "more than can be managed"
}

// Summarize sums up the raises from from to to, in the order of their instants,
// and the alarms as they stand at to. Notices are left out: they ask nothing.
func Summarize(raises []Raise, now []Alarm, from, to time.Time) Summary {
	s := Summary{From: from, To: to}
	type key struct {
		post string
		rule Rule
	}
	times := map[key][]time.Time{}
	var all []time.Time
	for _, r := range raises {
		if !r.Rule.IsNotice() && !r.At.Before(from) && r.At.Before(to) {
			k := key{r.Post, r.Rule}
			times[k] = append(times[k], r.At)
			all = append(all, r.At)
		}
	}
	s.rates(all)
	for k, at := range times {
		slices.SortStableFunc(at, time.Time.Compare)
		s.Frequent = append(s.Frequent, Tally{Post: k.post, Rule: k.rule, Times: len(at)})
		if n := mostWithin(at, chatteringWithin); n >= chatteringTimes {
			s.Chattering = append(s.Chattering, Tally{Post: k.post, Rule: k.rule, Times: n})
		}
	}
	for _, a := range now {
		t := Tally{Post: a.Post, Rule: a.Rule, Times: len(times[key{a.Post, a.Rule}]), Since: a.Since, For: to.Sub(a.Since), State: a.Shown()}
		if a.Aside != NotAside {
			s.SetAside = append(s.SetAside, t)
		}
		if !a.State.Standing() || a.Rule.IsNotice() {
			continue
		}
		s.Longest = append(s.Longest, t)
		if t.For > staleAfter {
			s.Stale = append(s.Stale, t)
		}
	}
	for _, list := range []*[]Tally{&s.Frequent, &s.Chattering} {
		*list = first(*list, func(a, b Tally) int { return cmp.Compare(b.Times, a.Times) })
	}
	for _, list := range []*[]Tally{&s.Longest, &s.Stale, &s.SetAside} {
		*list = first(*list, func(a, b Tally) int { return a.Since.Compare(b.Since) })
	}
	return s
}

// rates counts raises by the day and by the ten minutes.
func (s *Summary) rates(all []time.Time) {
	s.Raised = len(all)
	over := func(unit time.Duration) float64 { // nothing is foretold from less than one unit
		return float64(len(all)) * float64(unit) / float64(max(s.To.Sub(s.From), unit))
	}
	s.PerDay, s.PerTen = over(24*time.Hour), over(tenMinutes)
	slices.SortStableFunc(all, time.Time.Compare)
	s.MostInTen = mostWithin(all, tenMinutes)
	tens := map[time.Time]int{}
	for _, at := range all {
		tens[at.UTC().Truncate(tenMinutes)]++
	}
	for n := range maps.Values(tens) {
		if n > FloodInTen {
			s.Floods++
		}
	}
}

// mostWithin is the greatest number of instants, in order, within less than a span.
func mostWithin(at []time.Time, span time.Duration) int {
	most, first := 0, 0
	for i := range at {
		for at[i].Sub(at[first]) >= span {
			first++
		}
		most = max(most, i-first+1)
	}
	return most
}

// first sorts by order, then by name, and keeps the first few.
func first(list []Tally, order func(a, b Tally) int) []Tally {
	sort.SliceStable(list, func(i, j int) bool {
		a, b := list[i], list[j]
		return cmp.Or(order(a, b), cmp.Compare(a.Post, b.Post), cmp.Compare(a.Rule, b.Rule)) < 0
	})
	return list[:min(len(list), mostListed)]
}
