package metrics

import (
	"fmt"
	"net/http/httptest"
	"testing"

	"ovenward/acquire"
)

// Few posts are not worth the memory of a compressor; many are compressed.
func TestAnswersForManyPostsAreCompressed(t *testing.T) {
	for n, want := range map[int]string{1: "", packedFrom - 1: "", packedFrom: "gzip", 64: "gzip"} {
		posts := make([]acquire.Post, n)
		for i := range posts {
			posts[i].ID = fmt.Sprint("post-", i)
		}
		r := httptest.NewRequest("GET", "/metrics", nil)
		r.Header.Set("Accept-Encoding", "gzip")
		w := httptest.NewRecorder()
		New(Options{Posts: posts}).Handler().ServeHTTP(w, r)
		if got := w.Header().Get("Content-Encoding"); w.Code != 200 || got != want || w.Body.Len() == 0 {
			t.Errorf("%d posts: %d, encoding %q, want %q", n, w.Code, got, want)
		}
	}
}
