package acquire

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
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
// Sleeper, Beat, Clock and what follows it.
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
	Beat      Sleeper          // for what goes by the clock alone; nil: Timers
	Clock     ClockSource      // nil: the wall clock is trusted

	Sums      []Sum              // of posts that are held together against one limit
	Inputs    []Input            // contacts beside posts
	Operated  func(input string) // a door was closed, or an oven switched off, by a contact's word; nil: nobody counts. It must not wait
	Attention alarm.Attention    // of all alarms
	Zone      *time.Location     // of the site; nil: UTC
	Disk      DiskSource         // nil: nobody asks how full the record's disk is
	DiskFloor float64            // the disk alarm is raised below this share of its size
	Troubles  func() []Trouble   // what else the station is told of, such as couriers; nil: nothing. It must not wait
	Round     func()             // called each time all posts were looked at; nil: nobody asks. It must not wait

	// Before is the station that this one takes over from, whose Run has returned
	// after HandOn; nil at a start. Kept says, for each post, which post of Before it
	// is, unchanged, and -1 for one that is new or changed.
	Before *Station
	Kept   []int
	// Ports says, for each post that is not kept, of which post of Before it has the
	// probe and the port, unchanged, and -1 for none; it may be nil.
	Ports []int
}

// Station reads all posts of a site and judges what it reads. It is made by
// New, works while Run runs, and may be asked from any goroutine.
type Station struct {
	beat    Sleeper
	posts   []Post
	watches []*watch
	pollers []*poller
	record  Recorder
	log     *slog.Logger
	now     func() time.Time
	epoch   time.Time
	source  ClockSource

	sums     []Sum
	inputs   []Input
	operated func(string)

	zone      *time.Location
	attention alarm.Attention
	disk      DiskSource
	diskFloor float64
	troubles  func() []Trouble
	round     func()

	mu    sync.Mutex
	line  clockLine
	clock wallClock
	own   []*own // the station's own alarms, that of the record first
	fails int    // looks in a row that found the record unwritable

	diskAsked time.Time

	// strays are of posts that are watched no more. Those that stand wait for their
	// reset; the others were ended when this station was made.
	strays []*own

	observers []Observer
	follows   bool   // it took over from another
	handed    []bool // posts whose pollers go on after Run; nil: none, and nobody takes over
}

// New restores what the record knows. It opens no port.
func New(o Options) (*Station, error) {
	s := &Station{posts: o.Posts, record: o.Recorder, log: o.Log, now: o.Now, epoch: o.Now(),
		source: o.Clock, zone: o.Zone, attention: o.Attention, disk: o.Disk, diskFloor: o.DiskFloor, troubles: o.Troubles,
		sums: o.Sums, inputs: o.Inputs, operated: o.Operated, follows: o.Before != nil, observers: o.Observers, round: o.Round}
	if s.round == nil {
		s.round = func() {}
	}
	if s.zone == nil {
		s.zone = time.UTC
	}
	for _, r := range []alarm.Rule{alarm.Record, alarm.Clock, alarm.Disk} {
		s.ownAlarm(r)
	}
	sleep := o.Sleeper
	if sleep == nil {
		sleep = Timers{}
	}
	if s.beat = o.Beat; s.beat == nil {
		s.beat = Timers{}
	}
	for i := range s.posts {
		if k := o.kept(i); k >= 0 {
			s.watches = append(s.watches, o.Before.watches[k])
			s.pollers = append(s.pollers, o.Before.pollers[k])
			continue
		}
		w, err := s.restored(i, o)
		if err != nil {
			return nil, err
		}
		s.watches = append(s.watches, w)
		s.pollers = append(s.pollers, &poller{watch: w, now: o.Now, sleep: sleep})
	}
	if err := s.checkInputs(); err != nil {
		return nil, err
	}
	s.adopt(o.Standing) // the last that is done: until here the station before can go on
	s.carryOn(o.Before)
	s.takePorts(&o)
	s.shareWithdrawn()
	s.dropUnjudged()
	return s, nil
}

// restored makes the watch of a post from what the record knows.
func (s *Station) restored(i int, o Options) (*watch, error) {
	p := &s.posts[i]
	if err := p.check(); err != nil {
		return nil, err
	}
	w := newWatch(p, i, s.epoch, o.Recorder, s.report)
	w.zone, w.attention = s.zone, s.attention
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
	return w, nil
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
		case a.Post == "":
			s.ownAlarm(a.Rule).alarm = a.Sound()
		case a.Post != "" && !watched && a.State != alarm.Normal:
			o := &own{alarm: a.Sound()}
			s.changeOwn(o, alarm.Act{What: alarm.Drop, At: s.stamp(s.epoch)},
				"post "+a.Post+" was removed from the configuration: nobody watches it, and what its field is is not known")
			s.strays = append(s.strays, o)
		}
	}
}

// Run reads the probes until ctx ends, and returns when all of its goroutines
// have: all but those of posts that were handed on, which another station has, or
// the next Run of this one.
func (s *Station) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	if !s.follows {
		text := "watching 1 post"
		if n := len(s.posts); n != 1 {
			text = fmt.Sprintf("watching %d posts", n)
		}
		s.report(Event{At: s.now().UTC(), Kind: KindStation, Text: text})
	}
	s.checkClock(s.now())
	s.startPollers(ctx)
	for i := range s.inputs {
		wg.Go(func() { s.hear(ctx, &s.inputs[i]) })
	}
	wg.Go(func() { s.tick(ctx) })
	<-ctx.Done()
	s.stopPollers()
	wg.Wait()
	s.mu.Lock()
	handed := s.handed != nil
	s.handed = nil // so that it can run again
	s.mu.Unlock()
	if !handed {
		s.report(Event{At: s.now().UTC(), Kind: KindStation, Text: "watching ends"})
	}
	return nil
}

// tick looks at all posts by the clock alone, in a goroutine that touches no
// port: a port that hangs cannot hide that its post has gone blind.
func (s *Station) tick(ctx context.Context) {
	for {
		now := s.now()
		for _, w := range s.watches {
			w.tick(now)
		}
		s.look(now)
		s.checkClock(now)
		s.round()
		// On whole beats of the wall clock, as streams of the page are written: one
		// wake-up of the program serves both.
		now = s.now()
		if err := s.beat.SleepUntil(ctx, time.Now().Add(UntilBeat(now, tickEvery))); err != nil {
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
	s.lookOwn(now)
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
		out[i].Index = i // a post that was kept had another place before
	}
	return out
}

// Alarms copies all alarms, the station's own first.
func (s *Station) Alarms() []alarm.Alarm {
	s.mu.Lock()
	out := make([]alarm.Alarm, 0, len(s.own)+len(s.strays))
	for _, o := range slices.Concat(s.own, s.strays) {
		out = append(out, o.alarm)
	}
	s.mu.Unlock()
	for _, w := range s.watches {
		w.mu.Lock()
		out = append(slices.Grow(out, len(w.alarms)), w.alarms...)
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
		calib.Drift(was.Zero, was.ZeroAt, zero, now, s.zone))})
	return nil
}

// begin starts the waiting for first answers.
func (w *watch) begin(mono time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.begun = mono
}
