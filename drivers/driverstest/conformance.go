// Package driverstest is what every driver is tested with: the suite that each
// Protocol passes, conversations kept in files with the readings expected of
// them, and instruments played on a pseudo-terminal.
//
// It is for tests only. Values and units are compared as the instrument said
// them; the package converts nothing and must not judge what a value means.
package driverstest

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"ovenward/drivers"
)

const (
	chunkings = 50       // random ways to cut each case in pieces
	rubbish   = 400      // runs of noise
	patience  = 64 << 10 // bytes after which a protocol must hand out or drop something
)

// Case is what an instrument sent, and what is to be read in it.
type Case struct {
	Name  string
	Asked [][]byte // the requests that were sent, if any: all must be those of the protocol
	Sent  []byte   // all bytes from the instrument, in order
	Want  []Outcome
}

// Outcome is what comes of one frame.
type Outcome struct {
	Frame   string // as the instrument sent it
	Reading drivers.Reading
	Refused string // in the error, when the frame holds no reading
}

// Conformance fails t where p breaks the contract of drivers.Protocol, on the
// cases and on noise made of them. It is repeatable: the noise is the same in
// each run.
func Conformance(t *testing.T, p drivers.Protocol, cases ...Case) {
	t.Helper()
	request := bytes.Clone(p.Request())
	for _, c := range cases {
		t.Run(c.Name, func(t *testing.T) {
			checkAsked(t, append(otherRequests(p), request), c)
			got, err := Read(p, c.Sent)
			if err != nil {
				t.Fatal(err)
			}
			checkOutcomes(t, got, c.Want)
			if err := errors.Join(chunked(p, c.Sent, got), unreferenced(p, got)); err != nil {
				t.Error(err)
			}
		})
	}
	if err := errors.Join(withstands(p, cases), bounded(p)); err != nil {
		t.Error(err)
	}
	if !bytes.Equal(p.Request(), request) {
		t.Errorf("Request: %q at first and %q at last, want it stable", request, p.Request())
	}
}

// Read splits and parses all that was sent, and tells a breach of the contract.
func Read(p drivers.Protocol, sent []byte) ([]Outcome, error) {
	var f feed
	if err := f.add(p, sent); err != nil {
		return nil, err
	}
	out := make([]Outcome, 0, len(f.frames))
	for _, frame := range f.frames {
		o := Outcome{Frame: frame}
		r, err := Parse(p, []byte(frame))
		if err != nil {
			o.Refused = err.Error()
		} else {
			o.Reading = r
		}
		out = append(out, o)
	}
	return out, nil
}

// feed is a stream on its way through Split.
type feed struct {
	buf    []byte
	frames []string
}

// add brings a chunk. The buffer moves each time, so that a protocol that keeps
// a part of it is found out.
func (f *feed) add(p drivers.Protocol, chunk []byte) error {
	old := f.buf
	f.buf = append(bytes.Clone(old), chunk...)
	for i := range old {
		old[i] = '#'
	}
	for len(f.buf) > 0 {
		before := bytes.Clone(f.buf)
		n, frame := p.Split(f.buf)
		switch {
		case n < 0 || n > len(f.buf):
			return fmt.Errorf("consumed by Split: %d of %d bytes", n, len(f.buf))
		case n == 0 && frame != nil:
			return fmt.Errorf("handed out by Split: %q, but it consumed nothing", frame)
		case !bytes.Equal(before, f.buf):
			return fmt.Errorf("changed its buffer in Split: %q became %q", before, f.buf)
		case !within(frame, f.buf[:n]):
			return fmt.Errorf("handed out by Split: %q, no part of the %d bytes it consumed", frame, n)
		case n == 0:
			return nil
		}
		if frame != nil {
			f.frames = append(f.frames, string(frame))
		}
		f.buf = f.buf[n:]
	}
	return nil
}

// within tells whether part shares the memory of whole.
func within(part, whole []byte) bool {
	if len(part) == 0 {
		return true
	}
	for i := range whole {
		if &whole[i] == &part[0] {
			return i+len(part) <= len(whole)
		}
	}
	return false
}

func checkAsked(t *testing.T, requests [][]byte, c Case) {
	t.Helper()
	for i, asked := range c.Asked {
		if !slices.ContainsFunc(requests, func(r []byte) bool { return bytes.Equal(r, asked) }) {
			t.Errorf("request %d of the conversation is %q, the protocol asks %q", i+1, asked, requests)
		}
	}
}

