package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"ovenward/acquire/alarm"
	"ovenward/cmd/internal/advice"
)

// deadline bounds every waiting of these tests, which is for real time.
const deadline = 20 * time.Second

// request is what a webhook received.
type request struct {
	Message
	header http.Header
	at     time.Time
}

// hook is a webhook on a real port. answer says how to answer the n-th request.
type hook struct {
	*httptest.Server
	got chan request
}

func newHook(t *testing.T, answer func(n int, w http.ResponseWriter, r *http.Request)) *hook {
	t.Helper()
	h := &hook{got: make(chan request, 1000)}
	var mu sync.Mutex
	n := 0
	h.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		q := request{header: r.Header.Clone(), at: time.Now()}
		if err := json.NewDecoder(r.Body).Decode(&q.Message); err != nil {
			t.Errorf("the message is no JSON: %v", err)
		}
		mu.Lock()
		n++
		mine := n
		mu.Unlock()
		h.got <- q
		answer(mine, w, r)
	}))
	t.Cleanup(h.Server.Close)
	return h
}

func (h *hook) next(t *testing.T) request {
	t.Helper()
	select {
	case r := <-h.got:
		return r
	case <-time.After(deadline):
		t.Fatalf("no request within %s", deadline)
		return request{}
	}
}

func status(code int) func(int, http.ResponseWriter, *http.Request) {
	return func(_ int, w http.ResponseWriter, _ *http.Request) { w.WriteHeader(code) }
}

// thenOK answers the first request as first does, and accepts all others.
func thenOK(first func(w http.ResponseWriter, r *http.Request)) func(int, http.ResponseWriter, *http.Request) {
	return func(n int, w http.ResponseWriter, r *http.Request) {
		if n == 1 {
			first(w, r)
		}
	}
}

// courier runs over real HTTP; it waits but a moment after a failure. The
// returned function ends it and gives its last state.
func courier(t *testing.T, box *outbox, w WebhookOptions) (end func() Stats, log *bytes.Buffer) {
	t.Helper()
	carrier, err := NewWebhook(w)
	if err != nil {
		t.Fatal(err)
	}
	return courierOf(t, box, carrier)
}

func courierOf(t *testing.T, box *outbox, carrier Carrier) (end func() Stats, log *bytes.Buffer) {
	t.Helper()
	log = &bytes.Buffer{}
	o := Options{Outbox: box, Carrier: carrier, Machine: true, Link: "https://larkfield.example/page"}
	box.cursors["webhook.first"] = 1 // nothing is past: not its first start
	o.Site, o.Posts = "Larkfield House", larkfield()
	o.Log = slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	c, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	c.wait = func(int) time.Duration { return time.Millisecond }
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	return func() Stats {
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(deadline):
			t.Fatal("Run does not end")
		}
		return c.Stats()
	}, log
}

// settled waits until all is accepted or refused.
func settled(t *testing.T, box *outbox, id int64) {
	t.Helper()
	for end := time.After(deadline); box.cursor("webhook") < id; {
		select {
		case <-time.After(time.Millisecond):
		case <-end:
			t.Fatalf("cursor %d after %s, want %d", box.cursor("webhook"), deadline, id)
		}
	}
}

