package main

import (
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/cmd/internal/notify"
	"ovenward/config"
	"ovenward/metrics"
	"ovenward/metrics/remotewrite"
)

// carried is a courier of the configuration with what carries its messages.
type carried struct {
	config.Courier
	kind    string
	carrier notify.Carrier
	texts   *notify.Texts
	machine bool
	most    int
}

// carriers makes what carries messages, one for each courier of a configuration.
// trace is for pictures; it may be nil.
func carriers(f *config.File, name string, trace func(string) (acquire.Trace, bool)) ([]carried, error) {
	var all []carried
	add := func(c config.Courier, kind, html string, htmlLine int, machine bool, most int, make func(t *notify.Texts) (notify.Carrier, error)) error {
		texts, err := textsOf(c, kind, name, config.Template{Source: html, Line: htmlLine})
		if err != nil {
			return err
		}
		carrier, err := make(texts)
		if err != nil {
			return fmt.Errorf("%s %q: %w", kind, c.ID, err)
		}
		all = append(all, carried{c, kind, carrier, texts, machine, most})
		return nil
	}
	var errs []error
	for _, w := range f.Webhooks {
		errs = append(errs, add(w.Courier, "webhook", "", 0, w.EveryChange, 0, func(*notify.Texts) (notify.Carrier, error) {
			return notify.NewWebhook(notify.WebhookOptions{URL: w.URL, Token: notify.Secret(w.Token), Signing: notify.Secret(w.Signing),
				CAFile: w.CAFile, Timeout: w.Timeout})
		}))
	}
	for _, m := range f.Mails {
		errs = append(errs, add(m.Courier, "mail", m.HTML.Source, m.HTML.Line, false, m.Most, func(t *notify.Texts) (notify.Carrier, error) {
			o := notify.MailOptions{Server: m.Server, TLS: notify.MailTLS(m.TLS), User: m.User, Password: notify.Secret(m.Password),
				CAFile: m.CAFile, From: m.From, To: m.To, Texts: t, Timeout: m.Timeout}
			if m.Chart {
				o.Trace = trace
			}
			return notify.NewMail(o)
		}))
	}
	for _, a := range f.Alertmanagers {
		errs = append(errs, add(a.Courier, "alertmanager", "", 0, true, 0, func(*notify.Texts) (notify.Carrier, error) {
			return notify.NewAlertmanager(notify.AlertmanagerOptions{URL: a.URL, Token: notify.Secret(a.Token), CAFile: a.CAFile, Resend: a.Resend, Timeout: a.Timeout})
		}))
	}
	for _, m := range f.MQTTs {
		errs = append(errs, add(m.Courier, "mqtt", "", 0, true, 0, func(*notify.Texts) (notify.Carrier, error) {
			return notify.NewMQTT(notify.MQTTOptions{Server: m.Server, TLS: m.TLS, CAFile: m.CAFile, User: m.User, Password: notify.Secret(m.Password),
				ClientID: m.ClientID, Topic: m.Topic, Timeout: m.Timeout})
		}))
	}
	return all, joinProblems(errs)
}

// textsOf parses a courier's templates. What is wrong with them is a problem of
// the configuration, at the line of the template's key.
func textsOf(c config.Courier, kind, name string, html config.Template) (*notify.Texts, error) {
	t, err := notify.NewTexts(notify.TextSources{Subject: c.Subject.Source, Text: c.Text.Source, HTML: html.Source})
	bad, is := errors.AsType[*notify.TemplateError](err)
	if !is {
		return t, err
	}
	line := map[string]int{"subject": c.Subject.Line, "text": c.Text.Line, "html": html.Line}[bad.Which]
	return nil, config.Problems{{File: name, Line: max(line, 1),
		What: fmt.Sprintf("%s %q: %s_template: line %d of the template: %s", kind, c.ID, bad.Which, bad.Line, bad.What)}}
}

// joinProblems puts the problems of a configuration together, unless something
// else is wrong too.
func joinProblems(errs []error) error {
	var problems config.Problems
	for _, err := range errs {
		some, is := errors.AsType[config.Problems](err)
		if err != nil && !is {
			return errors.Join(errs...)
		}
		problems = append(problems, some...)
	}
	if len(problems) == 0 {
		return nil
	}
	return problems
}

// newCouriers makes the couriers of the configuration, each with a cursor of its
// own in the record.
func (g *generation) newCouriers() error {
	all, err := carriers(g.file, g.fileName(), g.trace)
	if err != nil {
		return err
	}
	for _, k := range all {
		route := notify.Route{Posts: k.Posts, Escalation: k.Escalation}
		for _, p := range k.Priorities {
			route.Priorities = append(route.Priorities, alarm.Priority(p))
		}
		if s := g.file.ScheduleOf(k.Courier); s != nil {
			route.Hours = s
		}
		c, err := notify.New(notify.Options{
			Name: k.ID, Carrier: k.carrier, Route: route, Texts: k.texts, Tell: k.Tell, Machine: k.machine, Most: k.most,
			Heartbeat: k.Heartbeat, Snapshot: g.snapshot,
			Link: g.link(), Site: g.file.Site.Name, Posts: g.posts, Simulated: g.simulated,
			Outbox: g.record, Log: g.log,
			Round:     g.loops.Loop("courier "+k.ID, thinkBound, nil),
			ReadRound: g.loops.Loop("what courier "+k.ID+" reads", readBound, g.recordErr),
		})
		if err != nil {
			return err
		}
		g.couriers = append(g.couriers, c)
	}
	return nil
}

