package web

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"net/url"
	"slices"
	"time"
	"unicode"
	"unicode/utf8"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/cmd/internal/advice"
)

// alarmView is an alarm in words.
type alarmView struct {
	Key       string // post and rule: the same through the alarm's life
	Title     string
	Where     string
	State     string
	When      string
	Do        string
	High      bool
	Standing  bool
	Present   bool
	CanAck    bool
	CanReset  bool
	AckURL    string
	ResetURL  string
	Who       string // typed before, when a request went wrong
	Remedy    string
	Opened    bool   // the reset form, for the same reason
	Aside     string // how, by whom, why and until when it is set aside; empty when it is not
	CanShelve bool
	CanTake   bool   // out of service
	Back      string // what takes it back: unshelve or put-back
	BackURL   string
	ShelveURL string
	TakeURL   string
	NoteURL   string
	mayChange bool
	Notice    bool

	since, changed time.Time
}

// MayChange says whether this viewer may use the forms.
func (a alarmView) MayChange() bool { return a.mayChange }

// recentAlarms bounds the ended alarms the page lists.
const recentAlarms = 8

// alarmViews puts alarms into words: first those that stand or wait to be
// acknowledged, the worst first, then those that ended, the newest first.
func alarmViews(all []alarm.Alarm, stats []acquire.Stats, now time.Time) (open, ended []alarmView) {
	where := map[string]string{"": "the station itself"}
	for _, st := range stats {
		where[st.Post.ID] = ovenWords(st.Post)
	}
	for _, a := range all {
		if a.Since.IsZero() && a.Aside == alarm.NotAside {
			continue
		}
		v := alarmViewOf(a, now)
		if v.Where = where[a.Post]; v.Where == "" {
			v.Where = "post " + a.Post + ", which was removed from the configuration: nobody watches it any more"
		}
		if v.Standing || v.CanAck || v.Aside != "" {
			open = append(open, v)
		} else {
			ended = append(ended, v)
		}
	}
	slices.SortStableFunc(open, func(a, b alarmView) int {
		return cmp.Or(
			cmp.Compare(order(b.Standing), order(a.Standing)),
			cmp.Compare(order(b.High), order(a.High)),
			cmp.Compare(order(b.Present), order(a.Present)),
			a.since.Compare(b.since))
	})
	slices.SortStableFunc(ended, func(a, b alarmView) int { return b.changed.Compare(a.changed) })
	return open, ended[:min(len(ended), recentAlarms)]
}

func alarmViewOf(a alarm.Alarm, now time.Time) alarmView {
	base := "/api/v1/alarms/" + url.PathEscape(a.ID)
	v := alarmView{
		Key:   cmp.Or(a.Post, "station") + "-" + string(a.Rule),
		Title: ruleWords(a.Rule), State: stateWords(a.State), Do: advice.Now(a.Rule, a.State, advice.Probe{}),
		High: a.Urgency() == alarm.High, Standing: a.State.Standing(), Present: a.State.Present(),
		AckURL: base + "/acknowledge", ResetURL: base + "/reset",
		When:  "since " + clock(a.Since, now),
		since: a.Since, changed: a.Changed,
	}
	v.CanAck = a.State.Waits()
	v.Notice = a.Rule.IsNotice()
	v.aside(a, now)
	v.CanReset = a.State == alarm.LatchedUnacknowledged || a.State == alarm.LatchedAcknowledged
	switch {
	case v.CanReset:
		v.When += ", below the limit since " + clock(a.Changed, now)
		if a.State == alarm.LatchedAcknowledged { // Changed may be the acknowledgement
			v.When = "since " + clock(a.Since, now) + ", last change " + clock(a.Changed, now)
		}
	case !v.Present:
		v.When = clock(a.Since, now) + " to " + clock(a.Changed, now)
	}
	return v
}

// aside tells how the alarm is set aside, or what was announced, and what may be
// done about it.
func (v *alarmView) aside(a alarm.Alarm, now time.Time) {
	v.ShelveURL, v.TakeURL, v.NoteURL = actURL(a, "shelve"), actURL(a, "take-out"), actURL(a, "comment")
	v.CanShelve = a.Calls() && a.State != alarm.Normal && a.State != "" && !a.Rule.IsNotice()
	v.CanTake = a.Aside != alarm.OutOfService && !a.Rule.Guarded() && !a.Rule.IsNotice()
	how := string(a.Aside)
	switch {
	case a.Rule.IsNotice() && a.State.Present():
		how = "announced"
		v.State, v.Back, v.BackURL = "So it is.", "It is over", endURL(a)
	case a.Aside == alarm.Shelved:
		v.Back, v.BackURL = "Take it off the shelf", actURL(a, "unshelve")
	case a.Aside == alarm.OutOfService:
		v.Back, v.BackURL = "Put it back into service", actURL(a, "put-back")
	case a.Aside == alarm.NotAside:
		return
	}
	v.Aside = capital(how)
	if a.By != "" {
		v.Aside += " by " + a.By
	}
	if !a.AsideSince.IsZero() {
		v.Aside += " since " + clock(a.AsideSince, now)
	}
	if !a.Until.IsZero() {
		v.Aside += " until " + clock(a.Until, now)
	}
	if a.Why != "" {
		v.Aside += ": " + a.Why
	}
}

// endURL is where a notice is ended.
func endURL(a alarm.Alarm) string {
	if a.Post != "" {
		return "/api/v1/posts/" + url.PathEscape(a.Post) + "/back"
	}
	return "/api/v1/ovens/" + url.PathEscape(a.Rule.Name()) + "/return"
}

// ovenWords names an oven by where it is, for that is how people know it, and
// then by the name it has in the record.
func ovenWords(p *acquire.Post) string {
	if p.OvenPlace == "" {
		return p.Oven
	}
	return capital(p.OvenPlace) + " (" + p.Oven + ")"
}

func capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}

// tagOf names what the alarms part of the page shows, so that the script asks
// for it only when it changed.
func tagOf(open, ended []alarmView) string {
	sum := fnv.New64a()
	for _, a := range slices.Concat(open, ended) {
		fmt.Fprintln(sum, a.Key, a.AckURL, a.State, a.When, a.Title, a.Where, a.Aside)
	}
	return fmt.Sprintf("%x", sum.Sum64())
}
