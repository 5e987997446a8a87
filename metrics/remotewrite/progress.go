package remotewrite

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// progress is how far a target has come, as the record keeps it. Counters are
// kept with it, so that what is sent again after a crash is the same.
type progress struct {
	Begun  int64                                    `json:"begun_ms"`
	Event  int64                                    `json:"event"`    // the last one gone through
	Tick   int64                                    `json:"tick_ms"`  // the last one
	Heard  int64                                    `json:"heard_ms"` // the newest sample or event gone through
	Posts  map[string]*postProgress                 `json:"posts"`
	Alarms map[string]map[alarm.Rule]*alarmProgress `json:"alarms"` // by post
}

// postProgress is how far it has come in one post.
type postProgress struct {
	Seq    int64     `json:"seq"` // the last one gone through
	At     time.Time `json:"at"`  // its instant
	Heard  int64     `json:"heard_ms"`
	Value  Millis    `json:"value"`
	Over   Millis    `json:"over"`
	Place  Place     `json:"place"`
	Open   bool      `json:"open"`    // the value's series has no end yet
	IsOver bool      `json:"is_over"` // the newest sample is over range
	Held   float64   `json:"held_w_per_m2"`
	Seen   bool      `json:"seen"` // Held holds from At on
	Ticks  bool      `json:"ticks"`

	Samples   [6]uint64 `json:"samples"` // by acquire.Quality.Class
	Lost      uint64    `json:"lost"`
	Energy    float64   `json:"energy_j_per_m2"`
	Observed  float64   `json:"observed_s"`
	OverRange float64   `json:"over_range_s"`
}

type alarmProgress struct {
	State alarm.State `json:"state"`
	Ms    int64       `json:"ms"` // of its newest point
}

// readProgress reads what the record kept; nil when it kept nothing.
func readProgress(text []byte) (*progress, error) {
	if text == nil {
		return nil, nil
	}
	p := &progress{}
	if err := json.Unmarshal(text, p); err != nil {
		return nil, fmt.Errorf("what the record keeps of this target does not read: %w; delete its row of the table remote_write to begin anew", err)
	}
	p.fill()
	return p, nil
}

func (p *progress) fill() {
	if p.Posts == nil {
		p.Posts = map[string]*postProgress{}
	}
	if p.Alarms == nil {
		p.Alarms = map[string]map[alarm.Rule]*alarmProgress{}
	}
}

// alarm returns how far it has come in one alarm.
func (p *progress) alarm(post string, r alarm.Rule) *alarmProgress {
	of := p.Alarms[post]
	if of == nil {
		of = map[alarm.Rule]*alarmProgress{}
		p.Alarms[post] = of
	}
	if of[r] == nil {
		of[r] = &alarmProgress{State: alarm.Normal}
	}
	return of[r]
}

// count adds a sample to the counters: the one before it holds until it, for at
// most its stale time, as in the station's own totals.
func (p *postProgress) count(r Row) {
	if p.Seq > 0 && r.Seq > p.Seq+1 {
		p.Lost += uint64(r.Seq - p.Seq - 1)
	}
	p.Samples[r.Quality.Class()]++
	if p.Seen {
		d := max(min(r.At.Sub(p.At), p.Place.Stale), 0).Seconds()
		p.Observed += d
		p.Energy += max(p.Held, 0) * d
		if p.IsOver {
			p.OverRange += d
		}
	}
	p.IsOver = r.Quality&acquire.OverRange != 0
	p.Held, p.Seen = r.Value, !math.IsNaN(r.Value)
	if p.IsOver {
		p.Held, p.Seen = r.Place.Top, true
	}
	if !p.Seen {
		p.Held = 0 // never used; the record's JSON knows no not-a-number
	}
	p.Seq, p.At = r.Seq, r.At
}
