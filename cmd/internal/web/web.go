// Package web is the page people look at and the API beside it. It shows what
// the station says, in mW/cm² where people read and in W/m² in field names of
// the API, with instants in UTC, and it carries an operator's word back to the
// station: acknowledge, reset, zero. What is not known is shown as not known,
// never as a number and never as within a limit.
//
// It must not judge a field, keep a sample, touch a probe or ask for anything
// outside its own origin. Changes are taken from operators, or where no users are
// configured from loopback only. Everything a
// viewer holds open is bounded: streams, bodies, and the time a write may take.
package web

import (
	"context"
	"embed"
	"html/template"
	"io/fs"
	"iter"
	"log/slog"
	"net/http"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/cycle/history"
	"ovenward/acquire/registry"
	"ovenward/acquire/store"
)

//go:embed pages static
var assets embed.FS

// Station is what the page needs of the running station. All of it must be
// ready to be called by many goroutines at once, and must not wait.
type Station interface {
	Stats() []acquire.Stats
	Alarms() []alarm.Alarm // of the station and of all posts
	Trace(post int) acquire.Trace
	Acknowledge(id, who string) error
	Reset(id, who, remedy string) error
	Zero(post int, who string) error
	AcceptInstrument(post int, who string) error
	Act(id string, act alarm.Act, lasting time.Duration) error
	Announce(post int, r alarm.Rule, who, why string, lasting time.Duration) error
	Conclude(post int, who string) error
	CheckPosition(post int, who, remark string) error
	Runs(post int, who string, lasting time.Duration) error
	Withdraw(oven, who, why string) error
	ReturnOven(oven, who, why string) error
}

// Sleeper waits for an instant, or returns why ctx ended.
type Sleeper interface {
	SleepUntil(ctx context.Context, at time.Time) error
}

// Register is what the page needs of the register of ovens and probes, which the
// record keeps.
type Register interface {
	Ovens(ctx context.Context) ([]registry.OvenVersion, error)
	OvenVersions(ctx context.Context, id string) ([]registry.OvenVersion, error)
	Probes(ctx context.Context) ([]registry.ProbeVersion, error)
	ProbeVersions(ctx context.Context, id string) ([]registry.ProbeVersion, error)
	Certificates(ctx context.Context) ([]registry.Certificate, error)
	Tests(ctx context.Context, oven string) ([]registry.Test, error)
	Enter(ctx context.Context, e registry.Entry, now time.Time) error
}

// LimitChoice is a limit that an oven can be judged by.
type LimitChoice struct {
	ID     string `json:"id"`
	Words  string `json:"words"` // value, distance and basis
	Source string `json:"source,omitempty"`
}

// Options is what a Server is made from. Station, Events and Now are needed;
// what else is missing is left out.
type Options struct {
	Station Station
	// Events reads the record: at most limit events with an ID above after,
	// oldest first.
	Events func(ctx context.Context, after int64, limit int) ([]acquire.Event, error)

	Sums []acquire.Sum // of several frequencies at one place
	// Changes reads the record: the changes of alarms in a span of time, in their
	// order. Without it there is no summary.
	Changes func(ctx context.Context, from, to time.Time) iter.Seq2[acquire.Event, error]

	// Occurrence reads the record: all changes of one occurrence of an alarm, in their
	// order. Without it there is no history.
	Occurrence func(ctx context.Context, id string) ([]acquire.Event, error)
	// Couriers are the names of those that tell people; nil where that is not known.
	Couriers []string

	// Newest returns the number of the newest event of the record, for those who
	// follow what happens from now on.
	Newest func(ctx context.Context) (int64, error)

	// Told reads what was told to whom and what came back, the newest first.
	// Without it nothing is shown of it.
	Told func(ctx context.Context, q store.ToldQuery, limit int) ([]store.Told, error)

	// Series reads the record: what the samples of a post come to between two
	// instants, at no more than n points; see store.Reader.Chart. Without it
	// nothing older than the station's own traces is drawn.
	Series func(ctx context.Context, post string, from, to time.Time, n int) ([]store.Point, error)

	// Ran reads when the oven of a post ran between two instants, in at most n
	// pieces; see store.Reader.Ran. Without it no past runs are drawn.
	Ran func(ctx context.Context, post string, from, to time.Time, n int) ([]store.Ran, error)

	// Beat is what live streams wait with; nil: acquire.Timers.
	Beat Sleeper

	// Round is called each time the overview's lines were read; nil: nobody asks. It
	// must not wait.
	Round func()

	// Statistics sums up a post between two instants, apart for each run, hour or day,
	// or all of it, from the record. Without it nothing is.
	Statistics func(ctx context.Context, post string, per history.Per, from, to time.Time) ([]history.Stretch, error)

	// OvenOf says of which oven the runs of a post are, and why; an empty oven: that is
	// not known. Nil says nothing.
	OvenOf func(post string) (oven, why string)

	// SaidOf finds by the word of which contact each of some runs of a post is its oven's;
	// empty: none said so. Nil: none is asked.
	SaidOf func(ctx context.Context, post string, runs []history.Run) ([]string, error)

	// Register keeps ovens and probes. Without it their pages show nothing.
	Register Register
	// Try says why a change of the register could not be watched by; nil when it can.
	Try func(ctx context.Context, e registry.Entry) error
	// Limits are those that an oven can be judged by.
	Limits []LimitChoice

	// Users returns the names of the users that are configured now. Where there are
	// any, every request that reaches the handler must have been made by one of
	// them, whose password was checked; what that user changes bears that name. Nil
	// and none are the same: nobody is asked.
	Users func() ([]string, error)
	// Operators are the users that may change things; all others read.
	Operators []string
	// Beyond says that the page is served beyond this machine.
	Beyond bool

	// Past reads the runs of a post that began between two instants, in their order.
	// Without it none are listed.
	Past func(ctx context.Context, post string, from, to time.Time) ([]history.Run, error)
	// Soaks keeps soak tests. Without it there are none.
	Soaks Soaks

	// Surveys guides surveys. Without it none can be made.
	Surveys Surveys

	// Reports makes printed matter of the record. Without it none is made.
	Reports Reports

	// Record says how the record fares, and Heads reads the heads of its days.
	Record func() store.Stats
	Heads  func(ctx context.Context, from, to time.Time) ([]store.DayHead, error)

	Site      string
	Zone      *time.Location // of the site, in which people read times; nil: UTC
	Simulated bool           // say on the page that nothing here is measured
	Version   string         // shown in the footer

	// Host is the host of the listen address, where it is a name of its own;
	// loopback names and addresses are known anyway.
	Host string

	Ready   func() error // why the daemon is not ready; nil when it is
	Healthy func() error // why the daemon is not healthy; nil when it is
	// Reload loads the configuration again, and says what changed. Its error may be a
	// Refusal. Without it there is no such path.
	Reload func(ctx context.Context, who string) (changes []string, err error)

	Metrics http.Handler
	Log     *slog.Logger
	Now     func() time.Time
}

