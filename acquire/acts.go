package acquire

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"ovenward/acquire/alarm"
)

// ErrNoAlarm says that no alarm has the id that was asked for.
var ErrNoAlarm = errors.New("no alarm with this id stands; it may have ended: the list of alarms tells those that do")

// ErrNoPost says that no post or oven has the id that was asked for.
var ErrNoPost = errors.New("there is no such post or oven")

// longestNotice bounds what a person may announce at once; our own choice.
const longestNotice = 31 * 24 * time.Hour

// Acknowledge notes that who has seen the alarm with this id.
func (s *Station) Acknowledge(id, who string) error {
	return s.Act(id, alarm.Act{What: alarm.Acknowledge, Who: who}, 0)
}

// Reset ends a latched alarm. remedy names the repair or the survey that shows
// the cause mended.
func (s *Station) Reset(id, who, remedy string) error {
	if strings.TrimSpace(remedy) == "" {
		return errors.New("a reset must name the repair or the survey that shows the cause mended")
	}
	return s.Act(id, alarm.Act{What: alarm.Reset, Who: who, Why: remedy}, 0)
}

// Act does what a named operator wants done to one alarm: Acknowledge, Reset,
// Shelve for a time, Unshelve, TakeOut, PutBack or Comment. id is that of the
// occurrence, or POST.RULE with 'station' for the station itself. At and Until of
// the act are set here.
func (s *Station) Act(id string, act alarm.Act, lasting time.Duration) error {
	switch act.What {
	case alarm.Acknowledge, alarm.Reset, alarm.Shelve, alarm.Unshelve, alarm.TakeOut, alarm.PutBack, alarm.Comment:
	default:
		return errors.New("that is nothing an operator does to an alarm")
	}
	if strings.TrimSpace(act.Who) == "" {
		return errors.New("a change needs the name of who makes it")
	}
	if id == "" {
		return ErrNoAlarm
	}
	reason := alarm.None
	now := s.now()
	at := func(stamp time.Time) alarm.Act {
		act.At = stamp
		if act.What == alarm.Shelve {
			act.Until = stamp.Add(max(lasting, 0))
		}
		return act
	}
	s.mu.Lock()
	for _, o := range s.own {
		if isNamed(o.alarm, id) {
			reason = s.changeOwn(o, at(s.stamp(now)), act.Why)
		}
	}
	for i := range s.strays {
		if isNamed(s.strays[i].alarm, id) {
			reason = s.changeOwn(s.strays[i], at(s.stamp(now)), act.Why)
		}
	}
	s.mu.Unlock()
	for _, w := range s.watches {
		w.mu.Lock()
		for i := range w.alarms {
			if isNamed(w.alarms[i], id) {
				reason = w.apply(i, at(w.stamp(now)), act.Why, w.groundsOf(i, now.Sub(w.epoch)))
			}
		}
		w.mu.Unlock()
	}
	switch {
	case reason == alarm.None:
		return ErrNoAlarm
	case reason.Refused():
		return errors.New(string(reason))
	}
	return nil
}

// isNamed says whether id means the alarm: its occurrence, or its post and rule.
func isNamed(a alarm.Alarm, id string) bool {
	post := a.Post
	if post == "" {
		post = "station"
	}
	return a.ID == id || post+"."+string(a.Rule) == id
}

// Announce says that the probe of a post is Away for a survey or UnderTest, for
// a time: it is shown blind, told once, and ends by itself.
func (s *Station) Announce(post int, r alarm.Rule, who, why string, lasting time.Duration) error {
	i := awayAt
	switch {
	case strings.TrimSpace(who) == "":
		return errors.New("a change needs the name of who makes it")
	case r == alarm.UnderTest:
		i = testAt
	case r != alarm.Away:
		return errors.New("only away and under-test can be announced of a post")
	}
	if lasting <= 0 || lasting > longestNotice {
		return errors.New("say until when: an instant that lies ahead, by at most 31 days")
	}
	w, now := s.watches[post], s.now()
	w.mu.Lock()
	defer w.mu.Unlock()
	at := w.stamp(now)
	if w.announced() != "" {
		return errors.New("the post is announced as away or under test already: end that first")
	}
	reason := w.apply(i, alarm.Act{What: alarm.Announce, At: at, Who: who, Why: why, Until: at.Add(lasting)}, why, nil)
	w.step(now.Sub(w.epoch), at)
	return refused(reason)
}

