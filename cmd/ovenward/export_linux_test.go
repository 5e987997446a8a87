package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/limit"
	"ovenward/acquire/store"
	"ovenward/drivers"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/replay"
	"ovenward/metrics/remotewrite"
)

// ovenward runs a command in this process.
func ovenward(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	code = dispatch(t.Context(), args, &out, &err)
	return code, out.String(), err.String()
}

// must runs a command that must succeed.
func must(t *testing.T, args ...string) string {
	t.Helper()
	code, out, err := ovenward(t, args...)
	if code != 0 {
		t.Fatalf("%v ended with %d: %s", args, code, err)
	}
	return out
}

// table reads CSV into rows by column.
func table(t *testing.T, text string) []map[string]string {
	t.Helper()
	all, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range all[1:] {
		row := map[string]string{}
		for i, name := range all[0] {
			row[name] = r[i]
		}
		out = append(out, row)
	}
	return out
}

func stored(t *testing.T, r *store.Reader, post string) []store.StoredSample {
	t.Helper()
	var out []store.StoredSample
	for s, err := range r.Samples(t.Context(), post, time.Time{}, time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	return out
}

// TestExportIsTheRecord compares an export, made while the record is written,
// with the record, row by row.
func TestExportIsTheRecord(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	from := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	s := history(t, dir, from, 1500, recordedPost("hatch-door"), recordedPost("pantry-door"))
	for _, format := range []string{"csv", "jsonl"} {
		file := filepath.Join(t.TempDir(), "out."+format)
		must(t, "export", "--storage.path="+dir, "--format="+format, "--post=pantry-door", "--post=hatch-door",
			"--from=2026-03-04T05:08:00Z", "--to=2026-03-04T05:30:00.5Z", "-o", file)
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		rows := exported(t, format, string(text))
		n := 0
		for _, post := range []string{"hatch-door", "pantry-door"} {
			for _, x := range stored(t, s.Reader, post) {
				if x.At.Before(time.Date(2026, 3, 4, 5, 8, 0, 0, time.UTC)) || !x.At.Before(time.Date(2026, 3, 4, 5, 30, 0, 500e6, time.UTC)) {
					continue
				}
				if n == len(rows) {
					t.Fatalf("%s: %d rows, want more", format, n)
				}
				checkRow(t, format, rows[n], post, x)
				n++
			}
		}
		if n != len(rows) || n < 2000 {
			t.Errorf("%s: %d rows, want %d, and some thousands", format, len(rows), n)
		}
	}
}

func exported(t *testing.T, format, text string) []map[string]string {
	t.Helper()
	if format == "csv" {
		return table(t, text)
	}
	var out []map[string]string
	for line := range strings.Lines(text) {
		d := json.NewDecoder(strings.NewReader(line))
		d.UseNumber()
		var o map[string]any
		if err := d.Decode(&o); err != nil {
			t.Fatal(err)
		}
		row := map[string]string{}
		for k, v := range o {
			if v != nil {
				row[k] = fmt.Sprint(v)
			}
		}
		out = append(out, row)
	}
	return out
}

func checkRow(t *testing.T, format string, row map[string]string, post string, x store.StoredSample) {
	t.Helper()
	number := func(v float64) string {
		if math.IsNaN(v) || !x.HasValue() {
			return ""
		}
		return strconv.FormatFloat(v, 'g', -1, 64)
	}
	value := ""
	if x.Reading.HasValue {
		value = x.Reading.Value.String()
	}
	for k, want := range map[string]string{
		"post": post, "seq": strconv.FormatInt(x.Seq, 10), "utc": x.At.Format("2006-01-02T15:04:05.000000000Z"), "utc_within_ms": strconv.FormatFloat(x.AtU.Seconds()*1e3, 'g', -1, 64),
		"said": string(x.Said), "value": value, "unit": "mW/cm2", "quality": strings.ReplaceAll(x.Quality.String(), ",", ""),
		// 10 W/m² are 1 mW/cm²: SI.
		"power_density_mw_per_cm2": number(float64(x.S) / 10), "expanded_uncertainty_mw_per_cm2": number(float64(x.U) / 10),
		"certificate": "LH-17", "site": "Larkfield House", "oven": "oven of " + post, "probe": "probe of " + post, "origin": "probe",
	} {
		if row[k] != want {
			t.Fatalf("%s, %s %d: %s is %q, want %q", format, post, x.Seq, k, row[k], want)
		}
	}
}

// TestExportFeedsPromtool makes blocks of an export with Debian's promtool, and
// finds every sample in them again.
func TestExportFeedsPromtool(t *testing.T) {
	t.Parallel()
	promtool := driverstest.Program(t, "promtool")
	dir, out := t.TempDir(), t.TempDir()
	s := history(t, dir, time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), 4000, recordedPost("hatch-door"), recordedPost("pantry-door"))
	file, blocks := filepath.Join(out, "record.om"), filepath.Join(out, "blocks")
	must(t, "export", "--storage.path="+dir, "--format=openmetrics", "--output="+file)
	if said, err := exec.CommandContext(t.Context(), promtool, "tsdb", "create-blocks-from", "openmetrics", file, blocks).CombinedOutput(); err != nil {
		t.Fatalf("promtool: %v\n%s", err, said)
	}
	if err := os.Mkdir(filepath.Join(blocks, "wal"), 0o700); err != nil { // it opens nothing without
		t.Fatal(err)
	}
	said, err := exec.CommandContext(t.Context(), promtool, "tsdb", "dump", blocks).Output()
	if err != nil {
		t.Fatalf("promtool tsdb dump: %v", err)
	}
	got, ends, over := map[string]points{}, 0, 0
	for line := range strings.Lines(string(said)) {
		labels, rest, _ := strings.Cut(line, "} ")
		f := strings.Fields(rest)
		v, err1 := strconv.ParseFloat(f[0], 64)
		ms, err2 := strconv.ParseInt(f[1], 10, 64)
		switch {
		case err1 != nil || err2 != nil:
			t.Fatalf("promtool dumped %q", line)
		case strings.Contains(labels, remotewrite.OverRange):
			over += int(v)
			continue
		case math.IsNaN(v):
			ends++
			continue
		}
		for _, post := range []string{"hatch-door", "pantry-door"} {
			if strings.Contains(labels, `post="`+post+`"`) {
				if got[post] == nil {
					got[post] = points{}
				}
				got[post][ms] = v
			}
		}
	}
	for _, post := range []string{"hatch-door", "pantry-door"} {
		same(t, post, got[post], expected(t, s, post, time.Time{}), 0)
	}
	// 8 samples over range, 8 faults and 5 silences at each post.
	if ends != 2*(8+8+5) || over < 2*8 {
		t.Errorf("%d values that are none, %d times over range; want %d and 16 or more", ends, over, 2*(8+8+5))
	}
}