// tellSecrets warns of each secret, and each file of authorities, that cannot be read
// now, and not only when a message must go out. It is no mistake of the configuration:
// the file may come yet.
func (g *generation) tellSecrets() {
	for _, a := range authoritiesOf(g.file) {
		if err := notify.CheckAuthorities(a.file); err != nil {
			g.log.Warn("nothing goes out by "+a.of+" until its authorities can be read", "error", err)
		}
	}
	for _, s := range secretsOf(g.file) {
		if err := s.check(); err != nil {
			g.log.Warn("nothing goes out by "+s.of+" until its secret can be read", "error", err, "mend", s.mend())
		}
	}
}

// check says why a secret cannot be used. Without the record's key nothing starts.
func (s namedSecret) check() error {
	info, err := os.Stat(s.file)
	switch {
	case s.key == signingKeyKey:
		return nil
	case s.file != "" && err == nil && !info.Mode().IsRegular(): // reading a pipe may never end
		return fmt.Errorf("%s is no plain file", s.file)
	case strings.HasPrefix(s.of, remoteWrite):
		return remotewrite.CheckSecret(s.file)
	}
	return notify.Secret{File: s.file, Credential: s.credential}.Check()
}

// mend says what to do about a secret that cannot be used.
func (s namedSecret) mend() string {
	if s.file == "" {
		return "LoadCredential=" + s.credential + ":FILE below [Service] in systemctl edit ovenward, FILE with one line; then restart it"
	}
	mend := "write one line into " + s.file + ", readable by this user alone"
	if os.Getenv("INVOCATION_ID") != "" { // systemd.exec(5)
		mend += "; for the service, which is a user of its own, " + s.handOver()
	}
	return mend
}

func (h *home) fileName() string {
	if h.settings.configFile == "" {
		return "kitchen.toml"
	}
	return h.settings.configFile
}

// snapshot is how all posts are, for heartbeats.
func (g *generation) snapshot() notify.Snapshot {
	return notify.SnapshotOf(g.station.Stats(), g.station.Alarms(), time.Now())
}

// trace is the recent past of a post, for pictures.
func (g *generation) trace(post string) (acquire.Trace, bool) {
	for i, p := range g.file.Posts {
		if p.ID == post {
			return g.station.Trace(i), true
		}
	}
	return acquire.Trace{}, false
}

// link is the page's address for people: as the configuration says, else where it is known: not how another
// machine reaches a wildcard address, nor what a web configuration serves.
func (g *generation) link() string {
	if page := g.file.Site.Page; page != "" {
		return strings.TrimSuffix(page, "/") + "/"
	}
	host, _, err := net.SplitHostPort(g.Addr())
	if ip := net.ParseIP(host); err != nil || g.settings.webConfig != "" || ip != nil && ip.IsUnspecified() {
		return ""
	}
	return "http://" + g.Addr() + "/"
}

func (g *generation) courierStates() []metrics.CourierState {
	var out []metrics.CourierState
	for _, c := range g.couriers {
		s := c.Stats()
		out = append(out, metrics.CourierState{Name: s.Name, Sent: s.Sent, Failed: s.Failed, Refused: s.Dead, Coalesced: s.Coalesced, Unlisted: s.Unlisted,
			Waiting: s.Waiting, Failing: s.NotAccepted() || s.NotShown != "", LastAccepted: s.LastAccepted, Heartbeat: s.Heartbeat, LastHeartbeat: s.LastHeartbeat})
	}
	return out
}

// countOn has couriers and remote-write targets go on counting where those of the old
// generation stopped that are configured alike, and notes which couriers are otherwise.
func (g *generation) countOn(old *generation) {
	is, was := outward(g.file), outward(old.file)
	same := func(name string) bool { return was[name] != nil && equal(is[name], was[name]) }
	g.changed = map[string]bool{}
	for _, c := range g.couriers {
		name := c.Stats().Name
		k := slices.IndexFunc(old.couriers, func(o *notify.Courier) bool { return o.Stats().Name == name })
		g.changed[name] = k >= 0 && (!same(name) || old.changed[name])
		if k >= 0 && same(name) {
			c.GoOnFrom(old.couriers[k])
		}
	}
	for _, r := range g.remotes {
		name := r.Stats().Name
		k := slices.IndexFunc(old.remotes, func(o *remotewrite.Writer) bool { return o.Stats().Name == name })
		if k >= 0 && same(remotePrefix+name) {
			r.GoOnFrom(old.remotes[k])
		}
	}
}

// remotePrefix tells a remote-write target from a courier of the same name.
const remotePrefix = "remote write "

// outward is how each courier and each remote-write target is configured, by its name.
func outward(f *config.File) map[string]any {
	all := map[string]any{}
	for _, w := range f.Webhooks {
		all[w.ID] = w
	}
	for _, m := range f.Mails {
		all[m.ID] = m
	}
	for _, a := range f.Alertmanagers {
		all[a.ID] = a
	}
	for _, m := range f.MQTTs {
		all[m.ID] = m
	}
	for _, r := range f.Remotes {
		all[remotePrefix+r.ID] = r
	}
	return all
}

// courierNames lists the names of all couriers, none where there are none.
func courierNames(f *config.File) []string {
	names := []string{}
	for _, c := range f.Couriers() {
		names = append(names, c.ID)
	}
	return names
}
