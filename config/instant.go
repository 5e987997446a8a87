package config

import (
	"strings"
	"time"

	"ovenward/acquire/quantity"
)

// Instant is what shifts and spaces a probe's readings in time.
type Instant struct {
	Offset       time.Duration // signed, to the middle of question and answer; negative: sensed before it
	RequestDelay time.Duration // least pause from the end of one exchange to the next question
	AnswerDelay  time.Duration // what comes sooner after a question is no answer
}

func readInstant(t *table, p *Probe, alarm Alarm) Instant {
	pause := span[time.Duration]{0, time.Minute, `"0 s" to "1 min"`}
	i := Instant{
		Offset: quantityOf(t, ask{"offset", `"-250 ms"`, false}, parseSigned,
			span[time.Duration]{-time.Minute, time.Minute, `"-1 min" to "1 min"`}, 0),
		RequestDelay: t.duration(ask{"request_delay", `"20 ms"`, false}, pause, 0),
		AnswerDelay:  t.duration(ask{"answer_delay", `"5 ms"`, false}, pause, 0),
	}
	for _, key := range []string{"request_delay", "answer_delay"} {
		if t.has(key) && p.Stream {
			t.problem(key, "a probe that talks by itself (stream = true) is not asked; remove %s", key)
		}
	}
	if p.Poll > 0 && i.RequestDelay >= p.Poll {
		t.problem("request_delay", "it is not shorter than poll, so questions would be left out; write less than %q", quantity.FormatDuration(p.Poll))
	}
	if p.Poll > 0 && i.AnswerDelay >= p.Timeout {
		t.problem("answer_delay", "it is not shorter than timeout, so no answer could count; write less than %q", quantity.FormatDuration(p.Timeout))
	}
	if p.Poll-i.Offset >= alarm.Stale && i.Offset < 0 {
		t.problem("offset", "a value would be stale (%q) before the next one comes; write a shorter offset, poll more often, or set a longer stale in [alarm]",
			quantity.FormatDuration(alarm.Stale))
	}
	if i.Offset > alarm.Silent {
		t.problem("offset", "each value would be of a time in which the probe counts as silent (%q); write a shorter offset, or set a longer silent in [alarm]",
			quantity.FormatDuration(alarm.Silent))
	}
	return i
}

// parseSigned reads a span of time that may have a sign.
func parseSigned(s string) (time.Duration, error) {
	rest, negative := strings.CutPrefix(strings.TrimSpace(s), "-")
	if !negative {
		rest = strings.TrimPrefix(rest, "+")
	}
	d, err := quantity.ParseDuration(rest)
	if negative {
		d = -d
	}
	return d, err
}
