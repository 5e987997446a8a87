package config

import "time"

// Alertmanager is one [[alertmanager]] section: where alarms are sent as alerts,
// by version 2 of its API.
type Alertmanager struct {
	Courier
	URL     string // without /api/v2
	Token   Secret // a bearer token
	CAFile  string
	Resend  time.Duration // what stands is sent again so often
	Timeout time.Duration
}

func readAlertmanagers(root *table) []Alertmanager {
	var all []Alertmanager
	for _, t := range root.tables("alertmanager") {
		a := Alertmanager{
			Courier: readCourier(t, "alertmanager", `"fleet"`),
			Token:   t.secret("token"),
			CAFile:  t.file("ca_file"),
			Resend:  t.duration(ask{"resend", `"1 min"`, false}, span[time.Duration]{time.Second, time.Hour, `"1 s" to "1 h"`}, time.Minute),
			Timeout: t.attemptTime(),
		}
		a.URL = readURL(t, ask{"url", `"http://127.0.0.1:9093"`, true}, a.Token.set())
		t.noHours(a.Courier, "Alertmanager has hours and routes of its own")
		t.finish()
		all = append(all, a)
	}
	return all
}

// noHours refuses what would make the state that a receiver shows untrue: a
// change that it is not told of.
func (t *table) noHours(c Courier, instead string) {
	if c.Schedule != "" {
		t.problem("schedule", "the receiver shows what stands, and would show what is past; remove it: %s", instead)
	}
	if c.Escalation {
		t.problem("escalation", "the receiver shows what stands, and would not show the rest; remove it: %s", instead)
	}
}
