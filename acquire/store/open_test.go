package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/calib"
)

func TestSecondOpenRefused(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{})
	_, err := Open(dir, Options{})
	if !errors.Is(err, ErrInUse) || !strings.Contains(err.Error(), "process "+strconv.Itoa(os.Getpid())) {
		t.Fatalf("a second open gives %v, want ErrInUse with the holder's pid %d", err, os.Getpid())
	}
	shut(t, s)
	shut(t, s)
	shut(t, open(t, dir, Options{}))
}

func TestFilesAndModes(t *testing.T) {
	// Characters that a URI treats apart.
	dir := filepath.Join(t.TempDir(), "a b?c#d%41", "records")
	s := open(t, dir, Options{})
	register(t, s, post("fryer"))
	for name, not := range map[string]os.FileMode{".": 0o027, FileName: 0o137, "reserve": 0o137} {
		st, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if m := st.Mode().Perm(); m&not != 0 {
			t.Errorf("%s has mode %o", name, m)
		}
	}
	shut(t, s)
	if _, err := os.Stat(filepath.Join(dir, FileName+"-wal")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a log is left after Close (%v)", err)
	}
}

// A power cut cannot be tried here; that a commit waits for the disk can be
// asked for.
func TestCommitsWaitForTheDisk(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	for pragma, want := range map[string]string{"synchronous": "2", "journal_mode": "wal"} { // 2 is FULL: sqlite.org/pragma.html
		err := s.ask(context.Background(), "look", func(ctx context.Context, w *writer) error {
			var got string
			err := w.conn.QueryRowContext(ctx, "PRAGMA "+pragma).Scan(&got)
			if got != want {
				t.Errorf("%s is %s, want %s", pragma, got, want)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
}

// made writes a database by hand.
func made(t *testing.T, dir, script string) {
	t.Helper()
	db, err := openDB(filepath.Join(dir, FileName), url.Values{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec(script); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestRefusedFiles(t *testing.T) {
	for _, tc := range []struct {
		name, script string
		want         error
	}{
		{"newer", "PRAGMA application_id = 1331058510; PRAGMA user_version = 99; CREATE TABLE later (x)", ErrNewer},
		{"of another program", "PRAGMA application_id = 7; CREATE TABLE x (x)", errForeign},
		{"of nobody", "CREATE TABLE x (x)", errForeign},
	} {
		t.Run(tc.name, func(t *testing.T) {
			dir := t.TempDir()
			made(t, dir, tc.script)
			before, err := os.ReadFile(filepath.Join(dir, FileName))
			if err != nil {
				t.Fatal(err)
			}
			for range 2 { // the first refusal leaves no lock behind
				if _, err := Open(dir, Options{}); !errors.Is(err, tc.want) {
					t.Errorf("Open gives %v, want %v", err, tc.want)
				}
			}
			if r, err := OpenReadOnly(dir); !errors.Is(err, tc.want) {
				t.Errorf("OpenReadOnly gives %v, %v, want %v", r, err, tc.want)
			}
			after, err := os.ReadFile(filepath.Join(dir, FileName))
			if err != nil || string(after) != string(before) {
				t.Errorf("a refused file was changed (%v)", err)
			}
		})
	}
	t.Run("damaged", func(t *testing.T) {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, FileName), []byte(strings.Repeat("no database at all ", 400)), 0o640); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(dir, Options{}); err == nil || !strings.Contains(err.Error(), FileName) {
			t.Errorf("Open gives %v, want an error that names the file", err)
		}
	})
}

// testdata/v1.sql was written by version 1 and is never edited.
func v1(t *testing.T) string {
	t.Helper()
	script, err := os.ReadFile(filepath.Join("testdata", "v1.sql"))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	made(t, dir, string(script))
	return dir
}

func checkV1(t *testing.T, s *Store) {
	t.Helper()
	register(t, s, post("fryer"), post("combi"))
	got := everything(t, s.Reader, "fryer")
	if numbers(got) != "1-20" {
		t.Fatalf("samples %s, want 1-20", numbers(got))
	}
	for i, g := range got {
		want := sample(int64(i + 1))
		want.At = want.At.Add(v1Finer) // as it was kept, to the ns
		if string(g.Said) != string(want.Said) || g.Reading != want.Reading || !g.At.Equal(want.At) || g.Version != 1 {
			t.Errorf("sample %d is %+v, want %+v", i+1, g, want)
		}
		if s, _ := v1Correction().Apply(10 * valued(int64(i+1))); !closeTo(g.S, s) {
			t.Errorf("sample %d is %v W/m², want %v", i+1, g.S, s)
		}
	}
	all := events(t, s.Reader)
	if len(all) < 2 || all[0].Text != "watching 2 posts" || all[1].Alarm == nil || all[1].Alarm.Rule != alarm.Exceeds {
		t.Errorf("events come back as %+v", all)
	}
	if a := s.Alarms(); len(a) != 1 || a[0].State != alarm.Unacknowledged || !a[0].Since.Equal(noon().Add(v1Finer)) {
		t.Errorf("alarms come back as %+v", a)
	}
	if id, err := s.Cursor(context.Background(), "webhook"); err != nil || id != 1 {
		t.Errorf("the cursor comes back as %d (%v), want 1", id, err)
	}
}

// v1Finer is how much later than noon the instants of testdata/v1.sql begin.
const v1Finer = 456_789 * time.Nanosecond

func v1Correction() calib.Correction {
	return calib.Correction{Zero: 0.25, ZeroAt: noon().Add(v1Finer), ZeroBy: "R. Okafor", Certificate: certificate()}
}

func TestVersion1Opens(t *testing.T) {
	s := open(t, v1(t), Options{})
	checkV1(t, s)
	s.Append(0, samples(21, 21))
	s.Record(note("later"))
	drained(t, s)
	if got := numbers(everything(t, s.Reader, "fryer")); got != "1-21" {
		t.Errorf("samples %s, want 1-21", got)
	}
	if all := events(t, s.Reader); all[2].ID <= all[1].ID {
		t.Errorf("a new event has number %d after %d", all[2].ID, all[1].ID)
	}
}

func TestMigration(t *testing.T) {
	dir := v1(t)
	next := steps()[len(steps())-1].version + 1
	later := append(steps(), step{next, "ALTER TABLE events ADD COLUMN seen INTEGER; INSERT INTO cursors VALUES ('two', 2)"},
		step{next + 1, "INSERT INTO cursors VALUES ('three', 3)"})
	broken := append(steps(), step{next, "ALTER TABLE events ADD COLUMN seen INTEGER; INSERT INTO nowhere VALUES (1)"})

	if _, err := Open(dir, Options{steps: broken, reserve: testReserve}); err == nil || !strings.Contains(err.Error(), fmt.Sprintf("version %d", next)) {
		t.Fatalf("a step that fails gives %v", err)
	}
	s := open(t, dir, Options{}) // nothing of the failed step stayed
	checkV1(t, s)
	shut(t, s)

	s = open(t, dir, Options{steps: later})
	checkV1(t, s)
	if id, err := s.Cursor(context.Background(), "three"); err != nil || id != 3 {
		t.Errorf("step 3 left cursor %d (%v)", id, err)
	}
	shut(t, s)
	shut(t, open(t, dir, Options{steps: later}))
	if _, err := Open(dir, Options{}); !errors.Is(err, ErrNewer) {
		t.Errorf("the program before gives %v, want ErrNewer", err)
	}
}

// writeV1 makes the record that testdata/v1.sql is a dump of.
func writeV1(t *testing.T, dir string) {
	s := open(t, dir, Options{Now: func() time.Time { return noon() }})
	register(t, s, post("fryer"), post("combi"))
	s.Correction(0, v1Correction())
	s.Append(0, samples(1, 20))
	s.Append(1, []acquire.Sample{{Seq: 1, At: noon(), Said: []byte{0xff, 0}, Quality: acquire.Fault}})
	s.Record(note("watching 2 posts"))
	s.Record(raise("fryer", alarm.Exceeds, noon()))
	if err := s.Keep(context.Background(), map[string]int64{"webhook": 1}, nil); err != nil {
		t.Fatal(err)
	}
	shut(t, s)
}

// What today's code writes has the form that its schema says, so a change of
// the schema without a step is seen: the tables of a new record and of one that
// came through every step are the same.
func TestStepsGiveTheSchema(t *testing.T) {
	fresh := t.TempDir()
	writeV1(t, fresh)
	old := v1(t)
	shut(t, open(t, old, Options{}))
	if a, b := schemaOf(t, fresh), schemaOf(t, old); a != b {
		t.Errorf("a new record has the tables\n%s\nan old one has\n%s", a, b)
	}
}

func schemaOf(t *testing.T, dir string) string {
	t.Helper()
	db, err := openReaders(filepath.Join(dir, FileName))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var all string
	err = each(context.Background(), db, "SELECT sql FROM sqlite_schema ORDER BY type, name", func(scan func(...any) error) error {
		var s sql.NullString
		err := scan(&s)
		all += s.String + "\n"
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}