func TestAccepted(t *testing.T) {
	h := newHook(t, status(http.StatusNoContent))
	box := newOutbox()
	token := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(token, []byte("first-token\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	end, _ := courier(t, box, WebhookOptions{URL: h.URL + "/hook", Token: Secret{File: token}})
	box.happen(raised(7, alarm.Exceeds, at(3)))
	got := h.next(t)
	settled(t, box, 1)
	if err := os.WriteFile(token, []byte("second-token"), 0o600); err != nil {
		t.Fatal(err)
	}
	box.happen(raised(7, alarm.Silent, at(4)))
	second := h.next(t)
	settled(t, box, 2)

	for name, want := range map[string]string{"Content-Type": "application/json", "Authorization": "Bearer first-token",
		"Idempotency-Key": "Larkfield%20House/post-7.exceeds.1/1", "User-Agent": "ovenward"} {
		if v := got.header.Get(name); v != want {
			t.Errorf("header %s is %q, want %q", name, v, want)
		}
	}
	if v := second.header.Get("Authorization"); v != "Bearer second-token" {
		t.Errorf("after the token changed: %q", v)
	}
	m := got.Message
	if m.Version != 1 || m.MessageID != got.header.Get("Idempotency-Key") || m.EventID != 1 || m.ID != "post-7.exceeds.1" ||
		m.Site != "Larkfield House" || m.Post != "post-7" || m.Oven != "oven-7" || m.Place != "main kitchen" || m.Probe != "p7" ||
		m.Rule != alarm.Exceeds || m.Priority != alarm.High || m.State != alarm.Unacknowledged || m.From != alarm.Normal ||
		m.Reason != alarm.Raised || !m.At.Equal(at(3)) || !m.Since.Equal(at(0)) || !m.Recorded || m.Simulated || m.AndNMore != 0 {
		t.Errorf("message %+v", m)
	}
	if m.Value != "7.2 mW/cm² (72 W/m²)" || *m.ValueSI != 72 || m.Limit != "5 mW/cm² (50 W/m²)" || *m.LimitSI != 50 || *m.Ratio != 1.44 ||
		*m.UncertaintySI != 11 || m.LimitID != "leak-in-use" || m.LimitSource == "" || len(m.Reasons) != 1 || m.Outcome != "exceeds" {
		t.Errorf("grounds %+v", m.Grounds)
	}
	if m.Caution != Caution || m.Link != "https://larkfield.example/page/posts/post-7" || !strings.Contains(m.Text, advice.StopOven) {
		t.Errorf("caution %q, link %q, text %q", m.Caution, m.Link, m.Text)
	}
	if s := end(); s.Sent != 2 || s.Failed != 0 || s.Dead != 0 || s.Waiting != 0 || s.LastError != "" || s.LastAccepted.IsZero() {
		t.Errorf("stats %+v", s)
	}
}

// Every way of failing that may pass is tried again, with the same id, until the
// message is accepted; nothing that follows in its alarm overtakes it.
func TestFailuresOverHTTP(t *testing.T) {
	elsewhere := newHook(t, status(http.StatusOK))
	for name, first := range map[string]func(w http.ResponseWriter, r *http.Request){
		"500": func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusInternalServerError) },
		"408": func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusRequestTimeout) },
		"425": func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusTooEarly) },
		"503": func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusServiceUnavailable) },
		"hangs": func(_ http.ResponseWriter, r *http.Request) {
			select {
			case <-r.Context().Done():
			case <-time.After(deadline):
			}
		},
		"redirects": func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, elsewhere.URL, http.StatusTemporaryRedirect)
		},
		"redirects to nonsense": func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Location", "/%zz")
			w.WriteHeader(http.StatusFound)
		},
		"hangs up": func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) },
		"speaks no HTTP": func(w http.ResponseWriter, _ *http.Request) {
			conn, _, err := http.NewResponseController(w).Hijack()
			if err != nil {
				t.Error(err)
				return
			}
			_, _ = io.WriteString(conn, "220 mail.larkfield.example ESMTP\r\n")
			_ = conn.Close()
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHook(t, thenOK(first))
			box := newOutbox()
			end, _ := courier(t, box, WebhookOptions{URL: h.URL, Timeout: 300 * time.Millisecond})
			box.happen(raised(0, alarm.Silent, at(0)))
			tried := h.next(t)
			box.happen(change(0, alarm.Silent, alarm.ReturnedUnacknowledged, alarm.Returned, at(1)))
			again, second := h.next(t), h.next(t)
			settled(t, box, 2)
			if again.MessageID != tried.MessageID || second.EventID != 2 {
				t.Errorf("sent %s, then %s, then event %d; want the first twice, then 2", tried.MessageID, again.MessageID, second.EventID)
			}
			s := end()
			if s.Sent != 2 || s.Failed != 1 || s.Dead != 0 || s.LastError == "" {
				t.Errorf("stats %+v", s)
			}
			if len(elsewhere.got) > 0 {
				t.Error("a redirect was followed")
			}
		})
	}
}

