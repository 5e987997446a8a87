package web

import (
	"cmp"
	"context"
	"fmt"
	"time"

	"ovenward/acquire/alarm"
)

// summaryView is a summary of the last days in words; Trouble says why there is
// none.
type summaryView struct {
	Days    int
	Rates   []string // what was raised, and what that comes to
	Lists   []summaryList
	Figures string // what the rates are compared with
	Trouble string
}

// summaryList is one list of alarms of a summary.
type summaryList struct {
	Title string
	Lines []string // empty: none
}

// summaryPatience is how long the page waits for the record to be summed up.
const summaryPatience = 2 * time.Second

// summaryView reads the record and puts the summary of some days into words; nil
// where no record is read.
func (s *Server) summaryView(ctx context.Context, now time.Time, days int) *summaryView {
	if s.o.Changes == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, summaryPatience)
	defer cancel()
	sum, err := s.summary(ctx, now.UTC(), days)
	if err != nil {
		s.log.Error("the alarms could not be summed up", "err", err)
		return &summaryView{Days: days, Trouble: "the alarms of the last days cannot be summed up: " + err.Error()}
	}
	where := map[string]string{"": "the station itself"}
	for _, st := range s.o.Station.Stats() {
		where[st.Post.ID] = ovenWords(st.Post)
	}
	return summaryViewOf(sum, where, days, now)
}

func summaryViewOf(sum summaryJSON, where map[string]string, days int, now time.Time) *summaryView {
	v := &summaryView{Days: days, Figures: sum.Of}
	v.Rates = []string{
		count(sum.Raised, "alarm", "alarms") + " raised",
		fmt.Sprintf("%.3g a day: %s", sum.PerDay, sum.Day),
		fmt.Sprintf("%.3g in ten minutes: %s", sum.PerTen, sum.Ten),
		fmt.Sprintf("at most %d in ten minutes, and %s above %d", sum.MostInTen, count(sum.Floods, "time", "times"), alarm.FloodInTen),
	}
	place := func(t alarm.Tally) string {
		return ruleWords(t.Rule) + ", " + cmp.Or(where[t.Post], "post "+t.Post)
	}
	times := func(t alarm.Tally) string { return place(t) + ": " + count(t.Times, "time", "times") }
	minute := func(t alarm.Tally) string { return times(t) + " in its worst minute" }
	since := func(t alarm.Tally) string {
		return place(t) + ": " + string(t.State) + " since " + clock(t.Since, now)
	}
	for _, l := range []struct {
		title string
		all   []alarm.Tally
		words func(alarm.Tally) string
	}{{"Most frequent", sum.Frequent, times}, {"Longest standing", sum.Longest, since}, {"Chattering", sum.Chattering, minute},
		{"Standing for more than a day", sum.Stale, since}, {"Set aside", sum.SetAside, since}} {
		list := summaryList{Title: l.title}
		for _, t := range l.all {
			list.Lines = append(list.Lines, l.words(t))
		}
		v.Lists = append(v.Lists, list)
	}
	return v
}
