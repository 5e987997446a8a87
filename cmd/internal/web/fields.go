package web

import (
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

// fieldsOf puts the fields of a form into words: with what x has, or with what was
// typed before where a change was refused. prefix keeps the ids of several forms on
// one page apart; choices gives words to what can be chosen.
func fieldsOf[T any](say voice, form registry.Form[T], prefix string, x T, typed map[string]string, t *trouble, words func(string) string) []fieldView {
	values := form.Print(x)
	var out []fieldView
	for _, f := range form {
		v := fieldView{ID: prefix + "-" + f.Name, Name: f.Name, Label: say.t("register.field_" + f.Name), Value: values[f.Name], Hint: f.Hint, Needed: f.Needed, Wide: f.Wide, Most: f.Most()}
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
			v.Choices = append(v.Choices, choiceView{c, text, c == v.Value})
		}
		v.Fault = faultOf(t, f.Name)
		out = append(out, v)
	}
	return out
}

// faultOf words what was wrong with a field; empty when nothing was.
func faultOf(t *trouble, name string) string {
	if t == nil {
		return ""
	}
	for _, f := range t.faults {
		if f.Field == name {
			return capital(f.Why) + "; " + f.Do
		}
	}
	return ""
}

// whoWhy are the fields that every change has: who, why and, where it is asked, from
// which day on.
func whoWhy(f frame, prefix string, e edit, t *trouble) []fieldView {
	who := fieldView{ID: prefix + "-who", Name: "who", Label: f.t("register.who"), Value: e.who, Needed: true, Most: maxWho, Fault: faultOf(t, "who")}
	if f.User != "" {
		who.Value, who.Fixed = f.User, true
	}
	return []fieldView{who, {ID: prefix + "-why", Name: "why", Label: f.t("register.why"), Value: e.why, Most: maxRemedy, Fault: faultOf(t, "why")}}
}

// versionView is one version in words.
type versionView struct {
	At, Who, Why, From string
	Changes            []string
}

func (v voice) versions(all []verJSON, now nowFunc) []versionView {
	var out []versionView
	for _, x := range all {
		w := versionView{At: v.clock(x.EnteredAt, now()), Who: x.Who, Why: x.Why, Changes: x.Changes}
		if d := x.EnteredAt.Sub(x.ValidFrom); d > dayLong {
			w.From = registry.PrintDay(x.ValidFrom)
		}
		out = append(out, w)
	}
	return out
}
