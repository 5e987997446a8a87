package acquire

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire/alarm"
)

// heardBy counts the samples that it was handed, by post.
type heardBy struct {
	mu sync.Mutex
	n  [3]int
}

func (h *heardBy) Observe(post int, batch []Sample) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.n[post] += len(batch)
}

// postNamed is a post at 10 Hz whose probe says what say gives.
func postNamed(id string, say func(time.Duration) string) Post {
	p := aPost(&fakeProbe{born: time.Now(), say: say, took: 4 * time.Millisecond})
	p.ID, p.Probe.ID = id, "probe of "+id
	return p
}

// handOver is two stations in a row over posts a, b, c and then d, a, b: a is kept, b
// is changed, c goes, d is new.
type handOver struct {
	m           *memory
	options     Options
	old         *Station
	end         context.CancelFunc
	done        chan error
	wasA        int // samples of a before
	first, then *heardBy
}

func (h *handOver) run(t *testing.T, s *Station) {
	ctx, cancel := context.WithCancel(t.Context())
	h.end = cancel
	go func() { h.done <- s.Run(ctx) }()
}

func (h *handOver) stop(t *testing.T) {
	t.Helper()
	h.end()
	if err := <-h.done; err != nil {
		t.Error(err)
	}
}

// begin runs the first station for ten seconds, and has it hand a on.
func begin(t *testing.T, a func(time.Duration) string) *handOver {
	fine := steady("1.00")
	h := ran(t, postNamed("a", a), postNamed("b", fine), postNamed("c", fine))
	h.m.mu.Lock()
	h.wasA = len(h.m.samples[0])
	h.m.mu.Unlock()
	h.old.HandOn([]int{0}, nil)
	h.stop(t)
	return h
}

// ran is a station that has run for ten seconds.
func ran(t *testing.T, posts ...Post) *handOver {
	h := &handOver{m: newMemory(), done: make(chan error), first: &heardBy{}, then: &heardBy{}}
	h.options = Options{Posts: posts, Recorder: h.m, Log: discard(), Now: time.Now,
		Past: func(int) (Past, error) { return Past{}, nil }, Observers: []Observer{h.first}}
	var err error
	if h.old, err = New(h.options); err != nil {
		t.Fatal(err)
	}
	h.run(t, h.old)
	at(10*time.Second + 50*time.Millisecond)
	return h
}

// changed stops the first station, and makes one whose only post is the same, changed.
func (h *handOver) changed(t *testing.T) *Station {
	t.Helper()
	h.old.HandOn(nil, []int{0})
	h.stop(t)
	o := h.options
	o.Before, o.Kept, o.Ports = h.old, []int{-1}, []int{0}
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// next makes the second station.
func (h *handOver) next(past func(int) (Past, error)) (*Station, error) {
	fine := steady("1.00")
	o := h.options
	o.Posts = []Post{postNamed("d", fine), h.options.Posts[0], postNamed("b", fine)}
	o.Before, o.Kept, o.Past, o.Observers = h.old, []int{-1, 0, -1}, past, []Observer{h.then}
	o.Recorder = shifted{h.m}
	return New(o)
}

// shifted is the second station's way into the record: its posts are others than
// those that are there.
type shifted struct{ *memory }

func (s shifted) Append(post int, batch []Sample) { s.memory.Append(post+10, batch) }

func steady(word string) func(time.Duration) string {
	return func(time.Duration) string { return word }
}

// A post that is kept misses no slot: its numbers have no gap, its instants keep
// their grid, nothing is counted as missed, and an alarm that stands goes on.
func TestKeptPostMissesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := begin(t, steady("9.00"))
		time.Sleep(300 * time.Millisecond) // the bubble's clock: meanwhile nobody is the station
		s, err := h.next(func(int) (Past, error) { return Past{}, nil })
		if err != nil {
			t.Fatal(err)
		}
		if st := s.Stats(); st[1].Post.ID != "a" || st[1].Index != 1 || st[0].Index != 0 {
			t.Errorf("posts %s %d, %s %d", st[0].Post.ID, st[0].Index, st[1].Post.ID, st[1].Index)
		}
		if v := s.Stats()[0]; !v.Condition.Blind() || v.Verdict.Outcome == "within" {
			t.Errorf("a post that has seen nothing is %s and %q", v.Condition, v.Verdict.Outcome)
		}
		h.run(t, s)
		at(20*time.Second + 50*time.Millisecond)
		st := s.Stats()[1]
		h.stop(t)
		got := h.m.samples[0]
		if len(got) < h.wasA+95 {
			t.Fatalf("%d samples of the kept post, %d before: it did not go on", len(got), h.wasA)
		}
		for i := 1; i < len(got); i++ {
			if d := got[i].Mono - got[i-1].Mono; got[i].Seq != got[i-1].Seq+1 || d != 100*time.Millisecond {
				t.Errorf("number %d after %d, %v later", got[i].Seq, got[i-1].Seq, d)
			}
		}
		if st.Counts.Missed+st.Counts.Unanswered+st.Counts.Late != 0 || st.Counts.Connects != 1 {
			t.Errorf("counted %+v", st.Counts)
		}
		if c := h.m.changes(alarm.Exceeds); len(c) != 1 || st.Alarms[exceedsAt].State != alarm.Unacknowledged {
			t.Errorf("the alarm changed %v and is %s", c, st.Alarms[exceedsAt].State)
		}
		if h.first.n[0]+h.then.n[1] != len(got) || h.then.n[0] == 0 {
			t.Errorf("observers were handed %v, then %v, of %d", h.first.n, h.then.n, len(got))
		}
		if old, fresh := len(h.m.samples[1]), len(h.m.samples[12]); old == 0 || fresh == 0 || len(h.m.samples[2]) > old+1 {
			t.Errorf("the changed post has %d and %d samples, the removed one %d", old, fresh, len(h.m.samples[2]))
		}
		if texts := h.m.texts(KindStation); len(texts) != 2 {
			t.Errorf("the station told %q, want its begin and its end alone", texts)
		}
	})
}

