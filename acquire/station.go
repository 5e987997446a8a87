package acquire

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"strings"
	"sync"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
)

// tickEvery is how often what depends on time alone is looked at.
const tickEvery = 250 * time.Millisecond

// looksToFail is how many looks in a row must find the record unwritable before
// it is an alarm: a busy disk is none.
const looksToFail = 4

// Options is what a Station is made of. Everything is needed but Observers,
// Sleeper and Clock.
type Options struct {
	Posts     []Post
	Recorder  Recorder
	Past      func(post int) (Past, error)   // what the record knows of a post
	Identity  func(post int) ([]byte, error) // what the accepted instrument said it is, as recorded; may be nil, and nothing
	Standing  []alarm.Alarm                  // the station's own alarms in the record
	Observers []Observer
	Log       *slog.Logger
	Now       func() time.Time // with a monotonic reading, as time.Now gives
	Sleeper   Sleeper          // nil: Timers
	Clock     ClockSource      // nil: the wall clock is trusted
}

// Station reads all posts of a site and judges what it reads. It is made by
// New, works while Run runs, and may be asked from any goroutine.
type Station struct {
	posts   []Post
	watches []*watch
	pollers []*poller
	record  Recorder
	log     *slog.Logger
	now     func() time.Time
	epoch   time.Time
	source  ClockSource

	mu    sync.Mutex
	line  clockLine
	clock wallClock
	fault alarm.Alarm // the record cannot be written
	fails int         // looks in a row that found it so

	// strays stand at posts that are watched no more: only a reset ends them.
	strays []alarm.Alarm
}

// New restores what the record knows. It opens no port.
func New(o Options) (*Station, error) {
	s := &Station{posts: o.Posts, record: o.Recorder, log: o.Log, now: o.Now, epoch: o.Now(),
		source: o.Clock, fault: alarm.Alarm{Rule: alarm.Record, State: alarm.Normal}}
	s.adopt(o.Standing)
	sleep := o.Sleeper
	if sleep == nil {
		sleep = Timers{}
	}
	for i := range s.posts {
		p := &s.posts[i]
		if err := p.check(); err != nil {
			return nil, err
		}
		w := newWatch(p, i, s.epoch, o.Recorder, s.report)
		past, err := o.Past(i)
		if err != nil {
			return nil, fmt.Errorf("reading what the record knows of post %s: %w", p.ID, err)
		}
		if err := w.restore(past); err != nil {
			return nil, fmt.Errorf("reading back the samples of post %s: %w", p.ID, err)
		}
		if err := w.restoreIdentity(o.Identity); err != nil {
			return nil, err
		}
		s.record.Correction(i, w.correction)
		s.watches = append(s.watches, w)
		s.pollers = append(s.pollers, &poller{watch: w, observers: o.Observers, now: o.Now, sleep: sleep})
	}
	return s, nil
}

// adopt takes up the alarms in the record that belong to no watched post: the
// station's own, and those of posts that the configuration no longer names.
func (s *Station) adopt(standing []alarm.Alarm) {
	for _, a := range standing {
		watched := false
		for i := range s.posts {
			watched = watched || s.posts[i].ID == a.Post
		}
		switch {
		case a.Rule == alarm.Record:
			s.fault = a
		case a.Post != "" && !watched && a.State != alarm.Normal:
			s.strays = append(s.strays, a)
		}
	}
}

// Run reads the probes until ctx ends, and returns when all of its goroutines
// have.
func (s *Station) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	s.report(Event{At: s.now().UTC(), Kind: KindStation, Text: fmt.Sprintf("watching %d posts", len(s.posts))})
	s.checkClock(s.now())
	begun := s.now().Sub(s.epoch)
	for _, p := range s.pollers {
		p.watch.begin(begun)
		wg.Go(func() { p.run(ctx) })
	}
	wg.Go(func() { s.tick(ctx) })
	wg.Wait()
	s.report(Event{At: s.now().UTC(), Kind: KindStation, Text: "watching ends"})
	return nil
}

// tick looks at all posts by the clock alone, in a goroutine that touches no
// port: a port that hangs cannot hide that its post has gone blind.
func (s *Station) tick(ctx context.Context) {
	t := time.NewTicker(tickEvery)
	defer t.Stop()
	for {
		now := s.now()
		for _, w := range s.watches {
			w.tick(now)
		}
		s.look(now)
		s.checkClock(now)
		select {
		case <-t.C:
		case <-ctx.Done():
			return
		}
	}
}

