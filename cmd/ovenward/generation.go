package main

import (
	"context"
	"errors"
	"net"
	"net/http"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/survey/guide"
	"ovenward/cmd/internal/notify"
	"ovenward/cmd/internal/watchdog"
	"ovenward/cmd/internal/web"
	"ovenward/config"
	"ovenward/metrics"
	"ovenward/metrics/remotewrite"
)

// generation is all that is made of one configuration: the picture of the running
// program. Another one takes its place when the configuration is loaded again.
type generation struct {
	*home
	file      *config.File // with what the record says of ovens and certificates
	written   *config.File // as it was read
	posts     []acquire.Post
	slots     slots
	simulated bool

	names    []string // of users; none: nobody logs in
	numbers  *metrics.Collector
	clock    acquire.ClockSource
	contacts []acquire.Input
	station  *acquire.Station
	surveys  *guide.Guide
	couriers []*notify.Courier
	changed  map[string]bool // couriers that a generation before had otherwise
	remotes  []*remotewrite.Writer
	history  *past.Follower
	ageing   *ageing
	soaks    planner
	page     *web.Server
	handler  http.Handler

	loops                      *watchdog.Group // that must come round
	watching, planning, around crew
	rounds                     rounds
}

// slots is the record as one station knows it: by the indices of its own posts.
type slots struct {
	acquire.Recorder
	of []int // the record's index of each
}

// Append is acquire.Recorder's.
func (s slots) Append(post int, batch []acquire.Sample) { s.Recorder.Append(s.of[post], batch) }

// Correction is acquire.Recorder's.
func (s slots) Correction(post int, c calib.Correction) { s.Recorder.Correction(s.of[post], c) }

// rounds are called when those who look after soak tests, and what follows the
// record, come round.
type rounds struct{ followed, counted, looked func() }

// crew is some of a generation at work, which can be stopped and begun again.
type crew struct {
	group *errgroup.Group
	end   context.CancelFunc
}

// begin starts what works until ctx ends or the crew is stopped.
func (c *crew) begin(ctx context.Context, works ...func(context.Context) error) {
	ctx, c.end = context.WithCancel(ctx)
	c.group = &errgroup.Group{}
	for _, w := range works {
		c.group.Go(func() error { return w(ctx) })
	}
}

// stop ends it, and waits for it.
func (c *crew) stop() error {
	c.end()
	return c.group.Wait()
}

// prepare makes what touches neither ports nor what others see: whatever can be
// wrong with a configuration is wrong here.
func (g *generation) prepare() (err error) {
	g.loops = g.dog.Group()
	g.rounds = rounds{g.loops.Loop("runs and hourly sums", readBound, g.recordErr),
		g.loops.Loop("operations of soak tests", diskBound, g.recordErr), g.loops.Loop("soak tests", readBound, g.recordErr)}
	g.simulated = slices.ContainsFunc(g.posts, func(p acquire.Post) bool { return p.Probe.Simulated })
	g.numbers = metrics.New(metrics.Options{
		Source:   metrics.SourceFunc(func() []acquire.Stats { return g.station.Stats() }),
		Alarms:   func() []alarm.Alarm { return g.station.Alarms() },
		Record:   g.recordState,
		Couriers: g.courierStates,
		Remotes:  g.remoteStates,
		Reload:   g.told.state,
		Posts:    g.posts, Sums: sums(g.file), Site: g.file.Site.Name, Version: version(), Simulated: g.simulated,
	})
	if g.clock, err = clockSource(g.file.Site, kernelClock(g.settings.clockFile)); err != nil {
		return err
	}
	g.ageing = &ageing{posts: g.posts, within: g.file.Alarm.Ageing, runs: g.record.PastRuns}
	if g.contacts, err = inputs(g.file, g.now); err != nil {
		return err
	}
	g.surveys = guide.New(guide.Options{Record: g.record, Station: func() guide.Station { return g.station },
		Ovens: surveyed(g.file), Procedures: g.file.Procedures, Site: g.file.Site.Name, Log: g.log, Now: g.now,
		Round: g.loops.Loop("surveys", diskBound, g.recordErr)})
	if err = g.newCouriers(); err != nil {
		return err
	}
	if err = g.newRemotes(); err != nil {
		return err
	}
	g.newHistory()
	g.names, err = g.users()
	return err
}

