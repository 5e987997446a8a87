package web

import (
	"context"
	"net/http"
	"time"

	"ovenward/acquire/alarm"
)

// Bounds of the days that a summary covers.
const (
	someDays = 7
	mostDays = 366
)

// summaryJSON is a summary as the API shows it.
type summaryJSON struct {
	alarm.Summary
	Day string `json:"per_day_is"`
	Ten string `json:"per_ten_minutes_is"`
	Of  string `json:"figures"`
}

// figures says what the rates are compared with.
const figures = "rates of one operator: a day, 150 acceptable and 300 the most (ISA-18.2, from memory); ten minutes, 1 acceptable " +
	"(EEMUA 191, by summaries of it) and 2 the most (from memory), above 10 a flood (EEMUA 191, by summaries of it)"

// serveSummary sums up the alarms of the last days from the record.
func (s *Server) serveSummary(w http.ResponseWriter, r *http.Request) {
	days, err := queryInt(r, "days", someDays, 1, mostDays)
	if err != nil {
		sendProblem(w, r, http.StatusBadRequest, "days: write a number from 1 to 366")
		return
	}
	if s.o.Changes == nil {
		sendProblem(w, r, http.StatusNotFound, "no record is read here")
		return
	}
	sum, err := s.summary(r.Context(), s.o.Now().UTC(), int(days))
	if err != nil {
		s.log.Error("the changes of alarms could not be read", "err", err)
		sendProblem(w, r, http.StatusServiceUnavailable, "the record could not be read: "+err.Error())
		return
	}
	s.sendJSON(w, r, sum)
}

// summary sums up the alarms of the days before an instant from the record.
func (s *Server) summary(ctx context.Context, to time.Time, days int) (summaryJSON, error) {
	from := to.Add(-time.Duration(days) * 24 * time.Hour)
	var raises []alarm.Raise
	for e, err := range s.o.Changes(ctx, from, to) {
		if err != nil {
			return summaryJSON{}, err
		}
		if e.Alarm.Reason == alarm.Raised || e.Alarm.Reason == alarm.RaisedAgain {
			raises = append(raises, alarm.Raise{Post: e.Post, Rule: e.Alarm.Rule, At: e.At})
		}
	}
	begin, err := s.o.Events(ctx, 0, 1)
	if err != nil {
		return summaryJSON{}, err
	}
	if len(begin) > 0 && begin[0].At.After(from) && begin[0].At.Before(to) {
		from = begin[0].At.UTC() // of what was before the record nobody knows
	}
	sum := alarm.Summarize(raises, s.o.Station.Alarms(), from, to)
	for _, list := range []*[]alarm.Tally{&sum.Frequent, &sum.Longest, &sum.Chattering, &sum.Stale, &sum.SetAside} {
		*list = append([]alarm.Tally{}, *list...) // a list without entries is one
	}
	return summaryJSON{sum,
		alarm.Word(sum.PerDay, alarm.AcceptableADay, alarm.ManageableADay),
		alarm.Word(sum.PerTen, alarm.AcceptableInTen, alarm.ManageableInTen), figures}, nil
}
