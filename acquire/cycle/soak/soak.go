// Package soak is the life of a long planned test: an oven or a door that is worked
// for many thousands of operations, or for hours, beside a probe that watches. What
// happened is a row of marks, each with its instant and who made it; what a test has
// come to is always folded from them, so that a restart or a power cut loses nothing.
// It reads no clock and no record. Power densities are W/m².
//
// Operations are counted from an input, an import or an operator. Runs, which are seen
// from the field, are another thing and are counted apart.
package soak

import (
	"errors"
	"fmt"
	"time"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
)

// Plan is what a test is to be. Either Operations or Lasting is set, or both; the
// test has come to its end when all that is set is reached.
type Plan struct {
	ID    string `json:"id"`
	Title string `json:"title,omitempty"`
	Oven  string `json:"oven"`
	Post  string `json:"post"` // whose probe watches

	// Whose is why the runs that the post sees are the oven's, as the site stated when the
	// test was planned; empty: nobody stated that nothing else is near.
	Whose string `json:"whose_runs,omitempty"`

	Contact   string `json:"contact,omitempty"` // whose word counts operations: a door that shuts, an oven switched off
	Procedure string `json:"procedure"`         // by which it is done
	Source    string `json:"source"`            // of the procedure: document and edition, or whose own it is

	// Conditions are those that the procedure asks for, as somebody stated them: line voltage,
	// load, ambient temperature.
	Conditions string `json:"conditions,omitempty"`

	LimitID string                `json:"limit"`                  // of acceptance; one of the post's
	Level   quantity.PowerDensity `json:"acceptance_w_per_m2"`    // of that limit, when the test was planned
	Mean    time.Duration         `json:"averaging_ns,omitempty"` // the mean over so long is what that limit is of; 0: each value
	Guard   quantity.PowerDensity `json:"guard_band_w_per_m2"`    // the expanded uncertainty at that level, when it was planned; 0: not known
	Rule    limit.Rule            `json:"rule,omitempty"`         // by which a highest value is accepted or rejected; empty: guarded acceptance

	Operations  int64         `json:"operations,omitempty"`
	Lasting     time.Duration `json:"lasting_ns,omitempty"`  // active time: pauses do not count
	Checkpoints []int64       `json:"checkpoints,omitempty"` // numbers of operations, rising; without operations, hours of active time
	Stop        Stop          `json:"stop"`
}

// Stop says what ends a test before its end. What is zero ends nothing.
type Stop struct {
	Exceedances int           `json:"exceedances,omitempty"` // of the limit of acceptance, so many
	OverRange   bool          `json:"over_range,omitempty"`  // the field was over the probe's range
	Blind       time.Duration `json:"blind_ns,omitempty"`    // the post saw nothing for so long at a stretch
	Overdue     int64         `json:"overdue,omitempty"`     // so many operations (or hours) after a checkpoint without its survey
}

// Check says what is wrong with a plan, all of it.
func (p Plan) Check() error {
	var errs []error
	need := func(ok bool, text string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf(text, args...))
		}
	}
	need(p.ID != "", "the test needs an id")
	need(p.Oven != "" && p.Post != "", "name the oven that is tested and the post whose probe watches it")
	need(p.Procedure != "" && p.Source != "", "name the procedure and its source: a document with its edition, or whose own it is")
	need(p.LimitID != "" && p.Level > 0, "name the limit of acceptance")
	need(p.Operations > 0 || p.Lasting > 0, "say how many operations, or for how long")
	need(p.Operations >= 0 && p.Lasting >= 0, "operations and time cannot be negative")
	last := int64(0)
	for _, c := range p.Checkpoints[:min(len(p.Checkpoints), mostCheckpoints)] {
		need(c > last, "checkpoints must rise from 1: %d does not follow %d", c, last)
		last = c
	}
	if most := p.end(); p.Operations > 0 || p.Lasting > 0 {
		need(last <= most, "the checkpoint at %d lies behind the end at %d", last, most)
	}
	need(p.Stop.Exceedances >= 0 && p.Stop.Blind >= 0 && p.Stop.Overdue >= 0, "a stop rule cannot be negative")
	return errors.Join(append(errs, p.bounds()...)...)
}

// ByOperations says whether checkpoints are numbers of operations; else hours.
func (p Plan) ByOperations() bool { return p.Operations > 0 }