// see makes the station. It goes on from that of before with the posts that were
// kept.
func (g *generation) see(before *acquire.Station, from inherited) (err error) {
	g.station, err = acquire.New(acquire.Options{
		Before: before, Kept: from.kept, Ports: from.ports,
		Sums: sums(g.file), Inputs: g.contacts, Operated: g.operations.add,
		Posts: g.posts, Recorder: g.slots, Standing: g.record.Alarms(),
		Past: func(post int) (acquire.Past, error) {
			return g.record.Past(g.slots.of[post], recall(g.posts[post]))
		},
		Identity:  func(post int) ([]byte, error) { return g.record.Identity(g.slots.of[post]) },
		Observers: []acquire.Observer{g.numbers, g.surveys},
		Log:       g.log, Now: g.now,
		Sleeper: g.sleeper, Beat: g.beat, Clock: g.clock,
		Attention: attention(g.file.Alarm), Zone: g.file.Site.Zone,
		Disk: g.record.Space, DiskFloor: g.file.Alarm.DiskFree, Troubles: g.troubles,
		Round: g.loops.Loop("the station", thinkBound, nil),
	})
	return err
}

// show makes the page, and tells what may surprise.
func (g *generation) show() {
	g.tellSecrets()
	g.tellAccess()
	host, _, _ := net.SplitHostPort(g.settings.listen)
	g.page = web.New(web.Options{
		Station: g.station, Events: g.record.Events, Changes: g.record.Changes, Told: g.record.Told, Record: g.record.Stats, Heads: g.record.Heads, Newest: g.newest, Occurrence: g.record.Occurrence, Couriers: courierNames(g.file),
		Past: g.record.Runs, Soaks: g.soaks, Surveys: g.surveys, Reports: printer{g.record}, Register: g.record, Try: g.try, Limits: limitChoices(g.written), Users: g.users, Operators: g.file.Access.Operators, Beyond: beyond(g.Addr()),
		OvenOf: ovenOf(g.file), SaidOf: g.saidOf, Statistics: g.soaks.eyes.Stretches, Series: g.record.Chart, Ran: g.record.Ran,
		Sums: sums(g.file), Site: g.file.Site.Name, Zone: g.file.Site.Zone, Simulated: g.simulated, Version: version(), Host: host,
		Ready: g.ready, Healthy: g.healthy, Reload: g.askReload,
		Round: g.loops.Loop("the overview's lines", diskBound, g.recordErr),
		Beat:  g.beat, Metrics: g.numbers.Handler(), Log: g.spare.log(g.log), Now: g.now,
	})
	g.handler = g.page.Handler()
}

// watch starts the station.
func (g *generation) watch(ctx context.Context) {
	g.settings.ease.watches(g.posts)
	g.watching.begin(ctx, g.station.Run)
}

// plan starts what looks after soak tests.
func (g *generation) plan(ctx context.Context) {
	trouble := func(err error) { g.log.Warn(err.Error(), "kind", acquire.KindSoak) }
	g.planning.begin(ctx,
		func(ctx context.Context) error { g.soaks.count(ctx, g.beat, trouble, g.rounds.counted); return nil },
		func(ctx context.Context) error { return g.soaks.Run(ctx, soakEvery, trouble, g.rounds.looked) })
}

// tell starts all else: what tells people, and what is made of the record.
func (g *generation) tell(ctx context.Context) {
	works := []func(context.Context) error{g.surveys.Run, func(ctx context.Context) error { return g.follow(ctx, g.rounds.followed) }, g.page.Run}
	for _, c := range g.couriers {
		works = append(works, c.Run)
	}
	for _, r := range g.remotes {
		works = append(works, r.Run)
	}
	g.around.begin(ctx, works...)
}

// newest is the number of the newest event of the record.
func (g *generation) newest(ctx context.Context) (int64, error) {
	_, last, err := g.record.Standing(ctx)
	return last, err
}

func (h *home) users() ([]string, error) { return usersOf(h.settings.webConfig) }

// recall is how far back the record is read at the start: enough to fill the
// windows and to know a run.
func recall(p acquire.Post) time.Duration {
	span := max(leastRecall, p.Sustained.Within, 2*p.RunGap)
	for _, l := range p.Limits() {
		span = max(span, l.Averaging+l.Averaging/500+p.Stale) // a window covers up to a thousandth more
	}
	for _, r := range p.Rules {
		span = max(span, r.Window+r.Window/500+p.Stale)
		if r.Dose > 0 || r.Count > 0 {
			span = max(span, longestDay)
		}
	}
	return span
}

// ready says why no post has been heard yet.
func (g *generation) ready() error {
	for _, s := range g.station.Stats() {
		if s.Condition != acquire.Starting {
			return nil
		}
	}
	return errors.New("starting: no probe has answered yet")
}
