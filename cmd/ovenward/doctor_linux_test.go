package main

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ovenward/acquire"
	"ovenward/acquire/clockfile"
	"ovenward/config"
	"ovenward/drivers/driverstest"
	"ovenward/drivers/plugged"
)

// patient is a station for a doctor to look at, in which everything is well.
type patient struct {
	*doctor
	port, dir string
	synced    bool
	clockErr  error
	wordErr   error // of the file that the daemon reads
	reached   error
	health    int
	told      string
	healthErr error
	free      uint64 // of a disk of 100 GB
	spaceErr  error
	dialed    []string
}

func wellPatient(t *testing.T) *patient {
	t.Helper()
	pty := driverstest.OpenPTY(t)
	p := &patient{port: pty.Path, dir: t.TempDir(), synced: true, health: 200, told: "well", free: 5e9}
	token := filepath.Join(p.dir, "desk.token")
	if err := os.WriteFile(token, []byte("word\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	file := configured(t, pty.Path, fmt.Sprintf("[[webhook]]\nid = \"desk\"\nurl = \"https://desk.example/hook\"\ntoken_file = %q\n", token))
	proc := t.TempDir()
	if err := os.MkdirAll(proc+"/1/fd", 0o755); err != nil {
		t.Fatal(err)
	}
	p.doctor = &doctor{file: file, storage: p.dir, url: "http://127.0.0.1:24500", machine: machine{tree: plugged.Tree{Root: t.TempDir()}, proc: proc},
		now: func() time.Time { return time.Date(2026, 11, 26, 0, 0, 0, 0, time.UTC) },
		clock: func() (acquire.ClockState, error) {
			return acquire.ClockState{Synchronised: p.synced, MaxError: 4 * time.Millisecond}, p.clockErr
		},
		told: func(string) acquire.ClockSource {
			return func() (acquire.ClockState, error) { return acquire.ClockState{Synchronised: true}, p.wordErr }
		},
		dial: func(_ context.Context, _, address string) (net.Conn, error) {
			p.dialed = append(p.dialed, address)
			if p.reached != nil {
				return nil, p.reached
			}
			c, other := net.Pipe()
			other.Close()
			return c, nil
		},
		get:    func(context.Context, string) (int, string, error) { return p.health, p.told, p.healthErr },
		space:  func(string) (uint64, uint64, error) { return p.free, 100e9, p.spaceErr },
		inodes: inodes, access: mayWrite,
	}
	return p
}

// lookAt returns the exit code and what is printed.
func (p *patient) lookAt(t *testing.T) (int, string) {
	t.Helper()
	var out bytes.Buffer
	p.look(t.Context())
	return p.tell(&out), out.String()
}

