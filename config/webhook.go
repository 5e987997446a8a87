package config

import (
	"net/netip"
	"net/url"
	"strings"
	"time"
)

// Webhook is one [[webhook]] section: where messages are posted as JSON.
type Webhook struct {
	Courier
	URL         string
	Token       Secret // a bearer token
	Signing     Secret // signs each request
	CAFile      string
	Timeout     time.Duration
	EveryChange bool // a program listens: tell every change, one by one
}

func readWebhooks(root *table) []Webhook {
	var hooks []Webhook
	for _, t := range root.tables("webhook") {
		h := Webhook{
			Courier: readCourier(t, "webhook", `"facilities-desk"`),
			Timeout: t.attemptTime(),
			Token:   t.secret("token"),
			Signing: t.secret("signing"),
			CAFile:  t.file("ca_file"),
		}
		h.URL = readURL(t, ask{"url", `"https://desk.example/ovenward"`, true}, h.Token.set())
		if e := t.boolean(ask{"every_change", "true", false}); e != nil {
			h.EveryChange = *e
		}
		t.finish()
		hooks = append(hooks, h)
	}
	return hooks
}

// readURL reads where to send. What it tells never repeats the address, which
// may hold a secret that somebody put there.
func readURL(t *table, a ask, token bool) string {
	const longest = 2000
	s := t.raw(a, longest, "")
	if v, ok := t.values[a.key].(string); !ok || len(v) > longest {
		return ""
	}
	u, err := url.Parse(s)
	switch {
	case err != nil || strings.ContainsAny(s, " \t") || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "":
		t.problem(a.key, "it is no http or https address; write for example %s = %s", a.key, a.example)
	case u.User != nil:
		t.problem(a.key, "it holds a user name or password; remove it, keep the secret in a file of its own and name that file as token_file")
	case u.Fragment != "":
		t.problem(a.key, "what follows # is never sent; remove it")
	case token && u.Scheme == "http" && !loopback(u.Hostname()):
		t.problem(a.key, "the token would cross the network readable by anyone; write an https address")
	default:
		return s
	}
	return ""
}

func loopback(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.IsLoopback()
}
