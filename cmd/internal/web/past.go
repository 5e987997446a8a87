package web

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"sort"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/civil"
	"ovenward/acquire/registry"
)

// Bounds of the past that is looked through at once.
const (
	somePast    = 30 * 24 * time.Hour // where no day is said
	mostChanges = 50_000
	mostListed  = 200
)

// wanted is which alarms of the past somebody asks for, as it was written.
type wanted struct{ Post, Rule, State, From, To string }

// pastStates are what can be asked for, beside all.
func pastStates() []string { return []string{"standing", "waiting", "aside", "ended"} }

// occurrence is one alarm from its raise to its end, by its changes.
type occurrence struct {
	alarm.Alarm
	Began   time.Time // first change seen in the span
	Ended   time.Time // zero: not yet
	Acked   string    // who acknowledged it
	Reset   string    // who reset it
	Remedy  string    // what was mended
	Changes int
	dropped bool // it was not seen to end
}

// span reads the days that are asked for, in the site's zone: from the beginning
// of the first to the end of the last.
func (s *Server) span(w wanted, now time.Time) (from, to time.Time, why string) {
	first, err1 := registry.ParseDay(w.From)
	last, err2 := registry.ParseDay(w.To)
	if err1 != nil || err2 != nil {
		return from, to, "from and to: write days as year-month-day, or leave them out"
	}
	to, from = now.Add(time.Millisecond), now.Add(-somePast)
	if !last.IsZero() {
		to = civil.Begin(last.Year(), last.Month(), last.Day()+1, s.zone)
		from = to.Add(-somePast)
	}
	if !first.IsZero() {
		from = civil.Begin(first.Year(), first.Month(), first.Day(), s.zone)
	}
	if !from.Before(to) {
		return from, to, "from and to: the first day must not lie after the last"
	}
	return from, to, ""
}

// past reads the occurrences that had a change in a span of time and are asked for,
// the newest first; cut says that there were more changes than are looked through.
func (s *Server) past(ctx context.Context, w wanted, from, to time.Time) (out []occurrence, cut bool, err error) {
	if s.o.Changes == nil {
		return nil, false, nil
	}
	found := map[string]*occurrence{}
	n := 0
	for e, err := range s.o.Changes(ctx, from, to) {
		if err != nil {
			return nil, false, err
		}
		if n++; n > mostChanges {
			cut = true
			break
		}
		a := e.Alarm
		if a.ID == "" || w.Post != "" && a.Post != w.Post || w.Rule != "" && string(a.Rule) != w.Rule {
			continue
		}
		o := found[a.ID]
		if o == nil {
			o = &occurrence{Began: e.At}
			found[a.ID] = o
		}
		o.take(e)
	}
	for _, a := range s.o.Station.Alarms() { // what came of it after the span
		if o := found[a.ID]; o != nil && a.ID != "" {
			o.dropped = o.dropped && o.State.Standing() == a.State.Standing() // else somebody reset it
			o.Alarm = a
		}
	}
	for _, o := range found {
		if w.State == "" || w.State == o.stands() {
			out = append(out, *o)
		}
	}
	sort.SliceStable(out, func(i, j int) bool {
		a, b := &out[i], &out[j]
		return cmp.Or(b.Since.Compare(a.Since), strings.Compare(a.ID, b.ID)) < 0
	})
	return out, cut, nil
}

// take adds a change.
func (o *occurrence) take(e acquire.Event) {
	o.Alarm = e.Alarm.Alarm
	o.Changes++
	o.Ended, o.dropped = time.Time{}, droppedAfter(o.dropped, e.Alarm.Reason)
	switch e.Alarm.Reason {
	case alarm.WasAcknowledged:
		o.Acked = e.Who
	case alarm.WasReset:
		o.Reset, o.Remedy = e.Who, e.Alarm.Remark
	}
	if o.State == alarm.Normal || o.State == "" {
		o.Ended = e.At
	}
}

// droppedAfter says whether an alarm's condition went unseen, because nothing judges it any
// more, and nothing has been said of it since but by people.
func droppedAfter(before bool, why alarm.Reason) bool {
	switch why {
	case alarm.Dropped:
		return true
	case alarm.Raised, alarm.RaisedAgain, alarm.Returned, alarm.ReturnedLatched, alarm.GoneLatched, alarm.WasReset:
		return false
	}
	return before
}

// stands is how an occurrence stands, by the words of pastStates.
func (o *occurrence) stands() string {
	switch {
	case o.Aside != alarm.NotAside:
		return "aside"
	case o.State.Waits():
		return "waiting"
	case o.State.Standing():
		return "standing"
	}
	return "ended"
}

// occurrenceJSON is an occurrence as the API shows it.
type occurrenceJSON struct {
	alarmJSON
	Ended   string `json:"ended"` // empty: not yet
	Acked   string `json:"acknowledged_by"`
	Reset   string `json:"reset_by"`
	Remedy  string `json:"remedy"`
	Changes int    `json:"changes"`
}

func occurrenceOf(o occurrence) occurrenceJSON {
	return occurrenceJSON{alarmOf(o.Alarm), instant(o.Ended), o.Acked, o.Reset, o.Remedy, o.Changes}
}

func wantedOf(r *http.Request) wanted {
	q := r.URL.Query()
	return wanted{q.Get("post"), q.Get("rule"), q.Get("state"), strings.TrimSpace(q.Get("from")), strings.TrimSpace(q.Get("to"))}
}

