package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/drivers"
)

// spoken is a protocol for these tests: a decimal in mW/cm2 a line.
type spoken struct{}

func (spoken) Request() []byte { return []byte("?\n") }

func (spoken) Split(buf []byte) (int, []byte) {
	if i := bytes.IndexByte(buf, '\n'); i >= 0 {
		return i + 1, buf[:i]
	}
	return 0, nil
}

func (p spoken) Parse(frame []byte, r *drivers.Reading) (err error) {
	*r, err = p.parse(frame)
	return err
}

func (spoken) parse(frame []byte) (drivers.Reading, error) {
	if string(frame) == "OVER" {
		return drivers.Reading{Status: drivers.OverRange, Unit: "mW/cm2"}, nil
	}
	d, err := drivers.ParseDecimal(frame, '.')
	return drivers.Reading{Value: d, HasValue: err == nil, Unit: "mW/cm2"}, err
}

// scripted is a probe whose answers are a function of the time of day; NaN-like
// "" is none. It lives in a bubble, whose clock begins at midnight UTC.
type scripted struct {
	say  func(since time.Duration) string
	born time.Time
	buf  []byte
	n    int
}

func (p *scripted) dial(context.Context) (drivers.Link, error) { return p, nil }

func (p *scripted) Send([]byte, time.Time) (time.Time, int, error) { return time.Now(), 0, nil }

func (p *scripted) Receive(split func([]byte) (int, []byte), end time.Time, dst []drivers.Frame) ([]drivers.Frame, error) {
	word := p.say(time.Since(p.born))
	if word == "" {
		<-time.After(time.Until(end))
		return dst, drivers.ErrTimeout
	}
	if word == "idle" {
		p.n++
		word = fmt.Sprintf("0.0%d", 2+p.n%2) // noise at rest
	}
	p.buf = append(append(p.buf[:0], word...), '\n')
	_, frame := split(p.buf)
	return append(dst, drivers.Frame{Bytes: frame, Arrived: time.Now()}), nil
}

func (p *scripted) Close() error { return nil }

// ovens of the day. The rule: above 5 mW/cm² for 15 s without a break, or 40 s
// in 5 min; polls come every 5 s.
func chatteringSeal(at time.Duration) string { // leaks in runs of 2 min, every 10 min, from 10 to 12
	if at >= 10*time.Hour && at < 12*time.Hour && at%(10*time.Minute) < 2*time.Minute {
		return fmt.Sprintf("7.%d", at/time.Second/5%10)
	}
	return "idle"
}

func lowestSetting(at time.Duration) string { // on for 10 s in each 30 s, for 40 min from 13; somebody uses it at 15:20
	if at >= 15*time.Hour+20*time.Minute && at < 15*time.Hour+22*time.Minute {
		return fmt.Sprintf("3.%d", at/time.Second/5%10)
	}
	if at >= 13*time.Hour && at < 13*time.Hour+40*time.Minute && at%(30*time.Second) < 10*time.Second {
		return fmt.Sprintf("6.%d", at/time.Second/5%10)
	}
	return "idle"
}

func diesAt(from, to time.Duration) func(time.Duration) string {
	return func(at time.Duration) string {
		if at >= from && at < to {
			return ""
		}
		return "idle"
	}
}

