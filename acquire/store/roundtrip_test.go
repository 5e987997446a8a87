package store

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// What was said comes back byte for byte and digit for digit.
func TestRoundTripAsSaid(t *testing.T) {
	dir := t.TempDir()
	for _, tc := range []struct {
		name    string
		said    []byte
		reading drivers.Reading
		quality acquire.Quality
	}{
		{"trailing zeros", []byte("1.20 mW/cm2"), drivers.Reading{Value: drivers.Decimal{Digits: 120, Exp: -2}, HasValue: true, Unit: "mW/cm2"}, 0},
		{"negative", []byte("-0.003,W/m²,OK"), drivers.Reading{Value: drivers.Decimal{Digits: -3, Exp: -3}, HasValue: true, Unit: "W/m²"}, acquire.UnderFloor},
		{"zero with places", []byte("0.000"), drivers.Reading{Value: drivers.Decimal{Digits: 0, Exp: -3}, HasValue: true, Unit: "mW/cm2"}, acquire.UnderFloor | acquire.ClockUnsure},
		{"most digits", []byte("999999999999999999"), drivers.Reading{Value: drivers.Decimal{Digits: 999999999999999999}, HasValue: true, Unit: "W/m²"}, 0},
		{"smallest", []byte("tiny"), drivers.Reading{Value: drivers.Decimal{Digits: -1, Exp: math.MinInt8}, HasValue: true, Unit: "W/m²"}, 0},
		{"no number", []byte("OL"), drivers.Reading{Unit: "mW/cm2", Status: drivers.OverRange}, acquire.OverRange | acquire.Uncalibrated},
		{"all flags", []byte("9.999 ERR LB"), drivers.Reading{Value: drivers.Decimal{Digits: 9999, Exp: -3}, HasValue: true, Unit: "mW/cm2",
			Status: drivers.OverRange | drivers.Fault | drivers.BatteryLow}, 31},
		{"not UTF-8", []byte{0xff, 0x00, '1', 0xb2}, drivers.Reading{Value: drivers.Decimal{Digits: 1}, HasValue: true, Unit: "mW/cm^2"}, 0},
		{"a zero byte", []byte("1\x002"), drivers.Reading{Value: drivers.Decimal{Digits: 12}, HasValue: true, Unit: "mW/cm2"}, 0},
		{"long", bytes.Repeat([]byte("x"), 3*32<<10), drivers.Reading{Value: drivers.Decimal{Digits: 12}, HasValue: true, Unit: "mW/cm2"}, 0},
		{"three axes", []byte("1.24 1.20 0.31 -0.02"), drivers.Reading{Value: drivers.Decimal{Digits: 124, Exp: -2}, HasValue: true, Unit: "mW/cm2",
			HasAxes: true, Axes: [3]drivers.Decimal{{Digits: 120, Exp: -2}, {Digits: 31, Exp: -2}, {Digits: -2, Exp: -2}}}, 0},
		{"axes and no total", []byte("1 2 3"), drivers.Reading{Unit: "mW/cm2",
			HasAxes: true, Axes: [3]drivers.Decimal{{Digits: 1, Exp: 127}, {Digits: math.MinInt64}, {Exp: -3}}}, 0},
		{"all it can say", []byte("0.5;23.50;3.710"), drivers.Reading{Value: drivers.Decimal{Digits: 5, Exp: -1}, HasValue: true, Unit: "mW/cm2",
			HasTemp: true, Temperature: drivers.Decimal{Digits: -2350, Exp: -2}, TemperatureUnit: "°F",
			Battery: drivers.Decimal{Digits: 3710, Exp: -3}, BatteryUnit: "V", Axes: [3]drivers.Decimal{{}, {}, {Digits: 7, Exp: -128}}, HasAxes: true}, 0},
		{"a battery, over range", []byte("OL;0"), drivers.Reading{Unit: "mW/cm2", Status: drivers.OverRange, BatteryUnit: "%"}, acquire.OverRange},
		{"more beside bytes", []byte{0xff, 0x00}, drivers.Reading{Value: drivers.Decimal{Digits: 1}, HasValue: true, Unit: "mW/cm2", HasTemp: true}, 0},
		{"a unit with a quote", []byte("1"), drivers.Reading{Value: drivers.Decimal{Digits: 1}, HasValue: true, Unit: "mW/cm2", Battery: drivers.Decimal{Digits: 1}, BatteryUnit: "V\"\\"}, 0},
		{"decibels", []byte("3.0dBm/m2"), drivers.Reading{Value: drivers.Decimal{Digits: 30, Exp: -1}, HasValue: true, Unit: "dBm/m2"}, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := open(t, dir, Options{CommitEvery: time.Millisecond})
			p := post(tc.name)
			register(t, s, p)
			c := calib.Correction{Zero: 0.25, ZeroAt: noon(), ZeroBy: "R. Okafor", Certificate: certificate()}
			s.Correction(0, c)
			want := acquire.Sample{Seq: 7, At: noon(), AtU: 1234567, Said: bytes.Clone(tc.said), Reading: tc.reading, Quality: tc.quality}
			s.Append(0, []acquire.Sample{want})
			for i := range tc.said {
				tc.said[i] = '!' // the caller may use its buffer again
			}
			shut(t, s)

			s = open(t, dir, Options{})
			got := everything(t, s.Reader, tc.name)
			if len(got) != 1 {
				t.Fatalf("%d samples come back, want 1", len(got))
			}
			want.AtU = 2 * time.Millisecond // the class above what was known
			checkSame(t, got[0].Sample, want)
		})
	}
}

