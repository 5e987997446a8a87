package store

import (
	"bytes"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A post goes on where its name, or its number, is damaged in the table of posts or in the index
// of that alone.
func TestADamagedNameOfAPost(t *testing.T) {
	made := t.TempDir()
	s := open(t, made, Options{Now: noon})
	register(t, s, post("fryer"), post("griddle"))
	s.Append(0, samples(1, 30))
	flushed(t, s)
	shut(t, s)
	const size = chunkPage
	for name, of := range map[string]string{"table": "posts", "index": "sqlite_autoindex_posts_1"} {
		root, err := strconv.Atoi(byTool(t, made, "SELECT rootpage FROM sqlite_schema WHERE name = '"+of+"'"))
		if err != nil {
			t.Fatal(err)
		}
		for _, flip := range []int{0, 4, -1, -2, -3} { // a bit of a letter: at the begin another order, at the end the same; or of what says where it stands
			dir := copyOf(t, made)
			file := filepath.Join(dir, FileName)
			b, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			page := b[(root-1)*size : root*size]
			at := bytes.LastIndex(page, []byte("fryer"))
			if at < 0 {
				t.Fatalf("no fryer on page %d", root)
			}
			page[at+flip] ^= 0x10
			if err := os.WriteFile(file, b, 0o640); err != nil {
				t.Fatal(err)
			}
			full := func(st Step) error {
				if st == StepMerge {
					return syscall.ENOSPC
				}
				return nil
			}
			if _, err := Open(dir, Options{Now: noon, Fault: full}); err == nil || !strings.Contains(err.Error(), "free space on the disk that holds "+dir) {
				t.Errorf("%s, letter %d: on a full disk a start says %v", name, flip, err)
			}
			for start := range 2 {
				s, err := Open(dir, Options{Now: noon})
				if err != nil {
					t.Errorf("%s, letter %d, start %d: %v", name, flip, start, err)
					break
				}
				register(t, s, post("fryer"), post("griddle"))
				from := int64(31 + 10*start)
				s.Append(0, samples(from, from+9))
				flushed(t, s)
				merged(t, s, true)
				if all := collect(t, s.Samples(t.Context(), "fryer", time.Time{}, time.Time{})); len(all) != int(from)+9 {
					t.Errorf("%s, letter %d, start %d: %d samples of fryer, want %d", name, flip, start, len(all), from+9)
				}
				shut(t, s)
			}
			if got := byTool(t, dir, "SELECT count(*) FROM events WHERE text LIKE '%table posts%'; SELECT count(*) FROM posts; PRAGMA integrity_check"); got != "1\n2\nok" {
				t.Errorf("%s, letter %d: told, posts, SQLite says: %s", name, flip, got)
			}
			if said, _ := verified(t, dir); said != "" {
				t.Errorf("%s, letter %d: verify says %q", name, flip, said)
			}
		}
	}
}

// Where two rows name one post, for an earlier start that did not look at a damaged index gave it
// another number, a start says what to do and goes on as before.
func TestTwoRowsNameOnePost(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{Now: noon})
	register(t, s, post("fryer"), post("fryes"))
	shut(t, s)
	root, err := strconv.Atoi(byTool(t, dir, "SELECT rootpage FROM sqlite_schema WHERE name = 'posts'"))
	if err != nil {
		t.Fatal(err)
	}
	sum, err := hashOf([]string{"id", "post"}, make([]sql.NullString, 2), []any{"fryer", int64(2)})
	if err != nil {
		t.Fatal(err)
	}
	byTool(t, dir, fmt.Sprintf("UPDATE chain SET sha256 = x'%x' WHERE kind = 'posts' AND ref = 2", sum))
	file := filepath.Join(dir, FileName)
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.LastIndex(b[:root*chunkPage], []byte("fryes"))
	b[at+4] = 'r'
	if err := os.WriteFile(file, b, 0o640); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		s = open(t, dir, Options{Now: noon})
		flushed(t, s)
		shut(t, s)
	}
	told := "SELECT count(*) FROM events WHERE text LIKE '%two of them name one post%--rebuild --storage.path=" + dir + "'"
	if got := byTool(t, dir, told); got != "1" {
		t.Errorf("told %s times", got)
	}
}
