package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"slices"
	"time"

	toolkit "github.com/prometheus/exporter-toolkit/web"
	"golang.org/x/sync/errgroup"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/store"
	"ovenward/acquire/survey/guide"
	"ovenward/cmd/internal/notify"
	"ovenward/cmd/internal/web"
	"ovenward/config"
	"ovenward/drivers/simulate"
	"ovenward/metrics"
	"ovenward/metrics/remotewrite"
)

//go:embed kitchen.toml
var kitchenTOML []byte

const (
	// maxConnections bounds what browsers and scrapers may hold open. Together
	// with the ports it stays far below 1 000 descriptors, above which a serial
	// port cannot be read.
	maxConnections = 400
	// goodbye is how long open requests may take to end at shutdown.
	goodbye = 500 * time.Millisecond
	// leastRecall is how much of the record is read back at the start, at least.
	leastRecall = 5 * time.Minute
	// longestDay is how long a civil day can be where clocks change. A run whose
	// exceedances are counted is read back as far.
	longestDay = 25 * time.Hour
)

// settings is what the command line says.
type settings struct {
	configFile  string // empty: the model kitchen
	storagePath string
	listen      string
	webConfig   string
	recordWire  string // file of what passes on the probes' lines; empty: not kept
}

// daemon is the running program as a value: made by newDaemon, it works while
// Run runs, and is closed by it.
type daemon struct {
	settings settings
	now      func() time.Time
	log      *slog.Logger
	file     *config.File      // with what the record says of ovens and certificates
	written  *config.File      // as it was read
	kitchen  *simulate.Kitchen // nil without simulated probes
	record   *store.Store
	station  *acquire.Station
	surveys  *guide.Guide
	couriers []*notify.Courier
	remotes  []*remotewrite.Writer
	history  *past.Follower
	ageing   *ageing
	soaks    planner

	operations *operations
	listener   net.Listener
	undo       []func() error // last in, first out
	page       *web.Server
}

// newDaemon opens everything but the probes' ports. On an error nothing stays
// open.
func newDaemon(s settings, log *slog.Logger, now func() time.Time) (d *daemon, err error) {
	d = &daemon{settings: s, log: log, now: now}
	defer func() {
		if err != nil {
			err = errors.Join(err, d.Close())
			d = nil
		}
	}()
	if d.file, err = d.load(); err != nil {
		return d, err
	}
	if err = toolkit.Validate(s.webConfig); err != nil {
		return d, fmt.Errorf("reading --web.config.file=%s: %w; name a file that Prometheus' exporter-toolkit accepts", s.webConfig, err)
	}
	if err = d.openKitchen(now); err != nil {
		return d, err
	}
	if err = d.openRecord(now); err != nil {
		return d, err
	}
	w := &wires{path: s.recordWire, many: len(d.file.Posts) > 1, now: now}
	d.undo = append(d.undo, w.Close)
	posts, err := posts(d.file, d.kitchen, w)
	if err != nil {
		return d, err
	}
	if err = d.record.Register(posts, now()); err != nil {
		return d, err
	}
	if err = tellDoubts(d.record, posts, now(), d.log); err != nil {
		return d, err
	}
	if err = checkTurned(d.file, d.record); err != nil {
		return d, err
	}
	if d.listener, err = net.Listen("tcp", s.listen); err != nil {
		return d, fmt.Errorf("listening for the page and metrics: %w; choose another address with --web.listen-address", err)
	}
	d.undo = append(d.undo, func() error { return closed(d.listener.Close()) })
	return d, d.wire(posts, now)
}

func (d *daemon) load() (*config.File, error) {
	if d.settings.configFile == "" {
		return config.Parse("kitchen.toml", kitchenTOML)
	}
	return config.Load(d.settings.configFile)
}

