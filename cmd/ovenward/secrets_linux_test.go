package main

import (
	"bufio"
	"crypto/ed25519"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// vault keeps every secret that a station can have, each in its file.
type vault struct {
	dir     string
	secrets map[string]string // what must be seen nowhere, by what it is
}

func (v *vault) keep(t *testing.T, name, secret string) string {
	t.Helper()
	path := filepath.Join(v.dir, name)
	if err := os.WriteFile(path, []byte(secret), 0o600); err != nil {
		t.Fatal(err)
	}
	v.secrets[name] = strings.TrimSpace(secret)
	return path
}

// found names the secrets that a text holds, as they are or coded as they travel.
func (v *vault) found(text string) (names []string) {
	for name, s := range v.secrets {
		for _, form := range []string{s, base64.StdEncoding.EncodeToString([]byte(s)), base64.StdEncoding.EncodeToString([]byte("ovenward:" + s)),
			base64.StdEncoding.EncodeToString([]byte("\x00ovenward\x00" + s))} {
			if strings.Contains(text, form) {
				names = append(names, name)
			}
		}
	}
	return names
}

// parrot answers each request with all that was sent to it, and refuses it.
func parrot(t *testing.T, asked *sync.Map) *httptest.Server {
	h := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked.Store(strings.Split(r.URL.Path, "/")[1], true)
		user, password, _ := r.BasicAuth()
		http.Error(w, fmt.Sprintf("refused: %v %s %s", r.Header, user, password), http.StatusBadRequest)
	}))
	t.Cleanup(h.Close)
	return h
}

// parrotMail is a mail server, over TLS, that says in its refusals what was said to
// it; ca is the file of its authority.
func parrotMail(t *testing.T, asked *sync.Map) (address, ca string) {
	known := httptest.NewTLSServer(nil)
	defer known.Close()
	l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: known.TLS.Certificates})
	if err != nil {
		t.Fatal(err)
	}
	ca = filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: known.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	var all sync.WaitGroup
	t.Cleanup(func() { l.Close(); all.Wait() })
	all.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			all.Go(func() {
				defer c.Close()
				_ = c.SetDeadline(time.Now().Add(10 * time.Second))
				fmt.Fprint(c, "220 parrot\r\n")
				for s := bufio.NewScanner(c); s.Scan(); {
					line := s.Text()
					switch verb, rest, _ := strings.Cut(line, " "); strings.ToUpper(verb) {
					case "EHLO":
						fmt.Fprint(c, "250-parrot\r\n250 AUTH PLAIN\r\n")
					case "AUTH":
						asked.Store("mail", true)
						plain, _ := base64.StdEncoding.DecodeString(strings.TrimPrefix(rest, "PLAIN "))
						fmt.Fprintf(c, "535 5.7.8 refused: %s, which is %s\r\n", rest, strings.ReplaceAll(string(plain), "\x00", " "))
					case "QUIT":
						fmt.Fprint(c, "221 bye\r\n")
						return
					default:
						fmt.Fprint(c, "250 ok\r\n")
					}
				}
			})
		}
	})
	return l.Addr().String(), ca
}

// secretiveMore is configuration whose every secret is in a file, to be filled in.
const secretiveMore = `
[record]
signing_key = %q
[access]
operators = ["okafor"]
[alarm]
silent = "1 s"
[[webhook]]
id = "desk"
url = "%s/webhook"
token_file = %q
signing_file = %q
[[alertmanager]]
id = "fleet-alarms"
url = "%s/alertmanager"
token_file = %q
[[mail]]
id = "manager"
server = %q
tls = "tls"
ca_file = %q
user = "ovenward"
password_file = %q
from = "ovenward@larkfield.example"
to = ["manager@larkfield.example"]
[[mqtt]]
id = "building"
server = %q
tls = false
user = "ovenward"
password_file = %q
[[remote_write]]
id = "fleet"
url = "%s/remote"
username = "ovenward"
password_file = %q
[[remote_write]]
id = "fleet-2"
url = "%s/remote2"
token_file = %q
`

// secretive writes the configuration of a station with every secret there can be.
func secretive(t *testing.T, v *vault, asked *sync.Map) (file, web string) {
	hook := parrot(t, asked)
	mail, ca := parrotMail(t, asked)
	_, key, err := ed25519.GenerateKey(nil)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	signing := v.keep(t, "record.key", string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})))
	v.secrets["record.key"] = base64.StdEncoding.EncodeToString(der)
	v.secrets["record.key in hexadecimal"] = fmt.Sprintf("%x", key.Seed())
	web = usersFile(t, "kestrel-password-of-a-user", "okafor")
	v.secrets["a user's password"] = "kestrel-password-of-a-user"
	hash, err := os.ReadFile(web)
	if err != nil {
		t.Fatal(err)
	}
	_, v.secrets["a user's hash"], _ = strings.Cut(strings.TrimSpace(string(hash)), "okafor: ")
	file = configured(t, filepath.Join(v.dir, "no-such-port"), fmt.Sprintf(secretiveMore, signing, hook.URL, v.keep(t, "webhook.token", "kestrel-webhook-token"), v.keep(t, "webhook.signing", "kestrel-webhook-signing-key"),
		hook.URL, v.keep(t, "alertmanager.token", "kestrel-alertmanager-token"), mail, ca, v.keep(t, "mail.password", "kestrel-mail-password"),
		mail, v.keep(t, "mqtt.password", "kestrel-mqtt-password"), hook.URL, v.keep(t, "remote.password", "kestrel-remote-password"),
		hook.URL, v.keep(t, "remote.token", "kestrel-remote-token")))
	return file, web
}

