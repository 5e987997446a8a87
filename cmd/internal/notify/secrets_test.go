package notify

import (
	"encoding/pem"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/alarm"
)

// Nothing of a URL but scheme and host, and no token, is ever told, whatever
// goes wrong.
func TestSecretsAreNotTold(t *testing.T) {
	const secret = "s3cret"
	token := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(token, []byte(secret+"-token"), 0o600); err != nil {
		t.Fatal(err)
	}
	var user, password string
	h := newHook(t, func(n int, w http.ResponseWriter, r *http.Request) {
		switch n {
		case 1:
			http.Redirect(w, r, "/"+secret+"%zz", http.StatusFound)
		case 2:
			http.Error(w, "no: "+secret, http.StatusBadRequest)
		case 3:
			user, password, _ = r.BasicAuth()
			panic(http.ErrAbortHandler)
		}
	})
	base := strings.TrimPrefix(h.URL, "http://")
	box := newOutbox()
	end, log := courier(t, box, WebhookOptions{URL: h.URL + "/" + secret, Token: Secret{File: token}})
	box.happen(raised(0, alarm.Silent, at(0)))
	settled(t, box, 1)
	one := end()
	box = newOutbox()
	end, log2 := courier(t, box, WebhookOptions{URL: fmt.Sprintf("http://%s:%s-word@%s/hook?%s=1", secret, secret, base, secret)})
	box.happen(raised(0, alarm.Silent, at(0)))
	settled(t, box, 1)
	two := end()
	if one.Dead != 1 || one.Failed != 1 || two.Failed != 1 || two.Sent != 1 {
		t.Errorf("the failures did not happen: %+v, %+v", one, two)
	}
	for _, s := range []string{log.String(), log2.String(), fmt.Sprintf("%+v %+v", one, two)} {
		if strings.Contains(s, secret) {
			t.Errorf("a secret is told:\n%s", s)
		}
	}
	if user != secret || password != secret+"-word" {
		t.Errorf("the URL's user did not arrive: %q", user)
	}
	_, err := NewWebhook(WebhookOptions{URL: "https://" + secret + "%zz"})
	if err == nil || strings.Contains(err.Error(), secret) {
		t.Errorf("an unusable URL: %v", err)
	}
}

// A missing token is a failure that passes.
func TestTokenFile(t *testing.T) {
	h := newHook(t, status(http.StatusOK))
	box := newOutbox()
	path := filepath.Join(t.TempDir(), "token")
	end, _ := courier(t, box, WebhookOptions{URL: h.URL, Token: Secret{File: path}})
	box.happen(raised(0, alarm.Silent, at(0)))
	if err := os.WriteFile(path, []byte("in two\nlines"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := (Secret{File: path}).readToken(); err == nil {
		t.Error("a token in two lines passes")
	}
	if err := os.WriteFile(path, []byte("at-last"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got := h.next(t).header.Get("Authorization"); got != "Bearer at-last" {
		t.Errorf("Authorization %q", got)
	}
	settled(t, box, 1)
	end()
}

func TestNewRefuses(t *testing.T) {
	for name, o := range map[string]WebhookOptions{
		"no URL":              {},
		"another scheme":      {URL: "ftp://larkfield.example/hook"},
		"no host":             {URL: "https:///hook"},
		"a token in the open": {URL: "http://larkfield.example/hook", Token: Secret{File: "token"}},
	} {
		if _, err := NewWebhook(o); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	carrier, err := NewWebhook(WebhookOptions{URL: "https://larkfield.example/hook/s3cret"})
	if err != nil {
		t.Fatal(err)
	}
	for name, o := range map[string]Options{
		"no outbox":                     {Carrier: carrier},
		"no carrier":                    {Outbox: newOutbox()},
		"a heartbeat that says nothing": {Outbox: newOutbox(), Carrier: carrier, Heartbeat: time.Minute},
	} {
		if _, err := New(o); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	c, err := New(Options{Outbox: newOutbox(), Carrier: carrier})
	if err != nil {
		t.Fatal(err)
	}
	if s := c.Stats(); s.Name != "webhook" || s.To != "https://larkfield.example/…" {
		t.Errorf("name %q, to %q", s.Name, s.To)
	}
	if carrier.(*webhook).transport.Proxy != nil {
		t.Error("a proxy of the environment would be used")
	}
}

// A file of authorities that is missing, or is none, costs the messages until it is
// there, and nothing else: the courier is made, and goes on once it can be read.
func TestAuthoritiesMayComeLate(t *testing.T) {
	s := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer s.Close()
	host := strings.TrimPrefix(s.URL, "https://")
	ca := filepath.Join(t.TempDir(), "ca.pem")
	carriers := map[string]Carrier{}
	var err error
	if carriers["webhook"], err = NewWebhook(WebhookOptions{URL: s.URL, CAFile: ca}); err != nil {
		t.Fatal(err)
	}
	if carriers["alertmanager"], err = NewAlertmanager(AlertmanagerOptions{URL: s.URL, CAFile: ca}); err != nil {
		t.Fatal(err)
	}
	if carriers["mail"], err = NewMail(MailOptions{Server: host, TLS: OnlyTLS, CAFile: ca, From: "ovenward@larkfield.example", To: []string{"manager@larkfield.example"}}); err != nil {
		t.Fatal(err)
	}
	if carriers["mqtt"], err = NewMQTT(MQTTOptions{Server: host, TLS: true, CAFile: ca, Topic: "larkfield"}); err != nil {
		t.Fatal(err)
	}
	try := func(which, want string) {
		t.Helper()
		for name, c := range carriers {
			r := c.send(t.Context(), Message{Kind: KindTest})
			if r.err == nil || !strings.Contains(r.err.Error(), want) || r.outcome == refused {
				t.Errorf("%s, %s: %v, want %q", which, name, r.err, want)
			}
		}
	}
	try("missing", "no such file")
	if err := os.WriteFile(ca, []byte("none"), 0o600); err != nil {
		t.Fatal(err)
	}
	try("garbage", "holds no certificate")
	if err := os.WriteFile(ca, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"webhook", "alertmanager"} {
		if r := carriers[name].send(t.Context(), Message{Kind: KindTest}); r.outcome != accepted {
			t.Errorf("%s, the file is there: %v", name, r.err)
		}
	}
}
