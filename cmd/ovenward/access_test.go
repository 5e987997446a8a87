package main

import (
	"crypto/tls"
	"encoding/json"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"
)

func tlsOver(c net.Conn, srv *httptest.Server) net.Conn {
	return tls.Client(c, &tls.Config{RootCAs: srv.Client().Transport.(*http.Transport).TLSClientConfig.RootCAs, ServerName: "example.com"})
}

// usersFile writes a web configuration whose users all have one password.
func usersFile(t *testing.T, password string, names ...string) string {
	t.Helper()
	hash, err := bcrypt.GenerateFromPassword([]byte(password), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	text := "basic_auth_users:\n"
	for _, n := range names {
		text += "  " + n + ": " + string(hash) + "\n"
	}
	path := filepath.Join(t.TempDir(), "web.yml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// kitchenWith is the model kitchen's configuration with more to it.
func kitchenWith(t *testing.T, more string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "kitchen.toml")
	if err := os.WriteFile(path, []byte(string(kitchenTOML)+"\n"+more), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Through the whole daemon: who has no password reads nothing, a reader reads, an
// operator changes; and a user who was struck off while it runs changes nothing.
func TestWhoMayDoWhatInTheDaemon(t *testing.T) {
	t.Parallel()
	web := usersFile(t, "seal and hinge", "okafor", "hale")
	d := startDaemon(t, settings{configFile: kitchenWith(t, "[access]\noperators = [\"okafor\", \"gone\"]\n"), storagePath: t.TempDir(), webConfig: web})
	var kind, body string // of the newest answer
	ask := func(method, path, user, password string) int {
		t.Helper()
		r, err := http.NewRequest(method, "http://"+d.Addr()+path, strings.NewReader(`{"why":"door bent"}`))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/json")
		if user != "" {
			r.SetBasicAuth(user, password)
		}
		a, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Body.Close()
		text, err := io.ReadAll(a.Body)
		if err != nil {
			t.Fatal(err)
		}
		kind, body = a.Header.Get("Content-Type"), string(text)
		return a.StatusCode
	}
	const withdraw = "/api/v1/ovens/counter/withdraw"
	for _, c := range []struct {
		method, path, user, password string
		want                         int
	}{
		{"GET", "/", "", "", 401}, {"GET", "/", "okafor", "guessed", 401}, {"GET", "/", "gone", "seal and hinge", 401},
		{"GET", "/", "hale", "seal and hinge", 200}, {"POST", withdraw, "", "", 401}, {"POST", withdraw, "okafor", "guessed", 401},
		{"POST", withdraw, "hale", "seal and hinge", 403}, {"POST", withdraw, "okafor", "seal and hinge", 200},
	} {
		if got := ask(c.method, c.path, c.user, c.password); got != c.want {
			t.Errorf("%s %s as %q: %d, want %d", c.method, c.path, c.user, got, c.want)
		}
	}
	ask("GET", "/api/v1/posts", "hale", "guessed")
	refused, _, _ := strings.Cut(kind, ";")
	ask("GET", "/api/v1/openapi.json", "hale", "seal and hinge")
	var document struct {
		Paths map[string]struct {
			Get struct {
				Responses map[string]struct {
					Ref string `json:"$ref"`
				}
			}
		}
		Components struct {
			Responses map[string]struct{ Content map[string]any }
		}
	}
	if err := json.Unmarshal([]byte(body), &document); err != nil {
		t.Fatal(err)
	}
	named := document.Paths["/api/v1/posts"].Get.Responses["401"].Ref
	if content := document.Components.Responses[named[strings.LastIndex(named, "/")+1:]].Content; content[refused] == nil {
		t.Errorf("whoever is not let in is told by %s, and the API's document says %q: %v", refused, named, content)
	}
	if !strings.Contains(d.log.String(), "operator=gone") {
		t.Errorf("an operator who is no user is not told of:\n%s", d.log)
	}
	// With no users left in the file nobody is asked for a password, so a name
	// that somebody sends is nobody's.
	if err := os.WriteFile(web, []byte("{}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := ask("POST", "/api/v1/ovens/counter/return", "okafor", "guessed"); got != 403 {
		t.Errorf("as an operator whom nobody asked for a password: %d, want 403", got)
	}
}

// A start says by the log what may surprise of who may read and who may change.
func TestAccessIsTold(t *testing.T) {
	t.Parallel()
	web := usersFile(t, "x", "hale")
	for _, c := range []struct {
		name, more, web, listen, want string
	}{
		{"beyond, no users", "", "", "0.0.0.0:0", "by everybody and without a password"},
		{"beyond, users", "[access]\noperators = [\"hale\"]\n", web, "0.0.0.0:0", ""},
		{"loopback", "", "", "127.0.0.1:0", ""},
		{"users, no operators", "", web, "127.0.0.1:0", "names no operators: every user reads"},
		{"operators, no users", "[access]\noperators = [\"hale\"]\n", "", "127.0.0.1:0", "nobody may change anything"},
	} {
		log := &logged{}
		d, err := newDaemon(settings{configFile: kitchenWith(t, c.more), storagePath: t.TempDir(), webConfig: c.web, listen: c.listen},
			slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelWarn})), time.Now)
		if err != nil {
			t.Fatal(err)
		}
		if err := d.Close(); err != nil {
			t.Error(err)
		}
		if got := log.String(); c.want == "" && strings.Contains(got, "change") || !strings.Contains(got, c.want) {
			t.Errorf("%s: want %q, the log says\n%s", c.name, c.want, got)
		}
	}
	for address, want := range map[string]bool{"127.0.0.1:1": false, "[::1]:1": false, "0.0.0.0:1": true, "[::]:1": true, "192.0.2.7:1": true, "nonsense": true} {
		if beyond(address) != want {
			t.Errorf("%s: beyond this machine %v", address, !want)
		}
	}
}
