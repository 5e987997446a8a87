package notify

import (
	"bytes"
	"errors"
	"fmt"
	htmltemplate "html/template"
	"io"
	"regexp"
	"strconv"
	"strings"
	"text/template"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// The default texts. sentences joins what is not empty with blanks.
const (
	DefaultSubject = `{{sentences .Mark .Where}}: {{.What}}`
	DefaultText    = `{{sentences .Mark .Headline .HowMuch .Quoted .When .Now .More .Early}}`
	DefaultHTML    = `{{with .Mark}}<p><strong>{{.}}</strong></p>{{end}}
<h1 style="font-size:1.2em">{{.Where}}: {{.What}}</h1>
{{with .HowMuch}}<p>{{.}}</p>{{end}}
{{with .Quoted}}<p>{{.}}</p>{{end}}
{{with .When}}<p>{{.}}</p>{{end}}
{{with .Now}}<p><strong>{{.}}</strong></p>{{end}}
{{with .More}}<p style="white-space:pre-line">{{.}}</p>{{end}}
{{with .Early}}<p>{{.}}</p>{{end}}`
)

// TextSources are Go templates (text/template; html/template for HTML) over a
// Telling. An empty one is the default.
type TextSources struct {
	Subject, Text, HTML string
}

// Texts puts messages into words. Nil are the default ones.
type Texts struct {
	subject, text *template.Template
	html          *htmltemplate.Template
}

// TemplateError is a template that cannot be used.
type TemplateError struct {
	Which string // subject, text or html
	Line  int    // of the template, from 1
	What  string
}

func (e *TemplateError) Error() string {
	return fmt.Sprintf("line %d of the %s template: %s", e.Line, e.Which, e.What)
}

func sentences(parts ...string) string {
	var said []string
	for _, s := range parts {
		if s != "" {
			said = append(said, s)
		}
	}
	return strings.Join(said, " ")
}

// NewTexts parses the templates and tries them on messages of every kind; its
// errors are TemplateErrors.
func NewTexts(s TextSources) (*Texts, error) {
	for _, d := range []struct {
		set       *string
		otherwise string
	}{{&s.Subject, DefaultSubject}, {&s.Text, DefaultText}, {&s.HTML, DefaultHTML}} {
		if *d.set == "" {
			*d.set = d.otherwise
		}
	}
	funcs := template.FuncMap{"sentences": sentences}
	t := &Texts{}
	var err error
	if t.subject, err = template.New("subject").Funcs(funcs).Parse(s.Subject); err != nil {
		return nil, templateError("subject", err)
	}
	if t.text, err = template.New("text").Funcs(funcs).Parse(s.Text); err != nil {
		return nil, templateError("text", err)
	}
	if t.html, err = htmltemplate.New("html").Funcs(htmltemplate.FuncMap(funcs)).Parse(s.HTML); err != nil {
		return nil, templateError("html", err)
	}
	for _, m := range examples() {
		told := tellingOf(m)
		for which, x := range map[string]executor{"subject": t.subject, "text": t.text, "html": t.html} {
			if _, err := execute(x, told); err != nil {
				return nil, templateError(which, err)
			}
		}
	}
	return t, nil
}

// executor is a template of either package.
type executor interface {
	Execute(to io.Writer, data any) error
}

var templatePlace = regexp.MustCompile(`template: ?(?:subject|text|html):(\d+)(?::\d+)?: (.*)$`)

// templateError parts what a template package says into line and words.
func templateError(which string, err error) error {
	e := &TemplateError{Which: which, Line: 1, What: err.Error()}
	if m := templatePlace.FindStringSubmatch(strings.ReplaceAll(e.What, "\n", " ")); m != nil {
		e.Line, _ = strconv.Atoi(m[1])
		e.What = m[2]
	}
	return e
}

// maxText bounds what one template makes, in bytes.
const maxText = 64 << 10

var errTooLong = errors.New("the text becomes longer than 64 KiB")

// bounded is a buffer that refuses to grow without end.
type bounded struct{ bytes.Buffer }

func (b *bounded) Write(p []byte) (int, error) {
	if b.Len()+len(p) > maxText {
		return 0, errTooLong
	}
	return b.Buffer.Write(p)
}

// fill sets subject and text of a message. A template that fails on it must not
// keep it from being told: then it is told in the default words.
func (t *Texts) fill(m *Message) {
	told := tellingOf(*m)
	m.Subject = sentences(told.Mark, told.Where) + ": " + told.What
	m.Text = sentences(told.Mark, told.Headline, told.HowMuch, told.Quoted, told.When, told.Now, told.More, told.Early)
	if t == nil {
		return
	}
	if s, err := execute(t.subject, told); err == nil && strings.TrimSpace(s) != "" {
		m.Subject = strings.Join(strings.Fields(s), " ")
	}
	if s, err := execute(t.text, told); err == nil && strings.TrimSpace(s) != "" {
		m.Text = strings.TrimSpace(s)
	}
}

// htmlOf makes the HTML of a message; empty when the template fails.
func (t *Texts) htmlOf(m Message) string {
	s, err := execute(t.html, tellingOf(m))
	if err != nil {
		return ""
	}
	return s
}

// examples are messages of each kind, on which templates are tried.
func examples() []Message {
	at := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	post := &acquire.Post{Site: "Example", ID: "post", Oven: "oven", OvenPlace: "kitchen", Probe: acquire.Probe{ID: "probe", Port: "/dev/tty", Range: 200}}
	event := func(rule alarm.Rule, to alarm.State, reason alarm.Reason) acquire.Event {
		return acquire.Event{ID: 7, At: at, Post: "post", Text: "text", Alarm: &alarm.Change{
			Alarm: alarm.Alarm{Post: "post", Rule: rule, State: to, ID: "id", Since: at, Changed: at}, From: alarm.Normal, Reason: reason}}
	}
	loud := event(alarm.Exceeds, alarm.Unacknowledged, alarm.Raised)
	loud.Alarm.Verdict = &alarm.Grounds{Outcome: "exceeds", Value: new(72.0), Uncertainty: new(11.0), Limit: 50, LimitID: "limit", Source: "source", Reasons: []string{"reason"}}
	over := event(alarm.Exceeds, alarm.Unacknowledged, alarm.Raised)
	over.Alarm.Verdict = &alarm.Grounds{Outcome: "exceeds", Limit: 50, LimitID: "limit", Source: "source"}
	matter := subjectMatter{Post: post, Site: "Example", Recorded: true}
	var all []Message
	for _, e := range []acquire.Event{loud, over, event(alarm.Silent, alarm.Normal, alarm.Returned), event(alarm.Exceeds, alarm.Normal, alarm.WasReset)} {
		all = append(all, newMessage(e, matter))
	}
	station := event(alarm.Record, alarm.Unacknowledged, alarm.Raised)
	station.Post = ""
	all = append(all, newMessage(station, subjectMatter{Site: "Example", More: 2}))
	snap := Snapshot{At: at, Posts: []PostState{{ID: "post", Condition: "silent", Blind: true, Sight: []acquire.Regard{acquire.IsBlind}}}}
	return append(all, several(all, [2]int64{}, "Example", ""), heartbeat(snap, "Example", "", time.Hour, nil), TestMessage("Example", "courier", "", at, nil))
}

func execute(t executor, told Telling) (string, error) {
	var b bounded
	err := t.Execute(&b, told)
	return b.String(), err
}
