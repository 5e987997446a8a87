package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// quick is the model kitchen ten times as fast, cut into what a test puts together
// anew: everything up to the posts, and each post.
func quick(t *testing.T) (head string, posts map[string]string) {
	t.Helper()
	text := strings.Replace(string(kitchenTOML), "seed = 1\n", "seed = 1\nspeed = 10\n", 1)
	parts := strings.Split(text, "[[post]]")
	posts = map[string]string{}
	for _, p := range parts[1:] {
		id := regexp.MustCompile(`id = "([^"]+)"`).FindStringSubmatch(p)[1]
		posts[id] = "\n[[post]]" + p[:strings.LastIndex(p, `mm"`)+len(`mm"`)] + "\n"
	}
	if len(posts) != 3 {
		t.Fatalf("the model kitchen has posts %v", posts)
	}
	return parts[0], posts
}

func write(t *testing.T, path string, parts ...string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(strings.Join(parts, "")), 0o600); err != nil {
		t.Fatal(err)
	}
}

// reloadAnswer is what POST /-/reload says.
type reloadAnswer struct {
	status   int
	Detail   string
	Changes  []string
	Mistakes []struct {
		File, What string
		Line       int
	}
}

func postReload(t *testing.T, addr string) (a reloadAnswer) {
	t.Helper()
	resp, err := http.Post("http://"+addr+"/-/reload", "application/json", strings.NewReader(`{"who":"A. Reyes"}`))
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	a.status = resp.StatusCode
	if err := json.Unmarshal(body, &a); err != nil {
		t.Fatalf("status %d: %v: %s", a.status, err, body)
	}
	if want := "application/json"; a.status >= 400 && resp.Header.Get("Content-Type") == want {
		t.Errorf("a refusal came as %s", want)
	}
	return a
}

// seriesOf is the value of the one series of a metric with a label, as text; empty
// when there is none.
func seriesOf(exposition, metric, label string) string {
	for _, line := range strings.Split(exposition, "\n") {
		if name, value, ok := strings.Cut(line, "} "); ok && strings.HasPrefix(name, metric+"{") && strings.Contains(name, label) {
			return value
		}
	}
	return ""
}

// reloadSays reloads, and wants the changes to say all of this.
func reloadSays(t *testing.T, addr string, want ...string) {
	t.Helper()
	a := postReload(t, addr)
	said := strings.Join(a.Changes, "\n")
	for _, w := range want {
		if a.status != http.StatusOK || !strings.Contains(said, w) {
			t.Fatalf("status %d: %s\n%s, want %s", a.status, a.Detail, said, w)
		}
	}
}

// A file with mistakes is refused with all of them, here, in the log and in the
// metrics, and the one before stays; likewise what cannot be changed now.
func TestBadFileIsRefused(t *testing.T) {
	t.Parallel()
	head, posts := quick(t)
	file := t.TempDir() + "/kitchen.toml"
	good := []string{head, posts["counter-door"], posts["pantry-door"]}
	write(t, file, good...)
	d := startDaemon(t, settings{configFile: file, storagePath: t.TempDir()})
	addr := d.Addr()
	write(t, file, "speling = 1\n", head, posts["counter-door"], "distance_t = 2\n", strings.Replace(posts["pantry-door"], "50 mm", "50 apples", 1))
	a := postReload(t, addr)
	if a.status != http.StatusUnprocessableEntity || len(a.Mistakes) < 3 || a.Mistakes[0].Line != 1 || a.Mistakes[0].File != file {
		t.Errorf("status %d: %s %+v", a.status, a.Detail, a.Mistakes)
	}
	log := d.log.String()
	for _, m := range a.Mistakes {
		if !strings.Contains(log, fmt.Sprintf("%s:%d", m.File, m.Line)) {
			t.Errorf("the log does not tell of line %d: %s", m.Line, m.What)
		}
	}
	m := d.get(t, "/metrics")
	if !strings.Contains(m, "ovenward_config_last_reload_successful{site=\"model kitchen\"} 0") || seriesOf(m, "ovenward_config_last_reload_success_timestamp_seconds", "") == "" {
		t.Error("the metrics do not say that a file was refused")
	}
	for _, post := range []string{"counter-door", "pantry-door"} {
		if seriesOf(m, "ovenward_probe_up", `post="`+post+`"`) == "" || seriesOf(m, "ovenward_port_opens_total", `post="`+post+`"`) > "1" {
			t.Errorf("post %s did not go on", post)
		}
	}
	for what, text := range map[string]string{
		"a simulated probe has another driver": strings.Replace(head, "driver = \"textline\"\nport = \"simulate:probe-1\"", "driver = \"scpi\"\nport = \"simulate:probe-1\"", 1),
		"[simulate] says another kitchen":      strings.Replace(head, "speed = 10", "speed = 11", 1),
		"[record] says another key":            head + "\n[record]\nsigning_key = \"" + file + ".key\"\n",
	} {
		write(t, file, text, posts["counter-door"], posts["pantry-door"])
		if what[0] == 'a' { // its section must fit its driver
			section := regexp.MustCompile(`(?s)  \[probe\.textline\].*?fault = \["FAULT"\]\n`)
			first := section.FindStringIndex(text)
			write(t, file, text[:first[0]]+scpiSection+text[first[1]:], posts["counter-door"], posts["pantry-door"])
		}
		if a := postReload(t, addr); a.status != http.StatusConflict || !strings.Contains(a.Detail, what) || !strings.Contains(a.Detail, "restart") {
			t.Errorf("%s: status %d: %s %+v", what, a.status, a.Detail, a.Mistakes)
		}
	}
	write(t, file, good...)
	if a := postReload(t, addr); a.status != http.StatusOK {
		t.Errorf("the good file again: status %d: %s", a.status, a.Detail)
	}
	if m := d.get(t, "/metrics"); !strings.Contains(m, "ovenward_config_last_reload_successful{site=\"model kitchen\"} 1") {
		t.Error("the metrics do not say that a file took effect again")
	}
}

