package store

import (
	"context"
	"math"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
	"ovenward/drivers"
)

// whole is a certificate that states all it can.
func whole() *calib.Certificate {
	c := certificate()
	c.Number, c.DF, c.AsFound, c.FoundBound = "LH-99", 17, 1.25, 0.2
	c.ByFrequency = []calib.FrequencyPoint{{Frequency: 915e6, Factor: 1.1}, {Frequency: 1.4e9, Factor: 1.3}}
	c.ByLevel = []calib.LevelPoint{{Level: 1, Factor: 1.02}, {Level: 9, Factor: 0.97}}
	c.PerKelvin, c.Reference = 0.002, 23
	return c
}

// What was derived from a sample is derived again when it is read, to the last
// bit of its correction: tables, temperature, axes, impedance and uncertainty.
func TestCorrectionsAreReadBackWhole(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	all := []calib.Correction{
		{Zero: 0.125, ZeroAt: noon(), ZeroBy: "R. Okafor", Certificate: whole(),
			Setting: calib.Setting{Frequency: 1e9, Impedance: field.Standard377},
			Spread:  calib.Spread{Rel: 0.123456789012345, Abs: 0.0625, K: 1.98}},
		{Certificate: whole(), Setting: calib.Setting{Impedance: field.CODATA2022, Frequency: 915e6}, Spread: calib.Spread{Rel: 0.1, K: 2.1}},
		{Certificate: certificate()}, // without a budget, as in records of before
		{},
	}
	readings := []drivers.Reading{
		{Value: drivers.Decimal{Digits: 614, Exp: -1}, HasValue: true, Unit: "V/m"},
		{Value: drivers.Decimal{Digits: 163, Exp: -3}, HasValue: true, Unit: "A/m"},
		{Value: drivers.Decimal{Digits: 5}, HasValue: true, Unit: "W/m2"},
		{Value: drivers.Decimal{Digits: 5}, HasValue: true, Unit: "W/m2"},
	}
	var want []acquire.Sample
	for i, c := range all {
		x := sample(int64(i + 1))
		x.Reading = readings[i]
		s.Correction(0, c)
		s.Append(0, []acquire.Sample{x})
		want = append(want, x)
	}
	shut(t, s)

	s = open(t, dir, Options{})
	for i, got := range everything(t, s.Reader, "fryer") {
		c := all[i]
		u := unitOf(t, want[i].Reading.Unit)
		in, err := c.Setting.Raw(&want[i].Reading, u)
		if err != nil {
			t.Fatal(err)
		}
		ch := c.Chain()
		wantS, wantU, _ := ch.Apply(in)
		if got.S != wantS || !(got.U == wantU || math.IsNaN(float64(got.U)) && math.IsNaN(float64(wantU))) {
			t.Errorf("sample %d: %v ± %v W/m², want %v ± %v", i+1, float64(got.S), float64(got.U), float64(wantS), float64(wantU))
		}
		back, err := s.Reader.correction(context.Background(), got.CorrectionID)
		if err != nil || !sameCorrection(back.Correction, c) {
			t.Errorf("correction %d comes back as %+v (%v), want %+v", i+1, back, err, c)
		}
	}
	var n int
	if err := s.db.QueryRow("SELECT count(*) FROM certificates WHERE number = 'LH-99'").Scan(&n); err != nil || n != 1 {
		t.Errorf("%d rows (%v) of one certificate, want 1", n, err)
	}
}

// Axes are added as the correction says. They are no column of their own here:
// what a reading holds beside its value is read back by whoever keeps it.
func TestAxesAreDerived(t *testing.T) {
	c := calib.Correction{Certificate: certificate(), Setting: calib.Setting{Impedance: field.Standard377}}
	c.Certificate.Factor = 1
	made := corrected{Correction: c, chain: c.Chain()}
	s := acquire.Sample{Reading: drivers.Reading{HasAxes: true, Unit: "V/m", Axes: [3]drivers.Decimal{{Digits: 30}, {Digits: 40}, {}}}}
	if made.derive(&s, unitOf(t, "V/m")); math.Abs(float64(s.S)-2500./377) > 1e-12 {
		t.Errorf("30, 40 and 0 V/m are %v W/m², want %v", float64(s.S), 2500./377)
	}
	if made.derive(&s, unitOf(t, "W/m2")); s.S != 70 {
		t.Errorf("30, 40 and 0 W/m² are %v", float64(s.S))
	}
	s.Reading = drivers.Reading{Unit: "V/m"}
	if made.derive(&s, unitOf(t, "V/m")); !math.IsNaN(float64(s.S)) {
		t.Errorf("nothing said became %v W/m²", float64(s.S))
	}
}

// A change of what a value rests on is a new version of the post.
func TestVersionsOfWhatIsDoubted(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	p := post("fryer")
	versions := func() (n int) {
		if err := s.db.QueryRow("SELECT count(*) FROM post_versions").Scan(&n); err != nil {
			t.Fatal(err)
		}
		return n
	}
	for i, change := range []func(){
		func() {},
		func() { p.Frequency = 2.45e9 },
		func() { p.Doubt.Linearity = 0.03 },
		func() {
			p.Turned, p.TurnedBy, p.TurnedOn = true, "P. Marlow", time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
		},
		func() { p.TurnedOn = time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC) },
	} {
		change()
		register(t, s, p)
		register(t, s, p)
		if n := versions(); n != i+1 {
			t.Errorf("after change %d there are %d versions, want %d", i, n, i+1)
		}
	}
	var by, on, doubt string
	if err := s.db.QueryRow("SELECT turned_by, turned_on, doubt FROM post_versions ORDER BY version DESC LIMIT 1").Scan(&by, &on, &doubt); err != nil ||
		by != "P. Marlow" || on != "2026-03-03" || doubt != `{"linearity":0.03}` {
		t.Errorf("turned by %q on %q, doubt %s (%v)", by, on, doubt, err)
	}
}