// A post that changed while its probe did not goes on with the port as it stands open,
// in the slots that it had, whether another station takes over or none does; a port that
// no post takes up is closed.
func TestChangedPostKeepsItsPort(t *testing.T) {
	for name, made := range map[string]bool{"taken over": true, "not taken over": false} {
		synctest.Test(t, func(t *testing.T) {
			var probes []*fakeProbe
			post := func(id string) Post {
				probes = append(probes, &fakeProbe{born: time.Now(), say: steady("1.00"), took: 4 * time.Millisecond})
				p := aPost(probes[len(probes)-1])
				p.ID, p.Probe.ID = id, "probe of "+id
				return p
			}
			h := ran(t, post("a"), post("b"))
			h.old.HandOn(nil, []int{0, 1})
			h.stop(t)
			o := h.options
			o.Posts = []Post{h.options.Posts[0]}
			o.Posts[0].Limit.Value /= 2
			o.Before, o.Kept, o.Ports = h.old, []int{-1}, []int{0}
			s, opens, err := h.old, uint64(1), error(nil)
			if made {
				if s, err = New(o); err != nil {
					t.Fatal(err)
				}
				opens = 0
			}
			h.run(t, s)
			at(20*time.Second + 50*time.Millisecond)
			h.stop(t)
			if a := probes[0]; a.opened.Load() != 1 || a.closed.Load() != 1 {
				t.Errorf("%s: the port was opened %d and closed %d times, want once each", name, a.opened.Load(), a.closed.Load())
			}
			if b := probes[1]; b.opened.Load() != 1 || b.closed.Load() != 1 {
				t.Errorf("%s: the other port was opened %d and closed %d times, want once each", name, b.opened.Load(), b.closed.Load())
			}
			got := h.m.samples[0]
			if len(got) < 199 {
				t.Errorf("%s: %d samples", name, len(got))
			}
			for i := 1; i < len(got); i++ {
				if d := got[i].At.Sub(got[i-1].At); d != 100*time.Millisecond {
					t.Errorf("%s: sample %d is %v after the one before", name, i, d)
				}
			}
			if c := s.Stats()[0].Counts; c.Missed != 0 || c.Connects != opens {
				t.Errorf("%s: counted %+v", name, c)
			}
		})
	}
}