// end is where the last checkpoint may lie, in the unit of checkpoints.
func (p Plan) end() int64 {
	if p.ByOperations() {
		return p.Operations
	}
	return int64(p.Lasting / time.Hour)
}

// Kind is what a mark says.
type Kind string

const (
	Started    Kind = "start"
	Paused     Kind = "pause"
	Resumed    Kind = "resume"
	Operations Kind = "operations" // so many more
	Surveyed   Kind = "checkpoint" // a survey was made for a checkpoint
	Noted      Kind = "note"
	Aborted    Kind = "abort"
	Finished   Kind = "finish"
	Stopped    Kind = "stop" // by a stop rule
)

// From is where operations are counted.
type From string

const (
	FromInput    From = "input"
	FromImport   From = "import"
	FromOperator From = "operator"
)

// Mark is something that happened to a test.
type Mark struct {
	ID      int64     `json:"id"` // given by the record, rising
	Soak    string    `json:"soak"`
	At      time.Time `json:"at"`      // when it was so
	Entered time.Time `json:"entered"` // when it was said
	Kind    Kind      `json:"kind"`
	Who     string    `json:"who"`
	Text    string    `json:"text,omitempty"` // why, or what was noted

	Count int64 `json:"operations,omitempty"` // of Operations: how many more; negative corrects
	From  From  `json:"from,omitempty"`

	Checkpoint int64  `json:"checkpoint,omitempty"` // of Surveyed: which
	Survey     string `json:"survey,omitempty"`     // its number in the record
	Outcome    string `json:"outcome,omitempty"`    // within, exceeds or not decided; of a note by Itself, what a mean has shown
}

// Detail is what a mark says beside its kind.
func (m Mark) Detail() string {
	if m.Kind != Surveyed {
		return m.Text
	}
	text := fmt.Sprintf("at %d: %s", m.Checkpoint, m.Outcome)
	if m.Survey != "" {
		text += ", survey " + m.Survey
	}
	if m.Text != "" {
		text += ": " + m.Text
	}
	return text
}

// State is where a test stands.
type State string

const (
	Planned     State = "planned"
	Running     State = "running"
	Pausing     State = "paused"
	AbortedNow  State = "aborted"
	FinishedNow State = "finished"
	StoppedNow  State = "stopped by a rule"
)

// Over says whether nothing more can happen but notes.
func (s State) Over() bool { return s == AbortedNow || s == FinishedNow || s == StoppedNow }

// Span is an active stretch; a zero To is open.
type Span struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to,omitzero"`
}

// Passed is a checkpoint and the survey that was made for it.
type Passed struct {
	Checkpoint int64     `json:"checkpoint"`
	At         time.Time `json:"at"`
	Operations int64     `json:"operations"` // counted by then
	Survey     string    `json:"survey,omitempty"`
	Outcome    string    `json:"outcome"`
}

// Life is what a test has come to.
type Life struct {
	Plan       Plan           `json:"plan"`
	State      State          `json:"state"`
	Active     []Span         `json:"active"`
	Operations int64          `json:"operations"`
	By         map[From]int64 `json:"operations_by,omitempty"`
	Passed     []Passed       `json:"checkpoints_passed,omitempty"`
	Log        []Mark         `json:"-"`                // all but the counting
	Damage     []string       `json:"damage,omitempty"` // marks that the record holds and that do not fit; what is told rests on the others

	counted []point // operations over active time, some of them
	last    time.Time
	notes   int
	unfit   int // marks, of which Damage tells
}

// Fold makes a life of marks, in their order.
func Fold(p Plan, marks []Mark) (*Life, error) {
	l := New(p)
	for _, m := range marks {
		if err := l.Take(m); err != nil {
			return l, fmt.Errorf("mark %d of soak test %s: %w", m.ID, p.ID, err)
		}
	}
	return l, nil
}

// New is a test that is planned.
func New(p Plan) *Life { return &Life{Plan: p, State: Planned, By: map[From]int64{}} }

