package acquire

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"ovenward/acquire/alarm"
)

// DiskSource tells how much of the record's disk is free, in bytes. It must not
// wait.
type DiskSource func() (free, size uint64, err error)

// Trouble is something outside the station that it is told of, such as a courier
// whose messages are not accepted.
type Trouble struct {
	Rule alarm.Rule // of the station itself
	Text string     // what is amiss, and what to do; empty: nothing is

	Ended   string // what is so once nothing is; may be empty
	Unknown bool   // nobody can say yet whether anything is: its alarm stays as it was

	// Anew says why an alarm that stands was raised for what is no more: where nobody can say
	// yet how it is with what took its place, the alarm is dropped with these words. May be empty.
	Anew string
}

// Delays of the station's own rules; our own choice.
const (
	clockOn   = 10 * time.Minute // a time service takes some minutes after a start
	clockOff  = time.Minute
	diskEvery = 10 * time.Second
	diskBack  = 1.1             // times the floor before the alarm ends
	courierOn = 2 * time.Minute // of attempts in vain
)

// own is an alarm of the station itself.
type own struct {
	alarm alarm.Alarm
	gate  alarm.Gate
	care  alarm.Care
}

// ownAlarm returns the station's own alarm of a rule, made if need be.
func (s *Station) ownAlarm(r alarm.Rule) *own {
	for _, o := range s.own {
		if o.alarm.Rule == r {
			return o
		}
	}
	o := &own{alarm: alarm.Alarm{Rule: r, State: alarm.Normal}}
	switch {
	case r == alarm.Clock:
		o.gate = alarm.Gate{On: clockOn, Off: clockOff}
	case r.Kind() == alarm.CourierOf("").Kind():
		o.gate = alarm.Gate{On: courierOn}
	case r.IsSum():
		o.gate = alarm.Gate{Off: s.clearOf(r.Name())}
	}
	s.own = append(s.own, o)
	return o
}

// lookOwn moves the station's own alarms. It holds s.mu.
func (s *Station) lookOwn(now time.Time) {
	at := s.stamp(now)
	err := s.record.Err()
	switch s.fails++; {
	case err == nil:
		s.fails = 0
		s.moveOwn(alarm.Record, alarm.Absent, now, "the record is written again")
	case s.fails >= looksToFail:
		s.moveOwn(alarm.Record, alarm.Present, now, err.Error())
	}
	if s.clock.asked {
		s.moveOwn(alarm.Clock, alarm.PresentIf(s.clock.unsure()), now, s.clock.words())
	}
	s.lookDisk(now)
	s.lookTroubles(now)
	withdrawn := false
	for _, o := range slices.Concat(s.own, s.strays) {
		if h, due := o.care.Look(o.alarm, s.attention, now.Sub(s.epoch), at); due {
			s.changeOwn(o, alarm.Act{What: h, At: at}, fmt.Sprintf("%s since %s", o.alarm.State, when(o.alarm.Since, s.zone)))
			withdrawn = withdrawn || o.alarm.Rule.IsNotice()
		}
	}
	if withdrawn {
		s.shareWithdrawn()
	}
}

// stamp is an instant for people and the record.
func (s *Station) stamp(now time.Time) time.Time { return now.UTC() }

// lookTroubles moves the alarms about what the station is told of. What it is no
// longer told of has ended.
func (s *Station) lookTroubles(now time.Time) {
	all := append(s.inputTroubles(now), s.sumTroubles()...)
	if s.troubles != nil {
		all = append(all, s.troubles()...)
	}
	for _, t := range all {
		text, is := t.Text, alarm.PresentIf(t.Text != "")
		if text == "" {
			text = cmp.Or(t.Ended, "that has ended")
		}
		if t.Unknown {
			is = alarm.Unknown
		}
		if o := s.ownAlarm(t.Rule); t.Unknown && t.Anew != "" && o.alarm.State.Present() {
			o.gate = alarm.Gate{On: o.gate.On, Off: o.gate.Off}
			s.changeOwn(o, alarm.Act{What: alarm.Drop, At: s.stamp(now)}, t.Anew)
		}
		s.moveOwn(t.Rule, is, now, text)
	}
	for _, o := range s.own {
		told := func(t Trouble) bool { return t.Rule == o.alarm.Rule }
		if o.alarm.State.Present() && o.alarm.Rule.IsReported() && !slices.ContainsFunc(all, told) {
			s.changeOwn(o, alarm.Act{What: alarm.Drop, At: s.stamp(now)}, "the configuration no longer names it")
		}
	}
}

// lookDisk asks how full the disk is, from time to time.
func (s *Station) lookDisk(now time.Time) {
	if s.disk == nil || s.diskFloor <= 0 || !s.diskAsked.IsZero() && now.Sub(s.diskAsked) < diskEvery {
		return
	}
	s.diskAsked = now
	free, size, err := s.disk()
	if err != nil || size == 0 {
		return // not known: neither full nor not
	}
	share := float64(free) / float64(size)
	is := alarm.Unknown
	switch {
	case share < s.diskFloor:
		is = alarm.Present
	case share >= s.diskFloor*diskBack:
		is = alarm.Absent
	}
	text := fmt.Sprintf("%.3g %% of the record's disk is free (%d MB of %d MB); the bound is %.3g %%", 100*share, free>>20, size>>20, 100*s.diskFloor)
	if is != alarm.Absent {
		text += ": make room before the record cannot be written"
	}
	s.moveOwn(alarm.Disk, is, now, text)
}

// moveOwn moves one of the station's own alarms by whether its condition is
// present.
func (s *Station) moveOwn(r alarm.Rule, is alarm.Presence, now time.Time, text string) {
	o := s.ownAlarm(r)
	var h alarm.Happening
	var tell bool
	o.gate, h, tell = o.gate.Look(is, now.Sub(s.epoch))
	if tell && (h == alarm.Appears) != o.alarm.State.Present() {
		s.changeOwn(o, alarm.Act{What: h, At: s.stamp(now)}, text)
	}
}

func (s *Station) changeOwn(o *own, act alarm.Act, text string) (reason alarm.Reason) {
	o.alarm, reason = s.change(o.alarm, act, text)
	return reason
}

// change does something to an alarm that belongs to no watched post, and reports
// it.
func (s *Station) change(a alarm.Alarm, act alarm.Act, text string) (alarm.Alarm, alarm.Reason) {
	next, reason := a.Do(act)
	if reason == alarm.None || reason.Refused() {
		return a, reason
	}
	s.report(changed(a, next, reason, act, text, nil, s.zone))
	return next, reason
}
