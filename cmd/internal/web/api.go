package web

import (
	"cmp"
	"math"
	"net/http"
	"sort"
	"strconv"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
)

// addAPI adds the routes of the API that belong to no page.
func (s *Server) addAPI(rt routes) {
	rt.get("/api/v1/posts", s.servePosts)
	rt.get("/api/v1/posts/{id}/trace", s.serveTrace)
	rt.get("/api/v1/sums", s.serveSums)
	rt.get("/api/v1/events", s.serveEvents)
	rt.get("/api/v1/record", s.serveRecord)
	rt.get("/api/v1/events/stream", s.serveEventStream)
	rt.get("/api/v1/openapi.json", s.serveDocument)
}

const noSuchPost = "no such post: /api/v1/posts lists them"

// limitJSON is a limit as the API shows it.
type limitJSON struct {
	ID       string `json:"id"`
	Value    number `json:"value_w_per_m2"`
	Distance number `json:"distance_m"`
	Basis    string `json:"basis"`
	Source   string `json:"source"`

	Averaging   number `json:"averaging_s"` // null: each value counts, or not stated
	Rule        string `json:"decision_rule"`
	Builtin     string `json:"builtin,omitempty"`
	Unconfirmed string `json:"not_confirmed,omitempty"`
}

// verdictJSON is a verdict as the API shows it.
type verdictJSON struct {
	Outcome string   `json:"outcome"`
	Value   number   `json:"value_w_per_m2"`
	U       number   `json:"expanded_uncertainty_w_per_m2"`
	K       number   `json:"k"`
	Ratio   number   `json:"limit_ratio"`
	Reasons []string `json:"reasons"`

	LimitID     string      `json:"limit_id"`
	Rule        string      `json:"decision_rule"`
	Judged      number      `json:"judged_w_per_m2"` // what the outcome rests on
	JudgedU     number      `json:"judged_expanded_uncertainty_w_per_m2"`
	Share       number      `json:"judged_limit_ratio"`
	Mean        *boundsJSON `json:"mean,omitempty"` // where a limit is one on means
	Cover       number      `json:"cover_ratio"`    // seen fraction of the window
	Distance    number      `json:"distance_m"`
	Certificate string      `json:"certificate,omitempty"`
	Wrong       number      `json:"wrong_acceptance_probability"` // of accepting judged
	WrongModel  string      `json:"wrong_acceptance_model"`
	Notes       []string    `json:"notes,omitempty"`
}

// postJSON is a post as the API shows it. Numbers are null when there is none;
// value_state says why.
type postJSON struct {
	ID         string      `json:"id"`
	Oven       string      `json:"oven"`
	OvenPlace  string      `json:"oven_place"`
	Probe      string      `json:"probe"`
	Simulated  bool        `json:"simulated"`
	Condition  string      `json:"condition"`
	Since      string      `json:"condition_since"`
	Detail     string      `json:"detail,omitempty"`
	Regard     string      `json:"regard"`            // what the post amounts to: seeing, or the loudest of what keeps it from that
	Why        []string    `json:"regard_why"`        // everything that keeps it from it
	Withdrawn  *noticeJSON `json:"oven_withdrawn"`    // null: the oven is in use
	Running    *bool       `json:"oven_known_to_run"` // null: the field is not known
	ValueState string      `json:"value_state"`       // value, under floor, over range, not seen, or below zero: it reads so far below zero that its zero is off
	Value      number      `json:"value_w_per_m2"`
	U          number      `json:"expanded_uncertainty_w_per_m2"`
	ValueAt    string      `json:"value_at,omitempty"`
	ValueAtU   number      `json:"value_at_uncertainty_s"`
	Quality    string      `json:"quality,omitempty"` // of the newest sample
	NotCal     string      `json:"uncalibrated_because,omitempty"`
	Ratio      number      `json:"limit_ratio"`
	Distance   number      `json:"distance_m"`
	Limit      limitJSON   `json:"limit"`
	Verdict    verdictJSON `json:"verdict"` // of verdicts, the one that says most of the field; its limit_id names the limit
	Vitals     vitalsJSON  `json:"probe_says"`

	Limits   []limitJSON   `json:"limits"`   // all of the post, limit first
	Verdicts []verdictJSON `json:"verdicts"` // against each of limits
}

