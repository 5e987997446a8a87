package notify

import (
	"encoding/json"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
)

// retained is what a broker retains of a post.
type retained struct {
	PostState
	At        time.Time `json:"at"`
	Until     time.Time `json:"until,omitzero"` // it holds no longer than this; absent where the daemon has stopped
	Simulated bool      `json:"simulated"`
}

func newRetained(p PostState, s Snapshot, at time.Time, holds time.Duration) retained {
	r := retained{PostState: p, At: at.UTC(), Simulated: s.Simulated}
	if holds > 0 {
		r.Until = r.At.Add(holds)
	}
	return r
}

// unwatched is what a post amounts to when the daemon stops: its field is not
// known from then on, and what exceeded or emitted is not mended by that.
func (p PostState) unwatched() PostState {
	was := p
	p.Condition, p.Detail, p.Blind, p.Verdict = "not watched", "Ovenward has stopped", true, string(limit.NotDecided)
	p.Sight = nil
	for _, r := range []acquire.Regard{acquire.Exceeding, acquire.OpenEmits, acquire.Emits} {
		if slices.Contains(was.Sight, r) {
			p.Sight = append(p.Sight, r)
		}
	}
	if len(p.Sight) > 0 {
		p.Detail += "; before, " + was.Detail
	}
	if slices.Contains(p.Sight, acquire.Exceeding) {
		p.Verdict = string(limit.Exceeds)
	}
	p.Sight = append(p.Sight, acquire.IsBlind)
	return p
}

// Retained are the states, by post, that MQTT's couriers have a broker retain: as
// long as the daemon watches, and when it has stopped.
func Retained(s Snapshot, at time.Time, stopped bool) (map[string][]byte, error) {
	all := map[string][]byte{}
	for _, p := range s.Posts {
		r := newRetained(p, s, at, postsHold)
		if stopped {
			r = newRetained(p.unwatched(), s, at, 0)
		}
		body, err := json.Marshal(r)
		if err != nil {
			return nil, err
		}
		all[p.ID] = body
	}
	return all, nil
}

// HeartbeatOf is the heartbeat that all couriers send of a snapshot.
func HeartbeatOf(s Snapshot, site string, every time.Duration) Message {
	return heartbeat(s, site, "", every, nil)
}