func TestRefusedIsGivenUp(t *testing.T) {
	h := newHook(t, thenOK(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusBadRequest) }))
	box := newOutbox()
	end, log := courier(t, box, WebhookOptions{URL: h.URL})
	box.happen(raised(0, alarm.Silent, at(0)))
	settled(t, box, 1)
	box.happen(raised(0, alarm.Stale, at(1)))
	settled(t, box, 2)
	s := end()
	if s.Sent != 1 || s.Dead != 1 || s.Failed != 0 || !strings.Contains(s.LastError, "400") || len(h.got) != 2 {
		t.Errorf("%d requests, stats %+v; want 2, one accepted and one given up", len(h.got), s)
	}
	if n := strings.Count(log.String(), "level=ERROR"); n != 1 {
		t.Errorf("told %d times in the log, want once:\n%s", n, log)
	}
}

func TestRetryAfterOverHTTP(t *testing.T) {
	h := newHook(t, thenOK(func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Retry-After", "1")
		w.WriteHeader(http.StatusTooManyRequests)
	}))
	box := newOutbox()
	end, _ := courier(t, box, WebhookOptions{URL: h.URL})
	box.happen(raised(0, alarm.Silent, at(0)))
	first, second := h.next(t), h.next(t)
	settled(t, box, 1)
	end()
	if d := second.at.Sub(first.at); d < time.Second {
		t.Errorf("tried again after %s, want 1 s at least", d)
	}
}

func TestConnectionRefused(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	l.Close()
	box := newOutbox()
	end, log := courier(t, box, WebhookOptions{URL: "http://" + addr + "/s3cret-path?key=s3cret-key"})
	for i := range 3 {
		box.happen(change(0, alarm.Silent, alarm.Unacknowledged, alarm.Raised, at(i)))
	}
	box.happen(raised(0, alarm.Exceeds, at(4)))
	h := &hook{got: make(chan request, 10)}
	server := &http.Server{ReadHeaderTimeout: deadline, Handler: http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var q request
		_ = json.NewDecoder(r.Body).Decode(&q.Message)
		h.got <- q
	})}
	if l, err = net.Listen("tcp", addr); err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- server.Serve(l) }()
	var last int64
	for range 4 {
		if m := h.next(t); m.Rule == alarm.Silent {
			if m.EventID <= last {
				t.Errorf("event %d after %d", m.EventID, last)
			}
			last = m.EventID
		}
	}
	settled(t, box, 4)
	end()
	server.Close()
	<-served
	if strings.Contains(log.String(), "s3cret") {
		t.Errorf("the log tells a secret of the URL:\n%s", log)
	}
}

// An answer without end, fast or slow, does not keep the courier.
func TestEndlessAnswer(t *testing.T) {
	for name, tt := range map[string]struct {
		chunk   int
		every   time.Duration
		timeout time.Duration
	}{
		"fast": {32 << 10, 0, time.Hour},
		"slow": {1, 20 * time.Millisecond, 300 * time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHook(t, func(_ int, w http.ResponseWriter, r *http.Request) {
				for r.Context().Err() == nil {
					if _, err := w.Write(bytes.Repeat([]byte{'x'}, tt.chunk)); err != nil {
						return
					}
					if err := http.NewResponseController(w).Flush(); err != nil {
						return
					}
					<-time.After(tt.every)
				}
			})
			box := newOutbox()
			end, _ := courier(t, box, WebhookOptions{URL: h.URL, Timeout: tt.timeout})
			box.happen(raised(0, alarm.Silent, at(0)))
			settled(t, box, 1)
			if s := end(); s.Sent != 1 {
				t.Errorf("stats %+v, want one accepted", s)
			}
		})
	}
}
