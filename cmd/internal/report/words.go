package report

import (
	"math"
	"strconv"
	"time"

	"ovenward/acquire/quantity"
)

// What stands in every report.
const (
	footWords      = "Ovenward advises. It is no safety interlock and no substitute for a qualified person or local codes."
	simulatedWords = "SIMULATED: values in this report come from a simulated probe of an invented kitchen. Nothing here was measured."
	serviceWords   = "Do not open the cabinet; lethal voltage can remain after unplugging. Licensed service only."
	exceedsWord    = "EXCEEDS" // of outcomeWords
	unknown        = "not known"
	notStated      = "not stated"
)

// cautions are the last words of every report.
func cautions(more ...string) []Block {
	all := []Block{
		&Paragraph{Plain, "This report says what was measured, against which limit, and what was not seen. It makes no statement about places, times, loads or doors other than those measured. Local codes and the judgement of a qualified person come first; repair and any work on door, hinge, latch, screen or interlock is for licensed service only."},
	}
	for _, m := range more {
		all = append(all, &Paragraph{Plain, m})
	}
	return all
}

// exceedCautions stand wherever something exceeds.
func exceedCautions() []string {
	return []string{"Where a value exceeds its limit: " + serviceWords + " Take the oven out of use until service has mended it and a survey has shown it. Wearers of implants keep away."}
}

func stamp(t time.Time) string {
	if t.IsZero() {
		return unknown
	}
	return t.UTC().Format("2006-01-02 15:04:05") + " UTC"
}

// fine is stamp to the millisecond.
func fine(t time.Time) string { return t.UTC().Format("2006-01-02 15:04:05.000") + " UTC" }

func day(t time.Time) string {
	if t.IsZero() {
		return unknown
	}
	return t.UTC().Format(time.DateOnly)
}

func words(s string) Cell {
	if s == "" {
		return Cell{Text: notStated}
	}
	return Cell{Text: s}
}

func raw(s string) Cell { return Cell{Text: s} }

// of is a number with its text.
func of(text string, si float64, unit string) Cell {
	if math.IsNaN(si) || math.IsInf(si, 0) {
		return Cell{Text: text}
	}
	return Cell{text, &si, unit}
}

// density prints a power density; NaN is 'not known' and +Inf has no upper bound.
func density(s quantity.PowerDensity) Cell {
	switch x := float64(s); {
	case math.IsNaN(x):
		return Cell{Text: unknown}
	case math.IsInf(x, 1):
		return Cell{Text: "over range, no upper bound"}
	default:
		return of(quantity.MilliwattPerSquareCentimetre().FormatDigits(x, 3), x, "W/m²")
	}
}

// uncertain prints a value with its expanded uncertainty.
func uncertain(s, u quantity.PowerDensity) Cell {
	if c := density(s); c.SI == nil || !(u >= 0) || math.IsInf(float64(u), 0) {
		return c
	}
	return of(s.FormatUncertain(u, quantity.MilliwattPerSquareCentimetre()), float64(s), "W/m²")
}

func lasting(d time.Duration) Cell { return of(quantity.FormatDuration(d), d.Seconds(), "s") }

// about prints a time that was measured, to three digits.
func about(d time.Duration) Cell {
	text, s := "", d.Seconds()
	switch {
	case s < 120:
		text = strconv.FormatFloat(s, 'g', 3, 64) + " s"
	case s < 120*60:
		text = strconv.FormatFloat(s/60, 'g', 3, 64) + " min"
	case s < 48*3600:
		text = strconv.FormatFloat(s/3600, 'g', 3, 64) + " h"
	default:
		text = strconv.FormatFloat(s/86400, 'f', 1, 64) + " days"
	}
	return of(text, s, "s")
}

// About is about as text alone.
func About(d time.Duration) string { return about(d).Text }

func length(l quantity.Length) Cell {
	if !(l > 0) {
		return Cell{Text: unknown}
	}
	return of(l.String(), float64(l), "m")
}

// percent prints a share of 1. Nothing is rounded up to all, or down to nothing.
func percent(x float64) Cell {
	if math.IsNaN(x) {
		return Cell{Text: unknown}
	}
	const unit = "\u00a0%"
	text := number(100*x, 0.01) + unit
	switch {
	case x < 1 && text == "100.00"+unit:
		text = "99.99" + unit
	case x > 0 && text == "0.00"+unit:
		text = "less than 0.01" + unit
	}
	return of(text, x, "1")
}

func count(n int64) Cell { return of(group(n), float64(n), "1") }

// Count is count as text alone.
func Count(n int64) string { return group(n) }

// Readings is so many readings.
func Readings(n int64) string { return plural(int(n), "reading") }

// group parts the digits of a number by threes.
func group(n int64) string {
	if n < 0 {
		return "-" + group(-n)
	}
	var parts []byte
	s := []byte(number(float64(n), 1))
	for i, c := range s {
		if i > 0 && (len(s)-i)%3 == 0 && len(s) > 4 {
			parts = append(parts, "\u00a0"...)
		}
		parts = append(parts, c)
	}
	return string(parts)
}