// look watches the station's own health: the wall clock and the record.
func (s *Station) look(now time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, _, step := s.line.look(now, now.Sub(s.epoch))
	if step != 0 {
		way := "forward"
		if step < 0 {
			way = "back"
		}
		s.report(Event{At: now.UTC(), Kind: KindClock, Text: fmt.Sprintf(
			"the wall clock was set %s by %s; stamps keep their order, spans of time are not affected", way, step.Abs().Round(time.Millisecond))})
	}
	err := s.record.Err()
	switch s.fails++; {
	case err == nil:
		s.fails = 0
		s.moveFault(alarm.Disappears, now.UTC(), "", "the record is written again")
	case s.fails >= looksToFail:
		s.moveFault(alarm.Appears, now.UTC(), "", err.Error())
	}
}

func (s *Station) moveFault(h alarm.Happening, at time.Time, who, text string) alarm.Reason {
	from := s.fault.State
	next, reason := s.fault.Step(h, at)
	if reason == alarm.None || reason.Refused() {
		return reason
	}
	s.fault = next
	s.report(Event{At: at, Kind: KindAlarm, Who: who, Text: fmt.Sprintf("%s: %s", reason, text),
		Alarm: &alarm.Change{Alarm: next, From: from, Reason: reason}})
	return reason
}

// report keeps an event and logs it. It never waits, if the log does not.
func (s *Station) report(e Event) {
	s.record.Record(e)
	s.write(e)
}

func (s *Station) write(e Event) {
	level := slog.LevelInfo
	attrs := []slog.Attr{slog.String("kind", string(e.Kind))}
	if e.Post != "" {
		attrs = append(attrs, slog.String("post", e.Post))
	}
	if e.Who != "" {
		attrs = append(attrs, slog.String("who", e.Who))
	}
	if a := e.Alarm; a != nil {
		attrs = append(attrs, slog.String("rule", string(a.Rule)), slog.String("state", string(a.State)), slog.String("alarm", a.ID))
		if a.State.Present() {
			level = slog.LevelError
		}
	} else if e.Kind == KindUnparsed || e.Kind == KindInstrument {
		level = slog.LevelWarn
		attrs = append(attrs, slog.String("raw", fmt.Sprintf("%.80q", e.Raw)))
	}
	s.log.LogAttrs(context.Background(), level, e.Text, attrs...)
}

// Stats copies the state of all posts, in their order.
func (s *Station) Stats() []Stats {
	now := s.now()
	out := make([]Stats, len(s.watches))
	for i, w := range s.watches {
		out[i] = w.stats(now)
	}
	return out
}

// Alarms copies all alarms, the station's own first.
func (s *Station) Alarms() []alarm.Alarm {
	s.mu.Lock()
	out := append([]alarm.Alarm{s.fault}, s.strays...)
	s.mu.Unlock()
	for _, w := range s.watches {
		w.mu.Lock()
		out = append(out, w.alarms...)
		w.mu.Unlock()
	}
	return out
}

// Trace copies the recent past of a post.
func (s *Station) Trace(post int) Trace {
	w, now := s.watches[post], s.now()
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.trace.read(now.Sub(w.epoch), now)
}

// ErrNoAlarm says that no alarm has the id that was asked for.
var ErrNoAlarm = errors.New("no alarm with this id stands; it may have ended")

// Acknowledge notes that who has seen the alarm with this id.
func (s *Station) Acknowledge(id, who string) error {
	return s.act(id, alarm.Acknowledge, who, "")
}

// Reset ends a latched alarm. remedy names the repair or the survey that shows
// the cause mended.
func (s *Station) Reset(id, who, remedy string) error {
	if strings.TrimSpace(remedy) == "" {
		return errors.New("a reset must name the repair or the survey that shows the cause mended")
	}
	return s.act(id, alarm.Reset, who, remedy)
}

