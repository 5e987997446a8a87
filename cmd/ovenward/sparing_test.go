package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// sparingLog is a sparing at work in a bubble, and what it wrote.
func sparingLog(t *testing.T) (log *slog.Logger, wrote *logged, end func()) {
	t.Helper()
	wrote = &logged{}
	s := newSparing(time.Now)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- s.Run(ctx) }()
	end = func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	drop := func(_ []string, a slog.Attr) slog.Attr {
		if a.Key == slog.TimeKey {
			return slog.Attr{}
		}
		return a
	}
	return s.log(slog.New(slog.NewTextHandler(wrote, &slog.HandlerOptions{Level: slog.LevelDebug, ReplaceAttr: drop}))), wrote, end
}

// A flood is one line at once and one a minute, with how many there were; what is
// still counted at the end is told then.
func TestFloodIsSummedInTheLog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log, wrote, end := sparingLog(t)
		for i := range 100_000 {
			log.Warn("a change was refused", "from", fmt.Sprintf("192.0.2.1:%d", i))
		}
		log.Error("another thing")
		if got, want := wrote.String(), "level=WARN msg=\"a change was refused\" from=192.0.2.1:0\nlevel=ERROR msg=\"another thing\"\n"; got != want {
			t.Errorf("at once: %s", got)
		}
		begun := wrote.String()
		time.Sleep(sumEvery + time.Second)
		first, _ := strings.CutPrefix(wrote.String(), begun)
		if first != "level=WARN msg=\"a change was refused\" from=192.0.2.1:99999 times=99999\n" {
			t.Errorf("after a minute: %s", first)
		}
		for range 7 { // the minute that goes on has its sum too
			log.Warn("a change was refused", "from", "192.0.2.2")
		}
		end()
		if rest, _ := strings.CutPrefix(wrote.String(), begun+first); rest != "level=WARN msg=\"a change was refused\" from=192.0.2.2 times=7\n" {
			t.Errorf("at the end: %s", rest)
		}
	})
}

// After a quiet minute the next line is written at once again.
func TestQuietLogIsWrittenAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log, wrote, end := sparingLog(t)
		defer end()
		for range 3 {
			log.Warn("a change was refused")
			time.Sleep(sumEvery)
		}
		if n := strings.Count(wrote.String(), "\n"); n != 3 || strings.Contains(wrote.String(), "times") {
			t.Errorf("%s", wrote)
		}
	})
}

// Whoever thinks of ever new lines is bounded too, and what was done by those who may
// is always told.
func TestKindsOfLinesAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		log, wrote, end := sparingLog(t)
		errorLog := slog.NewLogLogger(log.Handler(), slog.LevelDebug)
		for i := range 1000 {
			errorLog.Printf("http: TLS handshake error from 192.0.2.1:%d: EOF", i)
		}
		if n := strings.Count(wrote.String(), "\n"); n != 1 {
			t.Errorf("%d lines of one kind of net/http's", n)
		}
		for i := range 1000 {
			log.With("a", 1).WithGroup("g").Warn(fmt.Sprint("line ", i))
		}
		if n := strings.Count(wrote.String(), "\n"); n != mostKinds+1 {
			t.Errorf("%d lines of a thousand kinds", n)
		}
		for range 1000 {
			log.Info("a change was made")
		}
		if n := strings.Count(wrote.String(), "a change was made"); n != 1000 {
			t.Errorf("%d changes are told, of 1000", n)
		}
		end()
		if !strings.Contains(wrote.String(), "times=999") || !strings.Contains(wrote.String(), fmt.Sprintf("times=%d", 1000-mostKinds)) {
			t.Errorf("not all are counted: %.2000s", wrote)
		}
	})
}

// Through the whole daemon: changes that are refused do not fill the log.
func TestRefusedChangesDoNotFillTheLog(t *testing.T) {
	t.Parallel()
	d := startDaemon(t, settings{storagePath: t.TempDir()})
	const flood = 300
	for i := range flood {
		path := []string{"/api/v1/ovens/counter/withdraw", "/-/reload", "/api/v1/probes"}[i%3]
		r, err := http.NewRequest(http.MethodPost, "http://"+d.Addr()+path, strings.NewReader("{}"))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Origin", "http://elsewhere.example")
		r.Header.Set("Sec-Fetch-Site", "cross-site")
		a, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		_, _ = io.Copy(io.Discard, a.Body)
		a.Body.Close()
		if a.StatusCode/100 != 4 {
			t.Fatalf("POST %s from elsewhere: %s", path, a.Status)
		}
	}
	d.stop(t)
	lines, times := 0, 0
	for line := range strings.Lines(d.log.String()) {
		if strings.Contains(line, "was refused") {
			lines++
			n := 1
			if _, said, ok := strings.Cut(line, "times="); ok {
				if _, err := fmt.Sscan(said, &n); err != nil {
					t.Error(err)
				}
			}
			times += n
		}
	}
	if lines < 2 || lines > 12 || times != flood {
		t.Errorf("%d lines tell of %d refusals; %d were made", lines, times, flood)
	}
}
