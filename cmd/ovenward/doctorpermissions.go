package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	toolkit "github.com/prometheus/exporter-toolkit/web"
	"ovenward/cmd/internal/notify"
	"ovenward/config"
)

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