func dayPosts(born time.Time) []acquire.Post {
	var posts []acquire.Post
	for i, say := range []func(time.Duration) string{chatteringSeal, lowestSetting, diesAt(3*time.Hour, 9*time.Hour), diesAt(16*time.Hour, 48*time.Hour)} {
		p := &scripted{say: say, born: born}
		id := []string{"seal", "low", "night", "evening"}[i]
		posts = append(posts, acquire.Post{
			Site: "Larkfield House", ID: id, Oven: "oven-" + id, OvenPlace: "main kitchen", Distance: 0.05, Turned: true,
			Probe: acquire.Probe{ID: "probe-" + id, Protocol: spoken{}, Dial: p.dial, Port: "line " + id, Period: 5 * time.Second,
				Timeout: time.Second, Response: time.Second, Range: 200, Floor: 0.1, Axes: 3,
				Certificate: &calib.Certificate{Number: "K-1", Factor: 1, U: 0.1, K: 2, Date: born.AddDate(0, -6, 0), Due: born.AddDate(1, 0, 0)}},
			Limit:     limit.Limit{ID: "in-use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "invented for this test"},
			Sustained: limit.SustainedRule{Unbroken: 15 * time.Second, Summed: 40 * time.Second, Within: 5 * time.Minute, Clear: 90 * time.Second},
			RunGap:    90 * time.Second, Silent: 30 * time.Second, Stale: 20 * time.Second, Stuck: 10 * time.Minute,
		})
	}
	return posts
}

// person is somebody who is told; cut says whether the way to them is cut, lost
// whether their answer gets lost on it.
type person struct {
	name  string
	cut   func() bool
	lost  func() bool
	mu    sync.Mutex
	got   []string
	ids   map[string]string // what came, by its id
	twice []string          // what came again, the same
	wrong []string          // what came again under the id of something else
}

func (p *person) to() string { return p.name }
func (p *person) close()     {}

func (p *person) send(_ context.Context, m Message) result {
	if p.cut() {
		return result{outcome: unheard, err: errors.New("planted: no route")}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	answer := result{outcome: accepted}
	if p.lost() {
		answer = result{outcome: unheard, err: errors.New("planted: the answer was lost")}
	}
	body, err := json.Marshal(m)
	if err != nil {
		return result{outcome: refused, err: err}
	}
	line := time.Now().UTC().Format("15:04 ") + strings.TrimPrefix(m.Subject, "Larkfield House, ")
	if m.AndNMore > 0 {
		line += fmt.Sprintf(" (and %d more)", m.AndNMore)
	}
	if !m.Recorded && m.Kind == KindAlarm {
		line += " (not yet recorded)"
	}
	switch before, again := p.ids[m.MessageID]; {
	case again && before != string(body):
		p.wrong = append(p.wrong, line)
	case again:
		p.twice = append(p.twice, line)
	default:
		p.ids[m.MessageID] = string(body)
		p.got = append(p.got, line)
	}
	return answer
}

// A day of a kitchen, from midnight: a probe that is dead from 3 to 9, a seal
// that chatters from 10 to 12, an oven on its lowest setting from 13 on, no
// network from 11 to 12 and one that loses answers for a minute at 13, a full disk
// from 14 to 15, a probe that dies at 16. One probe is away for a survey in the
// morning, the seal's alarm is on the shelf from 12:30 to 14:30, and the other oven
// is withdrawn at 15:10, and used ten minutes later. The
// manager is there from 8 to 17; the watch is told of what is high at any hour;
// the head, of what nobody acknowledged within half an hour, and has a heartbeat
// every six hours. Everything goes through the real station, record and couriers.
func TestFaultADay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		born := time.Now()
		hour := func(from, to time.Duration) func() bool {
			return func() bool { at := time.Since(born); return at >= from*time.Hour && at < to*time.Hour }
		}
		full, cut := hour(14, 15), hour(11, 12)
		lost := func() bool {
			at := time.Since(born)
			return at >= 13*time.Hour+time.Minute && at < 13*time.Hour+2*time.Minute
		}
		posts := dayPosts(born)
		s, station := dayStation(t, posts, born, full)
		people := []*person{}
		ctx, cancel := context.WithCancel(t.Context())
		var all sync.WaitGroup
		meet := func(name string, r Route, beat time.Duration) {
			p := &person{name: name, cut: cut, lost: lost, ids: map[string]string{}}
			people = append(people, p)
			c, err := New(Options{Name: name, Carrier: p, Route: r, Outbox: s, Site: "Larkfield House", Posts: posts, Heartbeat: beat,
				Snapshot: func() Snapshot { return SnapshotOf(station.Stats(), station.Alarms(), time.Now()) }})
			if err != nil {
				t.Fatal(err)
			}
			c.wait = func(n int) time.Duration { return backoff(n, 0) }
			all.Go(func() {
				if err := c.Run(ctx); err != nil {
					t.Error(err)
				}
			})
		}
		meet("manager", Route{Hours: office{}}, 0)
		meet("watch", Route{Priorities: []alarm.Priority{alarm.High}}, 0)
		meet("head", Route{Escalation: true}, 6*time.Hour)
		all.Go(func() {
			if err := station.Run(ctx); err != nil {
				t.Error(err)
			}
		})
		acts(t, station, born)
		cancel()
		all.Wait()
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		for _, p := range people {
			compareDay(t, p)
		}
	})
}

