package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/config"
	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/plugged"
	"ovenward/drivers/replay"
	"ovenward/drivers/wire"
)

var update = flag.Bool("update", false, "write the readings wanted of each testdata/wire/*.wire anew")

// TestConversations plays each kept conversation to the driver and settings that
// its header names, and compares with the readings wanted of it, in the file
// beside it that ends in .golden. A new conversation of any driver is a file more.
//
// The header may say over what it is played (# over:). Without it that is a
// terminal as a serial line. "tcp" is a connection on this machine. "usbtmc" and
// "hidraw" are a terminal that stands for the device file: one reply to a question,
// and no report before the last one was read, as the kernel keeps them apart.
// "replay:FILE" is the driver's own way of playing a recording.
func TestConversations(t *testing.T) {
	files, err := filepath.Glob("../../testdata/wire/*.wire")
	if err != nil {
		t.Fatal(err)
	}
	played := map[string]int{}
	var all []*talk
	var wg sync.WaitGroup
	for _, path := range files {
		kind, _, _ := strings.Cut(filepath.Base(path), "-")
		if strings.HasPrefix(filepath.Base(path), "modbus-") {
			kind = filepath.Base(path)[:len("modbus-tcp")]
		}
		played[kind]++
		k := newTalk(t, path)
		all = append(all, k)
		wg.Go(k.hold) // they wait much and work little: all at once
	}
	wg.Wait()
	for _, k := range all {
		t.Run(filepath.Base(k.path), k.compare)
	}
	for _, kind := range []string{"textline", "scpi", "modbus-rtu", "modbus-tcp", "hid", "usbtmc", "replay"} {
		if played[kind] < 3 {
			t.Errorf("%d conversations of %s, want three at least", played[kind], kind)
		}
	}
}

// kept is a conversation, and over what it is played.
type kept struct {
	wire.Conversation
	over string
}

func readKept(t *testing.T, path string) (c kept) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if c.Conversation, err = wire.Parse(bytes.NewReader(text)); err != nil {
		t.Fatalf("%s:%v", path, err)
	}
	if c.Header.Name == "" || c.Header.Obtained == "" || c.Header.Date.IsZero() || c.Header.Driver == "" {
		t.Fatalf("%s: the header lacks name, obtained, date or driver", path)
	}
	if m := regexp.MustCompile(`(?m)^# over: (.+)$`).FindSubmatch(text); m != nil {
		c.over = string(m[1])
	}
	return c
}

// talk is one conversation being held.
type talk struct {
	path  string
	c     kept
	trial *trial
	said  func() error // the instrument's side

	out bytes.Buffer // what is read, an object a line
	err error
}

func newTalk(t *testing.T, path string) *talk {
	k := &talk{path: path, c: readKept(t, path)}
	var heard atomic.Int64 // reads that brought something
	var port string
	port, k.said = stage(t, k.c, filepath.Dir(path), &heard)
	probe, _, err := config.Trial{Driver: k.c.Header.Driver, Port: port, Set: k.c.Header.Set}.Read()
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	tap := func(sent bool, _ []byte, _ time.Time) {
		if !sent {
			heard.Add(1)
		}
	}
	if k.trial, err = newTrial(probe, plugged.Tree{}, tap); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	encode := json.NewEncoder(&k.out)
	encode.SetEscapeHTML(false)
	k.trial.told = func(text string) { _ = encode.Encode(map[string]string{"told": text}) }
	k.trial.tell = func(o outcome) {
		r := o.object()
		r.At, r.Within, r.RoundTrip, r.S = "", 0, 0, nil // of today, and what follows from value and unit
		_ = encode.Encode(r)
	}
	return k
}

// hold plays it and hears it out.
func (k *talk) hold() {
	played := make(chan error, 1)
	ready := make(chan struct{})
	dial := k.trial.dial
	k.trial.dial = func(ctx context.Context) (l drivers.Link, err error) {
		if l, err = dial(ctx); err == nil {
			close(ready) // what was said before the opening is dropped
		}
		return l, err
	}
	go func() { <-ready; played <- k.said() }()
	if k.err = hearOut(context.Background(), k.trial, k.c.Conversation, played); errors.Is(k.err, replay.ErrEnded) {
		k.err = nil
	}
}

// compare holds what was read against what is wanted.
func (k *talk) compare(t *testing.T) {
	if k.err != nil {
		t.Fatal(k.err)
	}
	golden := strings.TrimSuffix(k.path, ".wire") + ".golden"
	if *update {
		if err := os.WriteFile(golden, k.out.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatalf("%v; run the test with -update to write it, then read it over", err)
	}
	if !bytes.Equal(k.out.Bytes(), want) {
		t.Errorf("got\n%s\nwant\n%s", &k.out, want)
	}
}

// stage makes the place at which a conversation is heard; said plays it there.
func stage(t *testing.T, c kept, dir string, heard *atomic.Int64) (port string, said func() error) {
	at := func(int64) bool { return true }
	switch rest, replayed := strings.CutPrefix(c.over, replay.Prefix); {
	case replayed:
		return replay.Prefix + filepath.Join(dir, rest), func() error { return nil }
	case c.over == "tcp":
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { l.Close() })
		return "tcp://" + l.Addr().String(), func() error {
			conn, err := l.Accept()
			if err != nil {
				return err
			}
			t.Cleanup(func() { conn.Close() })
			return play(conn, at, c.Lines)
		}
	}
	p := driverstest.OpenPTY(t)
	port = p.Path
	switch c.over {
	case "":
	case "usbtmc":
		port = c.over + ":" + p.Path
	case "hidraw":
		port, at = c.over+":"+p.Path, func(said int64) bool { return heard.Load() >= said }
	default:
		t.Fatalf("over: nobody knows how to play over %q", c.over)
	}
	return port, func() error { return play(p.Master, at, c.Lines) }
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

// farEnd is the instrument's end of a line.
type farEnd interface {
	io.ReadWriter
	SetReadDeadline(time.Time) error
	SetWriteDeadline(time.Time) error
}

// play says what the instrument said, as soon as it can be taken, and hears what
// was sent to it; taken says whether so many pieces have been read. Where a line has an instant, it is said as long after the line
// before it as then.
func play(p farEnd, taken func(said int64) bool, lines []wire.Line) error {
	last, said := time.Now(), int64(0)
	for i, l := range lines {
		if l.Sent {
			heard := make([]byte, len(l.Bytes))
			p.SetReadDeadline(time.Now().Add(20 * time.Second))
			if _, err := io.ReadFull(p, heard); err != nil {
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
		for give := time.Now().Add(20 * time.Second); !taken(said); <-time.After(time.Millisecond) {
			if time.Now().After(give) {
				return fmt.Errorf("line %d of the conversation: nobody takes what was said before it", i+1)
			}
		}
		p.SetWriteDeadline(time.Now().Add(20 * time.Second))
		said++
		if _, err := p.Write(l.Bytes); err != nil {
			return fmt.Errorf("line %d of the conversation: %w", i+1, err)
		}
		last = time.Now()
	}
	return nil
}