// Take takes the next mark; an error says why it cannot be so, and then nothing has
// changed.
func (l *Life) Take(m Mark) error {
	if err := l.fits(m); err != nil {
		return err
	}
	switch m.Kind {
	case Started, Resumed:
		l.State = Running
		l.Active = append(l.Active, Span{From: m.At})
	case Paused, Aborted, Finished, Stopped:
		if l.State == Running {
			l.Active[len(l.Active)-1].To = m.At
		}
		l.State = map[Kind]State{Paused: Pausing, Aborted: AbortedNow, Finished: FinishedNow, Stopped: StoppedNow}[m.Kind]
	case Operations:
		l.Operations, l.By[m.From] = sum(l.Operations, m.Count), sum(l.By[m.From], m.Count)
		l.count(m.At)
	case Surveyed:
		l.Passed = append(l.Passed, Passed{m.Checkpoint, m.At, l.Operations, m.Survey, m.Outcome})
	}
	if m.Kind != Operations {
		l.Log = append(l.Log, m)
	}
	if m.Kind == Noted {
		l.notes++
	} else {
		l.last = m.At
	}
	return nil
}

// fits says why a mark cannot be taken now.
func (l *Life) fits(m Mark) error {
	switch {
	case m.Who == "":
		return errors.New("say who does it")
	case m.Kind == Noted:
		if m.Text == "" {
			return errors.New("the note is empty")
		}
		return nil
	case l.State.Over():
		return fmt.Errorf("the test is %s; only notes can be added", l.State)
	case m.At.Before(l.last):
		return fmt.Errorf("%s lies before the newest mark, of %s", m.At.Format(time.RFC3339), l.last.Format(time.RFC3339))
	}
	return l.allowed(m)
}

func (l *Life) allowed(m Mark) error {
	switch m.Kind {
	case Started:
		if l.State != Planned {
			return fmt.Errorf("the test is %s already", l.State)
		}
	case Resumed:
		if l.State != Pausing {
			return fmt.Errorf("only a paused test resumes; this one is %s", l.State)
		}
	case Paused, Stopped:
		if l.State != Running && !(m.Kind == Stopped && l.State == Pausing) {
			return fmt.Errorf("only a running test can %s; this one is %s", m.Kind, l.State)
		}
		if m.Text == "" {
			return errors.New("say why")
		}
	case Aborted:
		if m.Text == "" {
			return errors.New("say why the test is aborted")
		}
	case Finished:
		return l.complete(m)
	case Operations:
		return l.countable(m)
	case Surveyed:
		return l.surveyable(m)
	default:
		return fmt.Errorf("nothing is called %q", m.Kind)
	}
	return nil
}

func (l *Life) complete(m Mark) error {
	if l.State == Planned {
		return errors.New("the test has not been started")
	}
	if l.Operations < l.Plan.Operations {
		return fmt.Errorf("%d of %d operations are counted; abort the test if it shall end here", l.Operations, l.Plan.Operations)
	}
	if a := l.ActiveBy(m.At); a < l.Plan.Lasting {
		return fmt.Errorf("it was active for %s of %s; abort the test if it shall end here", quantity.Roughly(a), quantity.FormatDuration(l.Plan.Lasting))
	}
	if n, due := l.Due(m.At); due {
		return fmt.Errorf("the survey of the checkpoint at %d has not been entered", n)
	}
	return nil
}

func (l *Life) countable(m Mark) error {
	switch {
	case l.State != Running:
		return fmt.Errorf("operations count while the test runs; it is %s", l.State)
	case m.Count == 0:
		return errors.New("say how many operations more")
	case m.Count < 0 && m.Text == "":
		return errors.New("say why the count is corrected")
	case sum(l.By[m.From], m.Count) < 0:
		return fmt.Errorf("that would leave fewer than none counted by %s", m.From)
	case m.From != FromInput && m.From != FromImport && m.From != FromOperator:
		return fmt.Errorf("operations are counted from an %s, an %s or an %s, not from %q", FromInput, FromImport, FromOperator, m.From)
	}
	return nil
}

func (l *Life) surveyable(m Mark) error {
	if l.State == Planned {
		return errors.New("the test has not been started")
	}
	found := false
	for _, c := range l.Plan.Checkpoints {
		found = found || c == m.Checkpoint
	}
	switch n := len(l.Passed); {
	case len(l.Plan.Checkpoints) == 0:
		return errors.New("the plan has no checkpoint")
	case !found:
		return fmt.Errorf("the plan has no checkpoint at %d; it has %v", m.Checkpoint, l.Plan.Checkpoints)
	case n > 0 && l.Passed[n-1].Checkpoint >= m.Checkpoint:
		return fmt.Errorf("the checkpoint at %d was passed already", l.Passed[n-1].Checkpoint)
	case m.Outcome == "":
		return errors.New("say what the survey came to: within, exceeds or not decided")
	}
	return nil
}