func TestMoved(t *testing.T) {
	ctx := context.Background()
	s := open(t, t.TempDir(), Options{})
	p := post("fryer")
	at := noon()
	enter := func(change func()) time.Time {
		change()
		at = at.Add(time.Hour)
		if err := s.Register([]acquire.Post{p}, at); err != nil {
			t.Fatal(err)
		}
		return at
	}
	if _, moved, err := s.Moved(ctx, "nobody"); moved || err != nil {
		t.Errorf("a post that is not there moved: %v, %v", moved, err)
	}
	first := enter(func() {})
	enter(func() { p.Stale += time.Second }) // another version, and the same place
	if m, moved, err := s.Moved(ctx, "fryer"); moved || err != nil || !m.Since.Equal(first) {
		t.Errorf("a post that never moved: %+v, %v, %v", m, moved, err)
	}
	second := enter(func() { p.Distance += 0.01 })
	enter(func() { p.Stale += time.Second })
	if m, moved, err := s.Moved(ctx, "fryer"); !moved || err != nil || m != (Move{second, first}) {
		t.Errorf("moved at %s: %+v, %v, %v", second, m, moved, err)
	}
	third := enter(func() { p.Oven = "another" })
	if m, moved, _ := s.Moved(ctx, "fryer"); !moved || m != (Move{third, second}) {
		t.Errorf("another oven at %s: %+v, %v", third, m, moved)
	}
	back := enter(func() { p.Oven, p.Distance = "fryer-oven", p.Distance-0.01; p.Probe.ID = "other" })
	if m, moved, _ := s.Moved(ctx, "fryer"); !moved || m != (Move{back, third}) {
		t.Errorf("another probe at %s: %+v, %v", back, m, moved)
	}
}

func unitOf(t *testing.T, spelling string) quantity.Unit {
	t.Helper()
	u, ok := quantity.LookupUnit(spelling)
	if !ok {
		t.Fatalf("no unit %q", spelling)
	}
	return u
}

// Corrected values are derived with the correction that was in force at each
// sample, whatever came later.
func TestDerived(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	register(t, s, post("fryer"), post("combi"))
	early := calib.Correction{Certificate: certificate()}
	late := calib.Correction{Zero: 0.5, ZeroAt: noon().Add(time.Second), ZeroBy: "R. Okafor", Certificate: certificate()}
	bare := calib.Correction{Zero: 0.125, ZeroAt: noon(), ZeroBy: "M. Larsen"}
	s.Append(1, samples(1, 1)) // before any correction
	s.Correction(0, early)
	s.Append(0, samples(1, 2))
	s.Correction(0, late)
	s.Correction(0, late)
	s.Append(0, samples(3, 3))
	s.Correction(1, bare)
	s.Append(1, samples(2, 2))
	shut(t, s)

	s = open(t, dir, Options{})
	for _, tc := range []struct {
		post string
		seq  int
		c    calib.Correction
	}{{"fryer", 1, early}, {"fryer", 2, early}, {"fryer", 3, late}, {"combi", 1, calib.Correction{}}, {"combi", 2, bare}} {
		g := everything(t, s.Reader, tc.post)[tc.seq-1]
		// 1 mW/cm² is 10 W/m²: SI.
		wantS, wantU := tc.c.Apply(10 * valued(int64(tc.seq)))
		if !closeTo(g.S, wantS) || !closeTo(g.U, wantU) {
			t.Errorf("%s %d: %v ± %v W/m², want %v ± %v", tc.post, tc.seq, g.S, g.U, wantS, wantU)
		}
	}
	var n int
	if err := s.db.QueryRow("SELECT count(*) FROM corrections").Scan(&n); err != nil || n != 3 {
		t.Errorf("%d corrections (%v), want 3: the same one twice is one", n, err)
	}
	// The correction in force outlives the process: telling it again adds none.
	register(t, s, post("fryer"), post("combi"))
	s.Correction(0, late)
	s.Append(0, samples(4, 4))
	drained(t, s)
	if g := everything(t, s.Reader, "fryer"); g[3].CorrectionID != g[2].CorrectionID {
		t.Errorf("correction %d after a restart, want %d as before", g[3].CorrectionID, g[2].CorrectionID)
	}
	past, err := s.Past(0, 150*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	if past.Zero.Zero != 0.5 || past.Zero.ZeroBy != "R. Okafor" || !past.Zero.ZeroAt.Equal(late.ZeroAt) {
		t.Errorf("the last zero comes back as %+v", past.Zero)
	}
	var recent []acquire.Sample
	for sample, err := range past.Recent {
		if err != nil {
			t.Fatal(err)
		}
		recent = append(recent, sample)
	}
	if past.LastSeq != 4 || !past.LastAt.Equal(sample(4).At) || len(recent) != 2 || recent[0].Seq != 3 || !closeTo(recent[0].S, everything(t, s.Reader, "fryer")[2].S) {
		t.Errorf("past ends at %d, %s with %d recent samples, want 4, %s and 2", past.LastSeq, past.LastAt, len(recent), sample(4).At)
	}
}
