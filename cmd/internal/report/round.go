package report

import (
	"fmt"
	"time"

	"ovenward/cmd/internal/round"
)

// Round is the plan of a day.
type Round struct {
	Site    string
	Ask     round.Ask
	Entries []round.Entry // all, in the order of their places
	Version string
}

// Document makes the list.
func (r *Round) Document() *Document {
	d := &Document{Kind: "round", Title: "Round of " + day(r.Ask.Day), Site: r.Site, As: r.Ask.Day.UTC().Truncate(24 * time.Hour), Version: r.Version,
		Of: "ovens to check, in the order of their places"}
	counts := map[round.Status]int{}
	for _, e := range r.Entries {
		counts[e.Status]++
	}
	list := round.List(r.Entries)
	p := &Pairs{}
	for _, s := range []round.Status{round.Never, round.Overdue, round.Due, round.Exceeded, round.NotDecided, round.Later, round.Withdrawn} {
		p.List = append(p.List, Pair{string(s), count(int64(counts[s]))})
	}
	d.add("Sum", &Paragraph{Verdict, fmt.Sprintf("%s to check, of %d known", plural(len(list), "oven"), len(r.Entries))}, p,
		&Paragraph{Plain, fmt.Sprintf("“Due” reaches %d days ahead. Where neither the oven nor its newest check states a day, the next check is due %d months after the newest; a year is customary in workplaces, and we know of no law that states an interval.", r.Ask.Ahead, r.Ask.Every)})
	d.add("To check", entries(list, true, "No oven is due on this day."))
	var rest []round.Entry
	for _, e := range r.Entries {
		if !e.Status.Asks() {
			rest = append(rest, e)
		}
	}
	d.add("Others", entries(rest, false, "There are no others."))
	d.add("Cautions", cautions()...)
	return d
}

func entries(list []round.Entry, tick bool, none string) *Table {
	t := &Table{Columns: []Column{{"Place", false}, {"Oven", false}, {"Status", false}, {"Due", false}, {"Days", true}, {"Newest check", false}, {"Outcome then", false}, {"Highest then", true}, {"Why", false}}, None: none}
	if tick {
		t.Columns = append(t.Columns, Column{"Done, by", false})
	}
	for _, e := range list {
		due, days := raw("at once"), raw("")
		switch {
		case !e.Due.IsZero():
			due, days = raw(day(e.Due)), of(fmt.Sprint(e.Days), float64(e.Days)*86400, "s")
		case e.Status == round.Withdrawn:
			due = raw("")
		}
		last, outcome, high := raw("none"), raw(""), raw("")
		if c := e.Last; c != nil {
			last = raw(join(day(c.On), c.By, c.Source))
			outcome = raw("not stated")
			if c.Outcome != "" {
				outcome = raw(outcomeWords(c.Outcome))
			}
			if c.Imported {
				outcome.Text += ", as stated there"
			}
			switch {
			case c.Over:
				high = raw("over range")
			case c.HasValue:
				high = density(c.Highest)
			}
		}
		row := []Cell{words(e.Place), raw(e.ID), raw(string(e.Status)), due, days, last, outcome, high, raw(e.DueBy)}
		if tick {
			row = append(row, raw("__________"))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}
