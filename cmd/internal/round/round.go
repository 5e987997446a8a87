// Package round plans which ovens are to be checked on a day: those never checked,
// overdue, or due, in the order of their places. It is pure: no clock, no file, no
// record. Power densities are W/m², days are instants at midnight UTC. It judges
// nothing: what an earlier check said is repeated as it was said.
package round

import (
	"cmp"
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"ovenward/acquire/civil"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Oven is one oven that may have to be checked.
type Oven struct {
	ID, Place string
	Next      time.Time // day by which the site wants it checked; zero: not stated
	Withdrawn bool      // out of use: no check is due, but one before it comes back
}

// Check is one check of an oven: a survey of the record, or an earlier result that
// was imported.
type Check struct {
	Oven     string                `json:"oven"`
	Place    string                `json:"place,omitempty"`
	On       time.Time             `json:"on"`
	Outcome  limit.Outcome         `json:"outcome,omitempty"` // empty: not stated
	Highest  quantity.PowerDensity `json:"highest_w_per_m2,omitempty"`
	HasValue bool                  `json:"has_value"`
	Over     bool                  `json:"over_range,omitempty"` // the highest was above any value
	By       string                `json:"by,omitempty"`
	Next     time.Time             `json:"next,omitzero"` // zero: not stated
	Remark   string                `json:"remark,omitempty"`
	Source   string                `json:"source"` // the survey's id, or file and line
	Imported bool                  `json:"imported"`
	Damaged  bool                  `json:"damaged,omitempty"` // in the record: what else it says cannot be read
}

// Status is where an oven stands on a day.
type Status string

const (
	Never      Status = "never checked"
	Overdue    Status = "overdue"
	Due        Status = "due"
	Exceeded   Status = "exceeded" // the newest check; nothing since
	NotDecided Status = "not decided"
	Later      Status = "not due"
	Withdrawn  Status = "withdrawn"
)

// Entry is one oven of a plan.
type Entry struct {
	Oven
	Status Status
	Last   *Check    // nil: none
	Due    time.Time // zero: at once, or not known
	DueBy  string    // where that day comes from
	Days   int       // from the day of the plan to Due; negative: past
}

// Ask is what a plan is made for.
type Ask struct {
	Day   time.Time
	Ahead int // days: what is due up to so many days later is due
	Every int // months from a check to the next one, where nothing else is stated
}

// What a plan uses when nothing is said. A year is customary in workplaces (trade
// opinion); we know of no law that states an interval.
const (
	DefaultAhead = 14
	DefaultEvery = 12
)

// Plan lists all ovens in the order of their places. Ovens that only a check names
// are among them. Checks after the day do not count.
func Plan(ovens []Oven, checks []Check, a Ask) []Entry {
	day := midnight(a.Day)
	last, decided := map[string]*Check{}, map[string]*Check{}
	newer := func(c, l *Check) bool { return l == nil || c.On.After(l.On) || c.On.Equal(l.On) && !c.Imported }
	var known []Oven
	place := map[string]int{}
	add := func(o Oven) {
		if i, is := place[o.ID]; is {
			if known[i].Place == "" {
				known[i].Place = o.Place
			}
			return
		}
		place[o.ID] = len(known)
		known = append(known, o)
	}
	for _, o := range ovens {
		add(o)
	}
	for i := range checks {
		c := &checks[i]
		if !c.On.Before(day.AddDate(0, 0, 1)) {
			continue
		}
		add(Oven{ID: c.Oven, Place: c.Place})
		if newer(c, last[c.Oven]) {
			last[c.Oven] = c
		}
		if (c.Outcome == limit.Within || c.Outcome == limit.Exceeds) && newer(c, decided[c.Oven]) {
			decided[c.Oven] = c
		}
	}
	var all []Entry
	for _, o := range known {
		all = append(all, entry(o, last[o.ID], decided[o.ID], day, a))
	}
	sort.SliceStable(all, func(i, j int) bool {
		x, y := &all[i], &all[j]
		return cmp.Or(natural(x.Place, y.Place), natural(x.ID, y.ID)) < 0
	})
	return all
}

func midnight(t time.Time) time.Time { return t.UTC().Truncate(24 * time.Hour) }

// entry places an oven by its newest check, and the newest that was decided: one that
// was not decides nothing, and lifts no exceedance.
func entry(o Oven, last, decided *Check, day time.Time, a Ask) Entry {
	e := Entry{Oven: o, Last: last}
	switch {
	case o.Withdrawn:
		e.Status, e.DueBy = Withdrawn, "before it comes back into use"
		return e
	case last == nil && o.Next.IsZero():
		e.Status, e.DueBy = Never, "no check is known"
		return e
	case last != nil && last.Outcome == limit.Exceeds:
		e.Status, e.DueBy = Exceeded, "the newest check exceeds: withdraw it, and survey it after the repair"
		return e
	case last != nil && last.Outcome != limit.Within && decided != nil && decided.Outcome == limit.Exceeds:
		e.Status, e.DueBy = Exceeded, "the check of "+decided.On.UTC().Format(time.DateOnly)+" exceeds, and none since is within: withdraw it, and survey it after the repair"
		return e
	case last != nil && last.Outcome != limit.Within:
		e.Status, e.DueBy = NotDecided, "the newest check is not decided, which is not within"
		switch {
		case last.Damaged:
			e.DueBy = "the newest check is damaged in the record, which is not within: see ovenward verify"
		case last.Outcome == "":
			e.DueBy = "the newest check states no outcome, which is not within"
		}
		return e
	}
	switch {
	case !o.Next.IsZero() && (last == nil || last.On.Before(midnight(o.Next))): // a check on that day or later did what it asked for
		e.Due, e.DueBy = midnight(o.Next), "stated for the oven"
	case !last.Next.IsZero():
		e.Due, e.DueBy = midnight(last.Next), "stated by the newest check"
	default:
		e.Due, e.DueBy = civil.AddMonths(midnight(last.On), a.Every), fmt.Sprintf("%d months after the newest check", a.Every)
	}
	e.Days = int(e.Due.Sub(day).Hours() / 24)
	switch {
	case last == nil:
		e.Status = Never
	case e.Days < 0:
		e.Status = Overdue
	case e.Days <= a.Ahead:
		e.Status = Due
	default:
		e.Status = Later
	}
	return e
}

// Asks says whether an oven of this status belongs on the day's list.
func (s Status) Asks() bool { return s != Later && s != Withdrawn }

// List is what of a plan is to be done on the day.
func List(all []Entry) []Entry {
	return slices.DeleteFunc(slices.Clone(all), func(e Entry) bool { return !e.Status.Asks() })
}

// natural compares names so that 'floor 2' stands before 'floor 10'; an empty name
// is last.
func natural(a, b string) int {
	if (a == "") != (b == "") {
		return cmp.Compare(len(b), len(a))
	}
	a, b = strings.ToLower(a), strings.ToLower(b)
	for a != "" && b != "" {
		x, restA, numA := part(a)
		y, restB, numB := part(b)
		order := cmp.Compare(x, y)
		if numA && numB {
			p, q := strings.TrimLeft(x, "0"), strings.TrimLeft(y, "0")
			order = cmp.Or(cmp.Compare(len(p), len(q)), cmp.Compare(p, q))
		}
		if order != 0 {
			return order
		}
		a, b = restA, restB
	}
	return cmp.Compare(len(a), len(b))
}

// part cuts the digits, or what is none, from the front of s.
func part(s string) (head, rest string, number bool) {
	digit := func(c byte) bool { return c >= '0' && c <= '9' }
	number = digit(s[0])
	i := 1
	for i < len(s) && digit(s[i]) == number {
		i++
	}
	return s[:i], s[i:], number
}
