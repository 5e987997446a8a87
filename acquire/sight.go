package acquire

import (
	"fmt"
	"strings"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
)

// Regard is what a post amounts to at an instant, in one word: what a heartbeat
// says of it.
type Regard string

const (
	Sees      Regard = "seeing"            // fresh values, and nothing of what follows
	Exceeding Regard = "exceeds"           // its field exceeds a limit, or did and is not known to be mended
	OpenEmits Regard = "emits, door open"  // a field persisted beside its oven's open door, and is not known to be mended
	Emits     Regard = "emits"             // its oven is withdrawn, and emits
	IsAway    Regard = "away for survey"   // its probe is not there
	IsTested  Regard = "under test"        // its probe is being tested
	IsBlind   Regard = "blind"             // its field is not known
	IsShelved Regard = "shelved"           // it sees, and an alarm about field or sight is on the shelf
	IsOut     Regard = "oven is withdrawn" // it sees, and its oven is out of use
)

// Regards lists the words, the loudest first.
func Regards() []Regard {
	return []Regard{Exceeding, OpenEmits, Emits, IsBlind, IsAway, IsTested, IsShelved, IsOut, Sees}
}

// Sight is all that keeps a post from counting as seeing. It is the one place
// where that is decided: page, metrics and heartbeat ask here.
type Sight struct {
	Regard Regard   // the loudest of what is so
	All    []Regard // everything that is so, the loudest first; Sees alone when nothing is
	Why    []string // a sentence to each of All but Sees
}

// Seeing says whether nothing keeps the post from counting as seeing.
func (s Sight) Seeing() bool { return s.Regard == Sees }

// Well says whether the post sees and nothing about it calls for anybody: an
// oven that is withdrawn and does not emit is well.
func (s Sight) Well() bool { return s.Regard == Sees || s.Regard == IsOut }

// Words puts a sight into one sentence.
func (s Sight) Words() string {
	if s.Seeing() {
		return string(Sees)
	}
	return strings.Join(s.Why, "; ")
}

// Sight says whether the post sees, and if not, everything that keeps it from
// it. Neither a shelf nor a rule, schedule or state that nobody knows makes it
// seeing.
func (s *Stats) Sight() Sight {
	var out Sight
	add := func(r Regard, why string) {
		out.All, out.Why = append(out.All, r), append(out.Why, string(r)+": "+why)
	}
	if why := s.exceeding(); why != "" {
		add(Exceeding, why)
	}
	if a, ok := s.standing(func(r alarm.Rule) bool { return r == alarm.OpenDoor }); ok {
		add(OpenEmits, "a field persisted beside the open door of oven "+s.Post.Oven+", since "+when(a.Since, s.Zone)+", and is not known to be mended")
	}
	if a, ok := s.standing(func(r alarm.Rule) bool { return r == alarm.Emission }); ok {
		add(Emits, "oven "+s.Post.Oven+" emits, though it is withdrawn, since "+when(a.Since, s.Zone))
	}
	away, isAway := s.standing(func(r alarm.Rule) bool { return r == alarm.Away })
	test, isTested := s.standing(func(r alarm.Rule) bool { return r == alarm.UnderTest })
	blind, isBlind := s.standing(func(r alarm.Rule) bool { return r.Blinds() && !r.IsNotice() })
	switch {
	case isBlind:
		add(IsBlind, blind.Rule.Kind()+" since "+when(blind.Since, s.Zone))
	case s.Condition.Blind() && !isAway && !isTested:
		add(IsBlind, string(s.Condition))
	case s.BelowZero():
		add(IsBlind, farBelowZero(s.Last.S))
	}
	if isAway || s.Condition == AwayNow {
		add(IsAway, announced(away, s.Zone))
	}
	if isTested || s.Condition == TestNow {
		add(IsTested, announced(test, s.Zone))
	}
	for _, a := range s.Alarms {
		if a.Aside != alarm.NotAside && (a.Rule.Guarded() || a.State.Standing()) {
			add(IsShelved, fmt.Sprintf("alarm %s is %s by %s: %s", a.Rule, a.Aside, a.By, a.Why))
		}
	}
	if s.Withdrawn != nil {
		add(IsOut, announced(*s.Withdrawn, s.Zone))
	}
	if len(out.All) == 0 {
		out.All = []Regard{Sees}
	}
	out.Regard = out.All[0]
	return out
}

// exceeding says why the field counts as exceeding; empty when it does not.
func (s *Stats) exceeding() string {
	if a, ok := s.standing(alarm.Rule.IsExceedance); ok {
		return fmt.Sprintf("%s since %s", a.Rule, when(a.Since, s.Zone))
	}
	if s.OverRange {
		return "over the probe's range"
	}
	for _, v := range s.All() {
		if v.Outcome == limit.Exceeds {
			return "limit " + v.Limit.ID
		}
	}
	return ""
}

// standing finds an alarm that stands, however it is set aside. A state that
// nobody knows stands.
func (s *Stats) standing(is func(alarm.Rule) bool) (alarm.Alarm, bool) {
	for _, a := range s.Alarms {
		if is(a.Rule) && (a.State.Standing() || a.State != "" && !a.State.Known()) {
			return a, true
		}
	}
	return alarm.Alarm{}, false
}

// when tells an instant as the site's clocks do, with the zone; nil is UTC.
func when(t time.Time, zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	return t.In(zone).Format("2006-01-02 15:04:05 MST")
}

// announced tells who announced what, and until when.
func announced(a alarm.Alarm, zone *time.Location) string {
	text := "by " + a.By
	if !a.Until.IsZero() {
		text = fmt.Sprintf("by %s until %s", a.By, when(a.Until, zone))
	}
	if a.Why != "" {
		text += ": " + a.Why
	}
	return text
}
