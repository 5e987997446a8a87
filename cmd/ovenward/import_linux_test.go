package main

import (
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store"
)

func readOnly(t *testing.T, dir string) *store.Reader {
	t.Helper()
	r, err := store.OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	})
	return r
}

// imports lists the events of imports.
func imports(t *testing.T, r *store.Reader) []acquire.Event {
	t.Helper()
	all, err := r.Events(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	var out []acquire.Event
	for _, e := range all {
		if e.Kind == acquire.KindImport {
			out = append(out, e)
		}
	}
	return out
}

// exportedFile is a record of two posts, and an export of it.
func exportedFile(t *testing.T, format string) (s *store.Store, dir, file string) {
	t.Helper()
	dir = t.TempDir()
	s = history(t, dir, time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), 1500, recordedPost("hatch-door"), recordedPost("pantry-door"))
	file = filepath.Join(t.TempDir(), "larkfield."+format)
	must(t, "export", "--storage.path="+dir, "--format="+format, "-o", file)
	return s, dir, file
}

// TestImport: an export comes into another record as it was said, marked for good
// as imported, and as often as it likes.
func TestImport(t *testing.T) {
	t.Parallel()
	for _, format := range []string{"csv", "jsonl"} {
		s, _, file := exportedFile(t, format)
		to := t.TempDir()
		out := must(t, "import", "--storage.path="+to, "--by=M. Larsen", file)
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		digest := fmt.Sprintf("%x", sha256.Sum256(text))
		if !strings.Contains(out, digest) || !strings.Contains(out, "imported/hatch-door, imported/pantry-door") {
			t.Errorf("it said %q", out)
		}
		before, err := os.ReadFile(filepath.Join(to, store.FileName))
		if err != nil {
			t.Fatal(err)
		}
		again := must(t, "import", "--storage.path="+to, file)
		if !strings.Contains(again, ": 0 samples taken, ") {
			t.Errorf("the second time it said %q", again)
		}
		r := readOnly(t, to)
		if posts, err := r.Posts(t.Context()); err != nil || fmt.Sprint(posts) != "[imported/hatch-door imported/pantry-door]" {
			t.Errorf("posts %v, %v", posts, err)
		}
		events := imports(t, r)
		if len(events) != 2 || len(before) == 0 {
			t.Fatalf("%d events of imports, want one a post, and none of the second time", len(events))
		}
		for _, e := range events {
			if e.Who != "M. Larsen" || fmt.Sprintf("%x", e.Raw) != digest || !strings.Contains(e.Text, filepath.Base(file)) {
				t.Errorf("%+v", e)
			}
		}
		for _, post := range []string{"hatch-door", "pantry-door"} {
			want, got := stored(t, s.Reader, post), stored(t, r, "imported/"+post)
			if len(got) != len(want) || len(want) < 1000 {
				t.Fatalf("%d samples, want %d", len(got), len(want))
			}
			for i, w := range want {
				g := got[i]
				if g.Seq != w.Seq || !g.At.Equal(w.At) || g.AtU != w.AtU || string(g.Said) != string(w.Said) || g.Reading != w.Reading ||
					g.Quality != w.Quality|acquire.Uncalibrated || g.CorrectionID != 0 {
					t.Fatalf("got %+v, want %+v, uncalibrated", g, w)
				}
			}
			v, err := r.Version(t.Context(), got[0].Version)
			if err != nil || !strings.Contains(v.Port, digest) || v.Oven != "oven of "+post || v.Probe != "probe of "+post {
				t.Errorf("version %+v, %v", v, err)
			}
		}
		rows := table(t, must(t, "export", "--storage.path="+to, "--post=imported/hatch-door"))
		if rows[0]["origin"] != "imported" || rows[0]["expanded_uncertainty_mw_per_cm2"] != "" || rows[0]["certificate"] != "" {
			t.Errorf("exported again: %v", rows[0])
		}
	}
}