func (p *patient) edit(t *testing.T, old, new string) {
	t.Helper()
	text, err := os.ReadFile(p.file)
	if err != nil || !strings.Contains(string(text), old) {
		t.Fatalf("%v; %q is not in the configuration", err, old)
	}
	if err := os.WriteFile(p.file, []byte(strings.Replace(string(text), old, new, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
}

// held has processes of these names hold the port.
func (p *patient) held(t *testing.T, names ...string) {
	t.Helper()
	for i, name := range names {
		dir := filepath.Join(p.machine.proc, strconv.Itoa(100+i))
		if err := errors.Join(os.MkdirAll(dir+"/fd", 0o700), os.WriteFile(dir+"/comm", []byte(name+"\n"), 0o600), os.Symlink(p.port, dir+"/fd/3")); err != nil {
			t.Fatal(err)
		}
	}
}

// shows has a process that holds the port show something of itself.
func (p *patient) shows(t *testing.T, pid int, what, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(p.machine.proc, strconv.Itoa(pid), what), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

func chmod(t *testing.T, path string, mode os.FileMode) {
	t.Helper()
	if err := os.Chmod(path, mode); err != nil {
		t.Fatal(err)
	}
}

func TestDoctorFindsNothing(t *testing.T) {
	p := wellPatient(t)
	code, out := p.lookAt(t)
	if code != 0 || strings.Contains(out, "\nmend") {
		t.Errorf("exit code %d:\n%s", code, out)
	}
	for _, about := range []string{"config", "port", "permissions", "clock", "disk", "calibration", "courier", "daemon"} {
		if !strings.Contains(out, fmt.Sprintf("fine     %-12s ", about)) {
			t.Errorf("%s is not told as fine:\n%s", about, out)
		}
	}
	if len(p.dialed) != 1 || p.dialed[0] != "desk.example:443" {
		t.Errorf("opened connections to %q", p.dialed)
	}
}

// Each thing that is wrong is told in a line of its own, and nothing else is.
func TestDoctorSaysWhatToMend(t *testing.T) {
	cases := map[string]struct {
		harm func(p *patient)
		want string // the beginning of its line, and words of it behind a bar
		code int
	}{
		"no file":    {func(p *patient) { p.file += "x" }, "mend     config|no such file", 1},
		"a mistake":  {func(p *patient) { p.edit(t, `range = "20 mW/cm2"`, `range = "20"`) }, "mend     config|range", 1},
		"held by us": {func(p *patient) { p.held(t, "ovenward") }, `fine     port|is held by "ovenward" (process 100)`, 0},
		"held by us under another name": {func(p *patient) {
			p.held(t, "ovenward-1.2")
			self, err := os.Executable()
			if err := errors.Join(err, os.Symlink(self, p.machine.proc+"/100/exe")); err != nil {
				t.Fatal(err)
			}
		}, `fine     port|is held by "ovenward-1.2" (process 100)`, 0},
		"others not listed": {func(p *patient) {
			if err := os.RemoveAll(p.machine.proc + "/1"); err != nil {
				t.Fatal(err)
			}
		}, "unknown  port|whether it is held by processes of other users is not shown", 0},
		"held by us, others not listed": {func(p *patient) {
			p.held(t, "ovenward")
			if err := os.RemoveAll(p.machine.proc + "/1"); err != nil {
				t.Fatal(err)
			}
		}, `unknown  port|is held by "ovenward" (process 100); whether it is held by processes of other users is not shown`, 0},
		"held by our child": {func(p *patient) {
			p.held(t, "ovenward", "ovenward")
			p.shows(t, 101, "status", "Name:\tovenward\nPPid:\t100\n")
		}, `fine     port|is held by "ovenward" (process 100), "ovenward" (process 101)`, 0},
		"held by its simulator": {func(p *patient) {
			p.held(t, "ovenward", "ovenward")
			p.shows(t, 100, "cmdline", "/usr/bin/ovenward\x00simulate\x00--probe=galley\x00")
			p.shows(t, 101, "cmdline", "/usr/bin/ovenward\x00run\x00")
		}, `fine     port|is held by "ovenward" (process 100), "ovenward" (process 101)`, 0},
		"held by two of us": {func(p *patient) { p.held(t, "ovenward", "ovenward") },
			`mend     port|is held by "ovenward" (process 100), "ovenward" (process 101), and each takes answers that are meant for another: end all but one`, 1},
		"held beside us":     {func(p *patient) { p.held(t, "ovenward", "ovenward-like") }, `mend     port|"ovenward-like" (process 101): end what reads it beside Ovenward`, 1},
		"port gone":          {func(p *patient) { p.edit(t, p.port, p.port+"00000") }, "mend     port|there is no", 1},
		"file open to edits": {func(p *patient) { chmod(t, p.file, 0o666) }, "mend     permissions|may be changed by others", 1},
		"file of another": {func(p *patient) {
			if err := os.Chown(p.file, 1234, -1); err != nil {
				t.Fatal(err)
			}
			p.service = true
		}, "mend     permissions|belongs to user 1234", 1},
		"web open to edits": {func(p *patient) {
			p.web = p.dir + "/web.yml"
			if err := errors.Join(os.WriteFile(p.web, nil, 0o600), os.Chmod(p.web, 0o666)); err != nil {
				t.Fatal(err)
			}
		}, "mend     permissions|says who may log in", 1},
		"daemon speaks TLS": {func(p *patient) { p.health, p.told = 400, "Client sent an HTTP request to an HTTPS server." }, "unknown  daemon|it speaks TLS: ask it by --url=https://", 0},
		"daemon by another name": {func(p *patient) {
			p.healthErr = fmt.Errorf("Get: %w", &tls.CertificateVerificationError{Err: errors.New("not valid for 127.0.0.1")})
		}, "unknown  daemon|ask by the name that it bears", 0},
		"web gone": {func(p *patient) { p.web = p.dir + "/web.yml" }, "mend     config|web.yml", 1},
		"authorities gone": {func(p *patient) {
			p.edit(t, "[[webhook]]\n", "[[webhook]]\nca_file = \"/nowhere/ca.pem\"\n")
		}, "mend     permissions|nothing goes out by webhook desk", 1},
		"secret open":      {func(p *patient) { chmod(t, p.dir+"/desk.token", 0o644) }, "mend     permissions|everybody on this machine may use", 1},
		"secret gone":      {func(p *patient) { os.Remove(p.dir + "/desk.token") }, "mend     permissions|no such file", 1},
		"record open":      {func(p *patient) { chmod(t, p.dir, 0o777) }, "mend     permissions|may change the record", 1},
		"not synchronised": {func(p *patient) { p.synced = false }, "mend     clock|set up a time service", 1},
		"clock asked":      {func(p *patient) { p.clockErr = errors.New("no such call") }, "unknown  clock|no such call", 0},
		"word fine":        {func(p *patient) { p.word = "/run/word" }, "fine     clock|is told how it fares by /run/word", 0},
		"word old":         {func(p *patient) { p.word, p.wordErr = "/run/word", errors.New("it is old") }, "mend     clock|it is old. Until then every sample", 1},
		"word gone":        {func(p *patient) { p.word, p.wordErr = "/run/word", fs.ErrNotExist }, "mend     clock|Until then every sample", 1},
		"word elsewhere":   {func(p *patient) { p.word, p.wordErr = "/run/word", clockfile.ErrOtherStart }, "unknown  clock|for this shell alone", 0},
		"word of before": {func(p *patient) {
			p.word, p.wordErr, p.healthErr = "/run/word", clockfile.ErrOtherStart, errors.New("refused")
		}, "mend     clock|earlier start", 1},
		"word not there yet": {func(p *patient) { p.word, p.wordErr, p.healthErr = "/run/word", fs.ErrNotExist, errors.New("refused") }, "unknown  clock|there is no /run/word", 0},
		"broken record":      {func(p *patient) { os.WriteFile(p.dir+"/ovenward.db", []byte("no record"), 0o600) }, "mend     record|", 1},
		"full disk":          {func(p *patient) { p.free-- }, "mend     disk|make room", 1},
		"disk asked":         {func(p *patient) { p.spaceErr = errors.New("no such call") }, "unknown  disk|no such call", 0},
		"no record asked":    {func(p *patient) { p.storage = "" }, "unknown  record|--storage.path", 0},
		"no certificate": {func(p *patient) {
			text, _ := os.ReadFile(p.file)
			head, rest, _ := strings.Cut(string(text), "  [probe.certificate]")
			_, tail, _ := strings.Cut(rest, "k = 2\n")
			os.WriteFile(p.file, []byte(head+tail), 0o600)
		}, "mend     calibration|no certificate", 1},
		"overdue":          {func(p *patient) { p.edit(t, "due = 2100-01-01", "due = 2026-11-26") }, "mend     calibration|was due on 2026-11-26", 1},
		"soon due":         {func(p *patient) { p.edit(t, "due = 2100-01-01", "due = 2026-12-01") }, "mend     calibration|is due on 2026-12-01", 1},
		"not yet":          {func(p *patient) { p.edit(t, "date = 2020-01-01", "date = 2027-01-01") }, "mend     calibration|not valid before", 1},
		"nobody is told":   {func(p *patient) { p.edit(t, "[[webhook]]", "[[remote_write]]") }, "mend     courier|there is none", 1},
		"not reached":      {func(p *patient) { p.reached = errors.New("no route") }, "mend     courier|no route", 1},
		"daemon unwell":    {func(p *patient) { p.health, p.told = 503, "the disk is full" }, "mend     daemon|the disk is full", 1},
		"no daemon":        {func(p *patient) { p.healthErr = errors.New("refused") }, "unknown  daemon|refused", 0},
		"daemon is shy":    {func(p *patient) { p.health = 401 }, "unknown  daemon|asks for a user", 0},
		"no service group": {func(p *patient) { p.service = true }, "unknown  port|dialout", 0},
	}
	if os.Getuid() != 0 {
		delete(cases, "file of another") // only root gives a file away
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			p := wellPatient(t)
			c.harm(p)
			code, out := p.lookAt(t)
			begin, words, _ := strings.Cut(c.want, "|")
			found, others := false, 0
			for line := range strings.Lines(out) {
				is := strings.HasPrefix(line, begin) && strings.Contains(line, words)
				found = found || is
				if strings.HasPrefix(line, "mend") && !is {
					others++
				}
			}
			if !found || others > 0 || code != c.code {
				t.Errorf("exit code %d, want %d, and a line %q:\n%s", code, c.code, c.want, out)
			}
		})
	}
}

// Of processes that do not show what they hold nobody knows whether they hold a port.
func TestDoctorKnowsNotWhatIsHidden(t *testing.T) {
	for name, holder := range map[string]string{"is there, and may be used": "", `is held by "ovenward" (process 100)`: "ovenward"} {
		p := wellPatient(t)
		if holder != "" {
			p.held(t, holder)
		}
		open := []string{filepath.Dir(p.machine.proc), p.machine.proc}
		for _, pid := range []string{"200", "201"} {
			if err := os.MkdirAll(filepath.Join(p.machine.proc, pid, "fd"), 0o755); err != nil {
				t.Fatal(err)
			}
			chmod(t, filepath.Join(p.machine.proc, pid, "fd"), 0)
		}
		if holder != "" {
			open = append(open, p.machine.proc+"/100", p.machine.proc+"/100/fd", p.machine.proc+"/100/comm")
		}
		for _, path := range open {
			chmod(t, path, 0o755)
		}
		if os.Geteuid() == 0 { // this thread looks as another user
			runtime.LockOSThread()
			if err := unix.Setfsuid(65534); err != nil {
				t.Fatal(err)
			}
		}
		p.doctor.port(config.Probe{ID: "probe", Reach: config.ReachSerial, Device: p.port})
		if os.Geteuid() == 0 {
			if err := unix.Setfsuid(0); err != nil {
				t.Fatal(err)
			}
			runtime.UnlockOSThread()
		}
		var out bytes.Buffer
		p.tell(&out)
		if !strings.Contains(out.String(), "unknown  port") || !strings.Contains(out.String(), name+"; whether it is held by 2 processes of other users") {
			t.Errorf("%s, and two are hidden:\n%s", name, &out)
		}
	}
}

// A message goes out only when it is asked for, and says that it is a test.
func TestDoctorSendsOnlyWhenAsked(t *testing.T) {
	for _, send := range []bool{false, true} {
		var got []string
		hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
			body, err := io.ReadAll(r.Body)
			if err != nil {
				t.Error(err)
			}
			got = append(got, string(body))
		}))
		p := wellPatient(t)
		p.edit(t, "https://desk.example/hook", hook.URL)
		p.edit(t, "token_file", "#token_file")
		p.send = send
		_, out := p.lookAt(t)
		hook.Close()
		if (len(got) == 1) != send || send && !strings.Contains(strings.ToLower(got[0]), "test") {
			t.Errorf("send %v: %q was sent\n%s", send, got, out)
		}
	}
}