// Every secret there can be, in a station whose receivers repeat in their refusals
// what they were sent: none of them shows in the log, on a page, in the metrics, in
// an answer of the API, in the record, in what the commands print, in a crash, or
// where a developer prints a whole value.
// printedByADeveloper is a daemon as fmt shows it, with what it logs.
func printedByADeveloper(t *testing.T, file, web string) string {
	t.Helper()
	log := &logged{}
	d, err := newDaemon(settings{configFile: file, storagePath: t.TempDir(), listen: "127.0.0.1:0", webConfig: web}, slog.New(slog.NewTextHandler(log, nil)), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	all := fmt.Sprintf("%+v %+v %+v %#v", d, d.couriers, d.remotes, d.file) + log.String()
	if err := d.Close(); err != nil {
		t.Error(err)
	}
	return all
}

// printedByCommands is what commands print that read the same files.
func printedByCommands(t *testing.T, file, storage string) map[string]string {
	t.Helper()
	outputs := map[string]string{}
	for _, args := range [][]string{{"check", file}, {"notify", "--test", "--config.file=" + file}, {"notify", "--told", "--storage.path=" + storage},
		{"notify", "--dead", "--storage.path=" + storage}, {"doctor", "--config.file=" + file, "--storage.path=" + storage}, {"verify", "--storage.path=" + storage},
		{"export", "--storage.path=" + storage}, {"report", "monitoring", "--storage.path=" + storage, "-o", t.TempDir() + "/x.json"}} {
		var out strings.Builder
		dispatch(t.Context(), args, &out, &out)
		if out.Len() == 0 && args[0] != "report" {
			t.Errorf("%q printed nothing", args)
		}
		outputs[strings.Join(args[:2], " ")] = out.String()
	}
	return outputs
}

func TestNoSecretShows(t *testing.T) {
	v, asked, storage := &vault{dir: t.TempDir(), secrets: map[string]string{}}, &sync.Map{}, t.TempDir()
	file, web := secretive(t, v, asked)
	p := program(t, "run", "--config.file="+file, "--storage.path="+storage, "--web.listen-address=127.0.0.1:0", "--web.config.file="+web, "--log.level=debug")
	address, outputs := p.address(t), map[string]string{}
	get := func(path string) string {
		r, err := http.NewRequest(http.MethodGet, "http://"+address+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		r.SetBasicAuth("okafor", v.secrets["a user's password"])
		a, err := (&http.Client{Timeout: 2 * time.Second}).Do(r)
		if err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		defer a.Body.Close()
		body, err := io.ReadAll(a.Body)
		if err != nil && !strings.Contains(path, "stream") {
			t.Errorf("%s: %v", path, err)
		}
		return fmt.Sprint(a.Status, a.Header, string(body))
	}
	for _, who := range []string{"webhook", "alertmanager", "mail", "remote", "remote2"} {
		waitFor(t, 30*time.Second, who+" to be asked", func() bool { _, was := asked.Load(who); return was })
	}
	waitFor(t, 20*time.Second, "a refusal to be told", func() bool {
		return strings.Contains(get("/metrics"), "ovenward_") && strings.Contains(p.log.String(), "400")
	})
	for _, path := range servedPaths(t, get) {
		outputs["GET "+path] = get(path)
	}
	maps.Copy(outputs, printedByCommands(t, file, storage))
	// A crash, as the watchdog of the service makes one.
	if err := p.cmd.Process.Signal(syscall.SIGABRT); err != nil {
		t.Fatal(err)
	}
	<-p.done
	waitFor(t, 10*time.Second, "the crash to be told", func() bool { return strings.Contains(p.log.String(), "goroutine ") })
	outputs["log and crash"] = p.log.String()
	files, err := filepath.Glob(storage + "/*")
	if err != nil || len(files) < 2 {
		t.Fatalf("%q, %v", files, err)
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		outputs["record "+filepath.Base(f)] = string(text)
	}
	outputs["%+v"] = printedByADeveloper(t, file, web)
	for where, text := range outputs {
		if names := v.found(text); len(names) > 0 {
			t.Errorf("%s shows %q", where, names)
		}
	}
	if len(v.secrets) < 11 || len(v.found("kestrel-mail-password")) != 1 {
		t.Errorf("the test looks for %d secrets", len(v.secrets))
	}
}

// servedPaths lists all that is served to a GET, from the API's own description, and the
// pages.
func servedPaths(t *testing.T, get func(string) string) []string {
	_, text, _ := strings.Cut(get("/api/v1/openapi.json"), "]{")
	var doc struct {
		Paths map[string]map[string]any `json:"paths"`
	}
	if err := json.NewDecoder(strings.NewReader("{" + text)).Decode(&doc); err != nil || len(doc.Paths) < 20 {
		t.Fatalf("%d paths, %v", len(doc.Paths), err)
	}
	out := []string{"/", "/metrics", "/alarms", "/ovens", "/probes", "/surveys", "/runs", "/reports", "/round", "/posts/pantry-door", "/alarms/pantry-door.silent", "/probes/shelf", "/ovens/pantry"}
	for path, methods := range doc.Paths {
		if methods["get"] != nil && !strings.Contains(path, "stream") && !strings.Contains(path, "live") {
			id := "pantry-door"
			switch {
			case strings.Contains(path, "/ovens/"):
				id = "pantry"
			case strings.Contains(path, "/probes/"):
				id = "shelf"
			case strings.Contains(path, "/alarms/"):
				id = "pantry-door.silent"
			}
			out = append(out, strings.NewReplacer("{id}", id, "{name}", "shell.js").Replace(path))
		}
	}
	return out
}
