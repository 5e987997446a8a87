package soak

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// What is entered is bounded, so that no sum of it overflows and nothing that is held of
// a test grows without end. The bounds lie far above what a test can come to: an
// operation each second for thirty years.
const (
	// MostOperations is how many operations a plan may ask for, and an entry may count.
	MostOperations = 1_000_000_000

	mostCounted     = 1000 * MostOperations // in all
	mostCheckpoints = 1000                  // each needs a survey
	mostLasting     = 100 * 365 * 24 * time.Hour
	mostNotes       = 10_000
	mostResumed     = 10_000
	mostDamage      = 20 // that is listed
)

// ErrMany is a whole number that no plan and no entry can hold.
var ErrMany = errors.New("write a whole number of at most 1 000 000 000")

// bounds says what of a plan is too much.
func (p *Plan) bounds() (errs []error) {
	if p.Operations > MostOperations {
		errs = append(errs, errors.New("a test may ask for at most 1 000 000 000 operations"))
	}
	if p.Lasting > mostLasting {
		errs = append(errs, errors.New("a test may ask for at most 36500 d of active time"))
	}
	if n := len(p.Checkpoints); n > mostCheckpoints {
		errs = append(errs, fmt.Errorf("a test may have at most 1000 checkpoints; this one has %d", n))
	}
	if s := p.Stop; s.Exceedances > MostOperations || s.Overdue > MostOperations || s.Blind > mostLasting {
		errs = append(errs, errors.New("a stop rule may wait for at most 1 000 000 000 exceedances, operations or hours, and be blind for 36500 d: leave it out where it shall end nothing"))
	}
	return errs
}

// sum of counts, of which none wraps round: the record may hold any.
func sum(a, b int64) int64 {
	switch c := a + b; {
	case a > 0 && b > 0 && c < 0:
		return math.MaxInt64
	case a < 0 && b < 0 && c >= 0:
		return math.MinInt64
	default:
		return c
	}
}

// room says that a test has no room for what is entered of it. It holds for what is new
// only; what is in the record is taken.
func (l *Life) room(m Mark) error {
	switch {
	case m.Kind == Operations && (m.Count > MostOperations || m.Count < -MostOperations):
		return errors.New("at most 1 000 000 000 operations are taken at once: look at the number")
	case m.Kind == Operations && m.Count > 0 && l.Operations > mostCounted-m.Count:
		return errors.New("that would make more than 1 000 000 000 000 operations: look at the number, and correct what was counted")
	case m.Kind == Resumed && len(l.Active) >= mostResumed:
		return errors.New("the test was paused 10 000 times, which is as often as it can be: end it, and plan another")
	case m.Kind == Noted && m.Outcome == "" && l.notes >= mostNotes:
		return errors.New("the test has 10 000 notes, which is as many as it can have: keep further ones elsewhere")
	}
	return nil
}

// Unfit tells of a mark in the record that does not fit. The first ones are listed, the
// others counted.
func (l *Life) Unfit(m Mark, err error) {
	if l.unfit++; l.unfit <= mostDamage {
		l.Damage = append(l.Damage, fmt.Sprintf("mark %d of the record (%s, %s) does not fit: %v", m.ID, m.Kind, m.At.Format(time.RFC3339), err))
		return
	}
	l.Damage = append(l.Damage[:mostDamage], fmt.Sprintf("%d more marks of the record do not fit", l.unfit-mostDamage))
}
