package config

import (
	"time"

	"ovenward/acquire/quantity"
)

// Alarm is the [alarm] section: when a field above its limit is told, and when
// a probe that does not see is told.
type Alarm struct {
	Line     int           // 0 when the file has no such section
	Unbroken time.Duration // above the limit without a break
	Summed   time.Duration // above the limit in all, within Within
	Within   time.Duration
	Clear    time.Duration // below the limit before an alarm may return
	Silent   time.Duration // without an answer
	Stale    time.Duration // without a valid sample
	Stuck    time.Duration // the same reading
	RunGap   time.Duration // a shorter pause of the field does not end a run

	EscalateAfter  time.Duration // not acknowledged; 0: never
	TellAgainAfter time.Duration // standing; 0: never
	UnderFloor     time.Duration // nothing seen while the oven is known to run; 0: no such alarm
	Certificate    time.Duration // before a certificate is due; 0: no such alarm
	Position       time.Duration // since a position was checked; 0: no such alarm
	DiskFree       float64       // share of the record's disk; 0: no such alarm
	Ageing         time.Duration // before the runs are foreseen to reach their limit's guard band; 0: no such alarm
}

// minClear is the shortest clear delay: an oven at part power emits for only
// some seconds in each 20 to 30 s (common practice, no source), and an alarm
// must not come and go with it.
const minClear = 90 * time.Second

func readAlarm(root *table) Alarm {
	const ms, s = time.Millisecond, time.Second
	t := root.table("alarm")
	if t == nil {
		t = &table{r: root.r, at: root.at}
	}
	a := Alarm{
		Unbroken: t.duration(ask{"unbroken", `"3 s"`, false}, span[time.Duration]{100 * ms, time.Hour, `"100 ms" to "1 h"`}, 3*s),
		Summed:   t.duration(ask{"summed", `"10 s"`, false}, span[time.Duration]{100 * ms, time.Hour, `"100 ms" to "1 h"`}, 10*s),
		Within:   t.duration(ask{"within", `"60 s"`, false}, span[time.Duration]{s, 24 * time.Hour, `"1 s" to "24 h"`}, 60*s),
		Clear: t.duration(ask{"clear", `"90 s"`, false}, span[time.Duration]{minClear, 24 * time.Hour,
			`"90 s" to "24 h": an oven at part power pauses for up to half a minute, and its alarm must not come and go with it`}, minClear),
		Silent: t.duration(ask{"silent", `"10 s"`, false}, span[time.Duration]{s, 24 * time.Hour, `"1 s" to "24 h"`}, 10*s),
		Stale:  t.duration(ask{"stale", `"5 s"`, false}, span[time.Duration]{100 * ms, 24 * time.Hour, `"100 ms" to "24 h"`}, 5*s),
		Stuck:  t.duration(ask{"stuck", `"2 min"`, false}, span[time.Duration]{s, 24 * time.Hour, `"1 s" to "24 h"`}, 2*time.Minute),
		RunGap: t.duration(ask{"run_gap", `"90 s"`, false}, span[time.Duration]{s, time.Hour, `"1 s" to "1 h"`}, 90*s),
	}
	readUpkeep(t, &a)
	if !root.has("alarm") {
		return a
	}
	a.Line = t.at.line
	if a.Summed > a.Within {
		t.problem("summed", "it is longer than within, in which it is summed; write a shorter summed or a longer within")
	}
	t.finish()
	return a
}

// soonest is the least time until people are told on or again: nothing holds these
// messages back.
const soonest = time.Minute

// upkeep reads after how long people are told on or again; 0: never.
func (t *table) upkeep(a ask, in span[time.Duration]) time.Duration {
	after := t.duration(a, in, 0)
	if after > 0 && after < soonest {
		t.problem(a.key, `%s is out of range; write %s`, shown(quantity.FormatDuration(after)), in.words)
	}
	return after
}

// readUpkeep reads when nobody looking after an alarm is told, and when
// instruments, places and the disk call for somebody.
func readUpkeep(t *table, a *Alarm) {
	const d = 24 * time.Hour
	orNever := func(words string, most time.Duration) span[time.Duration] {
		return span[time.Duration]{0, most, words + `, or "0 s" for never`}
	}
	a.EscalateAfter = t.upkeep(ask{"escalate_after", `"10 min"`, false}, orNever(`"1 min" to "24 h"`, d))
	a.TellAgainAfter = t.upkeep(ask{"tell_again_after", `"4 h"`, false}, orNever(`"1 min" to "30 d"`, 30*d))
	a.UnderFloor = t.duration(ask{"under_floor", `"1 h"`, false}, orNever(`at most "30 d"`, 30*d), time.Hour)
	a.Certificate = t.duration(ask{"certificate_soon", `"30 d"`, false}, orNever(`at most "365 d"`, 365*d), 30*d)
	a.Position = t.duration(ask{"position_every", `"365 d"`, false}, orNever(`at most "3650 d"`, 3650*d), 365*d)
	a.Ageing = t.duration(ask{"ageing_within", `"30 d"`, false}, orNever(`at most "3650 d"`, 3650*d), 30*d)
	a.DiskFree = 0.05
	if t.has("disk_free") {
		a.DiskFree = t.percent(ask{"disk_free", `"5 %"`, false}, span[float64]{0, 0.9, `"0 %" (never) to "90 %"`})
	}
}
