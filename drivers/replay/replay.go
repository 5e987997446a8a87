// Package replay reads a recording again: a Link that says what an instrument
// once said, at its own pace, faster, or as fast as it is taken. Recordings are
// conversations as package wire keeps them, and exports: CSV files with the
// columns utc (RFC 3339) and said, as ovenward export writes them, or
//
//	sqlite3 -csv -header ovenward.db "SELECT utc, said FROM samples_read WHERE post = 'hatch-door'"
//
// Instants that it gives out are of the replay, by the clock in Options, and
// spans are shortened by the speed; nothing of it is a measurement of now, and
// whoever uses it must mark it so. The package opens no port.
package replay

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"ovenward/drivers"
)

// Prefix begins the name of a port that is a recording.
const Prefix = "replay:"

// AsFastAsTaken is the speed without any waiting.
const AsFastAsTaken = 0

// maxSpeed bounds how many recorded seconds pass in one.
const maxSpeed = 1e6

// ParsePort reads "replay:FILE" or "replay:FILE?speed=10" or "?speed=max".
func ParsePort(port string) (file string, speed float64, err error) {
	rest, ok := strings.CutPrefix(port, Prefix)
	file, query, asked := strings.Cut(rest, "?")
	if !ok || file == "" {
		return "", 0, fmt.Errorf(`%q names no recording: write "replay:FILE", or "replay:FILE?speed=10"`, port)
	}
	if !asked {
		return file, 1, nil
	}
	value, ok := strings.CutPrefix(query, "speed=")
	if ok && value == "max" {
		return file, AsFastAsTaken, nil
	}
	speed, err = strconv.ParseFloat(value, 64)
	if !ok || err != nil || !(speed >= 0.001 && speed <= maxSpeed) {
		return "", 0, fmt.Errorf("%q: %q is no speed: write speed=1, speed=10 (up to %g), or speed=max", port, query, float64(maxSpeed))
	}
	return file, speed, nil
}

// Options describe a replay.
type Options struct {
	File  string
	Speed float64 // recorded seconds in one; AsFastAsTaken for no waiting
	Now   func() time.Time
}

// ErrEnded says that all of the recording has been said.
var ErrEnded = errors.New("the recording has ended")

// said is one piece of a recording.
type said struct {
	sent  bool
	whole bool // a frame, from an export
	bytes []byte
	at    time.Duration
}

// player is where a replay stands; it goes on over reopenings.
type player struct {
	o Options

	mu     sync.Mutex
	held   bool
	loaded bool
	pieces []said
	next   int
	begun  time.Time // when the piece at 0 s is said, by the replay's clock; zero before the first opening
}

// Dial returns the Dialer of the recording. It is played once, from the first
// opening on; then openings fail with ErrEnded.
func Dial(o Options) drivers.Dialer {
	if o.Now == nil {
		o.Now = time.Now
	}
	p := &player{o: o}
	return func(ctx context.Context) (drivers.Link, error) {
		if err := ctx.Err(); err != nil {
			return nil, fmt.Errorf("open %s: %w", o.File, err)
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		if p.held {
			return nil, fmt.Errorf("open %s: %w", o.File, drivers.ErrBusy)
		}
		if !p.loaded {
			pieces, err := load(o.File)
			if err != nil {
				return nil, err
			}
			p.pieces, p.loaded = pieces, true
		}
		if p.next >= len(p.pieces) {
			return nil, p.ended()
		}
		if p.begun.IsZero() {
			p.begun = o.Now()
		}
		p.held = true
		return &link{p: p}, nil
	}
}

func (p *player) ended() error {
	return fmt.Errorf("replay %s: %w; start anew to play it again", p.o.File, ErrEnded)
}

// load reads a recording of either form.
func load(path string) ([]said, error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("open the recording %s: %w; correct the path", path, drivers.ErrAbsent)
	}
	if err != nil {
		return nil, fmt.Errorf("open the recording: %w", err)
	}
	defer f.Close()
	read := readWire
	if strings.EqualFold(filepath.Ext(path), ".csv") {
		read = readCSV
	}
	pieces, err := read(f)
	if err == nil && len(pieces) == 0 {
		err = errors.New("1: nothing was said in it")
	}
	if err != nil {
		return nil, fmt.Errorf("read the recording %s:%w", path, err)
	}
	return pieces, nil
}
