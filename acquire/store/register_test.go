package store

import (
	"errors"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/registry"
)

func anOven(place string) registry.Oven {
	next, _ := registry.ParseDay("2027-03-31")
	return registry.Oven{ID: "counter", Place: place, Maker: "Larkfield Works", Model: "two shelves", Serial: "LH-2231", Power: 1123.4567, Frequency: 2450.125e6,
		Limit: "in-use", NextCheck: next, Remark: "key at the porter's desk"}
}

// Every change is a version of its own, with who and when, and comes back whole
// from the file, and from one that was rebuilt.
func TestRegisterKeepsEveryVersion(t *testing.T) {
	dir := t.TempDir()
	noonOf := time.Date(2026, 6, 3, 12, 0, 0, 0, time.UTC)
	var hours atomic.Int64
	clock := func() time.Time { return noonOf.Add(time.Duration(hours.Load()) * time.Hour) }
	s, err := Open(dir, Options{Now: clock})
	if err != nil {
		t.Fatal(err)
	}
	enter := func(who string, e registry.Entry) error {
		t.Helper()
		e.Who = who
		hours.Add(1)
		return s.Enter(t.Context(), e, clock())
	}
	first, second := anOven("counter"), anOven("main kitchen")
	second.Withdrawn = true
	day := func(text string) time.Time { d, _ := registry.ParseDay(text); return d }
	cert := registry.Certificate{Probe: "hatch", Certificate: calib.Certificate{Number: "LH-0417", Laboratory: "a laboratory", Date: day("2026-02-10"), Due: day("2027-02-10"),
		Factor: 1.03, U: 0.15, K: 2, AsFound: 1.4, ByFrequency: []calib.FrequencyPoint{{Frequency: 2.45e9, Factor: 1.1}}}}
	back := cert
	back.TakenBack = true
	test := registry.Test{Oven: "counter", On: day("2026-05-30"), Kind: "survey", By: "P. Marlow", Outcome: "within", Highest: 4.2, HasValue: true, Text: "12 points"}
	for _, e := range []registry.Entry{
		{Ovens: []registry.OvenEntry{{Oven: first, Base: registry.New}}, Probes: []registry.ProbeEntry{{Probe: registry.Probe{ID: "hatch", Serial: "7"}, Base: registry.New}}},
		{Ovens: []registry.OvenEntry{{Oven: second, Base: 1}}, Why: "moved"},
		{Ovens: []registry.OvenEntry{{Oven: second}}}, // nothing changed: no version
		{Certificates: []registry.Certificate{cert}, Tests: []registry.Test{test}},
	} {
		if err := enter("R. Okafor", e); err != nil {
			t.Fatal(err)
		}
	}
	refusesEntries(t, enter, first)
	check := func(s *Store) { t.Helper(); checkVersions(t, s, first, second, cert, test) }
	check(s)
	for _, change := range []string{"UPDATE ovens SET place = 'x'", "DELETE FROM ovens"} {
		if _, err := s.db.Exec(change); err == nil {
			t.Errorf("a reader can do %s", change)
		}
	}
	shut(t, s)
	if _, err := Rebuild(t.Context(), dir, Options{}); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir, Options{Now: clock})
	check(s)
	checkTold(t, s)
	if err := enter("R. Okafor", registry.Entry{Certificates: []registry.Certificate{back}}); err != nil {
		t.Fatal(err)
	}
	certs, err := s.Certificates(t.Context())
	if err != nil || len(certs) != 2 || len(registry.Newest(certs, "hatch")) != 0 || len(registry.Newest(certs[:1], "hatch")) != 1 {
		t.Errorf("a certificate that was taken back: %v %+v", err, certs)
	}
	if _, err := OpenReadOnly(filepath.Join(dir, "none")); err == nil {
		t.Error("a record that is not there was opened")
	}
}

// refusesEntries enters what cannot be.
func refusesEntries(t *testing.T, enter func(who string, e registry.Entry) error, first registry.Oven) {
	t.Helper()
	for want, e := range map[error]registry.Entry{
		registry.ErrStale:  {Ovens: []registry.OvenEntry{{Oven: first, Base: 1}}},
		registry.ErrExists: {Probes: []registry.ProbeEntry{{Probe: registry.Probe{ID: "new"}, Base: registry.New}, {Probe: registry.Probe{ID: "hatch"}, Base: registry.New}}},
		registry.ErrNone:   {Tests: []registry.Test{{Oven: "nowhere"}}},
	} {
		if err := enter("J. Hale", e); !errors.Is(err, want) {
			t.Errorf("got %v, want %v", err, want)
		}
	}
}