func checkOutcomes(t *testing.T, got, want []Outcome) {
	t.Helper()
	for i := range max(len(got), len(want)) {
		switch {
		case i >= len(got):
			t.Errorf("frame %d: got none, want %+v", i+1, want[i])
		case i >= len(want):
			t.Errorf("frame %d: got %+v, want none", i+1, got[i])
		case got[i] != want[i]:
			t.Errorf("frame %d:\n got %+v\nwant %+v", i+1, got[i], want[i])
		}
	}
}

// chunked cuts the stream in pieces, byte by byte and at random, and tells
// where the frames differ from those of the whole.
func chunked(p drivers.Protocol, sent []byte, want []Outcome) error {
	rnd := rand.New(rand.NewPCG(1, 2))
	for round := range chunkings {
		var f feed
		for rest := sent; len(rest) > 0; {
			n := 1
			if round > 0 {
				n = 1 + rnd.IntN(min(len(rest), 1+round*8))
			}
			if err := f.add(p, rest[:n]); err != nil {
				return fmt.Errorf("chunking %d: %w", round, err)
			}
			rest = rest[n:]
		}
		same := slices.EqualFunc(f.frames, want, func(s string, o Outcome) bool { return s == o.Frame })
		if !same {
			return fmt.Errorf("chunking %d: frames %q, want those of the whole: %+v", round, f.frames, want)
		}
	}
	return nil
}

// Parse reads one frame by itself.
func Parse(p drivers.Protocol, frame []byte) (r drivers.Reading, err error) {
	err = p.Parse(frame, &r)
	return r, err
}

// unreferenced parses each frame from memory that is overwritten next, and into a reading
// that was used before.
func unreferenced(p drivers.Protocol, want []Outcome) error {
	for _, o := range want {
		frame := []byte(o.Frame)
		r, err := Parse(p, frame)
		if string(frame) != o.Frame {
			return fmt.Errorf("changed its frame in Parse: %q became %q", o.Frame, frame)
		}
		for i := range frame {
			frame[i] = '#'
		}
		if err != nil && err.Error() != o.Refused || err == nil && r != o.Reading {
			return fmt.Errorf("frame %q: %+v, %v once its memory was used again, want %+v", o.Frame, r, err, o)
		}
		was := drivers.Reading{Unit: "furlong", HasValue: true, HasAxes: true, HasTemp: true, Status: 0xff, TemperatureUnit: "K", BatteryUnit: "V"}
		if again := p.Parse([]byte(o.Frame), &was); err == nil && (again != nil || was != r) {
			return fmt.Errorf("leaves in a reading what was there before: %q is %+v, and %+v over another", o.Frame, r, was)
		}
	}
	return nil
}

// withstands feeds noise, and the cases with bytes lost, doubled and changed.
func withstands(p drivers.Protocol, cases []Case) error {
	rnd := rand.New(rand.NewPCG(3, 4))
	for round := range rubbish {
		noise := make([]byte, rnd.IntN(2000))
		for i := range noise {
			noise[i] = byte(rnd.Uint32())
		}
		if len(cases) > 0 && round%2 == 1 {
			noise = garble(rnd, cases[rnd.IntN(len(cases))].Sent)
		}
		if err := withstandsOne(p, noise); err != nil {
			return err
		}
	}
	return nil
}

func withstandsOne(p drivers.Protocol, noise []byte) (err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("noise %q: panic: %v", noise, r)
		}
	}()
	if _, err := Read(p, noise); err != nil {
		return fmt.Errorf("noise %q: %w", noise, err)
	}
	// Parse is to stand on its own feet, whatever Split would have kept back.
	if r, err := Parse(p, noise); err == nil && !r.HasValue && r.Status == 0 {
		return fmt.Errorf("Parse(%q): a reading with neither number nor status", noise)
	}
	return nil
}

func garble(rnd *rand.Rand, sent []byte) []byte {
	b := bytes.Clone(sent)
	for range 1 + rnd.IntN(8) {
		if len(b) == 0 {
			break
		}
		at := rnd.IntN(len(b))
		switch rnd.IntN(3) {
		case 0:
			b = slices.Delete(b, at, at+1)
		case 1:
			b = slices.Insert(b, at, b[rnd.IntN(len(b))])
		default:
			b[at] = byte(rnd.Uint32())
		}
	}
	return b
}

// bounded tells a protocol that asks for more without end, whatever byte is
// stuck on the line.
func bounded(p drivers.Protocol) error {
	for _, c := range []byte{0, ' ', '0', 'x', 0x7f, 0xff} {
		run := bytes.Repeat([]byte{c}, patience)
		if n, _ := p.Split(run); n == 0 {
			return fmt.Errorf("asks for more still, in Split, after %d bytes of %q", len(run), c)
		}
	}
	return nil
}
