// Package simulate is the model kitchen: an invented site of ovens that leak
// and probes that watch them, for newcomers, tests and demonstrations. Power
// densities are in W/m², lengths in metres (gaps in mm), times are kitchen
// time, which starts at 0 and runs Speed times as fast as the host's. The field
// is a pure function of seed, place and kitchen time, so every test can know
// the truth and any run can be repeated.
//
// Its probes speak over a pty as hardware would, or over an in-process pipe
// where there is no pty. A simulated probe is a device: it has a clock of its
// own, and knows nothing of how it is read. Nothing in here describes a real
// oven or a real instrument, and nothing may be concluded from it about one.
package simulate

import (
	"errors"
	"fmt"
	"math"
	"sync"
	"time"
)

// Options say what a kitchen is.
type Options struct {
	Site   string
	Seed   uint64
	Speed  float64   // kitchen seconds in a host second; 0 means 1
	Start  time.Time // host time of kitchen time 0; zero means when New is called
	Ovens  []Oven
	Probes []ProbeSpec

	// InProcess serves the probes on in-process pipes even where there are
	// ptys, so that a test can run the kitchen under a fake clock.
	InProcess bool

	// OnAnswer, if given, is told each reading before it is sent, by the
	// goroutine that serves the probe. It must not block.
	OnAnswer func(Answer)

	// Now is the clock of the simulated instruments; nil means time.Now.
	Now func() time.Time
}

// Kitchen is a simulated site. Its methods may be called from any goroutine.
type Kitchen struct {
	options Options
	sources []source
	probes  []*Probe

	mu     sync.Mutex // guards what follows
	outlet []outlet   // one for each probe once Listen has run
	closed bool
}

// New builds a kitchen. It opens nothing: Listen and Run do.
func New(o Options) (*Kitchen, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Start.IsZero() {
		o.Start = o.Now()
	}
	if o.Speed == 0 {
		o.Speed = 1
	}
	if !(o.Speed > 0 && o.Speed <= 1e6) {
		return nil, fmt.Errorf("building the simulated kitchen: a speed of %g; give it more than 0, at most 1000000", o.Speed)
	}
	k := &Kitchen{options: o}
	var wrong []error
	seen := map[string]bool{}
	for _, oven := range o.Ovens {
		wrong = append(wrong, oven.check(), once(seen, "oven", oven.ID))
		k.sources = append(k.sources, newSource(oven, o.Seed))
	}
	for _, spec := range o.Probes {
		spec = spec.withDefaults()
		wrong = append(wrong, spec.check(), once(seen, "probe", spec.ID))
		k.probes = append(k.probes, newProbe(k, spec, o.Seed))
	}
	if err := errors.Join(wrong...); err != nil {
		return nil, fmt.Errorf("building the simulated kitchen: %w", err)
	}
	return k, nil
}

func once(seen map[string]bool, kind, id string) error {
	key := kind + " " + id
	if seen[key] {
		return fmt.Errorf("two %ss have the id %q; give each its own", kind, id)
	}
	seen[key] = true
	return nil
}

// Site returns the name of the site.
func (k *Kitchen) Site() string { return k.options.Site }

// Ovens returns the ovens as they were given.
func (k *Kitchen) Ovens() []Oven { return append([]Oven(nil), k.options.Ovens...) }

// Probes returns the probes in the order in which they were given.
func (k *Kitchen) Probes() []*Probe { return append([]*Probe(nil), k.probes...) }

// Probe returns the probe of that id, or nil.
func (k *Kitchen) Probe(id string) *Probe {
	for _, p := range k.probes {
		if p.spec.ID == id {
			return p
		}
	}
	return nil
}

// Time returns the kitchen time of a host instant; it is negative before the
// kitchen's start.
func (k *Kitchen) Time(instant time.Time) time.Duration {
	host := instant.Sub(k.options.Start)
	if k.options.Speed == 1 {
		return host
	}
	t := float64(host) * k.options.Speed
	return time.Duration(max(-float64(math.MaxInt64/2), min(float64(math.MaxInt64/2), t)))
}
