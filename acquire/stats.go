package acquire

import (
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Condition is how well a post sees, in the words people read.
type Condition string

const (
	Starting  Condition = "starting"                 // no answer yet, and not yet overdue
	Seeing    Condition = "seeing"                   // fresh samples, the oven runs or the field is over range
	Idle      Condition = "idle or not known to run" // fresh samples, no emission seen
	StaleNow  Condition = "stale"                    // no fresh valid sample; it answers, or is not silent for long enough to be called so
	StuckNow  Condition = "stuck"                    // the reading stands still
	SilentNow Condition = "silent"                   // no answer, or no port
	AwayNow   Condition = "away for survey"          // the probe is not at its post
	TestNow   Condition = "under test"               // the probe reads, and what it reads proves nothing well
)

// Blind says whether the field at the post is unknown.
func (c Condition) Blind() bool { return c != Seeing && c != Idle }

// Stats is one post's state at an instant, a copy that nobody else holds. It is
// what metrics, page and messages are made from.
type Stats struct {
	Post  *Post // never changed after the station was made
	Index int
	Now   time.Time      // when the copy was made
	Zone  *time.Location // of the site, for instants in words; nil: UTC

	Condition Condition
	Since     time.Time // of the condition
	Detail    string    // why, when it is not seeing: one sentence with what to do
	Up        bool      // the newest poll was answered by a line that parses

	Last      Sample          // the newest valid sample; Said not set. Seq 0: there is none
	Newest    Sample          // the newest sample of any quality; Seq 0: there is none
	OverRange bool            // the newest sample is over range
	Verdict   limit.Verdict   // against the post's first limit
	Verdicts  []limit.Verdict // against each of its limits, in their order

	Running      bool // the oven is known to run
	RunningSince time.Time
	RunCut       bool // the begin of the run was not seen: it may have run since before RunningSince
	Battery      bool // the probe calls for a new battery
	Vitals       Vitals
	Zero         quantity.PowerDensity
	ZeroAt       time.Time // zero when none was taken
	Uncalibrated string    // why Last is not calibrated; empty when it is

	Counts    Counts
	Alarms    []alarm.Alarm // all rules of the post, normal ones too
	Hints     []Hint        // what contacts say of the oven
	Withdrawn *alarm.Alarm  // the notice that the oven is out of use; nil: it is not
	TimeUp    time.Duration // time above the limit within the rule's window
	RunPeak   quantity.PowerDensity

	RanFrom, RanTo time.Time // first and newest emission of the present run, or of the last one; zero: none was seen
}

// Counts only ever rise while the program runs.
type Counts struct {
	Samples      [6]uint64              // by Quality.Class
	Energy       quantity.EnergyDensity // J/m², over what was seen; negative values add nothing
	Observed     time.Duration          // time that Energy covers
	OverRange    time.Duration          // time over range, counted in Observed and at the range's top in Energy
	Unparsed     uint64                 // lines that hold no reading
	Unanswered   uint64                 // polls without an answer in time
	Late         uint64                 // answers that came after their time-out; counted in Unanswered too, and each a sample
	Missed       uint64                 // slots of the schedule that passed unused
	DroppedBytes uint64                 // bytes that came unasked
	Connects     uint64                 // times the port was opened
	RoundTrip    time.Duration          // of the newest answered poll
	Peak         quantity.PowerDensity  // highest of the present and the last whole minute, W/m²
	HasPeak      bool
}

// Trace is the recent past of a post in slots of equal width, for a chart.
type Trace struct {
	Width time.Duration
	End   time.Time // end of the newest slot
	Slots []Slot    // oldest first
}

// Slot holds what was seen in one slot of a trace.
type Slot struct {
	N         uint32 // valid samples; 0 and not OverRange: nothing was seen
	Lo, Hi    quantity.PowerDensity
	OverRange bool
}

// BelowZero says that the probe answers and its zero is off: the field is not known.
func (s *Stats) BelowZero() bool {
	return !s.Condition.Blind() && !s.OverRange && s.Last.Seq > 0 && s.Post.Probe.BelowZero(s.Last.S)
}

// Blind says whether the field at the post is unknown.
func (s *Stats) Blind() bool { return s.Condition.Blind() || s.BelowZero() }

// Binding is the verdict that says most of the post's field: of all its limits,
// the one that is exceeded, not decided or used up most.
func (s *Stats) Binding() limit.Verdict {
	if i := limit.Binding(s.Verdicts); i >= 0 {
		return s.Verdicts[i]
	}
	return s.Verdict
}

// All lists the verdicts against each limit; that against the first where only
// it is known.
func (s *Stats) All() []limit.Verdict {
	if len(s.Verdicts) == 0 {
		return []limit.Verdict{s.Verdict}
	}
	return s.Verdicts
}