// TestImportOfWhatIsThere: a record takes none of its own samples back, and an
// older export and then a newer one make one whole.
func TestImportOfWhatIsThere(t *testing.T) {
	t.Parallel()
	s, dir, file := exportedFile(t, "csv")
	early, to := filepath.Join(t.TempDir(), "early.csv"), t.TempDir()
	must(t, "export", "--storage.path="+dir, "--to=2026-03-04T05:20:00Z", "-o", early)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if out := must(t, "import", "--storage.path="+dir, file); !strings.Contains(out, ": 0 samples taken, ") {
		t.Errorf("into its own record: %s", out)
	}
	r := readOnly(t, dir)
	if posts, _ := r.Posts(t.Context()); len(posts) != 2 || len(imports(t, r)) != 0 {
		t.Errorf("posts %v, %d imports", posts, len(imports(t, r)))
	}
	must(t, "import", "--storage.path="+to, early)
	must(t, "import", "--storage.path="+to, file)
	for _, post := range []string{"hatch-door", "pantry-door"} {
		if got, want := stored(t, readOnly(t, to), "imported/"+post), stored(t, r, post); len(got) != len(want) {
			t.Errorf("%s: %d samples after both, want %d", post, len(got), len(want))
		}
	}
}

// TestImportKeepsOffADaemon: nothing is written beside one.
func TestImportKeepsOffADaemon(t *testing.T) {
	t.Parallel()
	_, dir, file := exportedFile(t, "csv") // the record stays open
	code, out, said := ovenward(t, "import", "--storage.path="+dir, file)
	if code != 1 || out != "" || !strings.Contains(said, "in use") || !strings.Contains(said, "needs the record for itself") {
		t.Errorf("%d, %q, %q", code, out, said)
	}
}

const importHead = "post,seq,utc,said,value,unit\n"

// TestImportMistakes: one mistake, and nothing of the file is taken; each is told
// with its line.
func TestImportMistakes(t *testing.T) {
	t.Parallel()
	good := func(seq int, second int, said string) string {
		return fmt.Sprintf("hatch-door,%d,2026-03-04T05:06:%02dZ,%s,0.1,mW/cm2\n", seq, second, said)
	}
	for name, c := range map[string]struct {
		text  string
		wants []string
	}{
		"an unknown unit":    {good(1, 1, "a") + "hatch-door,2,2026-03-04T05:06:02Z,b,0.1,furlong\n" + good(3, 3, "c"), []string{`:3: unit "furlong" is not known`, "1 mistake; nothing was taken"}},
		"several":            {good(1, 1, "a") + "hatch-door,x,then,,0.1,mW/cm2\n" + good(1, 2, "b"), []string{":3: seq \"x\"", ":3: utc \"then\"", ":3: said is empty", ":4: number 1 does not come after 1", "4 mistakes"}},
		"numbers that fall":  {good(5, 1, "a") + good(4, 2, "b"), []string{":3: number 4 does not come after 5", "sort the rows by seq"}},
		"instants that fall": {good(5, 7, "a") + good(6, 2, "b"), []string{":3: 2026-03-04T05:06:02Z is before 2026-03-04T05:06:07Z"}},
		"a torn row":         {good(1, 1, "a") + "hatch-door,2,2026", []string{":3: wrong number of fields"}},
		"no column":          {"", []string{":1: "}},
		"thirty mistakes":    {strings.Repeat(",,,,,\n", 30), []string{":2: post is empty", "mistakes, of which the first 20 are told"}},
	} {
		t.Run(name, func(t *testing.T) {
			to, file := t.TempDir(), filepath.Join(t.TempDir(), "bad.csv")
			text := importHead + c.text
			if c.text == "" {
				text = "post,seq\n"
			}
			if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			code, out, said := ovenward(t, "import", "--storage.path="+to, file)
			for _, w := range c.wants {
				if !strings.Contains(said, w) {
					t.Errorf("it said\n%s\nwant %q", said, w)
				}
			}
			if code != 1 || out != "" || !strings.Contains(said, file+":") && !strings.Contains(said, "column") {
				t.Errorf("%d, %q", code, out)
			}
			r := readOnly(t, to)
			if posts, err := r.Posts(t.Context()); err != nil || len(posts) != 0 || len(imports(t, r)) != 0 {
				t.Errorf("something was taken: %v, %v", posts, err)
			}
		})
	}
}

