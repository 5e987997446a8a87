package simulate

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func TestTruthFile(t *testing.T) {
	const header = "instant_ns,true_w_per_m2,expected_w_per_m2\n"
	const row = "1772366400000000001,50.25,12.5\n"
	answer := Answer{Instant: time.Unix(1772366400, 1), True: 50.25, Expected: 12.5}
	tests := []struct {
		name, before, want string // want "" for refused
	}{
		{"new", "", header + row},
		{"gone on with", header + "1,2,3\n", header + "1,2,3\n" + row},
		{"killed in a line", header + "1,2", header + "1,2\n" + row},
		{"killed in the header", header[:9], header + row},
		{"of another kind", "name,value\nthis,must stay untouched, whatever comes\n", ""},
		{"short and of another kind", "mine", ""},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "truth.csv")
			if test.before != "" {
				if err := os.WriteFile(path, []byte(test.before), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			want := test.want
			f, err := OpenTruthFile(path)
			if want == "" {
				if err == nil || !strings.Contains(err.Error(), "holds something else") {
					t.Errorf("error %v, want a refusal", err)
				}
				want = test.before
			} else {
				if err != nil {
					t.Fatal(err)
				}
				if err := f.Add(answer); err != nil {
					t.Error(err)
				}
			}
			// Read before Close: each line is there as soon as it is added.
			if got, err := os.ReadFile(path); err != nil || string(got) != want {
				t.Errorf("holds %q (%v), want %q", got, err, want)
			}
			if f == nil {
				return
			}
			if err := f.Close(); err != nil {
				t.Error(err)
			}
			if err := f.Add(answer); err == nil {
				t.Error("a line that could not be written was not told")
			}
		})
	}
}

func TestLinkTTY(t *testing.T) {
	const tty = "/dev/pts/99999"
	tests := []struct {
		name    string
		before  func(path string) error
		refused string
	}{
		{"nothing there", func(string) error { return nil }, ""},
		{"an earlier link", func(p string) error { return os.Symlink("/dev/pts/88888", p) }, ""},
		{"a file", func(p string) error { return os.WriteFile(p, []byte("mine"), 0o600) }, "not a link"},
		{"a folder", func(p string) error { return os.Mkdir(p, 0o700) }, "not a link"},
		{"a link to a file", func(p string) error { return os.Symlink("/etc/hostname", p) }, "no device"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "probe")
			if err := test.before(path); err != nil {
				t.Fatal(err)
			}
			was, _ := os.Readlink(path)
			remove, err := LinkTTY(tty, path)
			to, _ := os.Readlink(path)
			if test.refused != "" {
				if err == nil || !strings.Contains(err.Error(), test.refused) || to != was {
					t.Errorf("error %v, link to %q; want one with %q and nothing changed", err, to, test.refused)
				}
				return
			}
			if err != nil || to != tty {
				t.Fatalf("link to %q, error %v, want %s", to, err, tty)
			}
			if err := remove(); err != nil {
				t.Error(err)
			}
			if _, err := os.Lstat(path); !os.IsNotExist(err) {
				t.Errorf("the link is still there: %v", err)
			}
		})
	}
}

func TestLinkTakenOverStays(t *testing.T) {
	path := filepath.Join(t.TempDir(), "probe")
	first, err := LinkTTY("/dev/pts/99998", path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := LinkTTY("/dev/pts/99999", path); err != nil {
		t.Fatal(err)
	}
	if err := first(); err != nil {
		t.Error(err)
	}
	if to, _ := os.Readlink(path); to != "/dev/pts/99999" {
		t.Errorf("the link leads to %q; the first owner took away the second's", to)
	}
}
