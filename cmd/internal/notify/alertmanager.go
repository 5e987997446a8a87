package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"time"

	"ovenward/acquire/alarm"
)

// AlertmanagerOptions is what an Alertmanager is reached by. URL is needed.
type AlertmanagerOptions struct {
	URL     string // without /api/v2
	Token   Secret // sent as a bearer token
	CAFile  string
	Resend  time.Duration // what stands is sent again so often, and expires after four times that; default 1 min
	Timeout time.Duration // of one attempt; default 10 s
}

// alertmanager tells of alarms as alerts. An alert is one rule at one post; its
// labels are the same from raise to return, and all that changes is in its
// annotations.
type alertmanager struct {
	*poster
	o AlertmanagerOptions
	// turn lets one request at a time through, so that an alert that ended is never
	// overtaken by an older word that it stands.
	turn chan struct{}
}

// soonAgain is after how long it is tried again to tell of what stands: before a single
// failure counts as trouble of the courier.
const soonAgain = time.Minute

// NewAlertmanager makes a Carrier that POSTs to version 2 of Alertmanager's API.
// What stands is sent again and again, so that it does not expire; a heartbeat is
// an alert that always fires, and expires when it stays away.
func NewAlertmanager(o AlertmanagerOptions) (Carrier, error) {
	if o.Resend <= 0 {
		o.Resend = time.Minute
	}
	p, err := newPoster(strings.TrimRight(o.URL, "/")+"/api/v2/alerts", o.Timeout, o.Token.Set(), o.CAFile)
	if err != nil {
		return nil, err
	}
	return &alertmanager{poster: p, o: o, turn: make(chan struct{}, 1)}, nil
}

// alert is postableAlert of Alertmanager's API, version 2.
type alert struct {
	Labels       map[string]string `json:"labels"`
	Annotations  map[string]string `json:"annotations"`
	StartsAt     time.Time         `json:"startsAt"`
	EndsAt       time.Time         `json:"endsAt"`
	GeneratorURL string            `json:"generatorURL,omitempty"`
}

func (a *alertmanager) send(ctx context.Context, m Message) result {
	return a.deliver(ctx, func() []Message {
		if m.Kind == KindSeveral {
			return m.Alarms
		}
		return []Message{m}
	})
}

// deliver POSTs what make returns when its turn has come.
func (a *alertmanager) deliver(ctx context.Context, make func() []Message) result {
	select {
	case a.turn <- struct{}{}:
		defer func() { <-a.turn }()
	case <-ctx.Done():
		return result{outcome: unheard, err: ctx.Err()}
	}
	var alerts []alert
	for _, m := range make() {
		alerts = append(alerts, a.alertOf(m, time.Now()))
	}
	if len(alerts) == 0 {
		return result{outcome: accepted}
	}
	body, err := json.Marshal(alerts)
	if err != nil {
		return result{outcome: retry, err: fmt.Errorf("writing alerts as JSON: %w", err)}
	}
	return a.post(ctx, body, a.timeout, func(req *http.Request) error {
		if !a.o.Token.Set() {
			return nil
		}
		token, err := a.o.Token.readToken()
		if err == nil {
			req.Header.Set("Authorization", "Bearer "+token)
		}
		return err
	})
}

// keep sends what stands again, so that it does not expire.
func (a *alertmanager) keep(ctx context.Context, now present) {
	t := time.NewTicker(min(a.o.Resend, soonAgain)) // what was amiss before a reload may be over
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			// What fails is made up for in the next round, or after a minute: an alert lives
			// for four rounds, and is told as ended then.
			stand := 0
			r := a.deliver(ctx, func() []Message {
				all := now.standing()
				stand = len(all)
				return all
			})
			if ctx.Err() == nil {
				now.shown(r.err, r.err == nil && stand > 0)
			}
			wait := a.o.Resend
			if r.err != nil {
				wait = min(wait, max(soonAgain, r.after))
			}
			t.Reset(wait)
		}
	}
}

// alertOf makes an alert. A shelved alarm goes on firing: what is shelved stands.
func (a *alertmanager) alertOf(m Message, now time.Time) alert {
	out := alert{
		Labels: map[string]string{"site": m.Site, "priority": string(m.Priority), "severity": severity(m.Priority)},
		Annotations: map[string]string{"summary": m.Subject, "description": m.Text, "caution": m.Caution,
			"state": string(m.State), "reason": string(m.Reason), "message_id": m.MessageID},
		StartsAt: m.Since, EndsAt: now.Add(4 * a.o.Resend), GeneratorURL: m.Link,
	}
	label := func(name, value string) {
		if value != "" {
			out.Labels[name] = value
		}
	}
	label("post", m.Post)
	label("oven", m.Oven)
	label("place", m.Place)
	label("probe", m.Probe)
	label("rule", string(m.Rule))
	if m.Simulated {
		out.Labels["simulated"] = "true"
	}
	switch m.Kind {
	case KindHeartbeat:
		out.Labels = map[string]string{"alertname": "OvenwardHeartbeat", "site": m.Site, "severity": "none"}
		out.StartsAt, out.EndsAt = m.At, m.At.Add(time.Duration(3*m.Heartbeat.Every*float64(time.Second)))
	case KindTest:
		out.Labels = map[string]string{"alertname": "OvenwardTest", "site": m.Site, "severity": "none", "test": "true"}
		out.StartsAt, out.EndsAt = m.At, m.At.Add(time.Minute)
	default:
		out.Labels["alertname"] = alertName(m.Rule)
		if !m.State.Standing() {
			out.EndsAt = m.At
			if !out.EndsAt.After(out.StartsAt) {
				out.EndsAt = out.StartsAt.Add(time.Millisecond)
			}
		}
	}
	return out
}

// alertName makes a name as they are usual there: "exceeds:people" is
// OvenwardExceeds; the label rule has the whole.
func alertName(r alarm.Rule) string {
	name := "Ovenward"
	for _, word := range strings.FieldsFunc(r.Kind(), func(c rune) bool { return c == '-' || c == ' ' || c == '_' }) {
		name += strings.ToUpper(word[:1]) + word[1:]
	}
	return name
}

// severity is the word that routes are usually written with.
func severity(p alarm.Priority) string {
	switch p {
	case alarm.High:
		return "critical"
	case alarm.Medium:
		return "warning"
	}
	return "info"
}