func (s *Station) act(id string, h alarm.Happening, who, why string) error {
	if strings.TrimSpace(who) == "" {
		return errors.New("a change needs the name of who makes it")
	}
	if id == "" {
		return ErrNoAlarm
	}
	reason := alarm.None
	now := s.now().UTC()
	s.mu.Lock()
	if s.fault.ID == id {
		reason = s.moveFault(h, now, who, "by "+who)
	}
	for i := range s.strays {
		if s.strays[i].ID == id {
			s.strays[i], reason = s.change(s.strays[i], h, now, who, why)
		}
	}
	s.mu.Unlock()
	for _, w := range s.watches {
		w.mu.Lock()
		for i := range w.alarms {
			if w.alarms[i].ID == id {
				w.alarms[i], reason = s.change(w.alarms[i], h, w.stamp(now), who, why)
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

// change steps an alarm at an operator's word and reports it.
func (s *Station) change(a alarm.Alarm, h alarm.Happening, now time.Time, who, why string) (alarm.Alarm, alarm.Reason) {
	next, reason := a.Step(h, now)
	if reason == alarm.None || reason.Refused() {
		return a, reason
	}
	text := fmt.Sprintf("%s by %s", reason, who)
	if why != "" {
		text += ": " + why
	}
	s.report(Event{At: now, Post: a.Post, Kind: KindAlarm, Who: who, Text: text,
		Alarm: &alarm.Change{Alarm: next, From: a.State, Reason: reason}})
	return next, reason
}

// Zero takes a zero at a post, at who's word. It acts forward only.
func (s *Station) Zero(post int, who string) error {
	if strings.TrimSpace(who) == "" {
		return errors.New("a zero needs the name of who takes it")
	}
	w := s.watches[post]
	now := s.now()
	w.mu.Lock()
	defer w.mu.Unlock()
	mono := now.Sub(w.epoch)
	_, running := w.runs.Running()
	state := calib.ZeroState{
		Running: running, Seeing: !w.condition.Blind() && w.newest.Quality&(Fault|OverRange) == 0,
		Recent: w.raw.since(mono - zeroSpan), Floor: w.post.Probe.Floor, Bound: w.post.Probe.ZeroBound,
	}
	for _, a := range w.alarms {
		state.Alarm = state.Alarm || a.State.Standing()
	}
	zero, err := calib.TakeZero(state)
	if err != nil {
		return err
	}
	was := w.correction
	c := was
	c.Zero, c.ZeroAt, c.ZeroBy = zero, now.UTC(), who
	w.use(c)
	w.record.Correction(w.index, w.correction)
	w.report(Event{At: w.stamp(now), Post: w.post.ID, Kind: KindZero, Who: who, Text: fmt.Sprintf(
		"zero taken by %s: %s is taken away from each reading from now on, it was %s; %s", who, zero, was.Zero,
		calib.Drift(was.Zero, was.ZeroAt, zero, now))})
	return nil
}

// begin starts the waiting for first answers.
func (w *watch) begin(mono time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.begun = mono
}

// stats copies the state of one post.
func (w *watch) stats(now time.Time) Stats {
	w.mu.Lock()
	defer w.mu.Unlock()
	mono := now.Sub(w.epoch)
	since, running := w.runs.Running()
	s := Stats{
		Post: w.post, Index: w.index, Now: now.UTC(),
		Condition: w.condition, Since: w.since, Detail: w.detail(mono), Up: w.up,
		Last: *w.last, Newest: *w.newest, OverRange: w.overRange(), Verdicts: w.verdicts(mono),
		Running: running, Battery: w.battery, Vitals: w.vitals, Zero: w.correction.Zero, ZeroAt: w.correction.ZeroAt,
		Uncalibrated: w.uncalibrated(),
		Counts:       w.counts, Alarms: append([]alarm.Alarm(nil), w.alarms...), RunPeak: w.runs.Peak(),
	}
	s.Verdict = s.Verdicts[0]
	if running {
		s.RunningSince = w.epoch.Add(since).UTC()
	}
	_, s.TimeUp = w.sustained.TimeAbove()
	s.Counts.Peak, s.Counts.HasPeak = w.peak.read(mono)
	return s
}

// check says what a post lacks to be watched.
func (p *Post) check() error {
	switch {
	case p.Stale <= 0 || p.Silent <= 0 || p.Stuck <= 0:
		return fmt.Errorf("post %s: stale, silent and stuck times must be positive", p.ID)
	case p.Probe.Protocol == nil || p.Probe.Dial == nil:
		return fmt.Errorf("post %s: its probe has no protocol or no port", p.ID)
	case p.Frequency < 0 || math.IsNaN(float64(p.Frequency)) || math.IsInf(float64(p.Frequency), 0):
		return fmt.Errorf("post %s: the frequency of its oven must be positive and finite, or not stated", p.ID)
	}
	for _, c := range p.Probe.Certificates() {
		if flaws := c.Flaws(); len(flaws) > 0 {
			return fmt.Errorf("post %s: certificate %s of probe %s: %s: %s", p.ID, c.Number, p.Probe.ID, flaws[0].Key, flaws[0].What)
		}
	}
	for _, l := range p.Limits() {
		switch {
		case !(l.Value > 0) || math.IsInf(float64(l.Value), 0):
			return fmt.Errorf("post %s: its limit must be positive and finite", p.ID)
		case !(p.Probe.Range > l.Value) || math.IsInf(float64(p.Probe.Range), 0):
			return fmt.Errorf("post %s: the range of probe %s ends at %s, and its limit is %s: a probe must show more than its limit",
				p.ID, p.Probe.ID, p.Probe.Range, l.Value)
		case !(3*p.Probe.Floor < l.Value):
			return fmt.Errorf("post %s: the noise floor of probe %s is %s, and its limit is %s: the floor must lie below a third of the limit",
				p.ID, p.Probe.ID, p.Probe.Floor, l.Value)
		}
	}
	return nil
}
