package web

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"math"
	"net/url"
	"slices"
	"sort"
	"time"
	"unicode"
	"unicode/utf8"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/registry"
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
	Fixed     bool   // Who is known and cannot be typed
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
	Path      string // of its page; empty: it never stood
	Told      string // who was told of it, and what came back
	ByHow     string // how far above its limit, of a limit that each value counts against

	urgency        int // its place among the priorities, the highest first
	since, changed time.Time
}

// MayChange says whether this viewer may use the forms.
func (a alarmView) MayChange() bool { return a.mayChange }

// recentAlarms bounds the ended alarms the page lists.
const recentAlarms = 8

// alarmViews puts alarms into words: first those that stand or wait to be
// acknowledged, the worst first, then those that ended, the newest first.
func (v voice) alarmViews(all []alarm.Alarm, stats []acquire.Stats, now time.Time) (open, ended []alarmView) {
	where := v.postNames(stats)
	where[""] = v.t("alarms.station_itself")
	at := map[string]*acquire.Stats{}
	for i := range stats {
		at[stats[i].Post.ID] = &stats[i]
	}
	for _, a := range all {
		if a.Since.IsZero() && a.Aside == alarm.NotAside {
			continue
		}
		one := v.alarmViewOf(a, now)
		st := at[a.Post]
		if !judgedNow(st, a) {
			one.notSeen(v, a, now)
		}
		if one.Where = where[a.Post]; one.Where == "" {
			one.Where = v.t("alarms.where_post", "id", a.Post)
		}
		if st != nil {
			one.ByHow = v.byHow(a, st)
		}
		if one.Standing || one.CanAck || one.Aside != "" {
			open = append(open, one)
		} else {
			ended = append(ended, one)
		}
	}
	sort.SliceStable(open, func(i, j int) bool {
		a, b := &open[i], &open[j]
		return cmp.Or(
			cmp.Compare(order(b.Standing), order(a.Standing)),
			cmp.Compare(a.urgency, b.urgency),
			cmp.Compare(order(b.Present), order(a.Present)),
			a.since.Compare(b.since)) < 0
	})
	sort.SliceStable(ended, func(i, j int) bool { return ended[i].changed.After(ended[j].changed) })
	return open, ended[:min(len(ended), recentAlarms)]
}

func (v voice) alarmViewOf(a alarm.Alarm, now time.Time) alarmView {
	base := "/api/v1/alarms/" + url.PathEscape(a.ID)
	one := alarmView{
		Key:   cmp.Or(a.Post, "station") + "-" + string(a.Rule),
		Title: v.rule(a.Rule), State: v.state(a.State), Do: v.said(advice.Now(a.Rule, a.State, advice.Probe{})),
		High: a.Urgency() == alarm.High, Standing: a.State.Standing(), Present: a.State.Present(),
		AckURL: base + "/acknowledge", ResetURL: base + "/reset",
		When:    v.t("alarms.since", "at", v.clock(a.Since, now)),
		urgency: slices.Index([]alarm.Priority{alarm.High, alarm.Medium, alarm.Low}, a.Urgency()), since: a.Since, changed: a.Changed,
	}
	if a.ID != "" {
		one.Path = "/alarms/" + url.PathEscape(a.ID)
	}
	one.CanAck = a.State.Waits()
	one.Notice = a.Rule.IsNotice()
	one.aside(v, a, now)
	one.CanReset = a.State == alarm.LatchedUnacknowledged || a.State == alarm.LatchedAcknowledged
	switch {
	case a.State == alarm.LatchedAcknowledged: // Changed may be the acknowledgement
		one.When = v.t("alarms.since_changed", "at", v.clock(a.Since, now), "changed", v.clock(a.Changed, now))
	case one.CanReset:
		one.When = v.t("alarms.since_below", "at", v.clock(a.Since, now), "changed", v.clock(a.Changed, now))
	case !one.Present:
		one.When = v.between(a.Since, a.Changed, now)
	}
	if !a.Rule.IsExceedance() && !a.Rule.IsSum() {
		one.notSeen(v, a, now)
	}
	return one
}

// judgedNow says whether somebody sees now if the field is above the limit that an
// exceedance is about: its post does, and still has that limit. st is nil where the
// post is not watched.
func judgedNow(st *acquire.Stats, a alarm.Alarm) bool {
	return st != nil && !st.Blind() && st.Post.Judges(a.Rule)
}

// notSeen says of what is latched that it is not seen now, where nobody knows that
// the field is below a limit.
func (one *alarmView) notSeen(v voice, a alarm.Alarm, now time.Time) {
	if !one.CanReset {
		return
	}
	one.State = v.t("words.state_unseen")
	if a.State == alarm.LatchedAcknowledged {
		one.State = v.t("words.state_unseen_acknowledged")
	}
	one.When = v.t("alarms.since_changed", "at", v.clock(a.Since, now), "changed", v.clock(a.Changed, now))
}

