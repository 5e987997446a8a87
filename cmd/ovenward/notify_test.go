package main

import (
	"bytes"
	"context"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/store"
)

// withCouriers is a good configuration with more at its end.
func withCouriers(t *testing.T, more string) string {
	t.Helper()
	base, err := os.ReadFile("../../testdata/couriers.good.toml")
	if err != nil {
		t.Fatal(err)
	}
	head, _, _ := strings.Cut(string(base), "[[webhook]]")
	file := filepath.Join(t.TempDir(), "site.toml")
	if err := os.WriteFile(file, []byte(head+more), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func runNotify(args ...string) (code int, out, errs string) {
	var stdout, stderr bytes.Buffer
	code = notifyCommand(context.Background(), args, &stdout, &stderr)
	return code, stdout.String(), stderr.String()
}

func TestNotifyTest(t *testing.T) {
	var got string
	good := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		var b bytes.Buffer
		b.ReadFrom(r.Body)
		got = b.String()
		w.WriteHeader(http.StatusNoContent)
	}))
	defer good.Close()
	bad := httptest.NewServer(http.NotFoundHandler())
	defer bad.Close()
	hook := func(id, url string) string { return "[[webhook]]\nid = \"" + id + "\"\nurl = \"" + url + "\"\n" }
	file := withCouriers(t, hook("desk", good.URL)+hook("lost", bad.URL))
	code, out, errs := runNotify("--test", "--config.file="+file)
	if code != 1 || !strings.Contains(out, "desk (webhook): accepted after") || !strings.Contains(out, "HTTP 204 No Content") ||
		!strings.Contains(out, "lost (webhook): NOT accepted") || !strings.Contains(out, "404 Not Found") || !strings.Contains(errs, "not every courier") {
		t.Errorf("code %d\n%s\n%s", code, out, errs)
	}
	if !strings.Contains(got, `"kind":"test"`) || !strings.Contains(got, "TEST, nothing has happened.") {
		t.Errorf("the receiver got %s", got)
	}
	if code, out, errs = runNotify("--test", "--config.file="+file, "--courier=desk"); code != 0 || strings.Contains(out, "lost") {
		t.Errorf("one courier: code %d\n%s\n%s", code, out, errs)
	}
	for _, args := range [][]string{{}, {"--test"}, {"--test", "--dead", "--config.file=" + file}, {"--dead"}, {"--test", "--config.file=" + file, "--courier=none"},
		{"--told", "--storage.path=" + t.TempDir()}, {"more"}} {
		if code, _, errs := runNotify(args...); code != 1 || !strings.HasPrefix(errs, "ovenward") {
			t.Errorf("%q: code %d, %s", args, code, errs)
		}
	}
	if _, _, errs := runNotify("--told", "--storage.path="+t.TempDir(), "--most=0"); !strings.Contains(errs, "--most=0: write 1 or more") {
		t.Errorf("no line at all: %s", errs)
	}
}

func TestNotifyLists(t *testing.T) {
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	if err := s.Keep(t.Context(), map[string]int64{"desk": 2}, []store.Told{
		{Courier: "desk", Event: 1, At: at, Attempts: 2, Outcome: store.ToldAccepted, Answer: "HTTP 200 OK", Subject: "one"},
		{Courier: "head", Event: 2, At: at, Attempts: 1, Outcome: store.ToldRefused, Answer: "550 no such mailbox", Subject: "two", Text: "t"},
	}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for args, want := range map[string]string{
		"--dead": "2026-11-25 09:00:00Z  head  refused  event 2, attempt 1\n  two\n  550 no such mailbox\n",
		"--told": "2026-11-25 09:00:00Z  head  refused  event 2, attempt 1\n  two\n  550 no such mailbox\n" +
			"2026-11-25 09:00:00Z  desk  accepted  event 1, attempt 2\n  one\n  HTTP 200 OK\n",
		"--dead --courier=desk": "no dead letters of courier \"desk\"\n",
		"--told --courier=none": "the record tells of no message of courier \"none\"\n",
	} {
		if code, out, errs := runNotify(append(strings.Fields(args), "--storage.path="+dir)...); code != 0 || out != want {
			t.Errorf("%s: code %d\n%s\nwant\n%s\n%s", args, code, out, want, errs)
		}
	}
}

// A template that cannot be used is a mistake of the configuration, told with the
// line of its key and its own.
func TestBadTemplates(t *testing.T) {
	mail := "[[mail]]\nid = \"head\"\nserver = \"localhost:25\"\ntls = \"none\"\nfrom = \"a@b.example\"\nto = [\"c@d.example\"]\n"
	for key, tt := range map[string][2]string{
		"subject_template": {`"{{.Wher}}"`, `subject_template: line 1 of the template: `},
		"text_template":    {"\"\"\"\nfine {{.Where}}\n{{if}}\"\"\"", `text_template: line 2 of the template: `},
		"html_template":    {"\"\"\"\n\n<p>{{.Now | nonsense}}</p>\"\"\"", `html_template: line 2 of the template: function "nonsense" not defined`},
	} {
		file := withCouriers(t, mail+key+" = "+tt[0]+"\n")
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		line := strings.Count(string(data[:bytes.Index(data, []byte(key))]), "\n") + 1
		var stdout, stderr bytes.Buffer
		code := checkCommand([]string{file}, &stdout, &stderr)
		if want := file + ":" + strconv.Itoa(line) + `: mail "head": ` + tt[1]; code != 1 || !strings.HasPrefix(stderr.String(), want) {
			t.Errorf("%s: code %d, %s\nwant %s", key, code, stderr.String(), want)
		}
	}
}
