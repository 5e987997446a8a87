package notify

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/alarm"
)

// The code was computed by Debian's openssl 3.0:
//
//	printf '1764061200.{"version":1}' | openssl dgst -sha256 -hmac 'a-secret'
func TestSign(t *testing.T) {
	const want = "v1=26366072e6ba070ebd803373f459ee1debbe24a3cb9f1fa44e45d5ddd09217f4"
	if got := sign("a-secret", "1764061200", []byte(`{"version":1}`)); got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

// A receiver that has the secret can tell that body and time are ours.
func TestSignedRequest(t *testing.T) {
	secret := secretFile(t, "a-secret")
	var body []byte
	var header http.Header
	s := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ = io.ReadAll(r.Body)
		header = r.Header.Clone()
	}))
	defer s.Close()
	c, err := NewWebhook(WebhookOptions{URL: s.URL, Signing: secret})
	if err != nil {
		t.Fatal(err)
	}
	if r := c.send(t.Context(), newMessage(raised(0, alarm.Silent, at(0)), subjectMatter{Site: "Larkfield House"})); r.outcome != accepted || r.answer != "HTTP 200 OK" {
		t.Fatalf("%+v", r)
	}
	stamp := header.Get(headerTimestamp)
	if header.Get(headerSignature) != sign("a-secret", stamp, body) {
		t.Errorf("signature %s", header.Get(headerSignature))
	}
	if n, err := strconv.ParseInt(stamp, 10, 64); err != nil || time.Since(time.Unix(n, 0)).Abs() > time.Minute {
		t.Errorf("timestamp %q", stamp)
	}
	if sign("an0ther", stamp, body) == header.Get(headerSignature) || sign("a-secret", stamp, body[1:]) == header.Get(headerSignature) {
		t.Error("another secret or body has the same signature")
	}
}

// Credentials come from the service manager's folder, by name and no other way.
func TestCredential(t *testing.T) {
	file := secretFile(t, "a-secret")
	dir, name := file.File[:strings.LastIndex(file.File, "/")], "secret"
	if _, err := (Secret{Credential: name}).read(); err == nil || !strings.Contains(err.Error(), "LoadCredential") {
		t.Errorf("without a service manager: %v", err)
	}
	t.Setenv("CREDENTIALS_DIRECTORY", dir)
	if got, err := (Secret{Credential: name}).read(); got != "a-secret" || err != nil {
		t.Errorf("%q, %v", got, err)
	}
	if _, err := (Secret{Credential: "../" + name}).read(); err == nil {
		t.Error("a path passes for a name")
	}
}