// noticeJSON says since when something announced is so, by whom and why.
type noticeJSON struct {
	Since string `json:"since"`
	By    string `json:"by"`
	Why   string `json:"why"`
}

func limitOf(l limit.Limit) limitJSON {
	j := limitJSON{ID: l.ID, Value: number(l.Value), Distance: number(l.Distance), Basis: string(l.Basis), Source: l.Source,
		Averaging: number(math.NaN()), Rule: ruleFact(l), Builtin: l.Builtin, Unconfirmed: l.Unconfirmed}
	if l.Averaged() {
		j.Averaging = number(l.Averaging.Seconds())
	}
	return j
}

func postOf(st acquire.Stats) postJSON {
	nan := number(math.NaN())
	j := postJSON{
		ID: st.Post.ID, Oven: st.Post.Oven, OvenPlace: st.Post.OvenPlace,
		Probe: st.Post.Probe.ID, Simulated: st.Post.Probe.Simulated,
		Condition: string(st.Condition), Since: instant(st.Since), Detail: st.Detail,
		ValueState: string(presenceOf(st)), Value: nan, U: nan, ValueAtU: nan, Ratio: nan,
		Distance: number(st.Post.Distance), Limit: limitOf(st.Post.Limit), Vitals: vitalsOf(st.Vitals),
		Verdict: verdictOf(st.Binding()), Limits: limitsOf(st.Post), Verdicts: verdictsOf(st),
	}
	j.NotCal = st.Uncalibrated
	if !st.Blind() {
		j.Running = &st.Running
	}
	sight := st.Sight()
	j.Regard, j.Why = string(sight.Regard), sight.Why
	if a := st.Withdrawn; a != nil {
		j.Withdrawn = &noticeJSON{instant(a.Since), a.By, a.Why}
	}
	if st.Newest.Seq > 0 {
		j.Quality = st.Newest.Quality.String()
	}
	switch presenceOf(st) {
	case aValue, underFloor:
		j.Value, j.U = number(st.Last.S), number(st.Last.U)
		j.Ratio = number(float64(st.Last.S) / float64(st.Post.Limit.Value))
		j.ValueAt, j.ValueAtU = instant(st.Last.At), number(st.Last.AtU.Seconds())
	case overRange, belowZero:
		j.ValueAt, j.ValueAtU = instant(st.Newest.At), number(st.Newest.AtU.Seconds())
	}
	return j
}

func (s *Server) servePosts(w http.ResponseWriter, r *http.Request) {
	posts := []postJSON{}
	for _, st := range s.o.Station.Stats() {
		posts = append(posts, postOf(st))
	}
	s.sendJSON(w, r, postsJSON{instant(s.o.Now()), s.o.Site, s.o.Simulated, posts})
}

// traceJSON is a trace in columns, oldest slot first. lo and hi are null where
// no valid sample was seen; over_range tells such a slot from an unseen one.
type traceJSON struct {
	End       string   `json:"end"` // of the newest slot
	Width     float64  `json:"width_s"`
	Lo        []number `json:"lo_w_per_m2"`
	Hi        []number `json:"hi_w_per_m2"`
	OverRange []bool   `json:"over_range"`
}

func traceOf(t acquire.Trace) traceJSON {
	j := traceJSON{
		End: instant(t.End), Width: t.Width.Seconds(),
		Lo: make([]number, len(t.Slots)), Hi: make([]number, len(t.Slots)), OverRange: make([]bool, len(t.Slots)),
	}
	for i, slot := range t.Slots {
		j.Lo[i], j.Hi[i] = number(math.NaN()), number(math.NaN())
		if slot.N > 0 {
			j.Lo[i], j.Hi[i] = number(slot.Lo), number(slot.Hi)
		}
		j.OverRange[i] = slot.OverRange
	}
	return j
}