// Conclude ends what was announced of a post before its time.
func (s *Station) Conclude(post int, who string) error {
	if strings.TrimSpace(who) == "" {
		return errors.New("a change needs the name of who makes it")
	}
	w, now := s.watches[post], s.now()
	w.mu.Lock()
	defer w.mu.Unlock()
	i := awayAt
	if w.announced() == TestNow {
		i = testAt
	}
	reason := w.apply(i, alarm.Act{What: alarm.Conclude, At: w.stamp(now), Who: who}, "", nil)
	if !reason.Refused() {
		w.resume(now.Sub(w.epoch))
		w.step(now.Sub(w.epoch), w.stamp(now))
	}
	return refused(reason)
}

// Withdraw takes an oven out of use, at who's word: emission from it is an alarm
// of its own from now on.
func (s *Station) Withdraw(oven, who, why string) error {
	switch {
	case strings.TrimSpace(who) == "":
		return errors.New("a change needs the name of who makes it")
	case strings.TrimSpace(why) == "":
		return errors.New("say why the oven is withdrawn")
	case !s.watchesOven(oven):
		return ErrNoPost
	}
	return s.withdraw(oven, alarm.Act{What: alarm.Announce, Who: who, Why: why})
}

// ReturnOven puts a withdrawn oven back into use. why names what was mended.
func (s *Station) ReturnOven(oven, who, why string) error {
	switch {
	case strings.TrimSpace(who) == "":
		return errors.New("a change needs the name of who makes it")
	case strings.TrimSpace(why) == "":
		return errors.New("say what was mended, or which survey shows that the oven may be used")
	}
	return s.withdraw(oven, alarm.Act{What: alarm.Conclude, Who: who, Why: why})
}

func (s *Station) withdraw(oven string, act alarm.Act) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	rule := alarm.WithdrawnOf(oven)
	if act.What == alarm.Conclude && s.findOwn(rule) == nil {
		return ErrNoPost
	}
	act.At = s.stamp(s.now())
	reason := s.changeOwn(s.ownAlarm(rule), act, act.Why)
	s.shareWithdrawn()
	return refused(reason)
}

func (s *Station) findOwn(r alarm.Rule) *own {
	for _, o := range s.own {
		if o.alarm.Rule == r {
			return o
		}
	}
	return nil
}

func (s *Station) watchesOven(oven string) bool {
	for i := range s.posts {
		if s.posts[i].Oven == oven {
			return true
		}
	}
	return false
}

// shareWithdrawn tells each post whether its oven is withdrawn.
func (s *Station) shareWithdrawn() {
	for _, w := range s.watches {
		var notice *alarm.Alarm
		if o := s.findOwn(alarm.WithdrawnOf(w.post.Oven)); o != nil && o.alarm.State.Standing() {
			a := o.alarm
			notice = &a
		}
		w.mu.Lock()
		w.withdrawn = notice
		w.mu.Unlock()
	}
}

// CheckPosition notes that who has looked where the probe of a post stands.
func (s *Station) CheckPosition(post int, who, remark string) error {
	if strings.TrimSpace(who) == "" {
		return errors.New("a change needs the name of who makes it")
	}
	w, now := s.watches[post], s.now()
	w.mu.Lock()
	defer w.mu.Unlock()
	at := w.stamp(now)
	w.system.checked = at
	text := fmt.Sprintf("%s states that the probe stands %s from the oven and faces it", who, w.post.Distance)
	if remark != "" {
		text += ": " + remark
	}
	w.report(Event{At: at, Post: w.post.ID, Kind: KindPosition, Who: who, Text: text})
	w.lookPosition(now.Sub(w.epoch), at)
	return nil
}

// Runs notes that who, a person or another system, knows that the oven of a post
// runs, for a time from now on; 0 takes that back.
func (s *Station) Runs(post int, who string, lasting time.Duration) error {
	if strings.TrimSpace(who) == "" {
		return errors.New("a change needs the name of who makes it")
	}
	if lasting < 0 || lasting > 24*time.Hour {
		return errors.New("say for how long the oven runs: at most 24 h")
	}
	w, now := s.watches[post], s.now()
	w.mu.Lock()
	defer w.mu.Unlock()
	at, mono := w.stamp(now), now.Sub(w.epoch)
	w.system.hinted, w.system.hint = true, mono+lasting
	until := at.Add(lasting)
	w.report(Event{At: at, Post: w.post.ID, Kind: KindHint, Who: who, Raw: []byte(until.Format(time.RFC3339Nano)),
		Text: fmt.Sprintf("the oven is said to run until %s", when(until, w.zone))})
	return nil
}

func refused(r alarm.Reason) error {
	if r.Refused() {
		return errors.New(string(r))
	}
	return nil
}
