package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

const day = 24 * time.Hour

// ParseDuration reads a span of time with its units: "6 min", "90 s", "500 ms",
// "24 h", "1 d", "1 h 30 min", and Go's own "1m30s". It rounds to 1 ns. A bare
// number is refused, and so are a negative span, one above 292 years, and "5 m",
// which reads as five metres.
func ParseDuration(s string) (time.Duration, error) {
	const example = "6 min"
	rest, total, last := strings.TrimSpace(s), time.Duration(0), time.Duration(math.MaxInt64)
	for first := true; first || rest != ""; first = false {
		number, tail, err := split(rest, example)
		if err != nil && first {
			return 0, err
		}
		spaced := err == nil && strings.HasPrefix(strings.TrimPrefix(rest, number), " ")
		n := strings.IndexFunc(tail, func(r rune) bool { return strings.ContainsRune(" +-.0123456789", r) })
		if n < 0 {
			n = len(tail)
		}
		unit, ok := durationUnit(tail[:n])
		switch {
		case err != nil || !ok:
			return 0, fmt.Errorf("%s is no span of time: write for example %q (ms, s, min, h or d)", quote(s), example)
		case tail[:n] == "m" && spaced:
			return 0, fmt.Errorf("%s reads as metres: write minutes as %q", quote(s), withNumber(number, example))
		case number[0] == '-':
			return 0, fmt.Errorf("%s is negative: a span of time is 0 or more, for example %q", quote(s), example)
		case unit >= last:
			return 0, fmt.Errorf("%s names its units out of order: write the larger ones first, for example %q", quote(s), "1 h 30 min")
		}
		part, err := durationOf(number, unit)
		if err != nil || total > math.MaxInt64-part {
			return 0, fmt.Errorf("%s is too long: write at most %q", quote(s), "106000 d")
		}
		total, last, rest = total+part, unit, strings.TrimSpace(tail[n:])
	}
	return total, nil
}

func durationUnit(spelling string) (time.Duration, bool) {
	switch spelling {
	case "ns":
		return time.Nanosecond, true
	case "us", "µs", "μs":
		return time.Microsecond, true
	case "ms":
		return time.Millisecond, true
	case "s":
		return time.Second, true
	case "min", "m":
		return time.Minute, true
	case "h":
		return time.Hour, true
	case "d":
		return day, true
	}
	return 0, false
}

// durationOf returns number·unit, rounded to 1 ns. Whole numbers stay exact
// where a float64 product would not.
func durationOf(number string, unit time.Duration) (time.Duration, error) {
	if n, err := strconv.ParseInt(number, 10, 64); err == nil {
		if n > math.MaxInt64/int64(unit) {
			return 0, errTooLarge
		}
		return time.Duration(n) * unit, nil
	}
	x, err := strconv.ParseFloat(number, 64)
	if x = math.Round(x * float64(unit)); err != nil || x >= math.MaxInt64 {
		return 0, errTooLarge
	}
	return time.Duration(x), nil
}

// FormatDuration prints d in the largest unit that holds it whole, up to hours:
// "6 min", "90 s", "24 h", "1500 ms". ParseDuration gives d again.
func FormatDuration(d time.Duration) string {
	for _, u := range []struct {
		d    time.Duration
		name string
	}{{time.Hour, "h"}, {time.Minute, "min"}, {time.Second, "s"}, {time.Millisecond, "ms"}, {time.Microsecond, "µs"}} {
		if d != 0 && d%u.d == 0 {
			return strconv.FormatInt(int64(d/u.d), 10) + " " + u.name
		}
	}
	if d == 0 {
		return "0 s"
	}
	return strconv.FormatInt(int64(d), 10) + " ns"
}

// Roughly prints a time as people read it, to four digits: seconds, minutes from 2 min
// on, hours from 2 h on.
func Roughly(d time.Duration) string {
	x, unit := d.Seconds(), "s"
	switch {
	case d >= 2*time.Hour:
		x, unit = d.Hours(), "h"
	case d >= 2*time.Minute:
		x, unit = d.Minutes(), "min"
	}
	return strconv.FormatFloat(x, 'g', 4, 64) + " " + unit
}
