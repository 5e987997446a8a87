package notify

import (
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
)

// PostState is one post as it is now, for heartbeats and for receivers that show
// the present.
type PostState struct {
	ID        string           `json:"post"`
	Oven      string           `json:"oven,omitempty"`
	Place     string           `json:"place,omitempty"`
	Condition string           `json:"condition"`          // seeing; idle or not known to run; silent; away for survey; …
	Blind     bool             `json:"blind"`              // the field is not known
	Verdict   string           `json:"verdict"`            // within, exceeds or not decided
	Sight     []acquire.Regard `json:"sight"`              // all that it amounts to, the loudest first
	Detail    string           `json:"detail"`             // the same in words
	Standing  []string         `json:"standing,omitempty"` // rules whose alarms stand, shelved ones too
	Shelved   []string         `json:"shelved,omitempty"`  // rules whose alarms are set aside

	aside []string // as Shelved, with how, until when, by whom and why
}

// Snapshot is how everything is at one instant.
type Snapshot struct {
	At        time.Time
	Posts     []PostState
	Station   []string // rules of the station's own alarms that stand
	Shelved   []string // rules of the station's own alarms that are set aside
	Simulated bool

	aside []string // as Shelved, with how, until when, by whom and why
	gone  []string // posts that are no longer watched, and whose exceedance nobody has reset

	goneOpen []string // as gone, of a field beside an open door
}

// SnapshotOf puts the station's state into the words of a heartbeat. It decides
// nothing: what a post amounts to is acquire's word.
func SnapshotOf(posts []acquire.Stats, station []alarm.Alarm, at time.Time) Snapshot {
	s := Snapshot{At: at}
	for i := range posts {
		p := &posts[i]
		sight := p.Sight()
		state := PostState{ID: p.Post.ID, Oven: p.Post.Oven, Place: p.Post.OvenPlace, Condition: string(p.Condition),
			Sight: sight.All, Detail: sight.Words(), Verdict: string(verdictOf(p, sight))}
		state.Standing, state.Shelved, state.aside = standingRules(p.Alarms)
		for _, r := range sight.All {
			state.Blind = state.Blind || r == acquire.IsBlind || r == acquire.IsAway || r == acquire.IsTested
		}
		state.Blind = state.Blind || p.Condition.Blind()
		s.Posts = append(s.Posts, state)
		s.Simulated = s.Simulated || p.Post.Probe.Simulated
	}
	here := map[string]bool{}
	for _, p := range s.Posts {
		here[p.ID] = true
	}
	var own []alarm.Alarm
	for _, a := range station {
		if !here[a.Post] && !a.Rule.IsNotice() { // the station's, and those of posts that are no longer watched
			if a.Post != "" {
				switch {
				case !a.State.Standing() || !a.Rule.Latches():
				case !a.Rule.IsExceedance():
					s.goneOpen = append(s.goneOpen, a.Post)
				case !slices.Contains(s.gone, a.Post):
					s.gone = append(s.gone, a.Post)
				}
				a.Rule = alarm.Rule(a.Post + " " + string(a.Rule))
			}
			own = append(own, a)
		}
	}
	s.Station, s.Shelved, s.aside = standingRules(own)
	return s
}

// verdictOf is the verdict that says most. What does not see is never within.
func verdictOf(p *acquire.Stats, sight acquire.Sight) limit.Outcome {
	v := p.Binding().Outcome
	switch {
	case sight.Regard == acquire.Exceeding:
		return limit.Exceeds
	case v == "" || v == limit.Within && !sight.Well():
		return limit.NotDecided
	}
	return v
}

// standingRules lists the rules of alarms that stand, and of those set aside. A
// state that nobody knows stands. aside says of the latter how, until when, by
// whom and why.
func standingRules(all []alarm.Alarm) (standing, shelved, aside []string) {
	for _, a := range all {
		if a.State.Standing() || a.State != "" && !a.State.Known() {
			standing = append(standing, string(a.Rule))
		}
		if a.Aside != alarm.NotAside {
			shelved = append(shelved, string(a.Rule))
			words := string(a.Rule) + ", " + string(a.Aside)
			if a.By != "" {
				words += " by " + a.By
			}
			aside = append(aside, words+untilWhy(a.Until, a.Why))
		}
	}
	return standing, shelved, aside
}
