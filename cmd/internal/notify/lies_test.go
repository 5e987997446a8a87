package notify

import (
	"io"
	"net/http"
	"testing"
	"time"

	"ovenward/acquire/alarm"
)

// What a receiver's status says counts, whatever else it says: a promise that it
// breaks in the body, or a wait without end, neither loses a message nor keeps it.
func TestLyingReceivers(t *testing.T) {
	for name, tt := range map[string]struct {
		first  func(w http.ResponseWriter, r *http.Request)
		failed uint64
	}{
		"accepts, and breaks off": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Length", "1000")
			w.WriteHeader(http.StatusOK)
			_, _ = w.Write([]byte("{"))
			_ = http.NewResponseController(w).Flush()
			panic(http.ErrAbortHandler)
		}, 0},
		"accepts, and says that it failed": {func(w http.ResponseWriter, _ *http.Request) {
			_, _ = w.Write([]byte(`{"error":"500 Internal Server Error"}`))
		}, 0},
		"fails, and says that it accepted": {func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(http.StatusInternalServerError)
			_, _ = w.Write([]byte(`{"status":"200 OK"}`))
		}, 1},
		"more is to come, for ever": {func(w http.ResponseWriter, _ *http.Request) {
			conn, _, err := http.NewResponseController(w).Hijack()
			if err != nil {
				t.Error(err)
				return
			}
			for range 1000 {
				if _, err := io.WriteString(conn, "HTTP/1.1 102 Processing\r\n\r\n"); err != nil {
					break
				}
			}
			_ = conn.Close()
		}, 1},
		"a time that is past": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", "Thu, 01 Jan 1970 00:00:00 GMT")
			w.WriteHeader(http.StatusTooManyRequests)
		}, 1},
		"a wait of minus one": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", "-1")
			w.WriteHeader(http.StatusServiceUnavailable)
		}, 1},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := newHook(t, thenOK(tt.first))
			box := newOutbox()
			end, _ := courier(t, box, WebhookOptions{URL: h.URL, Timeout: deadline})
			box.happen(raised(0, alarm.Silent, at(0)))
			ids := map[string]bool{h.next(t).MessageID: true}
			began := time.Now()
			for range tt.failed {
				ids[h.next(t).MessageID] = true
			}
			settled(t, box, 1)
			if s := end(); s.Sent != 1 || s.Failed != tt.failed || s.Dead != 0 || len(ids) != 1 || time.Since(began) > deadline {
				t.Errorf("ids %v, stats %+v", ids, s)
			}
		})
	}
}