func (d *daemon) openKitchen(now func() time.Time) (err error) {
	if d.kitchen, err = newKitchen(d.file, now); err != nil || d.kitchen == nil {
		return err
	}
	if err = d.kitchen.Listen(); err != nil {
		return err
	}
	d.undo = append(d.undo, d.kitchen.Close)
	how := "on terminal lines (ptys), read as a serial port is"
	if d.kitchen.InProcess() {
		how = "in this process, for this system has no ptys"
	}
	d.log.Info("probes are simulated: nothing here is a measurement", "site", d.file.Site.Name, "served", how)
	return nil
}

// openRecord opens the record, and makes it the owner of ovens and certificates.
func (d *daemon) openRecord(now func() time.Time) (err error) {
	path := d.settings.storagePath
	if path == "" {
		if path, err = os.MkdirTemp("", "ovenward-kitchen-"); err != nil {
			return fmt.Errorf("making a temporary folder for the record: %w", err)
		}
		d.undo = append(d.undo, func() error { return os.RemoveAll(path) })
		d.log.Info("the record is temporary and goes when this ends; keep one with --storage.path", "path", path)
	}
	o, err := recordOptions(d.file, d.log, now)
	if err != nil {
		return err
	}
	if d.record, err = store.Open(path, o); err != nil {
		return err
	}
	d.undo = append(d.undo, d.record.Close)
	return d.adopt(now)
}

// wire connects the parts: the picture of the running program.
func (d *daemon) wire(posts []acquire.Post, now func() time.Time) (err error) {
	simulated := slices.ContainsFunc(posts, func(p acquire.Post) bool { return p.Probe.Simulated })
	numbers := metrics.New(metrics.Options{
		Source:   metrics.SourceFunc(func() []acquire.Stats { return d.station.Stats() }),
		Alarms:   func() []alarm.Alarm { return d.station.Alarms() },
		Record:   d.recordState,
		Couriers: d.courierStates,
		Remotes:  d.remoteStates,
		Posts:    posts, Sums: sums(d.file), Site: d.file.Site.Name, Version: version(), Simulated: simulated,
	})
	clock, err := clockSource(d.file.Site, acquire.SystemClock())
	if err != nil {
		return err
	}
	d.ageing = &ageing{posts: posts, within: d.file.Alarm.Ageing, runs: d.record.Runs}
	contacts, err := inputs(d.file, now)
	if err != nil {
		return err
	}
	d.operations = &operations{of: map[string]int64{}}
	d.surveys = guide.New(guide.Options{Record: d.record, Station: func() guide.Station { return d.station },
		Ovens: surveyed(d.file), Procedures: d.file.Procedures, Site: d.file.Site.Name, Log: d.log, Now: now})
	d.station, err = acquire.New(acquire.Options{
		Inputs: contacts, Operated: d.operations.add,
		Posts: posts, Recorder: d.record, Standing: d.record.Alarms(),
		Past:      func(post int) (acquire.Past, error) { return d.record.Past(post, recall(posts[post])) },
		Identity:  d.record.Identity,
		Observers: []acquire.Observer{numbers, d.surveys},
		Log:       d.log, Now: now,
		Sleeper: acquire.PreciseSleeper(), Clock: clock,
		Attention: attention(d.file.Alarm), Zone: d.file.Site.Zone,
		Disk: d.record.Space, DiskFloor: d.file.Alarm.DiskFree, Troubles: d.troubles,
	})
	if err != nil {
		return err
	}
	if err = d.newCouriers(posts, simulated); err != nil {
		return err
	}
	if err = d.newRemotes(posts, now); err != nil {
		return err
	}
	if err = d.newHistory(posts, now); err != nil {
		return err
	}
	host, _, _ := net.SplitHostPort(d.settings.listen)
	users := func() ([]string, error) { return usersOf(d.settings.webConfig) }
	if err = d.tellAccess(users); err != nil {
		return err
	}
	d.page = web.New(web.Options{
		Station: d.station, Events: d.record.Events, Changes: d.record.Changes, Told: d.record.Told, Record: d.record.Stats, Heads: d.record.Heads, Newest: d.newest, Occurrence: d.record.Occurrence, Couriers: courierNames(d.file),
		Past: d.record.Runs, Soaks: d.soaks, Surveys: d.surveys, Reports: printer{d.record}, Register: d.record, Try: d.try, Limits: limitChoices(d.written), Users: users, Operators: d.file.Access.Operators, Beyond: beyond(d.Addr()),
		Series: d.record.Chart, Ran: d.record.Ran,
		Sums: sums(d.file), Site: d.file.Site.Name, Zone: d.file.Site.Zone, Simulated: simulated, Version: version(), Host: host,
		Ready: d.ready, Healthy: d.record.Err,
		Metrics: numbers.Handler(), Log: d.log, Now: now,
	})
	return nil
}