// Server answers page and API. It starts no goroutine of its own; Run reads
// ahead for the overview while it runs.
type Server struct {
	o       Options
	log     *slog.Logger
	pages   map[string]func() *template.Template // by room
	texts   *catalogue
	zone    *time.Location
	static  map[string]asset
	cross   *http.CrossOriginProtection
	streams chan struct{} // one token for each open stream
	sparks  sparks
	making  chan struct{} // one for each report being made
	looked  looked
	boards  map[string]*board // by the name of the unit
	boot    string            // names this start, so that a page notices another
	patient time.Duration     // a write to a stream may take this long
	life    context.Context   // ends when Run has returned: its streams end too
	end     context.CancelFunc

	bodyIn, answerIn time.Duration // how long a body may take to come, an answer to be taken
}

// Bounds of what viewers may hold open or send.
const (
	maxStreams = 200
	maxBody    = 8 << 10 // bytes
	patience   = 5 * time.Second
	bodyTime   = 15 * time.Second
	answerTime = 2 * time.Minute // some MB over a slow line
)

// New makes a server. Its handler's streams end when Run does, or the context of
// their request: give http.Server a BaseContext that ends at shutdown.
func New(o Options) *Server { return newIn(textFiles, english, o) }

// newIn makes a server whose page speaks one of the languages of the files.
func newIn(files fs.FS, lang string, o Options) *Server {
	s := &Server{
		o: o, log: o.Log,
		cross:   http.NewCrossOriginProtection(),
		streams: make(chan struct{}, maxStreams),
		making:  make(chan struct{}, mostMaking),
		boot:    o.Now().UTC().Format("20060102T150405.000000000Z"),
		patient: patience, bodyIn: bodyTime, answerIn: answerTime,
		zone: o.Zone,
	}
	s.life, s.end = context.WithCancel(context.Background())
	if s.zone == nil {
		s.zone = time.UTC
	}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	if s.o.Beat == nil {
		s.o.Beat = acquire.Timers{}
	}
	s.static = loadStatic()
	var err error
	if s.texts, err = loadTexts(files, lang); err != nil { // they are part of the program
		panic(err)
	}
	s.pages = loadPages(s.texts)
	s.sparks.all = map[string]spark{}
	s.boards = map[string]*board{}
	for _, u := range unitsOffered() {
		s.boards[u.name] = &board{say: s.voiceIn(u)}
	}
	return s
}

// probeOf answers a health question in one line, for those who only read the
// status, and in words.
func probeOf(ask func() error, word string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if ask != nil {
			if err := ask(); err != nil {
				sendProblem(w, r, http.StatusServiceUnavailable, "not "+word+": "+err.Error())
				return
			}
		}
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = w.Write([]byte("Ovenward is " + word + ".\n")) // the client may be gone; nothing is lost
	}
}
