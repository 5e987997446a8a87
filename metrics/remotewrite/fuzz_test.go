package remotewrite

import (
	"net/http"
	"strings"
	"testing"
	"time"
	"unicode"
)

// What a receiver answers, and what the record keeps, may be anything: waits stay
// bounded, and what is told is one line of plain text.
func FuzzAnswers(f *testing.F) {
	f.Add("120", []byte("out of order sample\n"), []byte(`{}`))
	f.Add("Wed, 25 Nov 2026 10:00:00 GMT", []byte("\x1b[31mred\x00"), []byte(`{"posts":null}`))
	f.Add("99999999999999999999", []byte(strings.Repeat("é", 1000)), []byte("["))
	f.Add("-1", []byte{0xff, 0xfe}, []byte("null"))
	f.Fuzz(func(t *testing.T, header string, text, kept []byte) {
		now := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
		if d := retryAfter(header, now); d < 0 || d > longestHold {
			t.Errorf("Retry-After %q: %s", header, d)
		}
		if s := told(text); len([]rune(s)) > maxTold+1 || strings.ContainsFunc(s, unicode.IsControl) {
			t.Errorf("told %q", s)
		}
		decide(http.StatusBadRequest, string(text))
		if p, err := readProgress(kept); err == nil && p == nil && kept != nil {
			t.Errorf("%q is neither progress nor an error", kept)
		}
	})
}
