package main

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	toolkit "github.com/prometheus/exporter-toolkit/web"

	"ovenward/acquire"
	"ovenward/acquire/store"
	"ovenward/cmd/internal/notify"
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

// permissions looks at who may read secrets and change what shapes verdicts.
func (d *doctor) permissions(f *config.File) {
	d.changeable(d.file, "it shapes every verdict")
	if d.web != "" {
		d.webConfig()
	}
	if d.service {
		switch shut, err := d.machine.shutToService(d.file); {
		case err != nil:
			d.note(unknown, "permissions", "whether the service may read %s: %v", d.file, err)
		case shut == d.file:
			d.note(toMend, "permissions", "the service may not read %s: chmod o+r %s (secrets do not belong in it)", shut, shut)
		case shut != "":
			d.note(toMend, "permissions", "the service may not enter %s, and so not read %s: chmod o+x %s, or keep the file elsewhere", shut, d.file, shut)
		}
	}
	for _, s := range secretsOf(f) {
		d.secret(s)
	}
	for _, a := range authoritiesOf(f) {
		d.authorities(a)
	}
}

// changeable looks whether others than root and this user may change a file, or put
// another in its place.
func (d *doctor) changeable(path, what string) {
	info, err := os.Stat(path)
	if err != nil || !modesCount {
		return
	}
	if info.Mode().Perm()&0o022 != 0 {
		d.note(toMend, "permissions", "%s may be changed by others than its owner (mode %s), and %s: chmod go-w %s", path, info.Mode().Perm(), what, path)
	}
	if uid, known := ownerOf(info); known && uid != 0 && (d.service || uid != os.Getuid()) {
		d.note(toMend, "permissions", "%s belongs to user %d, who may change it, and %s: chown root %s", path, uid, what, path)
	}
	dir := filepath.Dir(path)
	if info, err := os.Stat(dir); err == nil && info.Mode().Perm()&0o022 != 0 && info.Mode()&fs.ModeSticky == 0 {
		d.note(toMend, "permissions", "others than the owner of %s (mode %s) may put another file in the place of %s, and %s: chmod go-w %s", dir, info.Mode().Perm(), path, what, dir)
	}
}

// webConfig looks at the file that says who may log in.
func (d *doctor) webConfig() {
	d.changeable(d.web, "it says who may log in")
	if d.service {
		switch shut, err := d.machine.shutToService(d.web); {
		case errors.Is(err, fs.ErrNotExist): // said below
		case err != nil:
			d.note(unknown, "permissions", "whether the service may read %s: %v", d.web, err)
		case shut != "":
			d.note(toMend, "permissions", "the service may not read %s: chmod o+rX %s (passwords stand in it as hashes only)", d.web, shut)
		}
	}
	if err := toolkit.Validate(d.web); err != nil {
		d.note(toMend, "config", "--web.config.file=%s: %v; name a file that Prometheus' exporter-toolkit accepts", d.web, err)
	} else {
		d.note(allFine, "config", "%s: TLS and users", d.web)
	}
}

// authorities looks whether a file can be read that says whom a courier trusts.
func (d *doctor) authorities(a namedFile) {
	if d.service {
		switch shut, err := d.machine.shutToService(a.file); {
		case errors.Is(err, fs.ErrNotExist): // said below
		case err != nil:
			d.note(unknown, "permissions", "whether the service may read %s, the ca_file of %s: %v", a.file, a.of, err)
			return
		case shut != "":
			d.note(toMend, "permissions", "the service may not read %s, the ca_file of %s, so nothing goes out by it: chmod o+rX %s (it is no secret)", a.file, a.of, shut)
			return
		}
	}
	if err := notify.CheckAuthorities(a.file); err != nil {
		d.note(toMend, "permissions", "nothing goes out by %s: %v", a.of, err)
	}
}

// serviceCredentials is where the service manager puts what it hands over.
const serviceCredentials = "/run/credentials/ovenward.service/"

