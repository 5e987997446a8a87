// Package guide runs guided surveys on the station: it takes a post's probe away
// for a survey, hands its samples on to the survey, keeps each step in the record
// before anything else comes of it, and takes a survey up again after a crash with
// nothing lost. Power densities are W/m², instants UTC; a survey's spans of time
// are counted on the monotonic clock.
//
// It judges nothing itself, touches no port, and holds no sample up: Observe only
// copies. It must not wait for a network.
package guide

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"math"
	"slices"
	"sync"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
	"ovenward/acquire/survey"
)

// Record is what the guide keeps surveys in.
type Record interface {
	KeepSurvey(ctx context.Context, id, oven string, steps []survey.Step, end *survey.Result) error
	Surveys(ctx context.Context, q store.SurveyQuery, limit int) ([]store.SurveyRow, error)
	SurveySteps(ctx context.Context, id string) ([]survey.Step, error)
	SurveyResult(ctx context.Context, id string) (*survey.Result, error)
	Samples(ctx context.Context, post string, from, to time.Time) iter.Seq2[store.StoredSample, error]
	Record(e acquire.Event)
}

// Station is what the guide needs of the running station.
type Station interface {
	Stats() []acquire.Stats
	Announce(post int, r alarm.Rule, who, why string, lasting time.Duration) error
	Conclude(post int, who string) error
}

// Options is what a Guide is made from; all of it is needed but Procedures.
type Options struct {
	Record     Record
	Station    func() Station // asked when it is needed: the station is made after its observers
	Ovens      []survey.Oven  // as configured; a door of no width is not known
	Procedures []survey.Procedure
	Site       string
	Log        *slog.Logger
	Now        func() time.Time // with a monotonic reading
	Round      func()           // called at each beat, of which two are up to ten seconds apart; nil: nobody asks. It must not wait
}

// Bounds; our own choice.
const (
	beat      = 100 * time.Millisecond
	rest      = 10 * time.Second // between two beats while there is nothing to guide
	inboxRoom = 20_000           // readings between two beats
	keepIn    = 2 * time.Second
	awayFor   = 2 * time.Hour
	awayAgain = 5 * time.Second
	// forgottenAfter is how long a survey may rest.
	forgottenAfter = 2 * time.Hour
	settles        = 2500 * time.Millisecond // until the last samples are committed
)

// ErrNoSurvey says that no survey has the id that was asked for.
var ErrNoSurvey = errors.New("there is no survey with this id")

// guided is one survey under way.
type guided struct {
	id, oven string
	post     int
	stale    time.Duration
	survey   *survey.Survey
	pending  []survey.Step // not kept yet
	trouble  string        // why they are not
	told     time.Time     // when the post was last told that its probe is away
}

// arrived is a reading of a post.
type arrived struct {
	post int
	r    survey.Reading
}

// Guide runs all surveys of a station. It is made by New, works while Run runs,
// and may be asked from any goroutine.
type Guide struct {
	o     Options
	epoch time.Time

	in    sync.Mutex // of the inbox alone: who samples never waits for a disk
	inbox []arrived
	posts map[int]bool // whose readings are wanted

	mu    sync.Mutex
	all   []*guided
	marks []*marking // of walks back

	begun chan struct{} // there is something to guide
}

// New makes a guide.
func New(o Options) *Guide {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Round == nil {
		o.Round = func() {}
	}
	return &Guide{o: o, epoch: o.Now(), posts: map[int]bool{}, begun: make(chan struct{}, 1)}
}

// now is the wall clock as it was at the start, carried on by the monotonic one:
// a step of the wall clock moves no survey.
func (g *Guide) now() time.Time {
	return g.epoch.Round(0).Add(g.o.Now().Sub(g.epoch)).UTC()
}

// Observe copies what a probe in hand has read. It does not wait.
func (g *Guide) Observe(post int, batch []acquire.Sample) {
	g.in.Lock()
	defer g.in.Unlock()
	if !g.posts[post] || len(batch) == 0 {
		return
	}
	now := g.now()
	newest := batch[len(batch)-1].Mono
	for i := range batch {
		if s := &batch[i]; len(g.inbox) < inboxRoom {
			g.inbox = append(g.inbox, arrived{post, reading(s, now.Add(s.Mono-newest))})
		}
	}
}

func reading(s *acquire.Sample, at time.Time) survey.Reading {
	return survey.Reading{At: at, S: float64(s.S), HasValue: s.HasValue() && !math.IsNaN(float64(s.S)), OverRange: s.Quality&acquire.OverRange != 0,
		Fault: s.Quality&acquire.Fault != 0, Unsure: s.Quality&acquire.Uncalibrated != 0}
}

// Run guides until ctx ends.
func (g *Guide) Run(ctx context.Context) error {
	g.resumeAll(ctx)
	t := time.NewTimer(beat)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			g.keepAll(ctx)
			return nil
		case <-g.begun:
			t.Reset(beat)
		case <-t.C:
			t.Reset(g.beat(ctx))
			g.o.Round()
		}
	}
}

// beat hands readings on, looks at the time, and keeps what came of it. It says
// how long until the next one.
func (g *Guide) beat(ctx context.Context) time.Duration {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.in.Lock()
	got := g.inbox
	g.inbox = nil
	g.in.Unlock()
	now := g.now()
	for _, v := range g.all {
		for _, a := range got {
			if a.post == v.post {
				v.pending = append(v.pending, v.survey.Observe(a.r)...)
			}
		}
		v.pending = append(v.pending, v.survey.Tick(now)...)
		v.forgotten(now)
		g.keep(ctx, v)
		g.away(v, now)
	}
	g.beatMarks(got, now)
	g.endAll(ctx, now)
	if len(g.all)+len(g.marks) == 0 {
		return rest
	}
	return beat
}

