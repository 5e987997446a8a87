package main

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store"
	"ovenward/config"
)

const doctorHelp = `usage: ovenward doctor --config.file=F [--storage.path=D] [FLAGS]

Looks at all that a station needs and says what to mend, a line for each thing:
  fine      nothing to do
  unknown   it could not be looked at, and why
  mend      what is wrong, and what mends it
It looks at the configuration, ports, permissions of files, the clock, the record and
its disk, calibrations, couriers and remote-write targets, and the running daemon. It
opens no port, changes nothing and sends nothing; to receivers it opens a connection
and closes it. It ends with 1 when something is to be mended, with 0 otherwise.

  --storage.path=D  of the record; without it neither it nor its disk is looked at
  --web.config.file=F  of TLS and users, as the daemon is given it
  --url=URL         of the daemon (default http://127.0.0.1:24500)
  --send            have each courier send a message that is marked as a test
  --for-service     whether the service may use ports, configuration and secrets: as a
                    user of the group dialout, not as this one (what root may, the
                    service may not), and of devices those that its unit lets in;
                    and whether it is told by ovenward-clock how the clock fares
  --clock.file=F    of ovenward clock, as the daemon is given it (see ovenward clock --help)
`

// found is one thing that was looked at.
type found struct {
	state verdictOfDoctor
	about string // port, clock, …
	what  string
}

type verdictOfDoctor string

const (
	allFine verdictOfDoctor = "fine"
	unknown verdictOfDoctor = "unknown"
	toMend  verdictOfDoctor = "mend"
)

// doctor looks at a station. What it asks of the system is handed to it.
type doctor struct {
	file, web, storage, url string
	send, service           bool

	machine machine
	clock   acquire.ClockSource // nil: this system cannot be asked
	word    string              // the file that the daemon reads in place of asking; empty: there is none
	told    func(file string) acquire.ClockSource
	now     func() time.Time
	space   func(dir string) (free, size uint64, err error)
	inodes  func(dir string) (free, all uint64, err error)
	access  func(path string) error // whether this user may write to it
	dial    func(ctx context.Context, network, address string) (net.Conn, error)
	get     func(ctx context.Context, url string) (status int, body string, err error)

	all []found
}

// patienceOfDoctor is how long something far away may take to answer.
const patienceOfDoctor = 5 * time.Second

func doctorCommand(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	d := &doctor{machine: machine{proc: "/proc"}, clock: acquire.SystemClock(), told: kernelClock, now: time.Now, space: store.DiskSpace, inodes: inodes, access: mayWrite, get: getText,
		dial: (&net.Dialer{Timeout: patienceOfDoctor}).DialContext}
	flags := flag.NewFlagSet("ovenward doctor", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.StringVar(&d.file, "config.file", "", "")
	flags.StringVar(&d.web, "web.config.file", "", "")
	flags.StringVar(&d.storage, "storage.path", "", "")
	flags.StringVar(&d.url, "url", "http://"+defaultListen, "")
	flags.BoolVar(&d.send, "send", false, "")
	flags.BoolVar(&d.service, "for-service", false, "")
	flags.StringVar(&d.word, "clock.file", "", "")
	err := parse(flags, args)
	if err == nil && d.file == "" {
		err = errors.New("name the configuration by --config.file=F; see ovenward doctor --help")
	}
	if err != nil {
		return ended("doctor", doctorHelp, err, stdout, stderr)
	}
	if d.service {
		d.word = cmp.Or(d.word, serviceClockFile)
	}
	d.look(ctx)
	return d.tell(stdout)
}

// look looks at everything, in the order in which one mends.
func (d *doctor) look(ctx context.Context) {
	f, ok := d.config()
	if !ok {
		return
	}
	d.ports(f)
	d.permissions(f)
	d.clocks(f)
	daemon := d.ask(ctx)
	f = d.record(ctx, f, daemon.running())
	d.calibration(f)
	d.couriers(ctx, f)
	d.daemon(daemon)
	d.clockWord(f, daemon.running())
}

// tell prints what was found, what is to be mended last, and returns the exit code.
func (d *doctor) tell(w io.Writer) int {
	var n [3]int
	for i, state := range []verdictOfDoctor{allFine, unknown, toMend} {
		for _, f := range d.all {
			if f.state == state {
				n[i]++
				fmt.Fprintf(w, "%-8s %-12s %s\n", f.state, f.about, strings.ReplaceAll(f.what, "\n", "\n"+strings.Repeat(" ", 22)))
			}
		}
	}
	fmt.Fprintf(w, "%s fine, %d unknown, %d to mend\n", count(n[0], "thing"), n[1], n[2])
	if n[2] > 0 {
		return 1
	}
	return 0
}

func (d *doctor) note(state verdictOfDoctor, about, format string, args ...any) {
	d.all = append(d.all, found{state, about, fmt.Sprintf(format, args...)})
}

// config reads the configuration as the daemon would.
func (d *doctor) config() (*config.File, bool) {
	f, err := config.Load(d.file)
	if err == nil {
		err = checkBuilt(d.file, f)
	}
	var problems config.Problems
	switch {
	case errors.As(err, &problems):
		for _, p := range problems {
			d.note(toMend, "config", "%v", p)
		}
	case err != nil:
		d.note(toMend, "config", "%v", err)
	default:
		d.note(allFine, "config", "%s: %s", d.file, contents(f))
		if len(f.Posts) == 0 {
			d.note(toMend, "config", "%s has no [[post]]: nothing is watched", d.file)
		}
	}
	return f, err == nil
}

// answered is what the running daemon says of how it is; err: none answers.
type answered struct {
	status int
	body   string
	err    error
}

// running says whether a daemon answered, if only by a certificate that is not trusted.
func (a answered) running() bool {
	_, untrusted := errors.AsType[*tls.CertificateVerificationError](a.err)
	return a.err == nil || untrusted
}

func (d *doctor) ask(ctx context.Context) answered {
	status, body, err := d.get(ctx, d.url+"/-/healthy")
	return answered{status, strings.TrimSpace(body), err}
}

func (d *doctor) daemon(a answered) {
	switch {
	case a.err != nil && a.running():
		d.note(unknown, "daemon", "something answers at %s by TLS, and its certificate is not trusted here under that name: ask by the name that it bears, --url=https://NAME:PORT: %v", d.url, a.err)
	case a.status == http.StatusBadRequest && strings.HasPrefix(d.url, "http:") && strings.Contains(a.body, "HTTPS server"):
		d.note(unknown, "daemon", "it answers at %s that it speaks TLS: ask it by --url=https://NAME:PORT, NAME as its certificate bears it", d.url)
	case a.err != nil:
		d.note(unknown, "daemon", "nothing answers at %s, so no daemon runs there, or elsewhere: %v", d.url, a.err)
	case a.status == http.StatusOK:
		d.note(allFine, "daemon", "it answers at %s that it is well", d.url)
	case a.status == http.StatusUnauthorized:
		d.note(unknown, "daemon", "it answers at %s, and asks for a user", d.url)
	default:
		d.note(toMend, "daemon", "it answers at %s with %d: %s", d.url, a.status, a.body)
	}
}

// getText asks for a short text.
func getText(ctx context.Context, url string) (int, string, error) {
	ctx, cancel := context.WithTimeout(ctx, patienceOfDoctor)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return 0, "", err
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		return 0, "", err
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, 4<<10))
	return resp.StatusCode, string(body), err
}
