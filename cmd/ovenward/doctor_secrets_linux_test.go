package main

import (
	"fmt"
	"os"
	"strings"
	"sync"
	"syscall"
	"testing"

	"ovenward/config"
)

// How a secret is handed over is said with the keys that the configuration has.
func TestDoctorHandsSecretsOver(t *testing.T) {
	v := &vault{dir: t.TempDir(), secrets: map[string]string{}}
	file, _ := secretive(t, v, &sync.Map{})
	f, err := config.Load(file)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	edited := string(text)
	all := secretsOf(f)
	for _, s := range all {
		_, write, _ := strings.Cut(s.handOver(), "in the configuration ")
		line := fmt.Sprintf("%s = %q\n", s.key, s.file)
		if !strings.Contains(edited, line) {
			t.Fatalf("%s: there is no %q", s.of, line)
		}
		put, _, _ := strings.Cut(strings.TrimPrefix(write, "write "), " in place")
		if strings.HasPrefix(write, "remove ") {
			put = ""
		}
		edited = strings.Replace(edited, line, put+"\n", 1)
	}
	if _, err := config.Parse(file, []byte(edited)); err != nil || len(all) != 8 {
		t.Errorf("%d secrets, handed over: %v\n%s", len(all), err, edited)
	}
}

// A secret that cannot be read is told at the start and at a reload, with what to do, and
// keeps nothing from running.
func TestUnreadableSecretIsToldAtOnce(t *testing.T) {
	t.Setenv("INVOCATION_ID", "")
	dir := t.TempDir()
	there := dir + "/there.token"
	write(t, there, "kestrel-word\n")
	fifo := dir + "/fifo.token"
	if err := syscall.Mkfifo(fifo, 0o600); err != nil {
		t.Fatal(err)
	}
	hook := "[[webhook]]\nid = %q\nurl = \"http://127.0.0.1:1/\"\ntoken_file = %q\n"
	file := configured(t, dir+"/no-such-port", fmt.Sprintf(hook, "desk", dir+"/gone.token")+fmt.Sprintf(hook, "gate", there)+fmt.Sprintf(hook, "pipe", fifo)+
		"[[remote_write]]\nid = \"fleet\"\nurl = \"http://127.0.0.1:1/\"\ntoken_file = \""+dir+"/fleet.token\"\n"+
		"[[alertmanager]]\nid = \"ring\"\nurl = \"http://127.0.0.1:1/\"\ntoken_credential = \"ring.token\"\n")
	r := startDaemon(t, settings{configFile: file, storagePath: t.TempDir()})
	const told = "nothing goes out by "
	log := r.log.String()
	for _, want := range []string{told + `webhook desk until its secret can be read" error="reading the secret: open ` + dir + `/gone.token: no such file or directory" mend="write one line into ` + dir + "/gone.token",
		told + "webhook pipe", "fifo.token is no plain file", told + "remote_write fleet", "fleet.token", told + "alertmanager ring", "LoadCredential=ring.token:FILE"} {
		if !strings.Contains(log, want) {
			t.Errorf("at the start %q is not in\n%s", want, log)
		}
	}
	if strings.Contains(log, told+"webhook gate") || strings.Contains(log, "kestrel-word") {
		t.Errorf("of a secret that is there:\n%s", log)
	}
	if err := os.Remove(there); err != nil {
		t.Fatal(err)
	}
	write(t, dir+"/gone.token", "kestrel-word\n")
	if a := postReload(t, r.Addr()); a.status != 200 {
		t.Errorf("reload: %+v", a)
	}
	after := strings.TrimPrefix(r.log.String(), log)
	if !strings.Contains(after, told+"webhook gate") || strings.Contains(after, told+"webhook desk") {
		t.Errorf("after a reload:\n%s", after)
	}
	t.Setenv("INVOCATION_ID", "x")
	if got := (namedSecret{of: "webhook desk", key: "token_file", file: "/etc/x/desk.token"}).mend(); !strings.Contains(got, "LoadCredential=desk.token:/etc/x/desk.token") {
		t.Errorf("to the service it says %q", got)
	}
}