// A real process takes SIGHUP: once with mistakes, then twice in a row with a good
// file.
func TestHangupReloads(t *testing.T) {
	t.Parallel()
	head, posts := quick(t)
	file := t.TempDir() + "/kitchen.toml"
	write(t, file, head, posts["counter-door"])
	p := program(t, "run", "--config.file="+file, "--storage.path="+t.TempDir(), "--web.listen-address=127.0.0.1:0")
	p.address(t)
	hangup := func() {
		t.Helper()
		if err := p.cmd.Process.Signal(syscall.SIGHUP); err != nil {
			t.Fatal(err)
		}
	}
	write(t, file, head, posts["counter-door"], "nonsense = 1\n")
	hangup()
	waitFor(t, 20*time.Second, "the refusal", func() bool { return strings.Contains(p.log.String(), "the one before stays in force") })
	if !strings.Contains(p.log.String(), file+":") {
		t.Error("the log does not say where the mistake is")
	}
	write(t, file, head, posts["counter-door"], posts["pantry-door"])
	hangup()
	hangup()
	waitFor(t, 20*time.Second, "the reload", func() bool {
		return strings.Contains(p.log.String(), "the configuration was loaded again: post pantry-door is new")
	})
	if took := p.terminate(t); took > 5*time.Second {
		t.Errorf("stopping took %v", took)
	}
}

// Only those who may change things reload, by POST alone.
func TestWhoMayReload(t *testing.T) {
	t.Parallel()
	web := usersFile(t, "seal and hinge", "okafor", "hale")
	d := startDaemon(t, settings{configFile: kitchenWith(t, "[access]\noperators = [\"okafor\"]\n"), storagePath: t.TempDir(), webConfig: web})
	for _, c := range []struct {
		method, user string
		want         int
	}{{"POST", "", 401}, {"POST", "hale", 403}, {"GET", "okafor", 405}, {"POST", "okafor", 200}} {
		r, err := http.NewRequest(c.method, "http://"+d.Addr()+"/-/reload", nil)
		if err != nil {
			t.Fatal(err)
		}
		if c.user != "" {
			r.SetBasicAuth(c.user, "seal and hinge")
		}
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != c.want {
			t.Errorf("%s by %q: %d, want %d", c.method, c.user, resp.StatusCode, c.want)
		}
	}
}

// A file that is refused leaves nothing in the register, which would win over the file
// once that is mended.
func TestRefusedFileEntersNothing(t *testing.T) {
	t.Parallel()
	file := t.TempDir() + "/kitchen.toml"
	write(t, file, string(kitchenTOML))
	d := startDaemon(t, settings{configFile: file, storagePath: t.TempDir()})
	annexe := func(place, template string) string {
		return fmt.Sprintf("\n[[oven]]\nid = \"annexe\"\nplace = %q\nfrequency = \"2450 MHz\"\nlimit = %q\n"+
			"\n[[webhook]]\nid = \"desk\"\nurl = \"https://desk.invalid/x\"\ntext_template = %q\n", place, d.serving.Load().file.Limits[0].ID, template)
	}
	before := d.get(t, "/api/v1/ovens")
	write(t, file, string(kitchenTOML), annexe("wrong place", "{{nothing}}"))
	if a := postReload(t, d.Addr()); a.status == http.StatusOK {
		t.Fatal("the file was not refused")
	}
	if after := d.get(t, "/api/v1/ovens"); after != before {
		t.Errorf("a refused file changed the register:\n%s", after)
	}
	write(t, file, string(kitchenTOML), annexe("annexe, by the sink", "{{.Site}}"))
	if a := postReload(t, d.Addr()); a.status != http.StatusOK {
		t.Fatalf("%d %s %v", a.status, a.Detail, a.Mistakes)
	}
	if after := d.get(t, "/api/v1/ovens/annexe"); !strings.Contains(after, "by the sink") {
		t.Errorf("the mended file does not count: %s", after)
	}
	if n := strings.Count(d.log.String(), "until its secret can be read"); n > 0 {
		t.Errorf("a courier without a secret: told %d times", n)
	}
}

// slowBody says when it is read, and then waits.
type slowBody struct {
	read, end chan struct{}
}

func (b slowBody) Read([]byte) (int, error) {
	close(b.read)
	<-b.end
	return 0, io.EOF
}

// Whoever picks a unit changes nothing: however slowly it is sent, no change of an
// operator and no reload waits for it.
func TestAVisitorsUnitHoldsNothingUp(t *testing.T) {
	t.Parallel()
	d := startDaemon(t, settings{storagePath: t.TempDir()})
	body, done := slowBody{make(chan struct{}), make(chan struct{})}, make(chan struct{})
	go func() {
		defer close(done)
		r := httptest.NewRequest(http.MethodPost, "/unit", body)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		d.home.handler().ServeHTTP(httptest.NewRecorder(), r)
	}()
	<-body.read
	if d.changes.TryAcquire(mostChanges) {
		d.changes.Release(mostChanges)
	} else {
		t.Error("a reload would wait for a visitor who picks a unit")
	}
	close(body.end)
	<-done
}
