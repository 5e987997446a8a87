package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"syscall"
	"testing"

	"ovenward/drivers/driverstest"
)

// A record that cannot be kept where it shall be is told before a daemon fails at it,
// and is promised by nothing.
func TestDoctorSeesWhereNoRecordCanBe(t *testing.T) {
	shut := func(err error) func(string) error { return func(string) error { return err } }
	for name, c := range map[string]struct {
		harm     func(t *testing.T, p *patient)
		mend     string // words of the one line that says what to mend; "": there is none
		unknown  string
		promised bool
	}{
		"read-only": {func(t *testing.T, p *patient) {
			dir, readOnly := driverstest.Tmpfs(t, "4m")
			readOnly(true)
			p.storage = dir
		}, "mounted for reading only", "", false},
		"read-only above": {func(t *testing.T, p *patient) {
			dir, readOnly := driverstest.Tmpfs(t, "4m")
			readOnly(true)
			p.storage = dir + "/a/b"
		}, "mounted for reading only", "", false},
		"no inodes": {func(t *testing.T, p *patient) {
			dir, _ := driverstest.Tmpfs(t, "4m,nr_inodes=8")
			for i := range 100 {
				if os.WriteFile(fmt.Sprint(dir, "/", i), nil, 0o600) != nil {
					p.storage = dir
					return
				}
			}
			t.Fatal("a disk with 8 inodes takes 100 files")
		}, "inodes are used", "", false},
		"inodes uncounted": {func(_ *testing.T, p *patient) { p.inodes = func(string) (uint64, uint64, error) { return 0, 0, nil } }, "", "the daemon makes it", true},
		"somebody else's":  {func(_ *testing.T, p *patient) { p.access = shut(syscall.EACCES) }, "this user may not write", "", false},
		"somebody else's parent": {func(_ *testing.T, p *patient) {
			p.storage += "/a"
			p.access = shut(syscall.EACCES)
		}, "this user may not write", "", false},
		"of the daemon that runs": {func(_ *testing.T, p *patient) { p.access, p.healthErr = shut(syscall.EACCES), nil }, "", "which is another", true},
		"of the service":          {func(_ *testing.T, p *patient) { p.access, p.service = shut(syscall.EACCES), true }, "", "which is another", true},
		"not asked":               {func(_ *testing.T, p *patient) { p.access = shut(errors.ErrUnsupported) }, "", "on Linux only", true},
		"a file":                  {func(_ *testing.T, p *patient) { p.storage = p.file }, "is no folder", "", false},
		"below a file":            {func(_ *testing.T, p *patient) { p.storage = p.file + "/a" }, "not a directory", "", false},
		"a loose link": {func(t *testing.T, p *patient) {
			p.storage += "/link"
			if err := os.Symlink("nowhere", p.storage); err != nil {
				t.Fatal(err)
			}
		}, "leads nowhere", "", false},
		"to be made": {func(_ *testing.T, p *patient) { p.storage += "/a/b" }, "", "the daemon makes it", true},
		"a file of somebody else's": {func(t *testing.T, p *patient) {
			write(t, p.dir+"/ovenward.db", "no record")
			p.access = func(path string) error {
				if strings.HasSuffix(path, ".db") {
					return syscall.EACCES
				}
				return nil
			}
		}, "this user may not write", "", false},
	} {
		t.Run(name, func(t *testing.T) {
			p := wellPatient(t)
			p.healthErr = errors.New("refused")
			c.harm(t, p)
			_, out := p.lookAt(t)
			at := p.storage
			for line := range strings.Lines(out) {
				if c.mend != "" && strings.HasPrefix(line, "fine     disk") {
					t.Errorf("the disk of %s is called fine", at)
				}
			}
			if c.mend != "" && (!strings.Contains(out, "\nmend ") || !strings.Contains(out, c.mend)) || c.mend == "" && strings.Contains(out, "\nmend     record") ||
				!strings.Contains(out, c.unknown) || strings.Contains(out, "the daemon makes it") != c.promised {
				t.Errorf("with the record in %s:\n%s", at, out)
			}
		})
	}
}

// As another user asks of a folder of root's, for real.
func TestDoctorAsksAsThisUser(t *testing.T) {
	dir := t.TempDir()
	if err := mayWrite(dir); err != nil {
		t.Errorf("a folder of our own: %v", err)
	}
	chmod(t, dir, 0o555)
	if err := mayWrite(dir); os.Getuid() != 0 && !errors.Is(err, fs.ErrPermission) {
		t.Errorf("a folder that is closed: %v", err)
	}
	chmod(t, dir, 0o755)
}
