package web

import (
	"strings"

	"ovenward/acquire/registry"
)

// fieldView is one field of a form.
type fieldView struct {
	ID, Name, Label string
	Value, Hint     string
	Choices         []choiceView // where it is one of few
	Needed, Wide    bool
	Fixed           bool   // shown, and not to be changed
	Free            bool   // it need not be filled in, and nobody need say so
	Fault           string // what was wrong with what was typed
	Most            int    // characters
}

type choiceView struct {
	Value, Text string
	Picked      bool
}

// formView is a form: where it is sent, its fields, and who and why.
type formView struct {
	Action string
	Base   int64 // version it was made from; 0: none
	Fields []fieldView
	Who    []fieldView
	Open   bool // its fields are shown at once

	Summary, Hint, Do string // what it is for; what to know, if anything; its button
}

// fieldsOf puts the fields of a form into words: with what is in it, or with what was
// typed before where a change was refused. prefix keeps the ids of several forms on
// one page apart; choices gives words to what can be chosen.
func fieldsOf(say voice, form []registry.Filled, prefix string, typed map[string]string, t *trouble, words func(string) string) []fieldView {
	var out []fieldView
	for _, f := range form {
		v := fieldView{ID: prefix + "-" + f.Name, Name: f.Name, Label: say.t("register.field_" + f.Name), Value: f.Value, Hint: say.said(f.Hint), Needed: f.Needed, Wide: f.Wide, Most: f.Most()}
		if text, said := typed[f.Name]; said {
			v.Value = text
		}
		if f.Choices != nil && !f.Needed {
			v.Choices = append(v.Choices, choiceView{"", "–", v.Value == ""})
		}
		for _, c := range f.Choices {
			text := c
			if words != nil {
				text = words(c)
			}
			if text == c {
				text = say.said(c)
			}
			v.Choices = append(v.Choices, choiceView{c, text, c == v.Value})
		}
		v.Fault = say.fault(t, f.Name)
		out = append(out, v)
	}
	return out
}

// fault words what was wrong with a field; empty when nothing was.
func (v voice) fault(t *trouble, name string) string {
	if t == nil {
		return ""
	}
	for _, f := range t.faults {
		if f.Field == name {
			return capital(v.said(f.Why)) + "; " + v.said(f.Do)
		}
	}
	return ""
}

// whoWhy are the fields that every change has: who, why and, where it is asked, from
// which day on.
func whoWhy(f frame, prefix string, e edit, t *trouble) []fieldView {
	who := fieldView{ID: prefix + "-who", Name: "who", Label: f.t("register.who"), Value: e.who, Needed: true, Most: maxWho, Fault: f.fault(t, "who")}
	if f.User != "" {
		who.Value, who.Fixed = f.User, true
	}
	return []fieldView{who, {ID: prefix + "-why", Name: "why", Label: f.t("register.why"), Value: e.why, Most: maxRemedy, Fault: f.fault(t, "why")}}
}

// versionView is one version in words.
type versionView struct {
	At, Who, Why, From string
	Changes            []string
}

// who names who entered something: somebody, or the configuration.
func (v voice) who(name string) string {
	if name == registry.Configuration {
		return v.said(name)
	}
	return name
}

// change puts a change of a field into words: its label, what it was and what it
// is, which are people's own words unless it was or is nothing.
func (v voice) change(text string) string {
	label, values, ok := strings.Cut(text, ": ")
	was, is, both := strings.Cut(values, " → ")
	if !ok || !both {
		return v.said(text)
	}
	for _, x := range []*string{&was, &is} {
		switch *x {
		case "nothing", "in use", "withdrawn":
			*x = v.said(*x)
		}
	}
	return v.said(label) + ": " + was + " → " + is
}

func (v voice) versions(all []verJSON, now nowFunc) []versionView {
	var out []versionView
	for _, x := range all {
		w := versionView{At: v.clock(x.EnteredAt, now()), Who: v.who(x.Who), Why: x.Why}
		for _, c := range x.Changes {
			w.Changes = append(w.Changes, v.change(c))
		}
		if d := x.EnteredAt.Sub(x.ValidFrom); d > dayLong {
			w.From = registry.PrintDay(x.ValidFrom)
		}
		out = append(out, w)
	}
	return out
}
