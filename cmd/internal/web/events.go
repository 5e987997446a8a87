package web

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"time"
)

// Pace of a stream of events.
const (
	eventsEvery = time.Second
	eventsQuiet = 15 // beats without news after which a sign of life goes out
)

// serveEventStream streams what happens, each event with its number as its id,
// so that a client that comes back with it misses nothing.
func (s *Server) serveEventStream(w http.ResponseWriter, r *http.Request) {
	after, err := queryInt(r, "after", -1, 0, math.MaxInt64)
	if id := r.Header.Get("Last-Event-ID"); id != "" && err == nil {
		after, err = strconv.ParseInt(id, 10, 64)
	}
	if err == nil && after < 0 && s.o.Newest != nil {
		if after, err = s.o.Newest(r.Context()); err != nil {
			s.log.Error("events could not be read", "err", err)
			sendProblem(w, r, http.StatusServiceUnavailable, "the record could not be read: "+err.Error())
			return
		}
	}
	if err != nil {
		sendProblem(w, r, http.StatusBadRequest, "after or Last-Event-ID: write the id of the last event you have, 0 for all")
		return
	}
	if !s.beginStream(w, r) {
		return
	}
	defer s.endStream()
	if r.Method == http.MethodHead {
		return
	}
	ctx, cancel := s.whileServing(r)
	defer cancel()
	if err := s.tell(ctx, max(after, 0), s.writer(w)); err != nil {
		s.log.Debug("a stream of events ended", "from", r.RemoteAddr, "why", err)
	}
}

// tell sends every event behind after, as the record has it, until ctx ends. It
// keeps nothing for a client that is slow: the record does.
func (s *Server) tell(ctx context.Context, after int64, send func(event []byte) error) error {
	beat := time.NewTicker(eventsEvery)
	defer beat.Stop()
	for quiet := eventsQuiet; ; quiet++ {
		if s.o.Events != nil {
			events, err := s.o.Events(ctx, after, someEvents)
			if err != nil {
				return fmt.Errorf("read the events: %w", err)
			}
			for _, e := range events {
				body, err := json.Marshal(finiteEvent(e))
				if err != nil {
					return fmt.Errorf("encode event %d: %w", e.ID, err)
				}
				if err := send(fmt.Appendf(nil, "id: %d\nevent: %s\ndata: %s\n\n", e.ID, e.Kind, body)); err != nil {
					return err
				}
				after, quiet = e.ID, 0
			}
			if len(events) == someEvents && ctx.Err() == nil {
				continue // there are more
			}
		}
		if quiet >= eventsQuiet {
			if err := send([]byte(": nothing new\n\n")); err != nil {
				return err
			}
			quiet = 0
		}
		select {
		case <-ctx.Done():
			return nil
		case <-beat.C:
		}
		if ctx.Err() != nil {
			return nil
		}
	}
}