// forgotten gives up a survey that nobody goes on with: its post would stay blind.
func (v *guided) forgotten(now time.Time) {
	if v.survey.State() != survey.UnderWay || now.Sub(v.survey.Since()) < forgottenAfter {
		return
	}
	steps, err := v.survey.Do(survey.Act{Kind: survey.GaveUp, Who: "the station", Text: "nobody went on with it"}, now)
	if err == nil {
		v.pending = append(v.pending, steps...)
	}
}

// keep makes the steps of a survey durable. What cannot be kept now is tried again
// at the next beat, and is said.
func (g *Guide) keep(ctx context.Context, v *guided) {
	if len(v.pending) == 0 {
		return
	}
	// Whoever asked may be gone, and the station may be about to stop: it is kept all
	// the same.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), keepIn)
	defer cancel()
	if err := g.o.Record.KeepSurvey(ctx, v.id, v.oven, v.pending, nil); err != nil {
		if v.trouble == "" {
			g.o.Log.Error("a survey's steps are not recorded; it is tried again", "survey", v.id, "err", err)
		}
		v.trouble = fmt.Sprintf("not yet recorded: %v", err)
		return
	}
	v.pending, v.trouble = nil, ""
}

// keepAll keeps what waits, before the station stops.
func (g *Guide) keepAll(ctx context.Context) {
	g.mu.Lock()
	defer g.mu.Unlock()
	for _, v := range g.all {
		g.keep(ctx, v)
	}
}

// away keeps the post of a survey marked as away, and no longer than it lasts.
func (g *Guide) away(v *guided, now time.Time) {
	if v.survey.State() != survey.UnderWay || now.Sub(v.told) < awayAgain {
		return
	}
	v.told = now
	for _, st := range g.o.Station().Stats() {
		if st.Index != v.post || st.Condition == acquire.AwayNow {
			continue
		}
		if err := g.o.Station().Announce(v.post, alarm.Away, v.survey.Who(), "survey "+v.id, awayFor); err != nil {
			g.o.Log.Warn("the probe's post could not be marked as away", "survey", v.id, "err", err)
		}
	}
}

// want says whose readings are wanted. The caller holds g.mu.
func (g *Guide) want() {
	g.in.Lock()
	defer g.in.Unlock()
	g.posts = map[int]bool{}
	for _, v := range g.all {
		g.posts[v.post] = true
	}
	for _, m := range g.marks {
		g.posts[m.post] = true
	}
	select {
	case g.begun <- struct{}{}:
	default:
	}
}

// resumeAll takes up what the record knows to be under way.
func (g *Guide) resumeAll(ctx context.Context) {
	rows, err := g.o.Record.Surveys(ctx, store.SurveyQuery{UnderWay: true}, 100)
	if err != nil {
		g.o.Log.Error("the surveys under way could not be read", "err", err)
		return
	}
	for _, row := range rows {
		if err := g.resume(ctx, row); err != nil {
			g.o.Log.Error("a survey could not be taken up again", "survey", row.ID, "err", err)
		}
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.want()
}

func (g *Guide) resume(ctx context.Context, row store.SurveyRow) error {
	steps, err := g.o.Record.SurveySteps(ctx, row.ID)
	if err != nil && !errors.Is(err, store.ErrLost) {
		return err
	}
	var s *survey.Survey
	if err == nil {
		s, err = survey.Resume(steps)
	}
	if err != nil { // it will never go on, and must not stand in the way of the next
		end := survey.GivenUp(steps, err)
		end.ID, end.Oven.ID, end.Who, end.Begun, end.Ended = row.ID, row.Oven, row.Who, row.Begun, g.now()
		return errors.Join(err, g.o.Record.KeepSurvey(ctx, row.ID, row.Oven, nil, &end))
	}
	v := &guided{id: row.ID, oven: row.Oven, post: -1, survey: s}
	for _, st := range g.o.Station().Stats() {
		if st.Post.ID == row.Post {
			v.post, v.stale = st.Index, st.Post.Stale
		}
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	if v.post < 0 {
		more, err := s.Do(survey.Act{Kind: survey.GaveUp, Who: "the station", Text: "its post is no longer configured"}, g.now())
		if err != nil {
			return err
		}
		v.pending = more
	}
	// What was sampled since the newest step says what was not yet decided.
	const lost = "what corrects readings of this survey is lost: what the probe indicated above the limit counts, uncalibrated, and the rest was not seen"
	noted := slices.ContainsFunc(steps, func(st survey.Step) bool { return st.Kind == survey.Noted && st.Text == lost })
	for sample, err := range g.o.Record.Samples(ctx, row.Post, s.Since(), time.Time{}) {
		if err != nil {
			continue // damage: that part was not seen
		}
		indicated := sample.TakeIndicated()
		if indicated && !noted && s.Phase() != survey.Ended {
			noted = true
			more, err := s.Do(survey.Act{Kind: survey.Noted, Who: "the station", Text: lost}, sample.At)
			if err != nil {
				return err
			}
			v.pending = append(v.pending, more...)
		}
		r := reading(&sample.Sample, sample.At)
		if indicated && r.S <= float64(s.Setup.Limit.Value) { // how high the field was nobody knows
			r.HasValue = false
		}
		v.pending = append(v.pending, s.Observe(r)...)
	}
	g.all = append(g.all, v)
	g.o.Log.Info("a survey is taken up again", "survey", row.ID, "steps", len(steps), "phase", s.Phase())
	return nil
}