// dropped says of what nothing judges any more that it was not seen to end.
func (one *alarmView) dropped(v voice, a alarm.Alarm, now time.Time) {
	switch {
	case one.CanReset:
		one.notSeen(v, a, now)
	case !one.Present:
		one.State = v.t("words.state_dropped")
		one.When = v.t("alarms.since_changed", "at", v.clock(a.Since, now), "changed", v.clock(a.Changed, now))
	}
}

// byHow tells how far the field was above the limit, by the highest value of the run
// in which the alarm was raised, or of the newest one after it. A limit on a mean is
// told by its verdict. Of a calibration it tells the day, which is not that of the alarm.
func (v voice) byHow(a alarm.Alarm, st *acquire.Stats) string {
	l, probe := st.Post.Limit, &st.Post.Probe
	if a.State.Standing() && (a.Rule == alarm.CertificateDue || a.Rule == alarm.CertificateOverdue) {
		if c := calib.InForce(probe.Certificates(), st.Now); c != nil && !c.Due.IsZero() {
			return v.t("alarms.by_day", "probe", probe.ID, "day", registry.PrintDay(c.Due))
		}
	}
	if a.Rule != alarm.Exceeds || !a.State.Standing() || l.Averaging > 0 || st.RanTo.Before(a.Since) || !(st.RunPeak > l.Value) {
		return ""
	}
	if math.IsInf(float64(st.RunPeak), 1) {
		return v.t("alarms.by_how_over", "limit", v.read(l.Value))
	}
	return v.t("alarms.by_how", "peak", v.read(st.RunPeak), "ratio", v.ratio(float64(st.RunPeak/l.Value)), "limit", v.read(l.Value))
}

// aside tells how the alarm is set aside, or what was announced, and what may be
// done about it.
func (one *alarmView) aside(v voice, a alarm.Alarm, now time.Time) {
	one.ShelveURL, one.TakeURL, one.NoteURL = actURL(a, "shelve"), actURL(a, "take-out"), actURL(a, "comment")
	one.CanShelve = a.Calls() && a.State != alarm.Normal && a.State != "" && !a.Rule.IsNotice()
	one.CanTake = a.Aside != alarm.OutOfService && !a.Rule.Guarded() && !a.Rule.IsNotice()
	how := v.said(string(a.Aside))
	switch {
	case a.Rule.IsNotice() && a.State.Present():
		how = v.t("alarms.announced")
		one.State, one.Back, one.BackURL = v.t("alarms.so_it_is"), v.t("alarms.over"), endURL(a)
	case a.Aside == alarm.Shelved:
		one.Back, one.BackURL = v.t("alarms.unshelve"), actURL(a, "unshelve")
	case a.Aside == alarm.OutOfService:
		one.Back, one.BackURL = v.t("alarms.put_back"), actURL(a, "put-back")
	case a.Aside == alarm.NotAside:
		return
	}
	one.Aside = capital(how)
	if a.By != "" {
		one.Aside += " " + v.t("alarms.aside_by", "who", a.By)
	}
	if !a.AsideSince.IsZero() {
		one.Aside += " " + v.t("alarms.aside_since", "at", v.clock(a.AsideSince, now))
	}
	if !a.Until.IsZero() {
		one.Aside += " " + v.t("alarms.aside_until", "at", v.clock(a.Until, now))
	}
	if a.Why != "" {
		one.Aside += ": " + a.Why
	}
}

// endURL is where a notice is ended.
func endURL(a alarm.Alarm) string {
	if a.Post != "" {
		return "/api/v1/posts/" + url.PathEscape(a.Post) + "/back"
	}
	return "/api/v1/ovens/" + url.PathEscape(a.Rule.Name()) + "/return"
}

// postNames names each post by its oven: by where that is, for so people know it, and
// then by the name it has in the record. Of several posts at one oven each bears its own
// name too.
func (v voice) postNames(stats []acquire.Stats) map[string]string {
	names := map[string]string{}
	at := postsAt(stats)
	for i := range stats {
		title, more := v.nameOf(stats[i].Post, at)
		if more != "" {
			title += " (" + more + ")"
		}
		names[stats[i].Post.ID] = title
	}
	return names
}

// postsAt counts the posts at each oven.
func postsAt(stats []acquire.Stats) map[string]int {
	at := map[string]int{}
	for i := range stats {
		at[stats[i].Post.Oven]++
	}
	return at
}

// nameOf gives the two parts of a post's name, of which the second may be empty.
func (v voice) nameOf(p *acquire.Post, at map[string]int) (title, more string) {
	title = p.Oven
	if p.OvenPlace != "" {
		title, more = capital(p.OvenPlace), p.Oven
	}
	if at[p.Oven] > 1 {
		own := v.t("words.post", "id", p.ID)
		if more != "" {
			own = more + ", " + own
		}
		more = own
	}
	return title, more
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
		fmt.Fprintln(sum, a.Key, a.AckURL, a.State, a.When, a.Title, a.Where, a.Aside, a.ByHow)
	}
	return fmt.Sprintf("%x", sum.Sum64())
}
