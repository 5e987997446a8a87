package config

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Schedule is one [[schedule]]: hours of the week in the site's civil time. It
// chooses who is told, or says when an oven runs; what is recorded and judged
// never depends on one.
type Schedule struct {
	Line  int
	ID    string
	Spans []WeekSpan
	Zone  *time.Location // the site's
}

// WeekSpan is a span of each of some days, from From to To after midnight by the
// clock on the wall. A To at or before From is on the day after.
type WeekSpan struct {
	Days     [7]bool       // by time.Weekday
	From, To time.Duration // 0 to 24 h
}

// Covers says whether an instant lies in the schedule. The end of a span is not
// in it.
func (s Schedule) Covers(at time.Time) bool {
	at = at.In(s.Zone)
	h, m, sec := at.Clock()
	clock := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(sec)*time.Second
	today := at.Weekday()
	yesterday := (today + 6) % 7
	for _, w := range s.Spans {
		over := w.To <= w.From
		switch {
		case w.Days[today] && clock >= w.From && (over || clock < w.To):
			return true
		case over && w.Days[yesterday] && clock < w.To:
			return true
		}
	}
	return false
}

func readSchedules(root *table, site Site) []Schedule {
	var all []Schedule
	for _, t := range root.tables("schedule") {
		s := Schedule{Line: t.at.line, ID: t.id("schedule", `"opening-hours"`), Zone: site.Zone}
		a := ask{"times", `["Mon-Fri 07:00-18:00", "Sat 08:00-13:00"]`, true}
		for i, text := range t.words(a) {
			w, err := parseWeekSpan(text)
			if err != nil {
				t.r.add(t.at.key(a.key).item(i).line, "%s: %s: %s: %v; write for example \"Mon-Fri 07:00-18:00\", \"Sun 22:00-02:00\" or \"daily 00:00-24:00\"",
					t.label, a.key, shown(text), err)
				continue
			}
			s.Spans = append(s.Spans, w)
		}
		t.finish()
		all = append(all, s)
	}
	return all
}

// parseWeekSpan reads days and times, such as "Mon-Fri 07:00-18:00".
func parseWeekSpan(text string) (WeekSpan, error) {
	var w WeekSpan
	days, times, ok := strings.Cut(text, " ")
	if !ok {
		return w, fmt.Errorf("days and times are wanted, with a blank between")
	}
	if err := w.readDays(days); err != nil {
		return w, err
	}
	from, to, ok := strings.Cut(strings.TrimSpace(times), "-")
	if !ok {
		return w, fmt.Errorf("%q is no span of time", times)
	}
	var err error
	if w.From, err = parseClock(from); err != nil {
		return w, err
	}
	if w.To, err = parseClock(to); err != nil {
		return w, err
	}
	if w.From == w.To || w.From == 24*time.Hour {
		return w, fmt.Errorf("%q covers no time", times)
	}
	return w, nil
}

// readDays reads "daily", a day, or days from one to another, the week's end
// included: "Fri-Mon".
func (w *WeekSpan) readDays(text string) error {
	if text == "daily" {
		w.Days = [7]bool{true, true, true, true, true, true, true}
		return nil
	}
	first, last, isSpan := strings.Cut(text, "-")
	if !isSpan {
		last = first
	}
	names := []string{"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"}
	from, to := slices.Index(names, first), slices.Index(names, last)
	if from < 0 || to < 0 {
		return fmt.Errorf("%q names no days", text)
	}
	for d := from; ; d = (d + 1) % 7 {
		w.Days[d] = true
		if d == to {
			return nil
		}
	}
}

// parseClock reads a time of day, 00:00 to 24:00.
func parseClock(text string) (time.Duration, error) {
	if text == "24:00" {
		return 24 * time.Hour, nil
	}
	at, err := time.Parse("15:04", text)
	if err != nil || len(text) != len("15:04") {
		return 0, fmt.Errorf("%q is no time of day", text)
	}
	return time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute, nil
}