// dayStation is a station and its record, whose disk is full when full says so.
func dayStation(t *testing.T, posts []acquire.Post, born time.Time, full func() bool) (*store.Store, *acquire.Station) {
	t.Helper()
	s, err := store.Open(t.TempDir(), store.Options{CommitEvery: 10 * time.Minute, Fault: func(step store.Step) error {
		if full() && (step == store.StepCommit || step == store.StepReserve) {
			return fmt.Errorf("planted: %w", syscall.ENOSPC)
		}
		return nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Register(posts, born); err != nil {
		t.Fatal(err)
	}
	station, err := acquire.New(acquire.Options{Posts: posts, Recorder: s, Log: slog.New(slog.DiscardHandler), Now: time.Now, Zone: time.UTC,
		Past:      func(post int) (acquire.Past, error) { return s.Past(post, time.Hour) },
		Attention: alarm.Attention{EscalateAfter: 30 * time.Minute}})
	if err != nil {
		t.Fatal(err)
	}
	return s, station
}

// acts is what people do in the day, up to its end.
func acts(t *testing.T, station *acquire.Station, born time.Time) {
	t.Helper()
	until := func(at time.Duration) {
		<-time.After(time.Until(born.Add(min(at, dayEnds))))
		synctest.Wait()
	}
	acknowledge := func(post string, rule alarm.Rule) {
		for _, a := range station.Alarms() {
			if a.Post == post && a.Rule == rule {
				if err := station.Acknowledge(a.ID, "M. Ito"); err != nil {
					t.Errorf("%s at %s: %v", rule, post, err)
				}
			}
		}
	}
	can := func(err error) {
		t.Helper()
		if err != nil {
			t.Error(err)
		}
	}
	const h, min = time.Hour, time.Minute
	for _, deed := range []struct {
		at time.Duration
		do func()
	}{
		{9*h + 30*min, func() { can(station.Announce(2, alarm.Away, "M. Ito", "yearly survey", 20*min)) }},
		{12*h + 30*min, func() {
			can(station.Act("seal.exceeds", alarm.Act{What: alarm.Shelve, Who: "M. Ito", Why: "seal is on its way"}, 2*h))
		}},
		{13*h + 10*min, func() { acknowledge("low", alarm.Exceeds) }},
		{15*h + 10*min, func() { can(station.Withdraw("oven-low", "M. Ito", "hinge bent")) }},
	} {
		if until(deed.at); dayEnds > deed.at {
			deed.do()
		}
	}
	until(24 * h)
}

// What the messages of the day begin with, and say.
const (
	night     = "main kitchen, oven oven-night, post night: "
	seal      = "main kitchen, oven oven-seal, post seal: "
	low       = "main kitchen, oven oven-low, post low: "
	evening   = "main kitchen, oven oven-evening, post evening: "
	station   = "the station itself: "
	house     = "Larkfield House: "
	silent    = "the field at this post is not known: the probe does not answer"
	exceeds   = "the field exceeds the limit"
	below     = "below the limit now; the cause is not known to be mended"
	wasAbove  = "the field was above the limit, and the cause is not known to be mended"
	nobody    = "nobody has acknowledged this in time: "
	unwritten = "the record cannot be written"

	shelvedSeal    = "the alarm was shelved by M. Ito until 2000-01-01 14:30:00 UTC (“seal is on its way”); it still stands: " + wasAbove
	callsAgainSeal = "the alarm calls again (the time on the shelf is up): " + wasAbove + " (not yet recorded)"
)

// wantedDay is what each person receives.
func wantedDay() map[string][]string {
	loud := []string{
		"10:00 " + seal + exceeds,
		"10:06 " + seal + below,
		"10:10 " + seal + exceeds + ", again",
		"10:16 " + seal + below,
		"10:30 " + seal + nobody + exceeds + " (and 3 more)",
		"12:00 " + seal + below + " (and 16 more)", // one an hour from here on, and no network from 11 to 12
		"12:30 " + seal + shelvedSeal,
		"13:01 " + low + exceeds,
		"13:10 " + low + exceeds + "; this was acknowledged by M. Ito",
		"13:43 " + low + below,
	}
	emits := []string{
		"15:20 " + low + "oven oven-low emits, though it is withdrawn",
		"15:28 " + low + "it has ended that oven oven-low emits though it is withdrawn", // 90 s are one run, and 5 min at rest
	}
	manager := []string{
		"08:00 " + night + nobody + silent + " (and 1 more)",
		"09:00 " + night + "the probe is seen again",
		"09:30 " + night + "the probe is away for a survey; the field at this post is not known",
		"09:50 " + night + "the time is up for this: the probe is away for a survey; the post is watched again from now on",
	}
	manager = append(append(manager, loud...),
		"14:05 "+station+unwritten+" (not yet recorded)",
		"14:30 "+seal+callsAgainSeal,
		"14:35 "+station+nobody+unwritten+" (not yet recorded)",
		"15:00 "+station+"the record is written again",
		"15:10 "+house+"oven oven-low is withdrawn",
	)
	manager = append(append(manager, emits...),
		"16:00 "+evening+silent,
		"16:30 "+evening+nobody+silent,
	)
	return map[string][]string{"manager": manager, "watch": slices.Concat(loud, []string{"14:30 " + seal + callsAgainSeal}, emits), "head": {
		"00:00 " + house + "0 of 4 posts seeing, 4 blind", // at the start: nothing was read yet
		"03:30 " + night + nobody + silent,
		"06:00 " + house + "3 of 4 posts seeing, 1 blind, 1 alarm standing",
		"09:00 " + night + "the probe is seen again",
		"10:30 " + seal + nobody + exceeds,
		"10:36 " + seal + below,
		"10:40 " + seal + exceeds + ", again",
		"10:46 " + seal + below,
		"12:00 " + house + "1 post exceeding, 4 of 4 posts seeing, 1 alarm standing",
		"12:03 " + seal + below + " (and 13 more)",
		"12:30 " + seal + shelvedSeal,
		"14:30 " + seal + callsAgainSeal,
		"14:35 " + station + nobody + unwritten + " (not yet recorded)",
		"15:00 " + station + "the record is written again",
		"16:30 " + evening + nobody + silent,
		"18:00 " + house + "2 posts exceeding, 3 of 4 posts seeing, 1 blind, 1 withdrawn, 3 alarms standing",
	}}
}

func compareDay(t *testing.T, p *person) {
	t.Helper()
	end := time.Time{}.Add(dayEnds - 1).Format("15:04 ")
	want := slices.DeleteFunc(wantedDay()[p.name], func(line string) bool { return line > end })
	if len(p.wrong) > 0 {
		t.Errorf("the %s received other things under ids that had come before:\n%s", p.name, strings.Join(p.wrong, "\n"))
	}
	again := slices.DeleteFunc(wantedAgain()[p.name], func(line string) bool { return line > end })
	if !slices.Equal(p.twice, again) {
		t.Errorf("the %s received twice %q, want %q", p.name, p.twice, again)
	}
	got, wanted := strings.Join(p.got, "\n"), strings.Join(want, "\n")
	if got != wanted {
		t.Errorf("the %s received\n%s\nwant\n%s", p.name, got, wanted)
	}
}

// wantedAgain is what each person receives once more, the same under the same id:
// what came while their answers were lost.
func wantedAgain() map[string][]string {
	const loud = " main kitchen, oven oven-low, post low: the field exceeds the limit"
	five := []string{"13:01" + loud, "13:01" + loud, "13:01" + loud, "13:01" + loud, "13:02" + loud} // after 1, 2, 4, 8 and 16 s
	return map[string][]string{"manager": five, "watch": five}
}