// A port whose question is open is closed: its answer could be taken for that of the
// next question. So is one at which nothing was heard: who is there is not known.
func TestPortWithAnOpenQuestionIsNotKept(t *testing.T) {
	for name, period := range map[string]time.Duration{"an open question": 100 * time.Millisecond, "nothing heard": 0} {
		synctest.Test(t, func(t *testing.T) {
			probe := &fakeProbe{born: time.Now(), took: 4 * time.Millisecond, say: func(at time.Duration) string {
				if at > 9990*time.Millisecond && at < 10500*time.Millisecond {
					return ""
				}
				return "1.00"
			}}
			p := aPost(probe)
			p.Silent = time.Minute
			p.Probe.Period = period // without one it is not asked, and this one says nothing unasked
			h := ran(t, p)
			s := h.changed(t)
			was := probe.opened.Load()
			h.run(t, s)
			at(12 * time.Second)
			h.stop(t)
			if probe.opened.Load() != was+1 {
				t.Errorf("%s: the port was opened %d times, then %d: it was kept", name, was, probe.opened.Load()-was)
			}
		})
	}
}

// Where no station takes over, the one before goes on with all of its posts.
func TestStationGoesOnWhereNoneTakesOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := begin(t, steady("1.00"))
		broken := errors.New("the record cannot be read")
		if _, err := h.next(func(int) (Past, error) { return Past{}, broken }); !errors.Is(err, broken) {
			t.Fatalf("made from a record that cannot be read: %v", err)
		}
		h.run(t, h.old)
		at(20 * time.Second)
		st := h.old.Stats()
		h.stop(t)
		for i, s := range st {
			if s.Condition != Seeing && s.Condition != Idle || s.Counts.Connects != map[int]uint64{0: 1, 1: 2, 2: 2}[i] {
				t.Errorf("post %s is %s after %d openings", s.Post.ID, s.Condition, s.Counts.Connects)
			}
		}
		if st[0].Counts.Missed != 0 {
			t.Errorf("the post that was handed on missed %d slots", st[0].Counts.Missed)
		}
	})
}

// Alarms of a removed post end as they do at a start.
func TestAlarmsOfARemovedPostEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := begin(t, steady("1.00"))
		h.options.Standing = []alarm.Alarm{{ID: "x", Post: "c", Rule: alarm.Silent, State: alarm.Unacknowledged}}
		s, err := h.next(func(int) (Past, error) { return Past{}, nil })
		if err != nil {
			t.Fatal(err)
		}
		h.run(t, s)
		at(11 * time.Second)
		h.stop(t)
		for _, a := range s.Alarms() {
			if a.Post == "c" && a.State.Present() {
				t.Errorf("the silence of a post that nobody watches is %s", a.State)
			}
		}
		if c := h.m.changes(alarm.Silent); len(c) == 0 {
			t.Error("the record does not say that it ended")
		}
	})
}

// What a contact said stands over a hand-over, until the same contact is asked again;
// another one has said nothing yet.
func TestContactsOverAHandOver(t *testing.T) {
	for _, tt := range []struct {
		id   string
		know bool
	}{{"latch", true}, {"another", false}} {
		synctest.Test(t, func(t *testing.T) {
			h := &handOver{m: newMemory(), done: make(chan error)}
			door := func(id string, c *contact) []Input {
				return []Input{{ID: id, Says: SaysDoor, On: true, Every: 100 * time.Millisecond, Source: c}}
			}
			first := &contact{on: true}
			h.options = Options{Posts: []Post{postNamed("a", steady("1.00"))}, Recorder: h.m, Log: discard(), Now: time.Now,
				Past: func(int) (Past, error) { return Past{}, nil }, Inputs: door("latch", first)}
			var err error
			if h.old, err = New(h.options); err != nil {
				t.Fatal(err)
			}
			h.run(t, h.old)
			at(5 * time.Second)
			h.old.HandOn([]int{0}, nil)
			h.stop(t)
			if !first.closed {
				t.Error("a contact stays open that is asked no more")
			}
			o := h.options
			o.Before, o.Kept, o.Inputs = h.old, []int{0}, door(tt.id, &contact{on: true})
			s, err := New(o)
			if err != nil {
				t.Fatal(err)
			}
			if got := s.Stats()[0].Hints; len(got) != 1 || got[0].Known != tt.know || got[0].Input != tt.id {
				t.Errorf("before it is asked, contact %s says %+v", tt.id, got)
			}
			h.run(t, s)
			at(6 * time.Second)
			if got := s.Stats()[0].Hints; len(got) != 1 || !got[0].Known || !got[0].Is {
				t.Errorf("contact %s says %+v", tt.id, got)
			}
			h.stop(t)
		})
	}
}