func (d *doctor) secret(s namedSecret) {
	if name, handed := strings.CutPrefix(s.file, serviceCredentials); handed && d.service {
		s.file, s.credential = "", name
	}
	if s.file == "" {
		if os.Getenv("CREDENTIALS_DIRECTORY") == "" {
			d.note(unknown, "permissions", "credential %s (%s) is given to the service alone; systemctl status shows whether it was loaded", s.credential, s.of)
		}
		return
	}
	if d.service {
		switch shut, err := d.machine.shutToService(s.file); {
		case errors.Is(err, fs.ErrNotExist): // said below
		case err != nil:
			d.note(unknown, "permissions", "whether the service may read %s, the secret of %s: %v", s.file, s.of, err)
			return
		case shut != "":
			d.note(toMend, "permissions", "the service may not read %s, the secret of %s: %s", s.file, s.of, s.handOver())
			return
		}
	}
	f, err := os.Open(s.file)
	if err != nil {
		d.note(toMend, "permissions", "the secret of %s: %v; make that file, readable by this user alone", s.of, err)
		return
	}
	defer f.Close()
	switch info, err := f.Stat(); {
	case err != nil:
		d.note(unknown, "permissions", "the secret of %s: %v", s.of, err)
	case modesCount && info.Mode().Perm()&0o007 != 0:
		more := ""
		if d.service {
			more = ", then " + s.handOver()
		}
		d.note(toMend, "permissions", "everybody on this machine may use %s, the secret of %s (mode %s): chmod o-rwx %s%s", s.file, s.of, info.Mode().Perm(), s.file, more)
	case info.Size() == 0:
		d.note(toMend, "permissions", "%s, the secret of %s, is empty", s.file, s.of)
	default:
		d.note(allFine, "permissions", "%s, the secret of %s, is there", s.file, s.of)
	}
}

// namedSecret is where a secret is, and whose. key is that of its file in the
// configuration.
type namedSecret struct{ of, key, file, credential string }

// handOver says how the service is given a secret that root alone may read.
func (s namedSecret) handOver() string {
	name := filepath.Base(s.file)
	write := fmt.Sprintf("write %s = %q in place of %s", strings.TrimSuffix(s.key, "_file")+"_credential", name, s.key)
	switch {
	case s.key == signingKeyKey:
		name = keyCredential
		write = "remove " + s.key
	case strings.HasPrefix(s.of, remoteWrite): // it takes files only
		write = fmt.Sprintf("write %s = %q", s.key, serviceCredentials+name)
	}
	return fmt.Sprintf("add LoadCredential=%s:%s below [Service] in systemctl edit ovenward, and in the configuration %s", name, s.file, write)
}

const (
	signingKeyKey = "signing_key"
	remoteWrite   = "remote_write "
)

// namedFile is a file that a configuration names, and for whom.
type namedFile struct{ of, file string }

// authoritiesOf lists the files that say whom couriers trust.
func authoritiesOf(f *config.File) []namedFile {
	var out []namedFile
	add := func(of, file string) {
		if file != "" {
			out = append(out, namedFile{of, file})
		}
	}
	for _, w := range f.Webhooks {
		add("webhook "+w.ID, w.CAFile)
	}
	for _, m := range f.Mails {
		add("mail "+m.ID, m.CAFile)
	}
	for _, a := range f.Alertmanagers {
		add("alertmanager "+a.ID, a.CAFile)
	}
	for _, m := range f.MQTTs {
		add("mqtt "+m.ID, m.CAFile)
	}
	for _, r := range f.Remotes {
		add(remoteWrite+r.ID, r.CAFile)
	}
	return out
}

// secretsOf lists all secrets that a configuration names.
func secretsOf(f *config.File) []namedSecret {
	var out []namedSecret
	add := func(of, key string, s config.Secret) {
		if s != (config.Secret{}) {
			out = append(out, namedSecret{of, key, s.File, s.Credential})
		}
	}
	for _, w := range f.Webhooks {
		add("webhook "+w.ID, "token_file", w.Token)
		add("webhook "+w.ID, "signing_file", w.Signing)
	}
	for _, m := range f.Mails {
		add("mail "+m.ID, "password_file", m.Password)
	}
	for _, a := range f.Alertmanagers {
		add("alertmanager "+a.ID, "token_file", a.Token)
	}
	for _, m := range f.MQTTs {
		add("mqtt "+m.ID, "password_file", m.Password)
	}
	for _, r := range f.Remotes {
		add(remoteWrite+r.ID, "password_file", config.Secret{File: r.PasswordFile})
		add(remoteWrite+r.ID, "token_file", config.Secret{File: r.TokenFile})
	}
	add("the record's signing key", signingKeyKey, config.Secret{File: f.Record.SigningKey})
	return out
}