// TestImportOfAnother: another sample with the same number is told, and can stand
// as a post of another name; simulated samples stay marked.
func TestImportOfAnother(t *testing.T) {
	t.Parallel()
	to, dir := t.TempDir(), t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	head := "post,seq,utc,said,value,unit,origin\n"
	one := write("one.csv", head+"hatch-door,1,2026-03-04T05:06:07Z,0.10,0.10,mW/cm2,simulated\n")
	other := write("other.csv", head+"hatch-door,1,2026-03-04T05:06:07Z,9.90,9.90,mW/cm2,probe\n")
	must(t, "import", "--storage.path="+to, one)
	code, _, said := ovenward(t, "import", "--storage.path="+to, other)
	if code != 1 || !strings.Contains(said, other+":2: post imported/hatch-door has another sample with number 1") {
		t.Errorf("%d, %s", code, said)
	}
	must(t, "import", "--storage.path="+to, "--as=annexe", other)
	rows := table(t, must(t, "export", "--storage.path="+to))
	if len(rows) != 2 || rows[0]["post"] != "imported/annexe" || rows[0]["origin"] != "imported" || rows[1]["origin"] != "imported simulated" ||
		rows[1]["said"] != "0.10" || rows[1]["value"] != "0.10" {
		t.Errorf("%v", rows)
	}
	if code, _, said = ovenward(t, "import", "--storage.path="+to, "--post=hall", one); code != 1 || !strings.Contains(said, `no row of post "hall"`) {
		t.Errorf("%d, %s", code, said)
	}
}

// readTo is how far a process has read a file; -1 when it has it not open.
func readTo(pid int, file string) int64 {
	open, _ := filepath.Glob(fmt.Sprintf("/proc/%d/fd/*", pid))
	for _, fd := range open {
		if to, err := os.Readlink(fd); err != nil || to != file {
			continue
		}
		info, err := os.ReadFile(fmt.Sprintf("/proc/%d/fdinfo/%s", pid, filepath.Base(fd)))
		var at int64
		if _, scan := fmt.Sscanf(string(info), "pos:\t%d", &at); err == nil && scan == nil {
			return at
		}
	}
	return -1
}

// TestFaultImportKilled: a kill in the middle leaves nothing of the file behind.
func TestFaultImportKilled(t *testing.T) {
	t.Parallel()
	to, file := t.TempDir(), filepath.Join(t.TempDir(), "long.csv")
	var b strings.Builder
	b.WriteString(importHead)
	at := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	for n := 1; n <= 150_000; n++ {
		fmt.Fprintf(&b, "hatch-door,%d,%s,0.1,0.1,mW/cm2\n", n, at.Add(time.Duration(n)*time.Second).Format(time.RFC3339))
	}
	if err := os.WriteFile(file, []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	p := program(t, "import", "--storage.path="+to, file)
	waitFor(t, 20*time.Second, "the import to be in the middle of the file", func() bool {
		// The record is opened after the file was read once, for its digest.
		_, err := os.Stat(filepath.Join(to, store.FileName+"-wal"))
		at := readTo(p.cmd.Process.Pid, file)
		return err == nil && at > int64(b.Len()/4) && at < int64(b.Len())
	})
	p.kill(t)
	if p.err == nil {
		t.Fatal("it had ended before it was killed")
	}
	s, err := store.Open(to, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if posts, err := s.Posts(t.Context()); err != nil || len(posts) != 0 || len(imports(t, s.Reader)) != 0 {
		t.Errorf("something was taken: %v, %v", posts, err)
	}
}