// Rows like the ones before them go a short way; one that is not, in whatever, comes back as itself.
func TestRowsHardlyUnlikeComeBackAsSaid(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 1))
	s := open(t, t.TempDir(), Options{CommitEvery: 200 * time.Millisecond})
	p := post("fryer")
	register(t, s, p)
	type kept struct {
		acquire.Sample
		version int64
		c       calib.Correction
	}
	var want []kept
	version, c, at := int64(1), calib.Correction{Certificate: certificate()}, noon()
	s.Correction(0, c)
	for len(want) < 30_000 {
		switch r.IntN(12) {
		case 0:
			p.Distance += 0.001
			register(t, s, p)
			s.Correction(0, c)
			version++
		case 1:
			c.Zero, c.ZeroAt, c.ZeroBy = c.Zero+0.125, at, "R. Okafor"
			s.Correction(0, c)
		}
		if r.IntN(3) == 0 && len(want) > 0 {
			s.Append(0, samples(1, 1)) // refused
		}
		var batch []acquire.Sample
		for range 1 + r.IntN(120) {
			at = at.Add(time.Duration(99_000+r.IntN(2000)) * time.Microsecond)
			v := drivers.Decimal{Digits: r.Int64N(2000) - 200, Exp: -3}
			x := acquire.Sample{Seq: int64(len(want) + len(batch) + 1), At: at, AtU: 2 * time.Millisecond,
				Reading: drivers.Reading{Value: v, HasValue: true, Unit: "mW/cm2"}}
			tail, y := " mW/cm2 OK", &x.Reading
			switch r.IntN(60) {
			case 0:
				y.Unit = "W/m²"
			case 1:
				y.Value.Exp = -2
			case 2:
				y.Status = drivers.BatteryLow
			case 3:
				x.Quality = acquire.UnderFloor
			case 4:
				y.HasTemp, y.Temperature = true, drivers.Decimal{Digits: 215, Exp: -1}
			case 5:
				y.BatteryUnit, y.Battery = "%", drivers.Decimal{Digits: 80}
			case 6:
				y.HasAxes, y.Axes[0] = true, v
			case 7:
				y.HasValue = false
			case 8:
				tail = " mW/cm2 LO"
			case 9:
				y.Value.Digits++
			case 10:
				x.AtU = 30 * time.Millisecond
			}
			x.Said = []byte(v.String() + tail)
			batch = append(batch, x)
		}
		s.Append(0, batch)
		for _, x := range batch {
			want = append(want, kept{x, version, c})
		}
	}
	drained(t, s)
	got := everything(t, s.Reader, "fryer")
	if len(got) != len(want) {
		t.Fatalf("%d samples come back, want %d", len(got), len(want))
	}
	for i := range want {
		g, w := &got[i], &want[i]
		if d := g.At.Sub(w.At).Abs(); g.AtU < w.AtU+d || g.AtU > 25*(w.AtU+time.Millisecond) {
			t.Fatalf("sample %d at %s ± %s, want %s ± %s", w.Seq, g.At, g.AtU, w.At, w.AtU)
		}
		w.At, w.AtU = g.At, g.AtU
		checkSame(t, g.Sample, w.Sample)
		if g.Version != w.version {
			t.Fatalf("sample %d is of version %d, want %d", w.Seq, g.Version, w.version)
		}
		raw := quantity.PowerDensity(w.Reading.Value.Float())
		if w.Reading.Unit == "mW/cm2" {
			raw *= 10
		}
		if wantS, _ := w.c.Apply(raw); w.Reading.HasValue && !w.Reading.HasAxes && !closeTo(g.S, wantS) {
			t.Fatalf("sample %d is %v W/m², want %v", w.Seq, g.S, wantS)
		}
		if t.Failed() {
			t.FailNow()
		}
	}
}

