package acquire

import (
	"fmt"
	"math"
	"sync"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/cycle"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// watch is what the station knows of one post. Everything in it is guarded by
// mu, which is held for microseconds: nothing under it waits.
type watch struct {
	post   *Post
	index  int       // by which record knows the post
	epoch  time.Time // zero of the monotonic clock
	report func(Event)
	record Recorder

	mu              sync.Mutex
	line            clockLine
	timing          drivers.Timing // of the open link
	clock           wallClock
	sensed          time.Duration // of the newest sample
	seq             int64
	correction      calib.Correction
	chain           calib.Chain // of correction, made ready
	certified       bool
	nextCertificate int64 // ns since 1970: when another one may come into force
	smooth          smooth
	slowed          bool   // a limit asks for a slower probe than this one
	unitSaid        string // the unit of the newest reading, and what it is
	unit            quantity.Unit
	multiple        float64 // of it, where a power density is only multiplied; else 0
	warmth          warmth

	held       []held           // against each limit of the post, in its order
	spots      []int            // of these, those that are not judged by a mean
	means      *limit.Windows   // of those that are
	meansAbove bool             // one of them is exceeded
	tense      bool             // a limit is or was exceeded, or its alarm is present: they must be looked at
	sustained  *limit.Sustained // that of the first limit
	runs       *cycle.Runs
	alarms     []alarm.Alarm // in the order of rules; then those of further limits, and of the configuration's rules
	cares      []alarm.Care  // of alarms, by index
	attention  alarm.Attention
	ruled      []ruled        // rules of the configuration
	system     system         // rules about the post's instrument
	hints      [2]hint        // from contacts at the door and the oven's power
	withdrawn  *alarm.Alarm   // the notice that the oven is out of use
	switched   cycle.Switched // the time under way in which a contact says that the oven heats; zero: none
	zone       *time.Location // the site's: a day is one of its civil time
	trace      trace
	raw        rawRing

	begun     time.Duration // when watching began
	heard     time.Duration // newest frame of any kind
	valid     time.Duration // newest valid or over-range sample
	still     time.Duration // since when the digits stand still
	wasHeard  bool
	wasValid  bool
	faulty    time.Duration     // newest fault, if there was one
	known     *drivers.Identity // the instrument whose samples are taken; nil: none has said who it is
	stranger  *stranger         // another one, which answers in its place
	linkError string            // why there is no port; empty while it is open
	linkTold  string            // the newest event about the port

	room         [2]Sample
	last, newest *Sample       // in room; the last valid one, and that of any kind; Seq 0: none
	bounds       limit.Stretch // of the newest sample; To not set
	condition    Condition
	since        time.Time
	recalled     struct{ from, to time.Duration } // the newest stretch that what the record tells of saw without a break
	blind        bool                             // an alarm about not seeing may be present
	up           bool
	battery      bool // the probe calls for a new one
	vitals       Vitals
	lowByValue   bool // the newest value that was said of the battery is low
	runPeakU     quantity.PowerDensity
	flaws        runFlaws
	top, topU    quantity.PowerDensity // the most that the probe can show, corrected
	floorOfTop   quantity.PowerDensity // the least that over-range can be, corrected
	counts       Counts
	peak         minutePeak

	unparsedTold   time.Duration
	unparsedUntold uint64
	everUnparsed   bool
}

// The places of a post's alarms, in the order of rules.
const (
	exceedsAt = iota
	silentAt
	staleAt
	stuckAt
	faultAt
	batteryAt
	temperatureAt
	awayAt
	testAt
	emissionAt
	overRangeAt
	underFloorAt
	zeroDriftAt
	certificateDueAt
	certificateOverdueAt
	positionAt
	openDoorAt
)

// rules lists the rules of a post, in the order its alarms are kept.
func rules() []alarm.Rule {
	return []alarm.Rule{alarm.Exceeds, alarm.Silent, alarm.Stale, alarm.Stuck, alarm.Fault,
		alarm.Battery, alarm.Temperature, alarm.Away, alarm.UnderTest, alarm.Emission,
		alarm.OverRange, alarm.UnderFloor, alarm.ZeroDrift,
		alarm.CertificateDue, alarm.CertificateOverdue, alarm.Position, alarm.OpenDoor}
}

func newWatch(post *Post, index int, epoch time.Time, record Recorder, report func(Event)) *watch {
	w := &watch{
		post: post, index: index, epoch: epoch, record: record, report: report,
		smooth:    newSmooth(post),
		flaws:     newRunFlaws(post),
		runs:      newRuns(post),
		condition: Starting, since: epoch.UTC(), tense: true,
		linkError: "the port has not been opened yet",
	}
	w.last, w.newest = &w.room[0], &w.room[0]
	w.peak, w.blind = newMinutePeak(epoch), true
	w.certify(epoch)
	for _, r := range rules() {
		w.alarms = append(w.alarms, alarm.Alarm{Post: post.ID, Rule: r, State: alarm.Normal})
	}
	w.hold()
	w.rule()
	w.system, w.zone = newSystem(post.Upkeep), time.UTC
	return w
}

func newRuns(p *Post) *cycle.Runs {
	return cycle.NewRuns(cycle.Options{Floor: p.Probe.Floor, Gap: p.RunGap, Response: p.Probe.Response, Stale: p.Stale})
}

// restore takes up what the record knows: numbers go on, stamps stay in order,
// standing alarms stand, and the windows hold what was seen just before.
func (w *watch) restore(p Past) error {
	w.seq = p.LastSeq
	w.line.startAfter(p.LastAt)
	if ahead := p.LastAt.Sub(w.epoch); ahead > stepBound {
		w.report(Event{At: w.epoch.UTC(), Post: w.post.ID, Kind: KindClock, Text: fmt.Sprintf(
			"the newest sample in the record is stamped %s ahead of the clock: set the clock right; stamps go on in order and are marked clock-unsure until it has caught up",
			ahead.Round(time.Second))})
	}
	w.correction.Zero, w.correction.ZeroAt, w.correction.ZeroBy = p.Zero.Zero, p.Zero.ZeroAt, p.Zero.ZeroBy
	w.use(w.correction)
	for _, a := range p.Alarms {
		w.takeUp(a.Sound())
		w.endOf(a)
	}
	w.restoreRules(p)
	w.system.placed, w.system.checked = p.Placed, p.Checked
	w.system.hint, w.system.hinted = p.Hint.Sub(w.epoch), !p.Hint.IsZero()
	w.widen(p)
	away := w.alarms[awayAt]
	w.alarms[awayAt].State = alarm.Normal // the record says which samples are of another field; those of before it went are not
	err := w.recall(p)
	w.alarms[awayAt] = away
	if err != nil {
		return err
	}
	w.spend(0)
	_, _, w.floorOfTop = w.post.top()
	// What reached the rule and was never told, as after a crash between the two,
	// is told by the first step. The clear delay and the counters start anew: time out of service was not seen.
	for i := range w.held {
		h := &w.held[i]
		h.reached = h.reached && !w.newest.At.Before(w.alarms[h.alarm].Changed)
		h.notBelow(w.means.End())
	}
	for i := range w.ruled {
		if k := &w.ruled[i]; k.sustained != nil {
			k.sustained.Break()
		}
	}
	w.counts, w.bounds = Counts{}, limit.Stretch{}
	return nil
}

// take makes samples of frames and hands them on: record, judge. batch holds what was
// read of each frame, and errs what was wrong with it, nil where nothing was. The samples are returned in
// batch for the observers, and stay valid until the next call.
func (w *watch) take(frames []drivers.Frame, batch []Sample, errs []error) []Sample {
	w.mu.Lock()
	defer w.mu.Unlock()
	batch = w.write(frames, batch, errs)
	w.judgeAll(batch)
	return batch
}

// write is the first half of take: samples are made and recorded.
func (w *watch) write(frames []drivers.Frame, batch []Sample, errs []error) []Sample {
	n, kept := 0, 0
	as := w.usual()
	for i := range frames {
		s := &batch[n]
		if n < i {
			s.Reading = batch[i].Reading
		}
		if errs[i] == nil && w.asUsual(&frames[i], s, &as) {
			n++
			continue
		}
		if err := w.sample(&frames[i], s, errs[i]); err != nil {
			w.unparsed(&frames[i], err)
			as = w.usual() // its unit may be another one
			continue
		}
		if !w.certified || s.At.UnixNano() >= w.nextCertificate {
			w.record.Append(w.index, batch[kept:n]) // what came before keeps the correction it was made with
			kept = n
			if w.certify(s.At) {
				w.recertify(s.At)
			}
		}
		w.correct(s)
		as = w.usual()
		n++
	}
	if n > 0 {
		w.up = true
		w.record.Append(w.index, batch[kept:n])
	}
	return batch[:n]
}

// sample stamps and numbers one reading: it fills in s around it, whatever was there
// before; S is what was said, not corrected yet. A reading whose unit is no power density is refused like a line that does
// not parse, which wrong says of it.
func (w *watch) sample(f *drivers.Frame, s *Sample, wrong error) error {
	arrived := f.Arrived.Sub(w.epoch)
	at, u := sensed(f, &w.timing, w.post.Probe.Offset)
	mono := arrived
	if at != f.Arrived {
		mono = at.Sub(w.epoch)
	}
	if !f.Departed.IsZero() {
		w.counts.RoundTrip = f.Arrived.Sub(f.Departed)
	}
	// The order of one probe's samples stays, also where lines of different
	// length came in one read.
	w.sensed = max(mono, w.sensed)
	w.heard, w.wasHeard = max(arrived, w.heard), true
	if wrong != nil {
		return wrong
	}
	raw, err := w.read(&s.Reading)
	if err != nil {
		return err
	}
	var unsure time.Duration
	s.At, unsure, _ = w.line.look(at, mono)
	s.AtU = u + unsure + w.clock.bound()
	w.seq++
	s.Seq, s.Mono, s.Said, s.S = w.seq, w.sensed, f.Bytes, raw
	s.Quality = 0
	if unsure >= stepBound || w.clock.unsure() {
		s.Quality = ClockUnsure
	}
	return nil
}

// correct fills in value, uncertainty and quality of a stamped sample.
func (w *watch) correct(s *Sample) {
	raw, covered := s.S, true
	if s.U = unknown(); s.Reading.HasValue || s.Reading.HasAxes {
		in := calib.Raw{S: raw}
		in.Temperature, in.HasTemperature = w.warmth.of(&s.Reading)
		s.S, s.U, covered = w.chain.Apply(in)
	}
	s.Quality |= w.quality(s, raw)
	if !covered {
		s.Quality |= Uncalibrated
	}
	if s.HasValue() {
		w.raw.add(s.Mono, raw)
	}
}

// unknown is a power density that is not known.
func unknown() quantity.PowerDensity { return quantity.PowerDensity(math.NaN()) }

func (w *watch) quality(s *Sample, raw quantity.PowerDensity) Quality {
	var q Quality
	probe := &w.post.Probe
	if s.Reading.Status&drivers.Fault != 0 || !s.Reading.HasValue && !s.Reading.HasAxes && s.Reading.Status&drivers.OverRange == 0 {
		q |= Fault
	}
	over := s.Reading.Status&drivers.OverRange != 0 || raw > probe.Range
	if over {
		q |= OverRange
	}
	// The number beside an over-range, often 0, is no value.
	if !w.chain.InForce(s.At) || !over && w.belowZero(s.S) {
		q |= Uncalibrated
	}
	if !over && s.S < probe.Floor {
		q |= UnderFloor
	}
	return q
}

func (w *watch) belowZero(s quantity.PowerDensity) bool { return w.post.Probe.BelowZero(s) }

// unparsedEvery spaces the events that keep lines that hold no reading.
const unparsedEvery = 10 * time.Second

func (w *watch) unparsed(f *drivers.Frame, err error) {
	w.counts.Unparsed++
	w.unparsedUntold++
	now := f.Arrived.Sub(w.epoch)
	if w.everUnparsed && now-w.unparsedTold < unparsedEvery {
		return
	}
	text := fmt.Sprintf("a line held no reading: %v", err)
	if n := w.unparsedUntold - 1; n > 0 {
		text += fmt.Sprintf("; %d more since the last such event", n)
	}
	w.everUnparsed, w.unparsedTold, w.unparsedUntold = true, now, 0
	w.report(Event{At: f.Arrived.UTC(), Post: w.post.ID, Kind: KindUnparsed, Text: text,
		Raw: append([]byte(nil), f.Bytes...)})
}
