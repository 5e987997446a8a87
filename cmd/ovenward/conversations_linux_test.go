package main

import (
	"bytes"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/config"
	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/plugged"
	"ovenward/drivers/wire"
)

var update = flag.Bool("update", false, "write the readings wanted of each testdata/wire/*.wire anew")

// TestConversations plays each kept conversation on a pty, reads it through the
// driver and settings that its header names, and compares with the readings
// wanted of it, in the file beside it that ends in .golden. A new conversation of
// any driver is a file more.
func TestConversations(t *testing.T) {
	files, err := filepath.Glob("../../testdata/wire/*.wire")
	if err != nil || len(files) < 3 {
		t.Fatalf("%d conversations, %v", len(files), err)
	}
	for _, path := range files {
		t.Run(filepath.Base(path), func(t *testing.T) {
			t.Parallel()
			got := converse(t, path)
			golden := strings.TrimSuffix(path, ".wire") + ".golden"
			if *update {
				if err := os.WriteFile(golden, got, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatalf("%v; run the test with -update to write it, then read it over", err)
			}
			if !bytes.Equal(got, want) {
				t.Errorf("got\n%s\nwant\n%s", got, want)
			}
		})
	}
}

// converse plays one conversation and returns what is read, an object a line.
func converse(t *testing.T, path string) []byte {
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	c, err := wire.Parse(f)
	if err != nil {
		t.Fatalf("%s:%v", path, err)
	}
	if c.Header.Name == "" || c.Header.Obtained == "" || c.Header.Date.IsZero() || c.Header.Driver == "" {
		t.Fatalf("%s: the header lacks name, obtained, date or driver", path)
	}
	p := driverstest.OpenPTY(t)
	probe, _, err := config.Trial{Driver: c.Header.Driver, Port: p.Path, Set: c.Header.Set}.Read()
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	tr, err := newTrial(probe, plugged.Tree{}, nil)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	encode := json.NewEncoder(&out)
	encode.SetEscapeHTML(false)
	tr.told = func(text string) { _ = encode.Encode(map[string]string{"told": text}) }
	tr.tell = func(o outcome) {
		r := o.object()
		r.At, r.Within, r.RoundTrip, r.S = "", 0, 0, nil // of today, and what follows from value and unit
		_ = encode.Encode(r)
	}
	played := make(chan error, 1)
	ready := make(chan struct{})
	dial := tr.dial
	tr.dial = func(ctx context.Context) (l drivers.Link, err error) {
		if l, err = dial(ctx); err == nil {
			close(ready) // what was said before the opening is dropped
		}
		return l, err
	}
	go func() { <-ready; played <- play(p, c.Lines) }()
	if err := hearOut(t.Context(), tr, c, played); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return out.Bytes()
}

// hearOut reads until the conversation is over.
func hearOut(ctx context.Context, tr *trial, c wire.Conversation, played chan error) error {
	if tr.probe.Period > 0 {
		asked := 0
		for _, l := range c.Lines {
			if l.Sent && bytes.Equal(l.Bytes, tr.probe.Protocol.Request()) {
				asked++
			}
		}
		if err := tr.run(ctx, asked); err != nil {
			return err
		}
		return <-played
	}
	link, err := tr.dial(ctx)
	if err != nil {
		return err
	}
	defer link.Close()
	for over := false; ; {
		n, err := tr.listen(link, 0)
		if err != nil || over && n == 0 {
			return err
		}
		select {
		case err := <-played:
			if over = true; err != nil {
				return err
			}
		default:
		}
	}
}

// play says what the instrument said, and hears what was sent to it. Where a line
// has an instant, it is said as long after the line before it as then.
func play(p *driverstest.PTY, lines []wire.Line) error {
	last := time.Now()
	for i, l := range lines {
		if l.Sent {
			heard := make([]byte, len(l.Bytes))
			p.Master.SetReadDeadline(time.Now().Add(20 * time.Second))
			if _, err := io.ReadFull(p.Master, heard); err != nil {
				return fmt.Errorf("line %d of the conversation: waiting for %q: %w", i+1, l.Bytes, err)
			}
			if !bytes.Equal(heard, l.Bytes) {
				return fmt.Errorf("line %d of the conversation: the instrument heard %q, want %q", i+1, heard, l.Bytes)
			}
			last = time.Now()
			continue
		}
		if i > 0 && l.Timed && lines[i-1].Timed {
			<-time.After(time.Until(last.Add(l.At - lines[i-1].At)))
		}
		p.Master.SetWriteDeadline(time.Now().Add(20 * time.Second))
		if _, err := p.Master.Write(l.Bytes); err != nil {
			return fmt.Errorf("line %d of the conversation: %w", i+1, err)
		}
		last = time.Now()
	}
	return nil
}