// servePast answers with the occurrences that are asked for.
func (s *Server) servePast(w http.ResponseWriter, r *http.Request) {
	ask := wantedOf(r)
	from, to, why := s.span(ask, s.o.Now())
	if why == "" && ask.State != "" && !slices.Contains(pastStates(), ask.State) {
		why = "state: write one of " + strings.Join(pastStates(), ", ") + ", or leave it out for all"
	}
	if why != "" {
		sendProblem(w, r, http.StatusBadRequest, why)
		return
	}
	all, cut, err := s.past(r.Context(), ask, from, to)
	if err != nil {
		s.unread(w, r, err)
		return
	}
	out := pastJSON{From: instant(from), To: instant(to), Cut: cut || len(all) > mostEvents, Alarms: []occurrenceJSON{}}
	for _, o := range all[:min(len(all), mostEvents)] {
		out.Alarms = append(out.Alarms, occurrenceOf(o))
	}
	s.sendJSON(w, r, out)
}

// pastView is the past in words.
type pastView struct {
	Fields  []fieldView
	Rows    []pastRow
	Span    string
	More    string // that not all is shown, and what to do
	Trouble string
}

type pastRow struct {
	Path, Title, Where, When, How, Who string
}

// pastView looks through the past by what the query asks for.
func (s *Server) pastView(r *http.Request, f frame, now time.Time) pastView {
	ask := wantedOf(r)
	v := pastView{Fields: s.pastFields(f.voice, ask)}
	from, to, why := s.span(ask, now)
	if why != "" {
		v.Trouble = f.said(why)
		return v
	}
	v.Span = f.between(from, to, now)
	ctx, cancel := context.WithTimeout(r.Context(), summaryPatience)
	defer cancel()
	all, cut, err := s.past(ctx, ask, from, to)
	if err != nil {
		s.log.Error("the changes of alarms could not be read", "err", err)
		v.Trouble = f.t("alarms.past_unread", "why", f.said(err.Error()))
		return v
	}
	if cut || len(all) > mostListed {
		v.More = f.t("alarms.past_more", "n", min(len(all), mostListed))
	}
	where, stats := s.places(f.voice), s.o.Station.Stats()
	for _, o := range all[:min(len(all), mostListed)] {
		st, watched := statsOf(stats, o.Post)
		v.Rows = append(v.Rows, f.pastRow(o, where, watched && judgedNow(&st, o.Alarm), now))
	}
	return v
}

// places names the posts as people know them.
func (s *Server) places(say voice) func(post string) string {
	where := say.postNames(s.o.Station.Stats())
	where[""] = say.t("alarms.station_itself")
	return func(post string) string { return cmp.Or(where[post], say.t("alarms.where_post", "id", post)) }
}

// pastRow puts an occurrence into words; judged is that of judgedNow.
func (v voice) pastRow(o occurrence, where func(string) string, judged bool, now time.Time) pastRow {
	one := v.alarmViewOf(o.Alarm, now)
	row := pastRow{Path: one.Path, Title: one.Title, Where: where(o.Post), When: v.t("alarms.since", "at", v.clock(o.Since, now))}
	if !o.Ended.IsZero() {
		row.When = v.between(o.Since, o.Ended, now)
	}
	if o.dropped {
		one.dropped(v, o.Alarm, now)
		row.When = one.When
	} else if !judged {
		one.notSeen(v, o.Alarm, now)
	}
	row.How = one.State
	if one.Aside != "" {
		row.How = one.Aside
	}
	switch {
	case o.Reset != "":
		row.Who = v.t("alarms.was_reset", "who", o.Reset, "remedy", o.Remedy)
	case o.Acked != "":
		row.Who = v.t("alarms.was_acknowledged", "who", o.Acked)
	}
	return row
}

// pastFields are the fields of the filter.
func (s *Server) pastFields(say voice, ask wanted) []fieldView {
	pick := func(name, value string, values []string, words func(string) string) fieldView {
		f := fieldView{ID: "past-" + name, Name: name, Label: say.t("alarms.past_" + name), Value: value, Needed: true,
			Choices: []choiceView{{"", say.t("alarms.past_all"), value == ""}}}
		for _, v := range values {
			f.Choices = append(f.Choices, choiceView{v, words(v), v == value})
		}
		return f
	}
	var posts, rules []string
	for _, st := range s.o.Station.Stats() {
		posts = append(posts, st.Post.ID)
	}
	for _, a := range s.o.Station.Alarms() {
		if a.Rule != "" && !slices.Contains(rules, string(a.Rule)) {
			rules = append(rules, string(a.Rule))
		}
	}
	for _, said := range []struct {
		list *[]string
		one  string
	}{{&posts, ask.Post}, {&rules, ask.Rule}} { // one that is gone can be asked for all the same
		if said.one != "" && !slices.Contains(*said.list, said.one) {
			*said.list = append(*said.list, said.one)
		}
	}
	where := s.places(say)
	all := []fieldView{
		pick("post", ask.Post, posts, where),
		pick("rule", ask.Rule, rules, func(r string) string { return say.rule(alarm.Rule(r)) }),
		pick("state", ask.State, pastStates(), func(st string) string { return say.t("alarms.state_" + st) }),
	}
	for _, day := range []struct{ name, value string }{{"from", ask.From}, {"to", ask.To}} {
		all = append(all, fieldView{ID: "past-" + day.name, Name: day.name, Label: say.t("alarms.past_" + day.name), Value: day.value, Hint: "2026-06-03", Most: 10})
	}
	for i := range all[:3] {
		all[i].Free = true
	}
	return all
}