func checkSame(t *testing.T, g, want acquire.Sample) {
	t.Helper()
	if string(g.Said) != string(want.Said) {
		t.Errorf("said %.40q, want %.40q", g.Said, want.Said)
	}
	if !g.Reading.HasValue && !want.Reading.HasValue {
		g.Reading.Value = want.Reading.Value
	}
	if g.Reading != want.Reading || g.Quality != want.Quality || g.Seq != want.Seq || !g.At.Equal(want.At) || g.AtU != want.AtU {
		t.Errorf("got %+v, want %+v", g, want)
	}
	if g.HasValue() != want.HasValue() {
		t.Errorf("HasValue %v, want %v", g.HasValue(), want.HasValue())
	}
}

func TestEventsAndAlarms(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	raised := raise("fryer", alarm.Exceeds, noon())
	acked := raised
	acked.Who = "R. Okafor"
	next, reason := raised.Alarm.Alarm.Step(alarm.Acknowledge, noon().Add(time.Minute))
	acked.Alarm = &alarm.Change{Alarm: next, From: raised.Alarm.State, Reason: reason}
	s.Record(raised)
	s.Record(acquire.Event{At: noon(), Post: "fryer", Kind: acquire.KindUnparsed, Text: "no number \xff", Raw: []byte{0, 0xff, 'x'}})
	s.Record(acked)
	s.Record(raise("", alarm.Record, noon()))
	present := s.Alarms()
	shut(t, s)

	s = open(t, dir, Options{})
	register(t, s, post("fryer"))
	got := events(t, s.Reader)
	if len(got) != 4 {
		t.Fatalf("%d events, want 4", len(got))
	}
	for i, e := range got {
		if i > 0 && e.ID <= got[i-1].ID {
			t.Errorf("event %d has number %d after %d", i, e.ID, got[i-1].ID)
		}
	}
	if e := got[1]; string(e.Raw) != "\x00\xffx" || e.Text != "no number \uFFFD" || e.Alarm != nil || e.Kind != acquire.KindUnparsed {
		t.Errorf("the unparsed line comes back as %+v", e)
	}
	// An uncertainty that is not known has no number in JSON; the alarm stays.
	if v := got[0].Alarm.Verdict; v == nil || *v.Value != 61.5 || v.Uncertainty != nil || v.Reasons[1] != "uncertainty is NaN" {
		t.Errorf("the verdict comes back as %+v", v)
	}
	if e := got[2]; e.Who != "R. Okafor" || e.Alarm.Reason != alarm.WasAcknowledged || e.Alarm.Alarm != asWritten(t, next) {
		t.Errorf("the acknowledgement comes back as %+v", e)
	}
	if !reflect.DeepEqual(s.Alarms(), present) {
		t.Errorf("alarms %+v, before the restart %+v", s.Alarms(), present)
	}
	past, err := s.Past(0, 0)
	if err != nil || len(past.Alarms) != 1 || past.Alarms[0] != next {
		t.Errorf("the post's alarms come back as %+v (%v), want %+v", past.Alarms, err, next)
	}
}