func (s *Server) serveTrace(w http.ResponseWriter, r *http.Request) {
	for _, st := range s.o.Station.Stats() {
		if st.Post.ID == r.PathValue("id") {
			s.sendJSON(w, r, traceOf(s.o.Station.Trace(st.Index)))
			return
		}
	}
	sendProblem(w, r, http.StatusNotFound, noSuchPost)
}

// alarmJSON is an alarm as the API shows it.
type alarmJSON struct {
	alarm.Alarm
	Priority string `json:"priority"`
	Standing bool   `json:"standing"`
	Present  bool   `json:"present"`
	Shown    string `json:"shown_state"` // by the standards' one list: set aside, else as it stands
}

func alarmOf(a alarm.Alarm) alarmJSON {
	return alarmJSON{a, string(a.Urgency()), a.State.Standing(), a.State.Present(), string(a.Shown())}
}

// serveAlarms lists the newest occurrence of every alarm that ever stood, those
// that stand first.
func (s *Server) serveAlarms(w http.ResponseWriter, r *http.Request) {
	all := []alarmJSON{}
	for _, a := range s.o.Station.Alarms() {
		if a.Since.IsZero() && a.Aside == alarm.NotAside {
			continue
		}
		if a.State == "" {
			a.State = alarm.Normal
		}
		all = append(all, alarmOf(a))
	}
	sort.SliceStable(all, func(i, j int) bool {
		a, b := &all[i], &all[j]
		return cmp.Or(cmp.Compare(order(b.Standing), order(a.Standing)), b.Since.Compare(a.Since)) < 0
	})
	s.sendJSON(w, r, alarmsJSON{instant(s.o.Now()), all})
}

// order makes true greater than false.
func order(b bool) int {
	if b {
		return 1
	}
	return 0
}

// Bounds of one reading of events.
const (
	someEvents = 100
	mostEvents = 1000
)

func (s *Server) serveEvents(w http.ResponseWriter, r *http.Request) {
	after, err := queryInt(r, "after", 0, 0, math.MaxInt64)
	if err != nil {
		sendProblem(w, r, http.StatusBadRequest, "after: write the id of the last event you have, 0 for all")
		return
	}
	n, err := queryInt(r, "limit", someEvents, 1, mostEvents)
	if err != nil {
		sendProblem(w, r, http.StatusBadRequest, "limit: write a number from 1 to "+strconv.Itoa(mostEvents))
		return
	}
	var events []acquire.Event
	if s.o.Events != nil {
		if events, err = s.o.Events(r.Context(), after, int(n)); err != nil {
			s.log.Error("events could not be read", "err", err)
			sendProblem(w, r, http.StatusServiceUnavailable, "the record could not be read: "+err.Error())
			return
		}
	}
	out := make([]acquire.Event, 0, len(events))
	for _, e := range events {
		out = append(out, finiteEvent(e))
		after = max(after, e.ID)
	}
	s.sendJSON(w, r, eventsJSON{out, after})
}

// finiteEvent leaves numbers out that JSON cannot hold; the outcome and the
// reasons beside them say what was.
func finiteEvent(e acquire.Event) acquire.Event {
	if e.Alarm == nil || e.Alarm.Verdict == nil {
		return e
	}
	change, grounds := *e.Alarm, *e.Alarm.Verdict
	for _, p := range []**float64{&grounds.Value, &grounds.Uncertainty} {
		if *p != nil && (math.IsNaN(**p) || math.IsInf(**p, 0)) {
			*p = nil
		}
	}
	change.Verdict, e.Alarm = &grounds, &change
	return e
}

func queryInt(r *http.Request, name string, missing, least, most int64) (int64, error) {
	text := r.URL.Query().Get(name)
	if text == "" {
		return missing, nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err == nil && (n < least || n > most) {
		err = strconv.ErrRange
	}
	return n, err
}
