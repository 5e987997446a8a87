package registry

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Asked is what a field asks of people, whatever it is a field of.
type Asked struct {
	Name    string // in forms, in JSON and as the column of a table
	Label   string
	Hint    string
	Choices []string // where it is one of few
	Needed  bool
	Wide    bool // a text of some length
}

// Most is how many characters it may have.
func (a Asked) Most() int {
	if a.Wide {
		return 1000
	}
	return 120
}

// Filled is a field with what is written in it.
type Filled struct {
	Asked
	Value string
}

// filling is a form with what fills it, of whatever type: what is done with it is linked once, and
// not for each type.
type filling interface {
	fields() int
	asked(i int) *Asked
	print(i int) string
	parse(i int, text string) (why, do string)
}

type filled[T any] struct {
	form Form[T]
	x    *T
}

func (f filled[T]) fields() int                               { return len(f.form) }
func (f filled[T]) asked(i int) *Asked                        { return &f.form[i].Asked }
func (f filled[T]) print(i int) string                        { return f.form[i].print(f.x) }
func (f filled[T]) parse(i int, text string) (why, do string) { return f.form[i].parse(f.x, text) }

func list(f filling) []Filled {
	var out []Filled
	for i := range f.fields() {
		out = append(out, Filled{*f.asked(i), f.print(i)})
	}
	return out
}

func printed(f filling) map[string]string {
	out := map[string]string{}
	for i := range f.fields() {
		out[f.asked(i).Name] = f.print(i)
	}
	return out
}

func names(f filling) []string {
	var names []string
	for i := range f.fields() {
		names = append(names, f.asked(i).Name)
	}
	return names
}

func parse(f filling, written map[string]string) (faults []Fault) {
	for i := range f.fields() {
		field := f.asked(i)
		text, said := written[field.Name]
		text = strings.TrimSpace(text)
		if !said {
			text = f.print(i)
		}
		switch {
		case text == "" && field.Needed:
			faults = append(faults, Fault{field.Name, "", "it is missing", "write for example " + field.Hint})
		case said:
			why, do := field.check(text)
			if why == "" {
				why, do = f.parse(i, text)
			}
			if why != "" {
				faults = append(faults, Fault{field.Name, text, why, do})
			}
		}
	}
	unknown, known := []string{}, names(f)
	for name := range written {
		if !slices.Contains(known, name) {
			unknown = append(unknown, name)
		}
	}
	slices.Sort(unknown)
	for _, name := range unknown {
		faults = append(faults, Fault{name, written[name], "there is no such field", "write one of " + strings.Join(known, ", ")})
	}
	return faults
}

// check says what every field must be.
func (a Asked) check(text string) (why, do string) {
	if n := utf8.RuneCountInString(text); n > a.Most() {
		return fmt.Sprintf("it has %d characters", n), fmt.Sprintf("write at most %d", a.Most())
	}
	for _, c := range text {
		if !unicode.IsPrint(c) || c == utf8.RuneError {
			return "it holds a character that cannot be printed", "write it in one line of plain text"
		}
	}
	if a.Choices != nil && text != "" && !slices.Contains(a.Choices, text) {
		return "it is none of those there are", "write " + strings.Join(a.Choices, " or ")
	}
	return "", ""
}

func changes(a, b filling) []string {
	var out []string
	for i := range a.fields() {
		if was, is := a.print(i), b.print(i); was != is {
			out = append(out, fmt.Sprintf("%s: %s → %s", a.asked(i).Label, cmp.Or(was, "nothing"), cmp.Or(is, "nothing")))
		}
	}
	return out
}
