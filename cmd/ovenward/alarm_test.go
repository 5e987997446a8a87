package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func runAlarm(t *testing.T, args ...string) (out, trouble string, code int) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code = alarmCommand(t.Context(), args, &stdout, &stderr)
	return stdout.String(), stderr.String(), code
}

// A person acts on the running daemon from the command line, and what was done
// outlives a restart.
func TestAlarmCommand(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	d := startDaemon(t, settings{storagePath: folder})
	at := "--url=http://" + d.Addr()
	do := func(want string, args ...string) string {
		t.Helper()
		out, trouble, code := runAlarm(t, append(args, at)...)
		if (code == 0) != (want == "") || !strings.Contains(trouble, want) {
			t.Errorf("%q: code %d, %q, want %q", args, code, trouble, want)
		}
		return out
	}
	waitFor(t, 10*time.Second, "a first reading", func() bool { return strings.Contains(d.get(t, "/api/v1/posts"), `"value_state":"`) })
	do("", "withdraw", "counter", "--why=door does not close", "--who=J. Hale")
	do("already so", "withdraw", "counter", "--why=again", "--who=J. Hale")
	do("no such post or oven", "withdraw", "garage", "--why=x", "--who=J. Hale")
	do("say who does it", "withdraw", "pantry", "--why=x")
	post := d.file.Posts[0].ID
	do("", "away", post, "--for=30 min", "--who=J. Hale", "--why=yearly survey")
	do("say for how long", "test", post, "--for=ever", "--who=J. Hale")
	do("can only be shelved", "take-out", post+".silent", "--who=J. Hale", "--why=x")
	do("", "take-out", post+".battery", "--who=J. Hale", "--why=its sensor is broken")
	do("", "checked", post, "--who=J. Hale")
	do("", "runs", post, "--for=10 min", "--who=till 3")
	list := do("", "list")
	for _, want := range []string{"withdrawn:counter", "announced by J. Hale", "door does not close", "away, low", "out of service by J. Hale", "its sensor is broken"} {
		if !strings.Contains(list, want) {
			t.Errorf("the list lacks %q:\n%s", want, list)
		}
	}
	d.stop(t)
	d = startDaemon(t, settings{storagePath: folder})
	at = "--url=http://" + d.Addr()
	if again := do("", "list"); !strings.Contains(again, "away, low") || !strings.Contains(again, "withdrawn:counter") || !strings.Contains(again, "out of service by J. Hale") {
		t.Errorf("after a restart:\n%s", again)
	}
	if !strings.Contains(d.get(t, "/metrics"), `ovenward_post_regard{oven="`+d.file.Posts[0].Oven+`",post="`+post+`",probe="`+d.file.Posts[0].Probe+`",regard="away for survey",site="model kitchen"} 1`) {
		t.Error("metrics do not say that the probe is away")
	}
	do("", "back", post, "--who=J. Hale")
	do("", "put-back", post+".battery", "--who=J. Hale")
	do("", "return", "counter", "--why=hinge replaced", "--who=J. Hale")
	if sum := do("", "summary", "--days=1"); !strings.Contains(sum, "a day: acceptable") || !strings.Contains(sum, "from memory") {
		t.Errorf("summary:\n%s", sum)
	}
}

// Where the web configuration has users, who did it is the user who was let in.
func TestAlarmCommandAsAUser(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	secret := filepath.Join(folder, "secret")
	if err := os.WriteFile(secret, []byte("seal and hinge\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	d := startDaemon(t, settings{configFile: kitchenWith(t, "[access]\noperators = [\"hale\"]\n"), storagePath: filepath.Join(folder, "record"),
		webConfig: usersFile(t, "seal and hinge", "hale")})
	at := "--url=http://" + d.Addr()
	if _, trouble, code := runAlarm(t, "withdraw", "counter", "--why=x", "--who=somebody", at); code == 0 || !strings.Contains(trouble, "401") {
		t.Errorf("without a password: %d, %q", code, trouble)
	}
	as := []string{at, "--user=hale", "--password-file=" + secret}
	if _, trouble, code := runAlarm(t, append(as, "withdraw", "counter", "--why=x", "--who=somebody else")...); code != 0 {
		t.Fatal(trouble)
	}
	if out, _, _ := runAlarm(t, append(as, "list")...); !strings.Contains(out, "announced by hale") || strings.Contains(out, "somebody") {
		t.Errorf("list:\n%s", out)
	}
}

func TestAlarmCommandSaysWhatIsWrong(t *testing.T) {
	for want, args := range map[string][]string{
		"say what to do":                          {},
		`there is no "silence"`:                   {"silence"},
		"needs one alarm, post or oven":           {"shelve"},
		"takes nothing more":                      {"list", "x"},
		`shelve needs --for="2 h" and --why=TEXT`: {"shelve", "door.exceeds"},
		"comment needs --why=TEXT":                {"comment", "door.exceeds", "--for=1h"},
		"reset needs --remedy=TEXT":               {"reset", "door.exceeds", "--why=x"},
		`test needs --for="2 h"`:                  {"test", "door"},
		"return needs --why=TEXT":                 {"return", "oven"},
		"is it running":                           {"list", "--url=http://127.0.0.1:1"},
		"read the password":                       {"list", "--password-file=/nowhere/at/all"},
		"see ovenward alarm --help":               {"list", "--nonsense"},
	} {
		if _, trouble, code := runAlarm(t, args...); code != 1 || !strings.Contains(trouble, want) {
			t.Errorf("%q: code %d, %q, want %q", args, code, trouble, want)
		}
	}
	out, _, code := runAlarm(t, "--help")
	if code != 0 || out != alarmHelp || strings.Count(out, "\n") > 24 {
		t.Errorf("help: code %d, %d lines", code, strings.Count(out, "\n"))
	}
}
