package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

// TestExportTakesLittleMemory: however long the record, one page of it is held.
func TestExportTakesLittleMemory(t *testing.T) {
	dir := t.TempDir()
	s := history(t, dir, time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), 1, recordedPost("hatch-door"))
	for n := range 6 {
		goOn(s, time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), 2+n*10_000, 1+(n+1)*10_000, 1)
		waitFor(t, 20*time.Second, "the record to be written", func() bool { return s.Stats().Pending == 0 })
	}
	m := &memory{}
	m.look()
	before := m.most
	if code := dispatch(t.Context(), []string{"export", "--storage.path=" + dir}, m, io.Discard); code != 0 {
		t.Fatal(code)
	}
	if grown := m.most - before; m.written < 10<<20 || grown > 8<<20 {
		t.Errorf("writing %d MiB took %d MiB of memory", m.written>>20, grown>>20)
	}
}

// memory sees how much is in use while something is written.
type memory struct{ written, most int64 }

func (m *memory) look() {
	runtime.GC()
	var s runtime.MemStats
	runtime.ReadMemStats(&s)
	m.most = max(m.most, int64(s.HeapAlloc))
}

func (m *memory) Write(b []byte) (int, error) {
	if m.written>>21 != (m.written+int64(len(b)))>>21 {
		m.look()
	}
	m.written += int64(len(b))
	return len(b), nil
}

func TestExportMistakes(t *testing.T) {
	t.Parallel()
	dir, there := t.TempDir(), filepath.Join(t.TempDir(), "there.csv")
	history(t, dir, time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), 3, recordedPost("hatch-door"))
	if err := os.WriteFile(there, []byte("evidence"), 0o600); err != nil {
		t.Fatal(err)
	}
	for says, args := range map[string][]string{
		"--storage.path=FOLDER":      {},
		"find the record":            {"--storage.path=/nonexistent"},
		`no post "hatch"`:            {"--storage.path=" + dir, "--post=hatch"},
		"no format":                  {"--storage.path=" + dir, "--format=xml"},
		"--unit=furlong":             {"--storage.path=" + dir, "--unit=furlong"},
		"has no level":               {"--storage.path=" + dir, "--format=openmetrics", "--unit=dBm/m2"},
		"an instant with its zone":   {"--storage.path=" + dir, "--from=yesterday"},
		"--from is not before --to":  {"--storage.path=" + dir, "--from=2026-03-05", "--to=2026-03-04"},
		"is there already":           {"--storage.path=" + dir, "-o", there},
		"no such file":               {"--storage.path=" + dir, "-o", "/nonexistent/x.csv"},
		"see ovenward export --help": {"--storage.path=" + dir, "--quickly"},
	} {
		code, out, said := ovenward(t, append([]string{"export"}, args...)...)
		if code != 1 || !strings.Contains(said, says) || out != "" {
			t.Errorf("%v: %d, %q, want %q in it", args, code, said, says)
		}
	}
	if b, err := os.ReadFile(there); err != nil || string(b) != "evidence" {
		t.Errorf("the file that was there holds %q", b)
	}
}

// TestWholeFilesTouchNoOther: a file of somebody's beside the one that is made stays, two
// that are made under one name at once do not mix, and the mode is what the umask allows.
func TestWholeFilesTouchNoOther(t *testing.T) {
	dir := t.TempDir()
	path, notes := filepath.Join(dir, "out.csv"), filepath.Join(dir, "out.csv.part")
	if err := os.WriteFile(notes, []byte("notes"), 0o640); err != nil {
		t.Fatal(err)
	}
	broken := errors.New("the record cannot be read")
	if err := wholeFile(path, func(io.Writer) error { return broken }); !errors.Is(err, broken) {
		t.Error(err)
	}
	err := wholeFile(path, func(w io.Writer) error {
		if err := wholeFile(path, func(w io.Writer) error { _, err := io.WriteString(w, "second"); return err }); err != nil {
			t.Error(err)
		}
		_, err := io.WriteString(w, "first")
		return err
	})
	if err == nil || !strings.Contains(err.Error(), "is there already") {
		t.Errorf("a file that came meanwhile was taken over: %v", err)
	}
	for name, want := range map[string]string{path: "second", notes: "notes"} {
		if b, err := os.ReadFile(name); err != nil || string(b) != want {
			t.Errorf("%s holds %q, %v; want %q", name, b, err, want)
		}
	}
	a, errA := os.Stat(path)
	b, errB := os.Stat(notes)
	if err := errors.Join(errA, errB); err != nil {
		t.Fatal(err)
	}
	if a.Mode() != b.Mode() {
		t.Errorf("mode %v, want %v", a.Mode(), b.Mode())
	}
	if all, err := os.ReadDir(dir); err != nil || len(all) != 2 {
		t.Errorf("in the folder lie %v, %v", all, err)
	}
}
