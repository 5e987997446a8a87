package config

import (
	"net/netip"
	"net/url"
	"regexp"
	"strings"
	"time"
)

// Webhook is one [[webhook]]: an address that is told of alarms.
type Webhook struct {
	Line      int
	ID        string
	URL       string // http or https, without user or password
	Timeout   time.Duration
	TokenFile string // path of a file with a bearer token; may be empty
}

var absolutePath = regexp.MustCompile(`^(/|[A-Za-z]:[\\/])`)

func readWebhooks(root *table) []Webhook {
	var hooks []Webhook
	for _, t := range root.tables("webhook") {
		h := Webhook{
			Line: t.at.line,
			ID:   t.id("webhook", `"facilities-desk"`),
			Timeout: t.duration(ask{"timeout", `"10 s"`, false},
				span[time.Duration]{100 * time.Millisecond, time.Minute, `"100 ms" to "1 min"`}, 10*time.Second),
			TokenFile: t.text(ask{"token_file", `"/etc/ovenward/desk.token"`, false}),
		}
		h.URL = readURL(t, ask{"url", `"https://desk.example/ovenward"`, true}, h.TokenFile != "")
		if h.TokenFile != "" && !absolutePath.MatchString(h.TokenFile) {
			t.problem("token_file", "%s is relative, and to what is not known; write the whole path, beginning with /", shown(h.TokenFile))
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
