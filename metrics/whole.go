package metrics

import (
	"bytes"
	"net/http"
	"strconv"
	"sync"
)

// whole hands an answer of h out in one piece, with its length. Piece by piece, as it is made, each
// 4 kB of it would be a write of its own. It is for answers of some 10 kB.
func whole(h http.Handler) http.Handler {
	rooms := sync.Pool{New: func() any { return new(bytes.Buffer) }}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		room := rooms.Get().(*bytes.Buffer)
		defer rooms.Put(room)
		room.Reset()
		a := answer{ResponseWriter: w, Buffer: room, status: http.StatusOK}
		h.ServeHTTP(&a, r)
		w.Header().Set("Content-Length", strconv.Itoa(room.Len()))
		w.WriteHeader(a.status)
		_, _ = w.Write(room.Bytes()) // who has gone needs none
	})
}

// answer keeps what is written.
type answer struct {
	http.ResponseWriter
	*bytes.Buffer
	status int
}

// Write keeps p; it never fails.
func (a *answer) Write(p []byte) (int, error) { return a.Buffer.Write(p) }

// WriteHeader keeps the status.
func (a *answer) WriteHeader(status int) { a.status = status }
