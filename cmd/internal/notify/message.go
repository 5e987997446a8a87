package notify

import (
	"math"
	"net/url"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/quantity"
)

// Caution goes with every message.
const Caution = "Ovenward advises. It is no safety interlock and no substitute for a qualified person or local codes."

// messageVersion changes when a field changes its meaning or goes.
const messageVersion = 1

// MessageKind is what a message is.
type MessageKind string

const (
	KindAlarm     MessageKind = "alarm"     // one change of one alarm
	KindSeveral   MessageKind = "several"   // changes of several alarms in one, since there were too many to tell one by one
	KindHeartbeat MessageKind = "heartbeat" // how all posts are, at a set interval, so that silence is noticed
	KindTest      MessageKind = "test"      // an operator tries the courier; nothing has happened
)

// Message is what a webhook receives, as the package comment tells.
type Message struct {
	Version   int         `json:"version"`
	Kind      MessageKind `json:"kind"`
	MessageID string      `json:"message_id"`
	EventID   int64       `json:"event_id,omitempty"`
	ID        string      `json:"id,omitempty"`

	Site  string `json:"site"`
	Post  string `json:"post,omitempty"`
	Oven  string `json:"oven,omitempty"`
	Place string `json:"place,omitempty"`
	Probe string `json:"probe,omitempty"`

	Rule     alarm.Rule     `json:"rule,omitempty"`
	Priority alarm.Priority `json:"priority,omitempty"`
	State    alarm.State    `json:"state,omitempty"`
	From     alarm.State    `json:"from,omitempty"`
	Reason   alarm.Reason   `json:"reason,omitempty"`
	At       time.Time      `json:"at"`
	Since    time.Time      `json:"since,omitzero"`
	Who      string         `json:"who,omitempty"`
	Remark   string         `json:"remark,omitempty"`
	Detail   string         `json:"detail,omitempty"`

	Aside     alarm.State `json:"aside,omitempty"`
	By        string      `json:"by,omitempty"`
	Why       string      `json:"why,omitempty"`
	Until     time.Time   `json:"until,omitzero"`
	Escalated time.Time   `json:"escalated,omitzero"`

	Recorded  bool `json:"recorded"`
	Simulated bool `json:"simulated"`
	AndNMore  int  `json:"and_n_more"`

	Grounds

	Alarms    []Message  `json:"alarms,omitempty"`    // of KindSeveral: the newest change of each
	Heartbeat *Heartbeat `json:"heartbeat,omitempty"` // of KindHeartbeat

	Subject string `json:"subject"` // one line
	Text    string `json:"text"`
	Caution string `json:"caution"`
	Link    string `json:"link,omitempty"`

	post *acquire.Post // nil for the station itself, or a post that is no longer configured
	tell string        // whom people should tell
	some int           // earlier changes that did not reach all recipients

	changed time.Time // when the state last changed
}

// Grounds is the verdict behind an exceedance; empty for all else.
type Grounds struct {
	Outcome         string   `json:"outcome,omitempty"`
	ValueSI         *float64 `json:"value_w_per_m2,omitempty"`
	Value           string   `json:"value,omitempty"`
	UncertaintySI   *float64 `json:"expanded_uncertainty_w_per_m2,omitempty"`
	UncertaintyText string   `json:"expanded_uncertainty,omitempty"`
	LimitSI         *float64 `json:"limit_w_per_m2,omitempty"`
	Limit           string   `json:"limit,omitempty"`
	Ratio           *float64 `json:"ratio,omitempty"`
	LimitID         string   `json:"limit_id,omitempty"`
	LimitSource     string   `json:"limit_source,omitempty"`
	Reasons         []string `json:"reasons,omitempty"`

	K            *float64 `json:"coverage_factor,omitempty"`
	DecisionRule string   `json:"decision_rule,omitempty"`
	Averaging    float64  `json:"averaging_s,omitempty"`
	MeanLo       *float64 `json:"mean_lower_w_per_m2,omitempty"`
	MeanHi       *float64 `json:"mean_upper_w_per_m2,omitempty"`
	Cover        *float64 `json:"cover_ratio,omitempty"`
	Distance     *float64 `json:"distance_m,omitempty"`
	Certificate  string   `json:"certificate,omitempty"`
	Notes        []string `json:"notes,omitempty"`
}