// TestExportReplays: what was exported is a recording that says the same again.
func TestExportReplays(t *testing.T) {
	t.Parallel()
	dir, file := t.TempDir(), filepath.Join(t.TempDir(), "hatch.csv")
	s := history(t, dir, time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), 300, recordedPost("hatch-door"))
	binary := acquire.Sample{Seq: 301, At: time.Date(2026, 3, 4, 6, 0, 0, 0, time.UTC), Said: []byte{0x01, 0x03, '\r', '\n', 0xff},
		Reading: drivers.Reading{Value: drivers.Decimal{Digits: 1}, HasValue: true, Unit: "mW/cm2"}}
	s.Append(0, []acquire.Sample{binary})
	waitFor(t, 20*time.Second, "the record to be written", func() bool { return s.Stats().Pending == 0 })
	must(t, "export", "--storage.path="+dir, "-o", file)
	link, err := replay.Dial(replay.Options{File: file, Speed: replay.AsFastAsTaken})(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer link.Close()
	var said []string
	for {
		frames, err := link.Receive(func(b []byte) (int, []byte) { return 0, nil }, time.Now().Add(time.Second), nil)
		for _, f := range frames {
			said = append(said, string(f.Bytes))
		}
		if err != nil {
			break
		}
	}
	all := stored(t, s.Reader, "hatch-door")
	if len(said) != len(all) || len(all) < 250 {
		t.Fatalf("%d answers, want %d", len(said), len(all))
	}
	for i, x := range all {
		if said[i] != string(x.Said) {
			t.Errorf("answer %d is %q, want %q", i, said[i], x.Said)
		}
	}
}

