package notify

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/store"
	"ovenward/drivers"
)

// fed is a probe that talks by itself: it says what it is fed.
type fed struct{ lines chan string }

func (f *fed) dial(context.Context) (drivers.Link, error) { return f, nil }
func (f *fed) Send([]byte, time.Time) (t time.Time, dropped int, err error) {
	return time.Now(), 0, nil
}
func (f *fed) Close() error { return nil }

func (f *fed) Receive(split func([]byte) (int, []byte), end time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	late := time.NewTimer(time.Until(end))
	defer late.Stop()
	select {
	case line := <-f.lines:
		_, frame := split([]byte(line))
		return append(dst, drivers.Frame{Bytes: frame, Arrived: time.Now()}), nil
	case <-late.C:
		return dst, drivers.ErrTimeout
	}
}

// bell is a webhook that says when the first byte of a raised exceedance came.
func bell(b *testing.B) (url string, rung chan time.Time) {
	b.Helper()
	rung = make(chan time.Time, 1)
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		at := r.Context().Value(arrival{}).(*stamped).next() // with the body read: what comes then is the next
		if strings.Contains(string(body), `"reason":"raised"`) {
			rung <- at
		}
	}))
	s.Listener = stampedListener{s.Listener}
	s.Config.ConnContext = func(ctx context.Context, c net.Conn) context.Context {
		return context.WithValue(ctx, arrival{}, c)
	}
	s.Start()
	b.Cleanup(s.Close)
	return s.URL, rung
}

// stamped notes when the first byte of each request came: a server hands one on only
// once it has read and understood its head.
type stamped struct {
	net.Conn
	mu sync.Mutex
	at time.Time
}

type (
	arrival         struct{}
	stampedListener struct{ net.Listener }
)

func (l stampedListener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	return &stamped{Conn: c}, err
}

func (s *stamped) Read(b []byte) (int, error) {
	n, err := s.Conn.Read(b)
	now := time.Now()
	s.mu.Lock()
	defer s.mu.Unlock()
	if n > 0 && s.at.IsZero() {
		s.at = now
	}
	return n, err
}

// next is when the request began that came last, and has the next one noted.
func (s *stamped) next() (began time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	began, s.at = s.at, time.Time{}
	return began
}

func report(b *testing.B, took []time.Duration) {
	slices.Sort(took)
	at := func(q float64) float64 { return took[int(q*float64(len(took)-1))].Seconds() * 1e3 }
	b.ReportMetric(at(0.5), "p50-ms")
	b.ReportMetric(at(0.99), "p99-ms")
	b.ReportMetric(at(1), "max-ms")
}

// rested is how long all is quiet before an alarm, as it is in life: disk and
// processor take longer for what comes after a rest.
const rested = 20 * time.Millisecond

// From the last byte of the offending reading to the first byte of the webhook's
// request, with the alarm durable before: station, judgement, record and courier.
// The alarm is reset each time. Beside it, in the same run, is the least that Go
// can do: parse, append to a file, fdatasync, POST. It rests as long before each
// alarm; how much that alone costs shows beside it, where it goes on at once. To be
// reached: p50 2 ms, p99 6 ms.
func BenchmarkReadingToWebhook(b *testing.B) {
	b.Run("ovenward", func(b *testing.B) {
		url, rung := bell(b)
		p := &fed{lines: make(chan string)}
		post := dayPosts(time.Now())[0]
		post.Probe.Dial, post.Probe.Period = p.dial, 0
		post.Sustained.Clear, post.RunGap = time.Millisecond, time.Millisecond
		station := benchStation(b, post, url)
		took := make([]time.Duration, 0, b.N)
		for b.Loop() {
			began := time.Now()
			p.lines <- "OVER\n"
			took = append(took, (<-rung).Sub(began))
			calm(b, station, p)
		}
		report(b, took)
	})
	b.Run("bare", func(b *testing.B) { bare(b, rested) })
	b.Run("bare-at-once", func(b *testing.B) { bare(b, 0) })
}

// bare is the least that Go can do, with a rest before each alarm.
func bare(b *testing.B, rest time.Duration) {
	url, rung := bell(b)
	f, err := os.Create(filepath.Join(b.TempDir(), "bare"))
	if err != nil {
		b.Fatal(err)
	}
	defer f.Close()
	lines := make(chan string)
	var all sync.WaitGroup
	all.Go(func() {
		for line := range lines {
			body := fmt.Sprintf(`{"reason":"raised","value":%q}`, strings.TrimSpace(line))
			if _, err := f.WriteString(body + "\n"); err != nil {
				b.Error(err)
			}
			if err := unix.Fdatasync(int(f.Fd())); err != nil {
				b.Error(err)
			}
			resp, err := http.Post(url, "application/json", strings.NewReader(body))
			if err != nil {
				b.Error(err)
				continue
			}
			io.Copy(io.Discard, resp.Body)
			resp.Body.Close()
		}
	})
	took := make([]time.Duration, 0, b.N)
	for b.Loop() {
		<-time.After(rest)
		began := time.Now()
		lines <- "OVER\n"
		took = append(took, (<-rung).Sub(began))
	}
	close(lines)
	all.Wait()
	report(b, took)
}

// benchStation runs station, record and courier until the benchmark ends.
func benchStation(b *testing.B, post acquire.Post, url string) *acquire.Station {
	s, err := store.Open(b.TempDir(), store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	posts := []acquire.Post{post}
	if err := s.Register(posts, time.Now()); err != nil {
		b.Fatal(err)
	}
	station, err := acquire.New(acquire.Options{Posts: posts, Recorder: s, Log: slog.New(slog.DiscardHandler), Now: time.Now,
		Past: func(int) (acquire.Past, error) { return s.Past(0, time.Minute) }})
	if err != nil {
		b.Fatal(err)
	}
	carrier, err := NewWebhook(WebhookOptions{URL: url})
	if err != nil {
		b.Fatal(err)
	}
	c, err := New(Options{Carrier: carrier, Machine: true, Outbox: s, Site: "Larkfield House", Posts: posts})
	if err != nil {
		b.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var all sync.WaitGroup
	all.Go(func() { c.Run(ctx) })
	all.Go(func() { station.Run(ctx) })
	b.Cleanup(func() {
		cancel()
		all.Wait()
		s.Close()
	})
	for {
		if first, err := s.Cursor(ctx, "webhook.first"); err == nil && first > 0 {
			return station
		}
		<-time.After(time.Millisecond)
	}
}

// calm feeds small values until the exceedance has latched, and resets it. Then
// all is quiet for a moment, as before an alarm.
func calm(b *testing.B, station *acquire.Station, p *fed) {
	for i := 0; ; i++ {
		p.lines <- fmt.Sprintf("0.0%d\n", 2+i%2)
		<-time.After(3 * time.Millisecond)
		for _, a := range station.Alarms() {
			if a.Rule == alarm.Exceeds && a.State == alarm.LatchedUnacknowledged {
				if err := station.Reset(a.ID, "M. Ito", "survey 118"); err != nil {
					b.Fatal(err)
				}
				<-time.After(rested)
				return
			}
		}
	}
}
