package config

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/quantity"
)

// span is a range a value must lie in, both ends included, and the words that
// say so.
type span[T cmp.Ordered] struct {
	min, max T
	words    string
}

func (s span[T]) holds(v T) bool { return v >= s.min && v <= s.max }

// quantityOf reads a quantity with its unit. It returns otherwise when there is
// none or it is wrong.
func quantityOf[T cmp.Ordered](t *table, a ask, parse func(string) (T, error), in span[T], otherwise T) T {
	v, ok := t.get(a)
	if !ok {
		return otherwise
	}
	if bareNumber(v) {
		t.problem(a.key, "%s is a bare number; write it in quotes and with its unit, for example %s = %s", shown(v), a.key, a.example)
		return otherwise
	}
	s, ok := v.(string)
	if !ok {
		t.wrongType(a, v, "a number with a unit, in quotes")
		return otherwise
	}
	q, err := parse(s)
	switch {
	case err != nil:
		t.problem(a.key, "%s", err)
	case !in.holds(q):
		t.problem(a.key, "%s is out of range; write %s", shown(s), in.words)
	default:
		return q
	}
	return otherwise
}

// bareNumber says whether v is a finite number without a unit, in quotes or not.
func bareNumber(v any) bool {
	var x float64
	switch v := v.(type) {
	case int64:
		return true
	case float64:
		x = v
	case string:
		var err error
		if x, err = strconv.ParseFloat(strings.TrimSpace(v), 64); err != nil {
			return false
		}
	default:
		return false
	}
	return !math.IsNaN(x) && !math.IsInf(x, 0)
}

func (t *table) duration(a ask, in span[time.Duration], otherwise time.Duration) time.Duration {
	return quantityOf(t, a, quantity.ParseDuration, in, otherwise)
}

func (t *table) powerDensity(a ask) quantity.PowerDensity {
	return quantityOf(t, a, quantity.ParsePowerDensity, fieldSpan(), 0)
}

// fieldSpan bounds power densities: nothing in this trade is beyond it, and a
// value that is has a wrong unit.
func fieldSpan() span[quantity.PowerDensity] {
	return span[quantity.PowerDensity]{math.SmallestNonzeroFloat64, 1e6, `more than 0, at most "100000 mW/cm2"`}
}

// percent reads a relative number as a ratio. A bare number is refused, since
// both 25 and 0.25 are written where 25 % is meant.
func (t *table) percent(a ask, in span[float64]) float64 {
	return quantityOf(t, a, quantity.ParseRatio, in, 0)
}

// number reads a plain number, whole or not.
func (t *table) number(a ask, in span[float64], otherwise float64) float64 {
	v, ok := t.get(a)
	if !ok {
		return otherwise
	}
	x := math.NaN()
	switch v := v.(type) {
	case float64:
		x = v
	case int64:
		x = float64(v)
	}
	switch {
	case math.IsNaN(x) || math.IsInf(x, 0):
		t.wrongType(a, v, "a number without quotes")
	case !in.holds(x):
		t.problem(a.key, "%s is out of range; write %s", shown(v), in.words)
	default:
		return x
	}
	return otherwise
}

// integer reads a whole number.
func (t *table) integer(a ask, in span[int64], otherwise int64) int64 {
	v, ok := t.get(a)
	if !ok {
		return otherwise
	}
	n, ok := v.(int64)
	switch {
	case !ok:
		t.wrongType(a, v, "a whole number without quotes")
	case !in.holds(n):
		t.problem(a.key, "%d is out of range; write %s", n, in.words)
	default:
		return n
	}
	return otherwise
}

// boolean reads true or false; nil when it is not set.
func (t *table) boolean(a ask) *bool {
	v, ok := t.get(a)
	if !ok {
		return nil
	}
	b, ok := v.(bool)
	if !ok {
		t.wrongType(a, v, "true or false without quotes")
		return nil
	}
	return &b
}

// date reads a calendar day as its first instant in UTC.
func (t *table) date(a ask) time.Time {
	v, ok := t.get(a)
	if !ok {
		return time.Time{}
	}
	// The library marks a day without a time by the name of its zone.
	d, ok := v.(time.Time)
	switch {
	case ok && d.Location().String() != "date-local":
		t.problem(a.key, "it has a time of day, and a day is wanted; write for example %s = %s", a.key, a.example)
	case !ok:
		t.wrongType(a, v, "a day without quotes")
	case d.Year() < 1970:
		t.problem(a.key, "the year %d is too long ago; write for example %s = %s", d.Year(), a.key, a.example)
	default:
		return time.Date(d.Year(), d.Month(), d.Day(), 0, 0, 0, 0, time.UTC)
	}
	return time.Time{}
}

// maxBytesSent bounds what is sent to an instrument, and each word it says.
const maxBytesSent = 256

// raw reads text as bytes for an instrument: control characters and blanks
// stand for themselves, and it may be empty.
func (t *table) raw(a ask, most int, otherwise string) string {
	v, ok := t.get(a)
	if !ok {
		return otherwise
	}
	s, ok := v.(string)
	switch {
	case !ok:
		t.wrongType(a, v, "text in quotes")
	case len(s) > most:
		t.problem(a.key, "it is longer than %d bytes; shorten it", most)
	default:
		return s
	}
	return otherwise
}

// words reads a list of text; nil when it is not set.
func (t *table) words(a ask) []string {
	v, ok := t.get(a)
	if !ok {
		return nil
	}
	list, ok := v.([]any)
	if tables, is := v.([]map[string]any); is {
		list, ok = make([]any, len(tables)), true
		for i, m := range tables {
			list[i] = m
		}
	}
	if !ok {
		t.wrongType(a, v, "a list of words")
		return nil
	}
	if len(list) == 0 {
		t.problem(a.key, "the list is empty; %s", a.emptyList())
		return nil
	}
	words := make([]string, 0, len(list))
	for i, v := range list {
		s, ok := v.(string)
		if !ok || len(s) > maxBytesSent {
			what := shown(v) + " is " + typeOf(v)
			if ok {
				what = fmt.Sprintf("a word is longer than %d bytes", maxBytesSent)
			}
			t.r.add(t.at.key(a.key).item(i).line, "%s: %s: %s; write words in quotes, for example %s = %s",
				t.label, a.key, what, a.key, a.example)
			continue
		}
		words = append(words, s)
	}
	return words
}

// emptyList says what to do with a list that has nothing in it.
func (a ask) emptyList() string {
	if a.required {
		return fmt.Sprintf("write for example %s = %s", a.key, a.example)
	}
	return fmt.Sprintf("name a word, or leave %s out", a.key)
}
