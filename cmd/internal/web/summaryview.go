package web

import (
	"context"
	"strconv"
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
func (s *Server) summaryView(ctx context.Context, say voice, now time.Time, days int) *summaryView {
	if s.o.Changes == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, summaryPatience)
	defer cancel()
	sum, err := s.summary(ctx, now.UTC(), days)
	if err != nil {
		s.log.Error("the alarms could not be summed up", "err", err)
		return &summaryView{Days: days, Trouble: say.t("alarms.sum_unread", "why", say.said(err.Error()))}
	}
	return say.summaryViewOf(sum, s.places(say), days, now)
}

func (v voice) summaryViewOf(sum summaryJSON, where func(string) string, days int, now time.Time) *summaryView {
	out := &summaryView{Days: days, Figures: v.said(sum.Of)}
	if sum.To.Sub(sum.From) < time.Duration(days)*24*time.Hour {
		out.Rates = append(out.Rates, v.t("alarms.sum_begins", "at", v.clock(sum.From, now)))
	}
	out.Rates = append(out.Rates,
		v.t("alarms.sum_raised", "n", sum.Raised),
		v.t("alarms.sum_day", "x", digits(sum.PerDay), "is", v.said(sum.Day)),
		v.t("alarms.sum_ten", "x", digits(sum.PerTen), "is", v.said(sum.Ten)),
		v.t("alarms.sum_most", "most", sum.MostInTen, "n", sum.Floods, "flood", alarm.FloodInTen))
	place := func(t alarm.Tally) string { return v.rule(t.Rule) + ", " + where(t.Post) }
	times := func(t alarm.Tally) string { return place(t) + ": " + v.t("alarms.sum_times", "n", t.Times) }
	minute := func(t alarm.Tally) string { return place(t) + ": " + v.t("alarms.sum_minute", "n", t.Times) }
	since := func(t alarm.Tally) string {
		return place(t) + ": " + v.t("alarms.sum_since", "state", v.said(string(t.State)), "at", v.clock(t.Since, now))
	}
	for _, l := range []struct {
		title string
		all   []alarm.Tally
		words func(alarm.Tally) string
	}{
		{v.t("alarms.sum_frequent"), sum.Frequent, times}, {v.t("alarms.sum_longest"), sum.Longest, since},
		{v.t("alarms.sum_chattering"), sum.Chattering, minute}, {v.t("alarms.sum_stale"), sum.Stale, since}, {v.t("alarms.sum_aside"), sum.SetAside, since},
	} {
		list := summaryList{Title: l.title}
		for _, t := range l.all {
			list.Lines = append(list.Lines, l.words(t))
		}
		out.Lists = append(out.Lists, list)
	}
	return out
}

// digits prints a rate to three digits.
func digits(x float64) string { return strconv.FormatFloat(x, 'g', 3, 64) }
