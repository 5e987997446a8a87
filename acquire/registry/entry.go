package registry

import (
	"errors"
	"fmt"
	"time"
)

// OvenEntry is a new version of an oven. Base is the version that it was made
// from: when that is no longer the newest, the entry is refused. 0 is whichever.
type OvenEntry struct {
	Oven
	Base int64
}

// ProbeEntry is the same of a probe.
type ProbeEntry struct {
	Probe
	Base int64
}

// New is the Base of what must not be there yet.
const New = -1

// Entry is one change of the register, which is made whole or not at all.
type Entry struct {
	Who, Why  string
	ValidFrom time.Time // from when on it holds; zero: from when it is entered

	Ovens        []OvenEntry
	Probes       []ProbeEntry
	Certificates []Certificate // with Probe, TakenBack and what it states
	Tests        []Test
}

// Errors of an Entry.
var (
	ErrStale  = errors.New("somebody else changed it meanwhile: load it again, and make the change there")
	ErrExists = errors.New("it is in the register already: change it there, or choose another name")
	ErrNone   = errors.New("it is not in the register")
)

// Check says why an entry onto what is newest must be refused: newest is 0 where
// there is none.
func Check(base, newest int64) error {
	switch {
	case base == New && newest != 0:
		return ErrExists
	case base > 0 && base != newest:
		return fmt.Errorf("version %d is the newest, not %d: %w", newest, base, ErrStale)
	}
	return nil
}
