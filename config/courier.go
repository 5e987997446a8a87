package config

import (
	"fmt"
	"net"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Courier is what all couriers have in common: [[webhook]], [[mail]],
// [[alertmanager]] and [[mqtt]]. No two have the same id.
type Courier struct {
	Line       int
	ID         string
	Priorities []string // high, medium, low; empty: all
	Posts      []string // ids; empty: all. The station's own alarms go to every courier
	Schedule   string   // id; empty: at all hours. What comes outside its hours waits for them
	Escalation bool     // only what nobody acknowledged in time

	EscalationLine int

	Heartbeat time.Duration // between two messages of how all posts are; 0: none
	Tell      string        // whom people should tell
	Subject   Template
	Text      Template
}

// Template is a Go template, and the line of its key.
type Template struct {
	Line   int
	Source string // empty: the default one
}

// Secret says where a secret is: in a file, or a credential of the service
// manager.
type Secret struct {
	File       string
	Credential string
}

func (s Secret) set() bool { return s != Secret{} }

const maxTemplate = 16 << 10

// readCourier reads what all couriers have in common.
func readCourier(t *table, kind, example string) Courier {
	c := Courier{Line: t.at.line, ID: t.id(kind, example)}
	if before, taken := t.r.claim("courier id", c.ID, t.label, t.line("id")); taken && c.ID != "" && !strings.HasPrefix(before.label, kind+" ") {
		t.problem("id", "it is already used by the %s on line %d; give each courier an id of its own", kindOf(before.label), before.line)
	}
	priorities := ask{"priorities", `["high", "medium"]`, false}
	for i, p := range t.words(priorities) {
		switch p {
		case "high", "medium", "low":
			c.Priorities = append(c.Priorities, p)
		default:
			t.r.add(t.at.key("priorities").item(i).line, "%s: priorities: %s is no priority; write high, medium or low", t.label, shown(p))
		}
	}
	for i, id := range t.words(ask{"posts", `["hatch-door"]`, false}) {
		t.r.refs = append(t.r.refs, ref{t.at.key("posts").item(i).line, t.label, "post", id})
		c.Posts = append(c.Posts, id)
	}
	c.Schedule = t.ref(ask{"schedule", `"opening-hours"`, false})
	if e := t.boolean(ask{"escalation", "true", false}); e != nil {
		c.Escalation, c.EscalationLine = *e, t.line("escalation")
	}
	c.Heartbeat = t.duration(ask{"heartbeat", `"1 h"`, false}, span[time.Duration]{10 * time.Second, 31 * 24 * time.Hour, `"10 s" to "744 h"`}, 0)
	c.Tell = t.text(ask{"tell", `"the kitchen manager, extension 212"`, false})
	c.Subject = t.template("subject_template")
	c.Text = t.template("text_template")
	return c
}

func kindOf(label string) string {
	kind, _, _ := strings.Cut(label, " ")
	return "[[" + kind + "]]"
}

// template reads a Go template. That it is one is for others to say.
func (t *table) template(key string) Template {
	return Template{Line: t.line(key), Source: t.raw(ask{key, `"{{.Site}}: {{.What}}"`, false}, maxTemplate, "")}
}

var (
	absolutePath   = regexp.MustCompile(`^(/|[A-Za-z]:[\\/])`)
	credentialName = regexp.MustCompile(`^[A-Za-z0-9_][A-Za-z0-9_.-]*$`)
)

// secret reads where a secret is: NAME_file or NAME_credential.
func (t *table) secret(name string) Secret {
	file, credential := name+"_file", name+"_credential"
	s := Secret{File: t.file(file), Credential: t.text(ask{credential, `"ovenward-` + name + `"`, false})}
	switch {
	case s.File != "" && s.Credential != "":
		t.problem(credential, "%s is set too; keep one of the two", file)
	case s.Credential != "" && !credentialName.MatchString(s.Credential):
		t.problem(credential, "%s is no name of a credential; write letters, digits, _, . and -", shown(s.Credential))
	}
	return s
}

// file reads the whole path of a file.
func (t *table) file(key string) string {
	s := t.text(ask{key, `"/etc/ovenward/` + strings.TrimSuffix(key, "_file") + `"`, false})
	if s != "" && !absolutePath.MatchString(s) {
		t.problem(key, "%s is relative, and to what is not known; write the whole path, beginning with /", shown(s))
	}
	return s
}

// attemptTime reads how long one attempt may take.
func (t *table) attemptTime() time.Duration {
	return t.duration(ask{"timeout", `"10 s"`, false},
		span[time.Duration]{100 * time.Millisecond, time.Minute, `"100 ms" to "1 min"`}, 10*time.Second)
}

// server reads HOST:PORT; without a port, otherwise is one.
func (t *table) server(example, otherwise string) string {
	a := ask{"server", example, true}
	s := t.text(a)
	if s == "" {
		return ""
	}
	host, port, err := net.SplitHostPort(s)
	if err != nil && !strings.Contains(s, ":") {
		host, port, err = s, otherwise, nil
	}
	if n, bad := strconv.ParseUint(port, 10, 16); err != nil || bad != nil || n == 0 || host == "" || strings.ContainsAny(host, "/@ ") {
		t.problem(a.key, "%s is no host and port; write for example %s = %s", shown(s), a.key, a.example)
		return ""
	}
	return net.JoinHostPort(host, port)
}

// Couriers lists what all couriers of the file have in common, by their order in
// it and kind.
func (f *File) Couriers() []Courier {
	var all []Courier
	for _, c := range f.Webhooks {
		all = append(all, c.Courier)
	}
	for _, c := range f.Mails {
		all = append(all, c.Courier)
	}
	for _, c := range f.Alertmanagers {
		all = append(all, c.Courier)
	}
	for _, c := range f.MQTTs {
		all = append(all, c.Courier)
	}
	return all
}

// KindOf names the kind of section of the courier with this id.
func (f *File) KindOf(id string) string {
	is := func(c Courier) bool { return c.ID == id }
	switch {
	case slices.ContainsFunc(f.Mails, func(m Mail) bool { return is(m.Courier) }):
		return "mail"
	case slices.ContainsFunc(f.Alertmanagers, func(a Alertmanager) bool { return is(a.Courier) }):
		return "alertmanager"
	case slices.ContainsFunc(f.MQTTs, func(m MQTT) bool { return is(m.Courier) }):
		return "mqtt"
	}
	return "webhook"
}

// ScheduleOf returns a courier's schedule; nil: it has none.
func (f *File) ScheduleOf(c Courier) *Schedule {
	for i := range f.Schedules {
		if f.Schedules[i].ID == c.Schedule && c.Schedule != "" {
			return &f.Schedules[i]
		}
	}
	return nil
}

// checkTold refuses a file that has couriers, and at some hour none of them that
// would be told at once of a field above its limit at one of its posts. It is
// refused and not only remarked, since nobody would notice until that hour.
func (f *File) checkTold(r *reader) {
	couriers := f.Couriers()
	if len(couriers) == 0 {
		return
	}
	covers := make([]func(minute int) bool, len(couriers))
	for i, c := range couriers {
		covers[i] = f.minutes(c)
	}
	for _, p := range f.Posts {
		var told []func(int) bool
		for i, c := range couriers {
			if c.hears(p.ID) {
				told = append(told, covers[i])
			}
		}
		if from, to := firstGap(told); from >= 0 {
			r.add(p.Line, "post %q: of a field above its limit nobody is told at once %s; let one courier have priority high for this post, no escalation, and no schedule or one that covers it",
				p.ID, gapWords(from, to))
		}
		if !slices.ContainsFunc(couriers, func(c Courier) bool { return f.tells(c, "medium", p.ID) }) {
			r.add(p.Line, "post %q: of a probe that does not see, and of all else of medium priority, nobody is ever told; let one courier have priority medium for this post",
				p.ID)
		}
	}
	f.checkEscalation(r, couriers)
}

// checkEscalation refuses a courier that waits for what never comes.
func (f *File) checkEscalation(r *reader, couriers []Courier) {
	for _, c := range couriers {
		kind := f.KindOf(c.ID)
		if c.Escalation && f.Alarm.EscalateAfter <= 0 && (kind == "webhook" || kind == "mail") { // the others refuse it anyway
			r.add(c.EscalationLine, "%s %q: escalation: it is told only of what nobody acknowledged in time, and without a time that is nothing; write escalate_after = \"10 min\" in [alarm], or remove escalation",
				kind, c.ID)
		}
	}
}

// tells says whether a courier is told, at once or in the end, of alarms of a
// priority at a post.
func (f *File) tells(c Courier, priority, post string) bool {
	has := func(list []string, s string) bool { return len(list) == 0 || slices.Contains(list, s) }
	return (!c.Escalation || f.Alarm.EscalateAfter > 0) && has(c.Priorities, priority) && has(c.Posts, post)
}

// hears says whether a courier is told of the first exceedance at a post.
func (c Courier) hears(post string) bool {
	has := func(list []string, s string) bool { return len(list) == 0 || slices.Contains(list, s) }
	return !c.Escalation && has(c.Priorities, "high") && has(c.Posts, post)
}

const weekMinutes = 7 * 24 * 60

// minutes tells the minutes of a week, from Monday on, that a courier's schedule
// covers. The week is one without a change of the clocks.
func (f *File) minutes(c Courier) func(int) bool {
	s := f.ScheduleOf(c)
	if s == nil {
		return func(int) bool { return true }
	}
	var inside [weekMinutes]bool
	zoneless := *s
	zoneless.Zone = time.UTC
	for m := range inside {
		inside[m] = zoneless.Covers(monday().Add(time.Duration(m) * time.Minute))
	}
	return func(m int) bool { return inside[m] }
}

func monday() time.Time { return time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC) }

// covered says whether anything covers a minute of the week.
func covered(all []func(int) bool, m int) bool {
	for _, covers := range all {
		if covers(m) {
			return true
		}
	}
	return false
}

// firstGap returns the first minutes of the week that nothing covers, from on
// and to before; from -1: there are none.
func firstGap(all []func(int) bool) (from, to int) {
	from = 0
	for from < weekMinutes && covered(all, from) {
		from++
	}
	if from == weekMinutes {
		return -1, -1
	}
	for to = from; to < weekMinutes && !covered(all, to); {
		to++
	}
	return from, to
}

func gapWords(from, to int) string {
	if to-from == weekMinutes {
		return "at any hour"
	}
	clock := func(m int) string { return monday().Add(time.Duration(m) * time.Minute).Format("Mon 15:04") }
	return fmt.Sprintf("from %s to %s, for one", clock(from), clock(to))
}
