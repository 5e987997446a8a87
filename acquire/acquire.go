// Package acquire turns readings into a trustworthy record and judges it. It
// polls each probe on an absolute schedule, stamps every reading with its
// instant and how sure that is, corrects it, hands it to the record, judges it
// against the limit that applies, and keeps the latest value for whoever shows
// it. Power densities are W/m²; instants are UTC with an uncertainty; spans of
// time are counted on the monotonic clock, so a wall clock step moves stamps
// and no verdict.
//
// A sample's way, always forward: poller, correction, Recorder, judge,
// Observers, latest value. No package of acquire waits for a network.
package acquire

import (
	"iter"
	"math/bits"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/field"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// Quality is what is wrong with a sample; 0 is good.
type Quality uint8

const (
	Fault        Quality = 1 << iota // the probe declares itself unfit: no verdict
	OverRange                        // above what the probe can show: exceeds at once
	Uncalibrated                     // no certificate in force: never within
	UnderFloor                       // below the probe's noise floor: between 0 and the floor
	ClockUnsure                      // the instant is unsure; the value counts in full
)

// Classes lists the words of Class, in order of precedence, good last.
func Classes() []string {
	return []string{"fault", "over-range", "uncalibrated", "under-floor", "clock-unsure", "good"}
}

// Class sorts a sample into exactly one class, the first of Classes that fits.
// It returns the index into Classes.
func (q Quality) Class() int {
	return bits.TrailingZeros8(uint8(q) | 1<<5)
}

// String lists all that is wrong, or says good.
func (q Quality) String() string {
	if q == 0 {
		return "good"
	}
	var s string
	for i, w := range Classes()[:5] {
		if q&(1<<i) != 0 {
			if s != "" {
				s += ", "
			}
			s += w
		}
	}
	return s
}

// Sample is a reading, stamped, numbered and corrected.
type Sample struct {
	Seq     int64         // 1, 2, 3 … at its post, never used twice
	At      time.Time     // when the field was sensed; UTC, never before the sample before it
	AtU     time.Duration // the true instant lies within At ± AtU
	Mono    time.Duration // At on the station's monotonic clock
	Said    []byte        // the frame, byte for byte; valid only while the sample is handed on
	Reading drivers.Reading
	S       quantity.PowerDensity // corrected; a number only if HasValue
	U       quantity.PowerDensity // expanded uncertainty of S; NaN if unknown
	Quality Quality
}

// HasValue says whether S is a number that may be shown and averaged.
func (s *Sample) HasValue() bool {
	return (s.Reading.HasValue || s.Reading.HasAxes) && s.Quality&(Fault|OverRange) == 0
}

// Post is a place where a probe stands and what it watches. It is set once; a
// post that moves is a new version in the record.
type Post struct {
	Site      string
	ID        string
	Oven      string
	OvenPlace string
	Probe     Probe
	Distance  quantity.Length    // from the oven's surface to the probe's sensing centre
	Turned    bool               // a one-axis probe was turned for the maximum, and has not been moved since
	TurnedBy  string             // who turned it, and
	TurnedOn  time.Time          // the first instant of the day, UTC
	Frequency quantity.Frequency // of the oven; 0: not known
	Doubt     calib.Doubt        // what is stated of the single sources of uncertainty
	Limit     limit.Limit
	OwnLimit  bool          // Limit is given to the post itself, and not that of its oven
	More      []limit.Limit // judged beside Limit, each with an alarm of its own
	Sustained limit.SustainedRule
	Rules     []Rule // of the configuration, judged beside the limits
	Upkeep    Upkeep

	RunGap time.Duration // pauses shorter than this belong to one run of the oven
	Silent time.Duration // no answer for this long raises the silent alarm
	Stale  time.Duration // a value older than this is unknown; for this long, and answers arrive: stale alarm
	Stuck  time.Duration // the same digits above the floor for this long raise the stuck alarm
}

// Probe is an instrument and how it is read.
type Probe struct {
	ID              string
	Protocol        drivers.Protocol
	Dial            drivers.Dialer
	Port            string        // as a person names it
	Period          time.Duration // between polls; 0: the probe talks by itself
	Timeout         time.Duration // an answer later than this is late, and one later than twice this is none
	Offset          time.Duration // from the middle of question and answer to when the field was sensed; negative: before it
	AskDelay        time.Duration // least pause from the end of one exchange to the next question
	AnswerDelay     time.Duration // what comes sooner after a question is no answer to it
	Response        time.Duration // to 90 % of a step
	Range           quantity.PowerDensity
	Floor           quantity.PowerDensity // noise floor
	Axes            int
	ZeroBound       quantity.PowerDensity
	Vitals          VitalBounds
	Certificate     *calib.Certificate   // the newest; nil: uncalibrated
	Earlier         []*calib.Certificate // those before it
	Impedance       field.Impedance      // for what is said as a field strength; 0: not stated
	SaysTemperature bool                 // each reading carries the instrument's temperature
	Simulated       bool
	Identity        string // "MAKER,MODEL,SERIAL" that is accepted; empty: the first that answers, remembered
}

// BelowZero is calib.ZeroOff of this probe.
func (p *Probe) BelowZero(s quantity.PowerDensity) bool { return calib.ZeroOff(s, p.Floor) }

// Kind sorts events.
type Kind string

const (
	KindAlarm       Kind = "alarm"
	KindZero        Kind = "zero"
	KindClock       Kind = "clock"
	KindLink        Kind = "link"
	KindUnparsed    Kind = "unparsed"
	KindBattery     Kind = "battery"
	KindCalibration Kind = "calibration" // another certificate is in force
	KindInstrument  Kind = "instrument"  // what an instrument reports of itself
	KindStation     Kind = "station"     // start and stop
	KindPosition    Kind = "position"    // somebody checked where the probe stands
	KindHint        Kind = "hint"        // the oven was said to run; Raw is until when, RFC 3339
	KindPower       Kind = "power"       // a contact said that the oven was switched to heat; Raw is cycle.Switched as JSON
	KindIdentity    Kind = "identity"    // an instrument was accepted; Raw is what it said it is
	KindSoak        Kind = "soak"        // what happened to a soak test
	KindImport      Kind = "import"      // samples were taken from a file; Raw is its SHA-256
	KindRegister    Kind = "register"    // somebody changed what is known of an oven or a probe
	KindSurvey      Kind = "survey"      // a survey began or ended; Raw is the SHA-256 of what it found
	KindRecord      Kind = "record"      // what the record says of itself: damage, what was lost, what was removed
	KindCheck       Kind = "check"       // the result of an earlier check of an oven was imported; Raw is that as JSON
)

// Event is something that happened at an instant, kept for good.
type Event struct {
	ID    int64         `json:"id"` // given by the record, rising; 0 until then
	At    time.Time     `json:"at"`
	Post  string        `json:"post,omitempty"` // empty for the station itself
	Kind  Kind          `json:"kind"`
	Who   string        `json:"who,omitempty"` // the operator, where one acted
	Text  string        `json:"text"`
	Raw   []byte        `json:"raw,omitempty"` // what the instrument said, where that is the matter
	Alarm *alarm.Change `json:"alarm,omitempty"`
}

// Recorder keeps samples and events for good. Append and Record never wait:
// they copy what they are given and return. An event that carries an alarm is
// made durable at once, everything else within the record's commit time.
type Recorder interface {
	// Append keeps samples of the post with this index; it copies Said.
	Append(post int, batch []Sample)
	// Record keeps an event. Its ID is given by the record.
	Record(e Event)
	// Correction makes c the correction of the post's samples from the next
	// Append on, and keeps it.
	Correction(post int, c calib.Correction)
	// Err says why the record cannot be written now; nil when it can.
	Err() error
}

// Past is what the record knows of a post when the station starts.
type Past struct {
	LastSeq int64     // 0 when there is none
	LastAt  time.Time // stamp of the last sample; zero when there is none
	Alarms  []alarm.Alarm
	Zero    calib.Correction // the last zero taken; Certificate is not used
	Placed  time.Time        // since when the probe stands there; zero: not known
	Checked time.Time        // when somebody last stated that its position was checked; zero: never
	Hint    time.Time        // until when the oven was said to run; zero: never
	// Recent yields the samples of the recall span, oldest first; S, U and Quality
	// as they were judged, Mono not set; S is NaN where it is not known, or was read while
	// the probe was away. It may be nil.
	Recent iter.Seq2[Sample, error]
	// Moved is since when the post stands at its oven and distance: what is recalled of
	// before is the field of another place. Zero: always.
	Moved time.Time
	// Top, TopU and Least are Post.Top's, of all that the post was in the recall span;
	// zero: as the post is now.
	Top, TopU, Least quantity.PowerDensity
}

// Observer is handed every batch after it was recorded and judged. It must not
// wait, and must not keep Said.
type Observer interface {
	Observe(post int, batch []Sample)
}
