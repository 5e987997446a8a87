package remotewrite

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/golang/snappy"
	"google.golang.org/protobuf/encoding/protowire"

	"ovenward/acquire"
)

// fakeRecord is a record in memory.
type fakeRecord struct {
	mu     sync.Mutex
	rows   map[string][]Row
	events []acquire.Event
	state  []byte
	kept   int
	fail   error
	now    func() time.Time
}

func newRecord() *fakeRecord { return &fakeRecord{rows: map[string][]Row{}, now: time.Now} }

func (f *fakeRecord) Posts(context.Context) ([]string, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var all []string
	for p := range f.rows {
		all = append(all, p)
	}
	slices.Sort(all)
	return all, f.fail
}

func (f *fakeRecord) First(_ context.Context, post string, at time.Time) (int64, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	last := int64(0)
	for _, r := range f.rows[post] {
		if last = r.Seq; !r.At.Before(at) {
			return r.Seq, f.fail
		}
	}
	return last + 1, f.fail
}

func (f *fakeRecord) Rows(_ context.Context, post string, seq int64) iter.Seq2[Row, error] {
	f.mu.Lock()
	defer f.mu.Unlock()
	all := slices.Clone(f.rows[post])
	fail := f.fail
	return func(yield func(Row, error) bool) {
		if fail != nil {
			yield(Row{}, fail)
			return
		}
		for _, r := range all {
			if r.Seq >= seq && !yield(r, nil) {
				return
			}
		}
	}
}

func (f *fakeRecord) Events(_ context.Context, after int64, limit int) ([]acquire.Event, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []acquire.Event
	for _, e := range f.events {
		if e.ID > after && len(out) < limit {
			out = append(out, e)
		}
	}
	return out, f.fail
}

func (f *fakeRecord) Settled() time.Time { return f.now() }

func (f *fakeRecord) RemoteState(context.Context, string) ([]byte, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.state, f.fail
}

func (f *fakeRecord) SetRemoteState(_ context.Context, _ string, state []byte) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.state = slices.Clone(state)
	f.kept++
	return f.fail
}

func (f *fakeRecord) add(post string, rows ...Row) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.rows[post] = append(f.rows[post], rows...)
}

func (f *fakeRecord) say(e acquire.Event) {
	f.mu.Lock()
	defer f.mu.Unlock()
	e.ID = int64(len(f.events) + 1)
	f.events = append(f.events, e)
}

func place() Place { return Place{Oven: "pantry", Probe: "shelf", Stale: 3 * time.Second, Top: 200} }

// once a second from an instant on, n samples from number first.
func rowsFrom(from time.Time, first, n int64) []Row {
	var out []Row
	for i := range n {
		out = append(out, Row{Seq: first + i, At: from.Add(time.Duration(i) * time.Second), Value: float64(first+i) / 4, Place: place()})
	}
	return out
}

// got is one point that a receiver was given.
type got struct {
	series string
	ms     int64
	value  float64
}

// request is what came in one request.
type request struct {
	header http.Header
	body   string
	at     time.Time
	points []got
}

func (r request) only(name string) []got {
	return slices.DeleteFunc(slices.Clone(r.points), func(g got) bool { return !strings.HasPrefix(g.series, name+"{") })
}

// scripted answers requests by a function of what came.
type scripted struct {
	mu     sync.Mutex
	got    []request
	answer func(r request, n int) (status int, text string, header http.Header)
	noDate bool
	ahead  time.Duration // of the receiver's clock
}

func (s *scripted) RoundTrip(r *http.Request) (*http.Response, error) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return nil, err
	}
	points, err := decode(body)
	if err != nil {
		return nil, err
	}
	if err := r.Context().Err(); err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	in := request{header: r.Header, body: string(body), at: time.Now(), points: points}
	s.got = append(s.got, in)
	status, text, header := http.StatusNoContent, "", http.Header(nil)
	if s.answer != nil {
		status, text, header = s.answer(in, len(s.got))
	}
	if status == 0 {
		return nil, errors.New("connection refused")
	}
	if header == nil {
		header = http.Header{}
	}
	if !s.noDate {
		header.Set("Date", time.Now().Add(s.ahead).UTC().Format(http.TimeFormat))
	}
	return &http.Response{StatusCode: status, Header: header, Body: io.NopCloser(strings.NewReader(text)), Request: r}, nil
}

func (s *scripted) requests() []request {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.got)
}

// all returns the points of one metric, over all accepted requests.
func (s *scripted) all(name string) []got {
	var out []got
	for _, r := range s.requests() {
		out = append(out, r.only(name)...)
	}
	return out
}

// decode reads a request as the specification has it, apart from the encoder.
func decode(body []byte) ([]got, error) {
	raw, err := snappy.Decode(nil, body)
	if err != nil {
		return nil, err
	}
	var out []got
	err = eachField(raw, func(num protowire.Number, b []byte, _ uint64) error {
		if num != 1 {
			return fmt.Errorf("field %d in a WriteRequest", num)
		}
		var labels []string
		var points []got
		before := ""
		err := eachField(b, func(num protowire.Number, b []byte, _ uint64) error {
			var text [3]string
			p := got{}
			err := eachField(b, func(inner protowire.Number, b []byte, v uint64) error {
				switch {
				case num == 1:
					text[inner] = string(b)
				case inner == 1:
					p.value = math.Float64frombits(v)
				case inner == 2:
					p.ms = int64(v)
				}
				return nil
			})
			if num == 2 {
				points = append(points, p)
				return err
			}
			if text[1] <= before || text[2] == "" {
				return fmt.Errorf("label %q after %q, value %q: want them sorted and not empty", text[1], before, text[2])
			}
			before = text[1]
			labels = append(labels, text[1]+"="+text[2])
			return err
		})
		if err != nil {
			return err
		}
		name, _ := strings.CutPrefix(labels[0], "__name__=")
		for _, p := range points {
			p.series = name + "{" + strings.Join(labels[1:], ",") + "}"
			out = append(out, p)
		}
		return nil
	})
	return out, err
}

func eachField(b []byte, f func(num protowire.Number, bytes []byte, v uint64) error) error {
	for len(b) > 0 {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 {
			return protowire.ParseError(n)
		}
		b = b[n:]
		var v uint64
		var bs []byte
		switch typ {
		case protowire.BytesType:
			bs, n = protowire.ConsumeBytes(b)
		case protowire.Fixed64Type:
			v, n = protowire.ConsumeFixed64(b)
		case protowire.VarintType:
			v, n = protowire.ConsumeVarint(b)
		default:
			return fmt.Errorf("field %d has the wire type %d", num, typ)
		}
		if n < 0 {
			return protowire.ParseError(n)
		}
		b = b[n:]
		if err := f(num, bs, v); err != nil {
			return err
		}
	}
	return nil
}

// writer makes a writer over a scripted receiver.
func writer(t *testing.T, r *fakeRecord, s *scripted, change func(*Options)) *Writer {
	t.Helper()
	o := Options{Name: "fleet", URL: "https://fleet.example/api/v1/write", Site: "Larkfield House", Record: r,
		History: 30 * 24 * time.Hour, Posts: []acquire.Post{{ID: "pantry-door", Oven: "pantry", Probe: acquire.Probe{ID: "shelf"}}},
		transport: s, wait: func(n int) time.Duration { return backoff(n, 0) }}
	if change != nil {
		change(&o)
	}
	w, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// run runs a writer for a span of the bubble's time.
func run(t *testing.T, w *Writer, d time.Duration) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	if err := w.Run(ctx); err != nil {
		t.Error(err)
	}
}