// checkVersions looks at all that was entered.
func checkVersions(t *testing.T, s *Store, first, second registry.Oven, cert registry.Certificate, test registry.Test) {
	t.Helper()
	versions, err := s.OvenVersions(t.Context(), "counter")
	if err != nil || len(versions) != 2 || versions[0].Oven != second || versions[1].Oven != first || versions[0].Who != "R. Okafor" || versions[0].Why != "moved" ||
		!versions[0].EnteredAt.Equal(time.Date(2026, 6, 3, 14, 0, 0, 0, time.UTC)) || versions[0].Number != 2 {
		t.Errorf("versions: %v %+v", err, versions)
	}
	ovens, err := s.Ovens(t.Context())
	if err != nil || len(ovens) != 1 || ovens[0].Oven != second {
		t.Errorf("ovens: %v %+v", err, ovens)
	}
	probes, err := s.Probes(t.Context())
	if err != nil || len(probes) != 1 || probes[0].Serial != "7" { // all or nothing: not the one that was new
		t.Errorf("probes: %v %+v", err, probes)
	}
	certs, err := s.Certificates(t.Context())
	if err != nil || len(certs) != 1 || !certs[0].Certificate.Equal(cert.Certificate) || certs[0].Probe != "hatch" {
		t.Errorf("certificates: %v %+v", err, certs)
	}
	tests, err := s.Tests(t.Context(), "counter")
	if err != nil || len(tests) != 1 || tests[0].Text != "12 points" || tests[0].Highest != 4.2 || !tests[0].HasValue || tests[0].Who != "R. Okafor" || !tests[0].On.Equal(test.On) {
		t.Errorf("tests: %v %+v", err, tests)
	}
}

// checkTold looks at the events of the register.
func checkTold(t *testing.T, s *Store) {
	t.Helper()
	events, err := s.Events(t.Context(), 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	told := ""
	for _, e := range events {
		if e.Kind == acquire.KindRegister {
			told += e.Who + ": " + e.Text + "\n"
		}
	}
	for _, want := range []string{"R. Okafor: oven counter: Where it stands: counter → main kitchen; State: in use → withdrawn (moved)\n",
		"R. Okafor: probe hatch: certificate LH-0417 entered: calibrated 2026-02-10, due 2027-02-10\n", "R. Okafor: oven counter: survey of 2026-05-30 by P. Marlow: 12 points\n"} {
		if !strings.Contains(told, want) {
			t.Errorf("the events lack %q:\n%s", want, told)
		}
	}
	if n := strings.Count(told, "\n"); n != 5 || strings.Contains(told, "Hale") {
		t.Errorf("%d events of the register, want 5, none of what was refused:\n%s", n, told)
	}
}

// A day of the register that is damaged holds up no start and no list: what was due is due
// since its row counts, and a test of no known day is not within.
func TestADamagedDayOfTheRegister(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	day := noon().Truncate(24 * time.Hour)
	if err := s.Enter(t.Context(), registry.Entry{Who: "R. Okafor", Ovens: []registry.OvenEntry{{Oven: anOven("counter"), Base: registry.New}},
		Probes: []registry.ProbeEntry{{Probe: registry.Probe{ID: "hatch", NextCheck: day.AddDate(1, 0, 0)}, Base: registry.New}},
		Tests: []registry.Test{{Oven: "counter", On: day, Kind: "survey", By: "P. Marlow", Outcome: "within", Text: "12 points"},
			{Oven: "counter", On: day, Kind: "survey", By: "P. Marlow", Outcome: "exceeds", Text: "12 points"}}}, noon()); err != nil {
		t.Fatal(err)
	}
	byHand(t, s, "UPDATE ovens SET next_check = '20z7-03-31'; UPDATE probes SET next_check = 'x'; UPDATE oven_tests SET on_day = ''||substr(on_day, 2)")
	ovens, err := s.Ovens(t.Context())
	if err != nil || len(ovens) != 1 || !ovens[0].NextCheck.Equal(day) {
		t.Errorf("%+v, %v", ovens, err)
	}
	probes, err := s.Probes(t.Context())
	if err != nil || len(probes) != 1 || !probes[0].NextCheck.Equal(day) {
		t.Errorf("%+v, %v", probes, err)
	}
	tests, err := s.Tests(t.Context(), "")
	if err != nil || len(tests) != 2 || tests[0].Outcome != "exceeds" || tests[1].Outcome != "not decided" || !tests[1].On.Equal(day) {
		t.Errorf("%+v, %v", tests, err)
	}
}
