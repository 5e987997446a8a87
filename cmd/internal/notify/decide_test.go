package notify

import (
	"net/http"
	"testing"
	"time"
)

// What each HTTP status comes to. The codes are those of RFC 9110, but 425
// (RFC 8470) and 429 (RFC 6585); what we make of them is our own choice.
func TestDecide(t *testing.T) {
	for status, want := range map[int]outcome{
		200: accepted, 201: accepted, 202: accepted, 204: accepted, 299: accepted,
		300: retry, 301: retry, 302: retry, 303: retry, 304: retry, 307: retry, 308: retry,
		400: refused, 401: retry, 403: retry, 404: retry, 405: refused, 407: retry, 409: refused,
		408: retry, 410: refused, 413: refused, 415: refused, 422: refused, 425: retry, 426: refused, 451: refused, 499: refused,
		429: pause, 503: pause,
		500: retry, 501: retry, 502: retry, 504: retry, 507: retry, 599: retry,
		100: retry, 199: retry, 600: retry, 999: retry,
	} {
		if got := decide(status); got != want {
			t.Errorf("status %d: %d, want %d", status, got, want)
		}
	}
}

func TestBackoff(t *testing.T) {
	for _, tt := range []struct {
		n      int
		chance float64
		want   time.Duration
	}{
		{1, 0, time.Second}, {2, 0, 2 * time.Second}, {3, 0, 4 * time.Second}, {9, 0, 256 * time.Second},
		{10, 0, 5 * time.Minute}, {11, 0, 5 * time.Minute}, {1 << 30, 0, 5 * time.Minute},
		{1, 0.999, time.Second}, {0, 0.5, time.Second},
		{3, 0.5, 3 * time.Second}, {10, 0.5, 225 * time.Second},
	} {
		if got := backoff(tt.n, tt.chance); got != tt.want {
			t.Errorf("failure %d, chance %g: %s, want %s", tt.n, tt.chance, got, tt.want)
		}
	}
}

func TestRetryAfter(t *testing.T) {
	now := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	for header, want := range map[string]time.Duration{
		"": 0, "0": 0, "7": 7 * time.Second, " 120 ": 2 * time.Minute,
		"-3": 0, "1.5": 0, "soon": 0, "99999999999999": 0,
		"3600": 5 * time.Minute, "86400": 5 * time.Minute, "4294967295": 5 * time.Minute,
		now.Add(90 * time.Second).Format(http.TimeFormat):  90 * time.Second,
		now.Add(-90 * time.Second).Format(http.TimeFormat): 0,
		now.Add(48 * time.Hour).Format(http.TimeFormat):    5 * time.Minute,
	} {
		if got := retryAfter(header, now); got != want {
			t.Errorf("Retry-After %q: %s, want %s", header, got, want)
		}
	}
}