// newest is the number of the newest event of the record.
func (d *daemon) newest(ctx context.Context) (int64, error) {
	_, last, err := d.record.Standing(ctx)
	return last, err
}

// Addr is where the page and the metrics are served.
func (d *daemon) Addr() string { return d.listener.Addr().String() }

// Run watches until ctx ends, then stops everything, the record last, so that
// all that was sampled is committed.
func (d *daemon) Run(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	if d.kitchen != nil {
		g.Go(func() error { return d.kitchen.Run(ctx) })
	}
	g.Go(func() error { return d.station.Run(ctx) })
	g.Go(func() error { return d.surveys.Run(ctx) })
	for _, c := range d.couriers {
		g.Go(func() error { return c.Run(ctx) })
	}
	for _, r := range d.remotes {
		g.Go(func() error { return r.Run(ctx) })
	}
	g.Go(func() error { return d.follow(ctx, d.now) })
	soakTrouble := func(err error) { d.log.Warn(err.Error(), "kind", acquire.KindSoak) }
	g.Go(func() error { d.soaks.count(ctx, soakTrouble); return nil })
	g.Go(func() error { return d.soaks.Run(ctx, soakEvery, soakTrouble) })
	g.Go(func() error { return d.page.Run(ctx) })
	g.Go(func() error { return d.serve(ctx) })
	return errors.Join(g.Wait(), d.Close())
}

// serve answers HTTP until ctx ends.
func (d *daemon) serve(ctx context.Context) error {
	server := &http.Server{
		Handler:           d.page.Handler(),
		BaseContext:       func(net.Listener) context.Context { return ctx },
		ReadHeaderTimeout: 5 * time.Second,
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    32 << 10,
		ErrorLog:          slog.NewLogLogger(d.log.Handler(), slog.LevelDebug),
	}
	stopped := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(stopped)
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), goodbye)
		defer cancel()
		if server.Shutdown(last) != nil {
			server.Close() // whoever has not gone by now is cut off
		}
	})
	visitors := newCrowd(d.listener, maxConnections)
	server.Handler, server.ConnContext = visitors.turnAway(server.Handler), visitors.know
	err := toolkit.Serve(visitors, server, d.toolkitFlags(), d.log)
	if !stop() {
		<-stopped
	}
	if ctx.Err() == nil {
		// The watch goes on: it does not lean on the page.
		d.log.Error("the page and the metrics are not served any more; the watch goes on", "error", err)
	}
	return nil
}

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

func (d *daemon) toolkitFlags() *toolkit.FlagConfig {
	socket := false
	return &toolkit.FlagConfig{
		WebListenAddresses: &[]string{d.settings.listen},
		WebSystemdSocket:   &socket,
		WebConfigFile:      &d.settings.webConfig,
	}
}

// Close gives everything back, last opened first. Run calls it.
func (d *daemon) Close() error {
	var errs []error
	for i := len(d.undo) - 1; i >= 0; i-- {
		errs = append(errs, d.undo[i]())
	}
	d.undo = nil
	return errors.Join(errs...)
}

// ready says why no post has been heard yet.
func (d *daemon) ready() error {
	for _, s := range d.station.Stats() {
		if s.Condition != acquire.Starting {
			return nil
		}
	}
	return errors.New("starting: no probe has answered yet")
}

// closed forgives closing twice: the HTTP server closes its listener too.
func closed(err error) error {
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}