func TestCursors(t *testing.T) {
	dir, ctx := t.TempDir(), context.Background()
	s := open(t, dir, Options{})
	for _, id := range []int64{5, 9} {
		if err := s.Keep(ctx, map[string]int64{"webhook": id}, nil); err != nil {
			t.Fatal(err)
		}
	}
	shut(t, s)
	if err := s.Keep(ctx, map[string]int64{"webhook": 10}, nil); err == nil {
		t.Error("a cursor was set on a closed record")
	}
	s = open(t, dir, Options{})
	if err := s.Keep(ctx, map[string]int64{"webhook.first": 3, "webhook.done.fryer/stuck": 7, "webhook-2": 8}, nil); err != nil {
		t.Fatal(err)
	}
	if err := s.Keep(ctx, map[string]int64{"webhook.first": 0}, nil); err != nil {
		t.Fatal(err)
	}
	if all, err := s.Cursors(ctx, "webhook"); err != nil || !reflect.DeepEqual(all, map[string]int64{"webhook": 9, "webhook.done.fryer/stuck": 7}) {
		t.Errorf("cursors %v, %v; want the courier's own, but for the one set to 0", all, err)
	}
	for name, want := range map[string]int64{"webhook": 9, "other": 0} {
		if id, err := s.Cursor(ctx, name); err != nil || id != want {
			t.Errorf("cursor %s is %d (%v), want %d", name, id, err, want)
		}
	}
}

// A version of a post is written when something differs, and only then.
func TestPostVersions(t *testing.T) {
	dir := t.TempDir()
	p := post("fryer")
	moved := p
	moved.Distance = 0.06
	recalibrated := moved
	recalibrated.Probe.Certificate = &calib.Certificate{Number: "LH-18", Factor: math.NaN()}
	for i, tc := range []struct {
		p    acquire.Post
		want int64
	}{{p, 1}, {p, 1}, {moved, 2}, {moved, 2}, {recalibrated, 3}, {recalibrated, 3}, {p, 4}} {
		s := open(t, dir, Options{})
		register(t, s, tc.p)
		s.Append(0, samples(int64(i+1), int64(i+1)))
		shut(t, s)
		r, err := OpenReadOnly(dir)
		if err != nil {
			t.Fatal(err)
		}
		all := everything(t, r, "fryer")
		if v := all[len(all)-1].Version; v != tc.want {
			t.Errorf("sample %d is of version %d, want %d", i+1, v, tc.want)
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// A row that the record can never take costs itself and nothing else.
func TestRefusedRow(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	register(t, s, post("fryer"))
	s.Append(0, samples(1, 3))
	s.Append(0, samples(2, 2))
	s.Append(0, samples(4, 5))
	s.Record(note("after"))
	drained(t, s)
	if got := numbers(everything(t, s.Reader, "fryer")); got != "1-5" {
		t.Errorf("samples %s, want 1-5", got)
	}
	if st := s.Stats(); st.Refused != 1 || len(events(t, s.Reader)) != 1 {
		t.Errorf("%d rows refused, %d events, want 1 and 1", st.Refused, len(events(t, s.Reader)))
	}
}

// TestMergesShareNoWords: what one merge read is not overwritten by the next, nor one
// post's words by another's.
func TestMergesShareNoWords(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	names := []string{"fryer", "combi", "galley"}
	register(t, s, post(names[0]), post(names[1]), post(names[2]))
	said := func(post int, seq int64) string {
		return fmt.Sprintf("%s says %d%s", names[post], seq*seq, strings.Repeat("!", int(seq%7)))
	}
	const turns, each = 6, 2000
	for turn := range int64(turns) {
		for i := range names {
			batch := samples(turn*each+1, (turn+1)*each)
			for n := range batch {
				batch[n].Said = []byte(said(i, batch[n].Seq))
			}
			s.Append(i, batch)
		}
		flushed(t, s)
		merged(t, s, turn == turns/2)
	}
	for i, name := range names {
		all := everything(t, s.Reader, name)
		if len(all) != turns*each {
			t.Fatalf("%s has %d samples", name, len(all))
		}
		for _, g := range all {
			if string(g.Said) != said(i, g.Seq) {
				t.Fatalf("%s, %d: %q, want %q", name, g.Seq, g.Said, said(i, g.Seq))
			}
		}
	}
}
