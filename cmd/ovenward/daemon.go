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
	"sync/atomic"
	"time"

	toolkit "github.com/prometheus/exporter-toolkit/web"
	"golang.org/x/sync/errgroup"
	"golang.org/x/sync/semaphore"

	"ovenward/acquire"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/watchdog"
	"ovenward/config"
	"ovenward/drivers/simulate"
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
	clockFile   string // that ovenward clock keeps; empty: the kernel is asked
	supervisor  supervisor
	ease        *ease // nil where all is left to Go
}

// home is what stays while the daemon runs, whatever its configuration.
type home struct {
	settings   settings
	now        func() time.Time
	log        *slog.Logger
	spare      *sparing
	sleeper    acquire.Sleeper
	beat       acquire.Sleeper   // roughly, for what goes by the clock
	kitchen    *simulate.Kitchen // nil without simulated probes
	languages  map[string]string // that its probes speak
	simulating config.Simulate
	record     *store.Store
	wires      *wires
	listener   net.Listener

	operations *operations
	undo       []func() error // last in, first out
	dog        *watchdog.Watchdog

	reloads chan wish        // handled one by one
	hangup  <-chan os.Signal // asks for a reload too; nil: nothing does
	told    reloadState      // what came of the last one

	serving atomic.Pointer[generation] // whose page answers
	changes *semaphore.Weighted        // held by each change that somebody makes by the page
}

// daemon is the running program as a value: made by newDaemon, it works while
// Run runs, and is closed by it. Its generation is of Run alone while that runs.
type daemon struct {
	*home
	*generation
}

// newDaemon opens everything but the probes' ports. On an error nothing stays
// open.
func newDaemon(s settings, log *slog.Logger, now func() time.Time) (d *daemon, err error) {
	sleeper := acquire.PreciseSleeper()
	d = &daemon{home: &home{settings: s, log: log, spare: newSparing(now), sleeper: sleeper, beat: acquire.Roughly(sleeper, time.Now()), now: now, dog: s.supervisor.watchdog(log, now), operations: &operations{of: map[string]int64{}},
		reloads: make(chan wish), changes: semaphore.NewWeighted(mostChanges)}}
	defer func() {
		if err != nil {
			err = errors.Join(err, d.Close())
			d = nil
		}
	}()
	written, err := d.load()
	if err != nil {
		return d, err
	}
	if err = toolkit.Validate(s.webConfig); err != nil {
		return d, fmt.Errorf("reading --web.config.file=%s: %w; name a file that Prometheus' exporter-toolkit accepts", s.webConfig, err)
	}
	// Before the record: a second daemon on this address leaves no empty one behind.
	if d.listener, err = net.Listen("tcp", s.listen); err != nil {
		if by := heldBy(err, s.listen); by != "" {
			err = fmt.Errorf("%w by %s", err, by)
		}
		return d, fmt.Errorf("listening for the page and metrics: %w; choose another address with --web.listen-address", err)
	}
	d.undo = append(d.undo, func() error { return closed(d.listener.Close()) })
	if err = d.openKitchen(written); err != nil {
		return d, err
	}
	if err = d.openRecord(written); err != nil {
		return d, err
	}
	if err = checkTexts(d.fileName(), written); err != nil { // before anything is entered
		return d, err
	}
	file, err := d.adopt(written)
	if err != nil {
		return d, err
	}
	d.wires = &wires{path: s.recordWire, many: len(file.Posts) > 1, now: now}
	d.undo = append(d.undo, d.wires.Close)
	posts, err := posts(file, d.kitchen, d.wires)
	if err != nil {
		return d, err
	}
	if err = d.record.Register(posts, now()); err != nil {
		return d, err
	}
	if err = tellDoubts(d.record, posts, now(), d.log); err != nil {
		return d, err
	}
	if err = checkTurned(file, d.record); err != nil {
		return d, err
	}
	g := &generation{home: d.home, file: file, written: written, posts: posts, slots: slots{Recorder: d.record}}
	for i := range posts {
		g.slots.of = append(g.slots.of, i)
	}
	d.generation = g
	return d, g.first()
}

// first makes all of the first generation.
func (g *generation) first() error {
	if err := g.prepare(); err != nil {
		return err
	}
	if err := g.see(nil, inherited{}); err != nil {
		return err
	}
	if err := g.keep(); err != nil {
		return err
	}
	g.show()
	g.serving.Store(g)
	g.told.done(g.now())
	return nil
}

func (h *home) load() (*config.File, error) {
	if h.settings.configFile == "" {
		return config.Parse(h.fileName(), kitchenTOML)
	}
	return config.Load(h.settings.configFile)
}

