package web

import (
	"math"
	"strconv"
	"strings"
	"time"

	"ovenward/acquire/civil"
)

// mark is a labelled place on an axis, in px.
type mark struct {
	At   float64
	Text string
}

// valueMarks labels an axis from 0 to most with three to six round numbers.
func valueMarks(most float64, y func(float64) float64) []mark {
	if !(most > 0) || math.IsInf(most, 0) {
		return nil
	}
	step := math.Pow(10, math.Floor(math.Log10(most/2)))
	for _, k := range []float64{1, 2, 5, 10} {
		if most/(k*step) <= 5 {
			step *= k
			break
		}
	}
	var out []mark
	for i := 0.0; i*step <= most; i++ {
		out = append(out, mark{round1(y(i * step)), strconv.FormatFloat(i*step, 'g', 4, 64)})
	}
	return out
}

// timeSteps are the distances between marks of time, up to days.
func timeSteps() []time.Duration {
	return []time.Duration{time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second, 15 * time.Second, 30 * time.Second,
		time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
		time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour}
}

// timeMarks labels an axis from one instant to another with round civil times of
// a zone, at most some of them.
func timeMarks(from, to time.Time, zone *time.Location, most int, x func(time.Time) float64) []mark {
	from, to = from.In(zone), to.In(zone)
	span := to.Sub(from)
	for _, step := range timeSteps() {
		if span/step < time.Duration(most) {
			return clockMarks(from, to, step, x)
		}
	}
	return dateMarks(from, to, most, x)
}

// monthNames puts the names of months on marks of time.
func (v voice) monthNames(marks []mark) []mark {
	for i := range marks {
		for m := time.January; m <= time.December; m++ {
			marks[i].Text = strings.Replace(marks[i].Text, m.String()[:3], v.t("words.month_"+strconv.Itoa(int(m))), 1)
		}
	}
	return marks
}

// clockMarks begins at midnight, so that marks are round where a day has 23 or 25
// hours too.
func clockMarks(from, to time.Time, step time.Duration, x func(time.Time) float64) []mark {
	layout := "15:04:05"
	if step >= time.Minute {
		layout = "15:04"
	}
	var out []mark
	var last time.Time
	y, m, d := from.Date()
	steps := int(24 * time.Hour / step)
	for day := 0; ; day++ {
		for i := range steps {
			at := time.Date(y, m, d+day, 0, 0, int(time.Duration(i)*step/time.Second), 0, from.Location())
			if i == 0 {
				at = civil.Begin(y, m, d+day, from.Location())
			}
			if at.After(to) {
				return out
			}
			if at.Before(from) || !at.After(last) { // a time that clocks spring over is another's instant
				continue
			}
			last = at
			text := at.Format(layout)
			if i == 0 && step >= time.Hour {
				text = at.Format("2 Jan")
			}
			out = append(out, mark{round1(x(at)), text})
		}
	}
}

// dateMarks marks days, months or years.
func dateMarks(from, to time.Time, most int, x func(time.Time) float64) []mark {
	days := to.Sub(from).Hours() / 24
	var at func(i int) time.Time
	layout := "2 Jan"
	y, m, d := from.Date()
	zone := from.Location()
	months := func(k int) func(int) time.Time {
		return func(i int) time.Time {
			return civil.Begin(y, (m-1)/time.Month(k)*time.Month(k)+1+time.Month(k*i), 1, zone)
		}
	}
	switch n := float64(most); {
	case days < n:
		at = func(i int) time.Time { return civil.Begin(y, m, d+i, zone) }
	case days < 2*n:
		at = func(i int) time.Time { return civil.Begin(y, m, d+2*i, zone) }
	case days < 7*n:
		at = func(i int) time.Time { return civil.Begin(y, m, d+7*i, zone) }
	case days < 30*n:
		at, layout = months(1), "Jan 2006"
	case days < 91*n:
		at, layout = months(3), "Jan 2006"
	default:
		years := int(math.Ceil(days / 365 / n))
		at, layout = func(i int) time.Time { return civil.Begin(y+years*i, 1, 1, zone) }, "2006"
	}
	var out []mark
	var last time.Time
	for i := 0; ; i++ {
		t := at(i)
		if t.After(to) {
			return out
		}
		if !t.Before(from) && t.After(last) { // a day that there was not begins with the next
			out = append(out, mark{round1(x(t)), t.Format(layout)})
			last = t
		}
	}
}

func round1(f float64) float64 { return math.Round(10*f) / 10 }

func number1(f float64) string { return strconv.FormatFloat(round1(f), 'f', -1, 64) }
