package web

import (
	"fmt"
	"net/http"
	"net/url"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/quantity"
)

// onAlarm does something to the alarm that the path names: by the id of its
// occurrence, or as POST.RULE.
func (s *Server) onAlarm(what alarm.Happening) action {
	return func(r *http.Request, said word) (string, int, string) {
		var lasting time.Duration
		if what == alarm.Shelve {
			var detail string
			if lasting, detail = lastingOf(said); detail != "" {
				return "", http.StatusUnprocessableEntity, detail
			}
		}
		if what != alarm.Unshelve && what != alarm.PutBack && !plain(said.Why, maxRemedy) {
			return "", http.StatusUnprocessableEntity, whyWanted
		}
		err := s.o.Station.Act(r.PathValue("id"), alarm.Act{What: what, Who: said.Who, Why: said.Why}, lasting)
		if err != nil {
			return refusal(err)
		}
		return "/alarms", 0, ""
	}
}

var whyWanted = fmt.Sprintf("say why: up to %d printable characters", maxRemedy)

// lastingOf reads for how long something shall be so.
func lastingOf(said word) (time.Duration, string) {
	d, err := quantity.ParseDuration(said.For)
	if err != nil || d <= 0 {
		return 0, `say for how long, for example "2 h" or "30 min"`
	}
	return d, ""
}

// announce says that the probe of a post is away or under test.
func (s *Server) announce(rule alarm.Rule) action {
	return func(r *http.Request, said word) (string, int, string) {
		lasting, detail := lastingOf(said)
		if detail == "" && said.Why != "" && !plain(said.Why, maxRemedy) {
			detail = whyWanted
		}
		if detail != "" {
			return "", http.StatusUnprocessableEntity, detail
		}
		return s.atPost(r, said, func(post int, who string) error {
			return s.o.Station.Announce(post, rule, who, said.Why, lasting)
		})
	}
}

func (s *Server) conclude(r *http.Request, said word) (string, int, string) {
	return s.atPost(r, said, s.o.Station.Conclude)
}

func (s *Server) checked(r *http.Request, said word) (string, int, string) {
	if said.Why != "" && !plain(said.Why, maxRemedy) {
		return "", http.StatusUnprocessableEntity, whyWanted
	}
	return s.atPost(r, said, func(post int, who string) error { return s.o.Station.CheckPosition(post, who, said.Why) })
}

// runs notes that the oven is known to run, for a time; "0 s" takes it back.
func (s *Server) runs(r *http.Request, said word) (string, int, string) {
	d, err := quantity.ParseDuration(said.For)
	if err != nil || d < 0 {
		return "", http.StatusUnprocessableEntity, `say for how long the oven runs, for example "10 min", or "0 s" to take that back`
	}
	return s.atPost(r, said, func(post int, who string) error { return s.o.Station.Runs(post, who, d) })
}

func (s *Server) withdraw(r *http.Request, said word) (string, int, string) {
	return s.atOven(r, said, s.o.Station.Withdraw)
}

func (s *Server) returnOven(r *http.Request, said word) (string, int, string) {
	return s.atOven(r, said, s.o.Station.ReturnOven)
}

// atOven does a change to the oven that the path names.
func (s *Server) atOven(r *http.Request, said word, do func(oven, who, why string) error) (string, int, string) {
	if !plain(said.Why, maxRemedy) {
		return "", http.StatusUnprocessableEntity, whyWanted
	}
	if err := do(r.PathValue("id"), said.Who, said.Why); err != nil {
		return refusal(err)
	}
	return "/alarms", 0, ""
}

// actURL is where an act on an alarm is sent.
func actURL(a alarm.Alarm, act string) string {
	id := a.ID
	if id == "" {
		id = "station." + string(a.Rule)
		if a.Post != "" {
			id = a.Post + "." + string(a.Rule)
		}
	}
	return "/api/v1/alarms/" + url.PathEscape(id) + "/" + act
}
