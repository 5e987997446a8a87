package simulate

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"time"
)

const (
	lineEnd = "\r\n"
	// longestCommand bounds what the instrument keeps of a line that does not
	// end; the rest of such a line is thrown away.
	longestCommand = 64
)

// Serve is the instrument on its line. In textline it answers "READ?" (ended by
// CR or LF, in any pieces) with one line, any other command with "?", and talks
// by itself instead when its spec says so; it can speak SCPI and Modbus RTU. A
// client that does not read loses lines and
// holds nothing up; that is up to line, whose Write must not block for ever.
// Serve ends when ctx ends, with nil, or when the line fails, and closes line.
func (p *Probe) Serve(ctx context.Context, line io.ReadWriteCloser) error {
	ctx, cancel := context.WithCancel(ctx)
	var talker sync.WaitGroup
	var talked error
	if p.spec.Stream > 0 {
		talker.Go(func() {
			talked = p.stream(ctx, line)
			cancel() // a line that cannot be written to is of no use
		})
	}
	closed := make(chan struct{})
	context.AfterFunc(ctx, func() {
		_ = line.Close() // the way to end a Read that waits; the end is no failure
		close(closed)
	})
	heard := p.listen(line)
	ended := ctx.Err() != nil
	cancel()
	talker.Wait()
	<-closed
	if talked != nil || ended {
		return talked
	}
	return heard
}

// listen hears what comes on line, and answers it, until line fails.
func (p *Probe) listen(line io.ReadWriter) error {
	var chunk [256]byte
	language := p.language()
	for {
		n, err := line.Read(chunk[:])
		if werr := language.hear(line, chunk[:n]); werr != nil {
			return werr
		}
		if err != nil {
			return fmt.Errorf("simulated probe %s: reading from its line: %w", p.spec.ID, err)
		}
	}
}

// answer answers one command.
func (p *Probe) answer(line io.Writer, command []byte) error {
	if !bytes.EqualFold(bytes.TrimSpace(command), []byte("READ?")) {
		return p.say(line, "?")
	}
	return p.read(line, p.kitchen.options.Now())
}

// read takes a reading and says it.
func (p *Probe) read(line io.Writer, now time.Time) error {
	return p.say(line, p.tell(now).Line)
}

// tell takes a reading, and tells it to whoever wants to know the truth.
func (p *Probe) tell(now time.Time) Answer {
	a := p.take(now)
	if told := p.kitchen.options.OnAnswer; told != nil {
		told(a)
	}
	return a
}

// say writes one line.
func (p *Probe) say(line io.Writer, text string) error {
	return p.write(line, []byte(text+lineEnd))
}

// write writes an answer. What a client did not make room for is lost, as it
// would be on a wire.
func (p *Probe) write(line io.Writer, answer []byte) error {
	_, err := line.Write(answer)
	if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
		return fmt.Errorf("simulated probe %s: writing to its line: %w", p.spec.ID, err)
	}
	return nil
}

// stream talks at the spec's rate until ctx ends, on an absolute schedule. A
// line whose time has passed while an earlier one was written is left out.
func (p *Probe) stream(ctx context.Context, line io.Writer) error {
	period := time.Duration(float64(time.Second) / p.spec.Stream)
	began := p.kitchen.options.Now()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C:
		}
		now := p.kitchen.options.Now()
		if err := p.read(line, now); err != nil {
			if ctx.Err() != nil {
				return nil // the line was closed because the end has come
			}
			return err
		}
		since := p.kitchen.options.Now().Sub(began)
		timer.Reset(period - since%period)
	}
}
