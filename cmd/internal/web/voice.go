package web

import (
	"fmt"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/quantity"
)

// voice is how things are said to one viewer: in their language and unit, and in
// the site's time.
type voice struct {
	texts *catalogue
	unit  unit
	zone  *time.Location
}

// voiceOf is the voice for whoever asks.
func (s *Server) voiceOf(r *http.Request) voice { return s.voiceIn(unitOf(r)) }

func (s *Server) voiceIn(u unit) voice { return voice{s.texts, u, s.zone} }

// t returns a text of the catalogue; see catalogue.say.
func (v voice) t(name string, values ...any) string { return v.texts.say(name, values...) }

// or returns a text of the catalogue, or what is given where there is none.
func (v voice) or(name, otherwise string) string {
	if v.texts.has(name) {
		return v.t(name)
	}
	return otherwise
}

// said puts a sentence of the chain into the viewer's language, and the power densities
// that it tells into their unit.
func (v voice) said(sentence string) string { return v.inUnit(v.texts.said(sentence)) }

// Tell is said, for templates: it knows the unit, which the function said does not.
func (v voice) Tell(sentence any) string { return v.said(fmt.Sprint(sentence)) }

// told is a power density as sentences of the chain tell it.
var told = regexp.MustCompile(`(^|[\s(<>,:])(-?\d+(?:\.\d+)?(?:e[-+]?\d+)?) mW/cm²`)

// inUnit puts the power densities of a sentence into the viewer's unit, to as many
// digits as they have there, and to three at least.
func (v voice) inUnit(sentence string) string {
	if v.unit.Unit == unitNamed("").Unit || !strings.Contains(sentence, " mW/cm²") {
		return sentence
	}
	return told.ReplaceAllStringFunc(sentence, func(text string) string {
		m := told.FindStringSubmatch(text)
		x, err := strconv.ParseFloat(m[2], 64)
		if err != nil {
			return text
		}
		mantissa, _, _ := strings.Cut(m[2], "e")
		digits := len(strings.TrimLeft(strings.NewReplacer("-", "", ".", "").Replace(mantissa), "0"))
		return m[1] + v.unit.print(quantity.PowerDensity(unitNamed("").ToSI(x)), max(3, digits))
	})
}

// saidAll does so with each of several.
func (v voice) saidAll(sentences []string) []string {
	out := make([]string, len(sentences))
	for i, s := range sentences {
		out[i] = v.said(s)
	}
	return out
}

// people prints s in the viewer's unit, number and unit apart, to three digits.
func (v voice) people(s quantity.PowerDensity) (value, unit string) {
	value, unit, _ = strings.Cut(v.unit.print(s, 3), " ")
	return value, unit
}

// read prints s in the viewer's unit, to three digits.
func (v voice) read(s quantity.PowerDensity) string { return v.unit.print(s, 3) }

// clock prints an instant in the site's zone with the zone's name, and its date
// unless it is now's.
func (v voice) clock(t, now time.Time) string {
	if t.IsZero() {
		return v.t("words.unknown_instant")
	}
	t, now = t.In(v.zone), now.In(v.zone)
	if t.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return t.Format("15:04:05 MST")
	}
	return t.Format("2006-01-02 15:04:05 MST")
}

// zoneNames lists what the zone of t calls its times, as "0 EST,1772953200000 EDT": each
// name from its millisecond on, for the clock changes of two years. A browser knows when
// clocks change, but has other names for many zones.
func zoneNames(t time.Time) string {
	name, _ := t.Zone()
	all := "0 " + name
	for range 4 {
		_, end := t.ZoneBounds()
		if end.IsZero() {
			break
		}
		t = end
		name, _ = t.Zone()
		all += fmt.Sprintf(",%d %s", t.UnixMilli(), name)
	}
	return all
}

// between prints two instants as clock does, both with a date where one of them needs it.
func (v voice) between(from, to, now time.Time) string {
	if day := now.In(v.zone).Format(time.DateOnly); from.In(v.zone).Format(time.DateOnly) != day || to.In(v.zone).Format(time.DateOnly) != day {
		now = time.Time{}
	}
	return v.t("alarms.from_to", "from", v.clock(from, now), "to", v.clock(to, now))
}

// si prints s in W/m², to three digits, whatever unit the viewer reads in.
func si(s quantity.PowerDensity) string { return unitNamed("w-m2").print(s, 3) }