// TestExportOnATerminal shows how far it has come on a terminal, and nothing
// elsewhere.
func TestExportOnATerminal(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	history(t, dir, time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), 2500, recordedPost("hatch-door"))
	code, _, said := ovenward(t, "export", "--storage.path="+dir)
	if code != 0 || said != "" {
		t.Errorf("no terminal: %d, %q", code, said)
	}
	p := driverstest.OpenPTY(t)
	tty, err := os.OpenFile(p.Path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer tty.Close()
	seen := make(chan string, 1)
	go func() {
		var all strings.Builder
		b := make([]byte, 4096)
		for !strings.Contains(all.String(), "rows in") {
			n, err := p.Master.Read(b)
			if err != nil {
				break
			}
			all.Write(b[:n])
		}
		seen <- all.String()
	}()
	if code := dispatch(t.Context(), []string{"export", "--storage.path=" + dir}, io.Discard, tty); code != 0 {
		t.Fatal(code)
	}
	select {
	case got := <-seen:
		if !strings.Contains(got, "%, ") || !strings.Contains(got, "[####") || !strings.Contains(got, "rows in") {
			t.Errorf("the terminal shows %q", got)
		}
	case <-time.After(20 * time.Second):
		t.Error("the terminal shows no end")
	}
}

// TestWhatAPostWasMayBeLost: readings whose version of the post is not in the record are
// exported all the same, as of nobody knows what, and sent to no receiver, which they hold up
// no more.
func TestWhatAPostWasMayBeLost(t *testing.T) {
	dir := t.TempDir()
	record, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	post := benchPost("bench", "combi", limit.Limit{ID: "in use", Value: 50, Distance: 0.05, Basis: limit.EmissionInUse, Source: "a standard"})
	say := func(seq int64) {
		d := drivers.Decimal{Digits: seq, Exp: -1}
		record.Append(0, []acquire.Sample{{Seq: seq, At: begun().Add(time.Duration(seq) * time.Second), Said: []byte(d.String()), Reading: drivers.Reading{Value: d, HasValue: true, Unit: "mW/cm2"}}})
	}
	for seq := int64(1); seq <= 2; seq++ {
		post.Distance *= 2
		if err := record.Register([]acquire.Post{post}, begun().Add(time.Duration(seq)*time.Second)); err != nil {
			t.Fatal(err)
		}
		say(seq)
	}
	if err := record.Close(); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(driverstest.Program(t, "sqlite3"), filepath.Join(dir, store.FileName), "DELETE FROM post_versions WHERE version = 1").CombinedOutput(); err != nil {
		t.Fatalf("%s: %v", out, err)
	}
	var got []string
	for _, r := range table(t, must(t, "export", "--storage.path="+dir, "--post=bench", "--format=csv")) {
		got = append(got, r["seq"]+" "+r["said"]+" "+r["oven"]+" "+r["origin"])
	}
	if want := []string{"1 0.1  ", "2 0.2 combi probe"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if text := must(t, "export", "--storage.path="+dir, "--post=bench", "--format=openmetrics"); !strings.Contains(text, `{post="bench",origin="not known"} 1`) {
		t.Errorf("%s", text)
	}
	if record, err = store.Open(dir, store.Options{}); err != nil {
		t.Fatal(err)
	}
	defer record.Close()
	from := &outgoing{record: record, now: begun, versions: map[int64]placed{}}
	for range 2 {
		var sent []int64
		for r, err := range from.Rows(t.Context(), "bench", 1) {
			if err != nil {
				t.Fatal(err)
			}
			sent = append(sent, r.Seq)
		}
		if !slices.Equal(sent, []int64{2}) || from.passed["bench"] != 2 {
			t.Errorf("sent are %v, want 2 alone; the next look begins at %d", sent, from.passed["bench"])
		}
	}
}