// subjectMatter is what a message needs besides the event.
type subjectMatter struct {
	Post      *acquire.Post // nil for the station itself, or a post that is no longer configured
	Site      string
	Link      string
	Simulated bool
	Recorded  bool
	More      int
	Some      int
	Tell      string
	Texts     *Texts // nil: the default ones
}

// newMessage makes the message of an event that has an alarm. It is pure: the
// same event gives the same message.
func newMessage(e acquire.Event, m subjectMatter) Message {
	a := e.Alarm
	msg := Message{
		Version: messageVersion, Kind: KindAlarm, EventID: e.ID, ID: a.ID,
		Site: m.Site, Post: e.Post,
		Rule: a.Rule, Priority: a.Urgency(), State: a.State, From: a.From, Reason: a.Reason,
		At: e.At.UTC(), Since: a.Since.UTC(), Who: e.Who, Remark: a.Remark, Detail: e.Text,
		Aside: a.Aside, By: a.By, Why: a.Why, Until: a.Until, Escalated: a.Escalated,
		Recorded: m.Recorded, Simulated: m.Simulated, AndNMore: m.More,
		Grounds: newGrounds(a.Verdict), Caution: Caution, Link: m.Link,
		post: m.Post, tell: m.Tell, some: m.Some, changed: a.Changed,
	}
	if p := m.Post; p != nil {
		if p.Site != "" {
			msg.Site = p.Site
		}
		msg.Oven, msg.Place, msg.Probe = p.Oven, p.OvenPlace, p.Probe.ID
		msg.Simulated = msg.Simulated || p.Probe.Simulated
		if m.Link != "" {
			msg.Link = strings.TrimSuffix(m.Link, "/") + "/posts/" + url.PathEscape(p.ID)
		}
	}
	msg.MessageID = messageID(msg)
	m.Texts.fill(&msg)
	return msg
}

// messageID names a change for good, in printable ASCII: the site, the
// occurrence and the event. An id that the record gives twice, since it lost
// the first, still makes two messages.
func messageID(m Message) string {
	return url.PathEscape(m.Site) + "/" + url.PathEscape(m.ID) + "/" + strconv.FormatInt(m.EventID, 10)
}

func newGrounds(g *alarm.Grounds) Grounds {
	if g == nil {
		return Grounds{}
	}
	out := Grounds{Outcome: g.Outcome, LimitID: g.LimitID, LimitSource: g.Source, Reasons: g.Reasons,
		ValueSI: finite(g.Value), UncertaintySI: finite(g.Uncertainty), LimitSI: finite(&g.Limit),
		K: finite(g.Coverage), DecisionRule: g.Rule, Averaging: g.Averaging, MeanLo: finite(g.MeanLo), MeanHi: finite(g.MeanHi),
		Cover: finite(g.Cover), Distance: finite(g.Distance), Certificate: g.Certificate, Notes: g.Notes}
	if out.ValueSI != nil {
		out.Value = bothUnits(*out.ValueSI)
	}
	if out.UncertaintySI != nil {
		out.UncertaintyText = bothUnits(*out.UncertaintySI)
	}
	if out.LimitSI != nil {
		out.Limit = bothUnits(*out.LimitSI)
	}
	if out.ValueSI != nil && out.LimitSI != nil && *out.LimitSI > 0 {
		out.Ratio = finite(new(*out.ValueSI / *out.LimitSI))
	}
	return out
}

// finite returns f unless it is no number that JSON can hold.
func finite(f *float64) *float64 {
	if f == nil || math.IsNaN(*f) || math.IsInf(*f, 0) {
		return nil
	}
	return f
}

// bothUnits prints a power density, W/m², as people read it and as it is kept.
func bothUnits(si float64) string {
	s := quantity.PowerDensity(si)
	return s.Format(quantity.MilliwattPerSquareCentimetre()) + " (" + s.Format(quantity.WattPerSquareMetre()) + ")"
}
