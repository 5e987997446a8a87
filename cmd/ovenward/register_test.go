package main

import (
	"bytes"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/registry"
	"ovenward/acquire/store"
	"ovenward/drivers/driverstest"
)

// The configuration seeds the record once; afterwards the record counts, whatever
// the configuration says, and check and log tell where the two differ.
func TestTheRecordOwnsOvensAndCertificates(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	now := func() time.Time { return time.Date(2026, 6, 3, 12, 0, 0, 0, time.UTC) }
	file := kitchenWith(t, `[[limit]]
id = "stricter"
value = "1 mW/cm2"
distance = "50 mm"
basis = "emission new"
source = "an invented rule of the house"
`)
	start := func() (*daemon, string, error) {
		t.Helper()
		log := &logged{}
		d, err := newDaemon(settings{configFile: file, storagePath: folder, listen: "127.0.0.1:0"}, slog.New(slog.NewTextHandler(log, nil)), now)
		return d, log.String(), err
	}
	enterServery(t, start, now)
	checkTheRecordCounts(t, start)
	checkCommandTells(t, file, folder, start)
}

// enterServery moves the counter's oven to the servery, with another limit, and enters
// a certificate; until the next start all is judged as before.
func enterServery(t *testing.T, start func() (*daemon, string, error), now func() time.Time) {
	t.Helper()
	d, _, err := start()
	if err != nil {
		t.Fatal(err)
	}
	ovens, err := d.record.Ovens(t.Context())
	if err != nil || len(ovens) != 3 || ovens[0].ID != "counter" || ovens[0].Place != "counter oven" || ovens[0].Frequency != 2.45e9 ||
		ovens[0].Limit != "emission-in-use" || ovens[0].Who != registry.Configuration || !ovens[0].EnteredAt.Equal(now()) {
		t.Fatalf("seeded: %v %+v", err, ovens)
	}
	if certs, err := d.record.Certificates(t.Context()); err != nil || len(certs) != 3 || certs[0].Certificate.Number != "SIMULATED-1" {
		t.Fatalf("seeded: %v %+v", err, certs)
	}

	// What could not be watched by is refused before it is entered.
	changed := ovens[0].Oven
	changed.Limit = "nowhere"
	if err := d.try(t.Context(), registry.Entry{Ovens: []registry.OvenEntry{{Oven: changed}}}); err == nil || !strings.Contains(err.Error(), `limit "nowhere"`) {
		t.Errorf("a limit that is not in the file: %v", err)
	}
	changed.Limit, changed.Place = "stricter", "servery"
	day := func(text string) time.Time { d, _ := registry.ParseDay(text); return d }
	newer := registry.Certificate{Probe: "probe-1"}
	newer.Certificate.Number, newer.Laboratory, newer.Date, newer.Due, newer.Factor, newer.U, newer.K = "LH-0417", "a laboratory", day("2026-02-10"), day("2027-02-10"), 1.2, 0.2, 2
	e := registry.Entry{Who: "R. Okafor", Ovens: []registry.OvenEntry{{Oven: changed, Base: ovens[0].Number}}, Certificates: []registry.Certificate{newer}}
	if err := d.try(t.Context(), e); err != nil {
		t.Fatal(err)
	}
	if err := d.record.Enter(t.Context(), e, now()); err != nil {
		t.Fatal(err)
	}
	if st := d.station.Stats()[0].Post; st.Limit.ID != "emission-in-use" {
		t.Errorf("judged by %s before the next start", st.Limit.ID)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
}

// checkTheRecordCounts starts again, by what the record says.
func checkTheRecordCounts(t *testing.T, start func() (*daemon, string, error)) {
	t.Helper()
	d, log, err := start()
	if err != nil {
		t.Fatal(err)
	}
	st := d.station.Stats()[0].Post
	if st.Limit.ID != "stricter" || st.OvenPlace != "servery" || st.Probe.Certificate.Number != "LH-0417" || len(st.Probe.Earlier) != 1 {
		t.Errorf("after the next start: limit %s, place %q, certificate %s, %d earlier", st.Limit.ID, st.OvenPlace, st.Probe.Certificate.Number, len(st.Probe.Earlier))
	}
	if n, _ := d.record.OvenVersions(t.Context(), "counter"); len(n) != 2 {
		t.Errorf("%d versions: the configuration was entered again", len(n))
	}
	for _, want := range []string{`oven \"counter\": the record counts, and says otherwise: Where it stands: counter oven → servery`, `certificate \"LH-0417\" is in the record and not in the file`} {
		if !strings.Contains(log, want) {
			t.Errorf("the log lacks %q:\n%s", want, log)
		}
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
}

// checkCommandTells asks 'ovenward check' what differs, and what cannot be.
func checkCommandTells(t *testing.T, file, folder string, start func() (*daemon, string, error)) {
	t.Helper()
	var out, trouble bytes.Buffer
	if code := checkCommand([]string{file, "--storage.path=" + folder}, &out, &trouble); code != 0 || !strings.Contains(out.String(), "3 differences between file and record") ||
		!strings.Contains(out.String(), `oven "counter": the record counts, and says otherwise: Limit it is judged by: emission-in-use → stricter`) {
		t.Errorf("check: code %d\n%s%s", code, &out, &trouble)
	}
	// Without the limit that the record names nothing could be judged.
	if err := os.WriteFile(file, kitchenTOML, 0o600); err != nil {
		t.Fatal(err)
	}
	if d, _, err := start(); err == nil || !strings.Contains(err.Error(), `the record says limit "stricter", and the file has none of that id`) {
		t.Errorf("a limit that is gone: %v", err)
		_ = d.Close()
	}
	out.Reset()
	if code := checkCommand([]string{"--storage.path", folder, file}, &out, &trouble); code != 1 || !strings.Contains(trouble.String(), `limit "stricter"`) {
		t.Errorf("check: code %d\n%s%s", code, &out, &trouble)
	}
	for _, args := range [][]string{{file, "--storage.path"}, {file, "--storage.path="}, {file, "--storage.paths=x"}, {file, "--storage.path=" + t.TempDir()}} {
		if code := checkCommand(args, &out, &trouble); code != 1 {
			t.Errorf("%q: code %d", args, code)
		}
	}
}

// A certificate that is damaged in the record is entered again where the configuration has
// it, and counts; else no earlier one takes its place, and the start says what to do.
func TestADamagedCertificateIsEnteredAgain(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	now := func() time.Time { return time.Date(2026, 6, 3, 12, 0, 0, 0, time.UTC) }
	file := kitchenWith(t, "")
	start := func() (*daemon, string, error) {
		log := &logged{}
		d, err := newDaemon(settings{configFile: file, storagePath: folder, listen: "127.0.0.1:0"}, slog.New(slog.NewTextHandler(log, nil)), now)
		return d, log.String(), err
	}
	sql := func(do string) {
		if out, err := exec.Command(driverstest.Program(t, "sqlite3"), filepath.Join(folder, store.FileName), do).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v", out, err)
		}
	}
	is := func(d *daemon) string { return d.station.Stats()[0].Post.Probe.Certificate.Number }
	d, _, err := start()
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	for range 2 { // once it was entered again, it may be damaged again
		sql("UPDATE certificates SET due = 'x' WHERE number = 'SIMULATED-1'")
		if d, _, err = start(); err != nil || is(d) != "SIMULATED-1" {
			t.Fatalf("it is in the configuration: %v", err)
		}
		if err := d.Close(); err != nil {
			t.Fatal(err)
		}
	}
	sql("UPDATE probe_certificates SET taken_back = 1 WHERE version = (SELECT max(version) FROM probe_certificates); UPDATE certificates SET due = 'x' WHERE number = 'SIMULATED-1'")
	if d, _, err = start(); err != nil || d.station.Stats()[0].Post.Probe.Certificate != nil {
		t.Fatalf("it was taken back: %v", err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	sql("INSERT INTO certificates SELECT 77, 'LH-0417', laboratory, 'x', due, factor, expanded_uncertainty, k, detail FROM certificates LIMIT 1; INSERT INTO probe_certificates SELECT 77, probe, 77, 0, valid_from_ns, entered_at_ns, who, why FROM probe_certificates LIMIT 1")
	if _, _, err = start(); err == nil || !strings.Contains(err.Error(), "certificate LH-0417 of probe probe-1 is damaged in the record: write it into the configuration as it was") {
		t.Errorf("it was entered on the page: %v", err)
	}
}
