package metrics

import (
	"io"
	"net/http"
	"net/http/httptest"
	"testing"
)

// An answer comes whole: as it was made, with its length, and nothing of the one before.
func TestAnswersComeWhole(t *testing.T) {
	server := httptest.NewServer(whole(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/made-up")
		if r.URL.Path == "/busy" {
			w.WriteHeader(http.StatusServiceUnavailable)
		}
		for range 2000 {
			_, _ = io.WriteString(w, r.URL.Path)
		}
	})))
	defer server.Close()
	for path, status := range map[string]int{"/long-name": http.StatusOK, "/busy": http.StatusServiceUnavailable, "/a": http.StatusOK} {
		got, err := http.Get(server.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(got.Body)
		got.Body.Close()
		if want := int64(2000 * len(path)); err != nil || got.StatusCode != status || got.ContentLength != want || int64(len(body)) != want ||
			string(body[:len(path)]) != path || got.Header.Get("Content-Type") != "text/made-up" {
			t.Errorf("%s: %v, status %d, %d bytes said, %d there, %q…, want %d", path, err, got.StatusCode, got.ContentLength, len(body), body[:10], want)
		}
	}
}
