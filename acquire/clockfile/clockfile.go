// Package clockfile carries what the kernel says of its wall clock, in a small
// file, from a program that may ask it to one that may not: the call that asks is
// the one that sets, and a filter of system calls cannot tell the two apart.
package clockfile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"syscall"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/quantity"
)

const (
	// Every is how long the writer waits between two words.
	Every = 2 * time.Second
	// Lasts is after which a word says nothing any more: five were missed.
	Lasts = 5 * Every

	growth     = 500 * time.Microsecond // of the kernel's bound, at each turn of its second (kernel/time/ntp.c: MAXFREQ; from memory)
	mostError  = 16 * time.Second       // at which the kernel calls its clock not synchronised (NTP_PHASE_LIMIT; from memory)
	stepBound  = 100 * time.Millisecond // beyond which the wall clock was set
	slewAtMost = 8                      // one in so many: time services slew by a twelfth at the most (common practice, no source)

	longest = 512 // bytes of a word
	form    = "boot=%s since_ns=%d wall=%s synchronised=%t maxerror_ns=%d\n"
)

// Instant is one moment on the clocks of one machine.
type Instant struct {
	Boot  string        // which start of the machine it is, as the kernel names it
	Since time.Duration // since that start, sleep included (CLOCK_BOOTTIME): nobody can set it
	Wall  time.Time     // without a monotonic reading
}

// ErrOtherStart is a word that was not given since this machine was started. A container
// may be shown a start of its own, which those of its services that see the machine's are not.
var ErrOtherStart = errors.New("its word is of an earlier start of this machine")

// Clocks reads the clocks of this machine.
type Clocks func() (Instant, error)

// Word is what the kernel said, and a moment just before it was asked.
type Word struct {
	Asked Instant
	Said  acquire.ClockState
}

// Format is the word as its file holds it: one line, whole with its end.
func (w Word) Format() []byte {
	return fmt.Appendf(nil, form, w.Asked.Boot, w.Asked.Since.Nanoseconds(), w.Asked.Wall.UTC().Format(time.RFC3339Nano), w.Said.Synchronised, w.Said.MaxError.Nanoseconds())
}

var errNoWord = errors.New("it holds no word of ours")

// Parse reads what Format wrote, and refuses all else: any other form, a part of a
// word, more than a word, and what no kernel says.
func Parse(text []byte) (Word, error) {
	var boot, wall string
	var since, bound int64
	var w Word
	if _, err := fmt.Sscanf(string(text), form, &boot, &since, &wall, &w.Said.Synchronised, &bound); err != nil {
		return Word{}, errNoWord
	}
	at, err := time.Parse(time.RFC3339Nano, wall)
	if err != nil || boot == "" || since < 0 || bound < 0 || bound > math.MaxInt64/2 {
		return Word{}, errNoWord
	}
	w.Asked = Instant{Boot: boot, Since: time.Duration(since), Wall: at}
	w.Said.MaxError = time.Duration(bound)
	if string(w.Format()) != string(text) {
		return Word{}, errNoWord
	}
	return w, nil
}

// At is what the word amounts to at a later moment: the bound has grown as the
// kernel's own, and never less. An error says why it amounts to nothing.
func (w Word) At(now Instant) (acquire.ClockState, error) {
	age := now.Since - w.Asked.Since
	moved := now.Wall.Sub(w.Asked.Wall) - age
	switch {
	case w.Asked.Boot != now.Boot:
		return acquire.ClockState{}, ErrOtherStart
	case age < 0:
		return acquire.ClockState{}, errors.New("its word is of a time that has not come")
	case age > Lasts:
		return acquire.ClockState{}, fmt.Errorf("its word is %s old, and holds for %s", quantity.FormatDuration(age.Round(time.Second)), quantity.FormatDuration(Lasts))
	case moved.Abs() > stepBound+age/slewAtMost:
		return acquire.ClockState{}, fmt.Errorf("the wall clock was set by %s since its word", quantity.FormatDuration(moved.Round(time.Millisecond)))
	}
	s := w.Said
	s.MaxError += (age/time.Second + 1) * growth
	s.Synchronised = s.Synchronised && s.MaxError < mostError
	return s, nil
}

// Source is what a station asks in place of the kernel. While there is no word, or
// none that holds, it is an error that says why and what mends it.
func Source(path string, clocks Clocks) acquire.ClockSource {
	return func() (acquire.ClockState, error) {
		state, err := ask(path, clocks)
		if err != nil {
			err = fmt.Errorf("%s does not say whether the wall clock is synchronised (%w): see that ovenward clock --file=%s runs (systemctl restart ovenward-clock)", path, err, path)
		}
		return state, err
	}
}

func ask(path string, clocks Clocks) (acquire.ClockState, error) {
	text, err := read(path)
	if err != nil {
		return acquire.ClockState{}, err
	}
	w, err := Parse(text)
	if err != nil {
		return acquire.ClockState{}, err
	}
	now, err := clocks() // after the word was read: it is rather too old than too young
	if err != nil {
		return acquire.ClockState{}, err
	}
	return w.At(now)
}

// read never waits: a pipe in place of the file is refused.
func read(path string) ([]byte, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if pathErr, is := errors.AsType[*fs.PathError](err); is {
		err = pathErr.Err // whose path it is, Source says
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if info, err := f.Stat(); err != nil || !info.Mode().IsRegular() {
		return nil, errors.New("it is no file")
	}
	return io.ReadAll(io.LimitReader(f, longest))
}

// Write puts a word in place of the one before, which stays whole until then.
// Everybody may read it. There may be one writer.
func Write(path string, w Word) (err error) {
	beside := path + ".new"
	f, err := os.OpenFile(beside, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(w.Format())
	if modeErr := f.Chmod(0o644); err == nil {
		err = modeErr // what the umask took
	}
	if closeErr := f.Close(); err == nil {
		err = closeErr
	}
	if err != nil {
		return err
	}
	return os.Rename(beside, path)
}

// Renew asks the kernel and writes down what it said.
func Renew(path string, clocks Clocks, kernel acquire.ClockSource) error {
	asked, err := clocks() // before: the word is rather too old than too young
	if err != nil {
		return err
	}
	said, err := kernel()
	if err != nil {
		return err
	}
	if err := Write(path, Word{asked, said}); err != nil {
		return fmt.Errorf("writing down what the kernel says of its clock: %w", err)
	}
	return nil
}