func (h *home) openKitchen(f *config.File) (err error) {
	h.languages, h.simulating = languages(f), f.Simulate
	if h.kitchen, err = newKitchen(f, h.now); err != nil || h.kitchen == nil {
		return err
	}
	if err = h.kitchen.Listen(); err != nil {
		return err
	}
	h.undo = append(h.undo, h.kitchen.Close)
	how := "on terminal lines (ptys), read as a serial port is"
	if h.kitchen.InProcess() {
		how = "in this process, for this system has no ptys"
	}
	h.log.Info("probes are simulated: nothing here is a measurement", "site", f.Site.Name, "served", how)
	return nil
}

// openRecord opens the record.
func (h *home) openRecord(f *config.File) (err error) {
	path := h.settings.storagePath
	if path == "" {
		if path, err = os.MkdirTemp("", "ovenward-kitchen-"); err != nil {
			return fmt.Errorf("making a temporary folder for the record: %w", err)
		}
		h.undo = append(h.undo, func() error { return os.RemoveAll(path) })
		h.log.Info("the record is temporary and goes when this ends; keep one with --storage.path", "path", path)
	}
	o, err := recordOptions(f, h.log, h.now)
	if err != nil {
		return err
	}
	o.Round = h.dog.Loop("the record's writer", diskBound, h.recordErr)
	if h.record, err = store.Open(path, o); err != nil {
		return err
	}
	h.undo = append(h.undo, func() error {
		err := h.record.Close()
		if errors.Is(err, store.ErrUnfolded) { // nothing is lost by it
			h.log.Warn("the record was not closed cleanly", "error", err)
			return nil
		}
		return err
	})
	return nil
}

// Addr is where the page and the metrics are served.
func (h *home) Addr() string { return h.listener.Addr().String() }

// Run watches until ctx ends, then stops everything, the record last, so that
// all that was sampled is committed.
func (d *daemon) Run(ctx context.Context) error {
	status := d.status() // while the generation is this goroutine's
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return d.dog.Run(ctx) })
	if d.kitchen != nil {
		g.Go(func() error { return d.kitchen.Run(ctx) })
	}
	g.Go(func() error { return d.live(ctx) })
	g.Go(func() error { return d.askPage(ctx, d.dog.Loop("the page", thinkBound, nil)) })
	g.Go(func() error { return d.serve(ctx) })
	g.Go(func() error { return d.spare.Run(ctx) })
	g.Go(func() error { return giveBack(ctx) })
	if e := d.settings.ease; e != nil {
		g.Go(func() error {
			if err := e.Run(ctx, d.beat); err != nil {
				d.log.Warn("the program uses all processors, at rest too", "error", err)
			}
			return nil
		})
	}
	d.settings.supervisor.tell(d.log, "READY=1\nSTATUS="+status)
	g.Go(func() error { <-ctx.Done(); d.settings.supervisor.tell(d.log, "STOPPING=1"); return nil })
	return errors.Join(g.Wait(), d.Close())
}

// serve answers HTTP until ctx ends.
func (h *home) serve(ctx context.Context) error {
	server := &http.Server{
		Handler:           h.handler(),
		BaseContext:       func(net.Listener) context.Context { return ctx },
		ReadHeaderTimeout: 5 * time.Second,
		IdleTimeout:       time.Minute,
		MaxHeaderBytes:    32 << 10,
		ErrorLog:          slog.NewLogLogger(h.spare.log(h.log).Handler(), slog.LevelDebug),
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
	visitors := newCrowd(h.listener, maxConnections)
	server.Handler, server.ConnContext = visitors.turnAway(server.Handler), visitors.know
	err := toolkit.Serve(visitors, server, h.toolkitFlags(), h.spare.log(h.log))
	if !stop() {
		<-stopped
	}
	if ctx.Err() == nil {
		// The watch goes on: it does not lean on the page.
		h.log.Error("the page and the metrics are not served any more; the watch goes on", "error", err)
	}
	return nil
}

func (h *home) toolkitFlags() *toolkit.FlagConfig {
	socket := false
	return &toolkit.FlagConfig{
		WebListenAddresses: &[]string{h.settings.listen},
		WebSystemdSocket:   &socket,
		WebConfigFile:      &h.settings.webConfig,
	}
}

// Close gives everything back, last opened first. Run calls it.
func (h *home) Close() error {
	var errs []error
	for i := len(h.undo) - 1; i >= 0; i-- {
		errs = append(errs, h.undo[i]())
	}
	h.undo = nil
	return errors.Join(errs...)
}

// closed forgives closing twice: the HTTP server closes its listener too.
func closed(err error) error {
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}
