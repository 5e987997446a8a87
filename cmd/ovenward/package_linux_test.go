package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"ovenward/config"
	"ovenward/drivers/driverstest"
)

func packaged(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("package", name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// The configuration that the package installs is good as it stands, and with each of
// its commented sections in use.
func TestPackagedConfiguration(t *testing.T) {
	text := packaged(t, "ovenward.toml")
	sections, on := 0, false
	var used strings.Builder
	for line := range strings.Lines(text) {
		bare, commented := strings.CutPrefix(strings.TrimLeft(line, " "), "# ")
		switch {
		case commented && strings.HasPrefix(bare, "["):
			on, sections = true, sections+1
		case !commented:
			on = false
		}
		if on {
			line = bare
		}
		used.WriteString(line)
	}
	if sections != 4 {
		t.Errorf("%d commented sections, want 4", sections)
	}
	for name, text := range map[string]string{"as it stands": text, "with its commented sections": used.String()} {
		f, err := config.Parse("ovenward.toml", []byte(text))
		if err != nil {
			t.Errorf("%s: %v\n%s", name, err, text)
			continue
		}
		if err := checkBuilt("ovenward.toml", f); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		for _, p := range f.Probes {
			if p.Reach == config.ReachSimulated {
				t.Errorf("%s: probe %s is simulated: nobody may watch a fiction by mistake", name, p.ID)
			}
		}
	}
}

// unit is the value of each setting of a service, the values of one that comes
// again joined by a blank.
func unit(t *testing.T, name string) map[string]string {
	out := map[string]string{}
	for line := range strings.Lines(packaged(t, name)) {
		if key, value, ok := strings.Cut(strings.TrimSpace(line), "="); ok && !strings.HasPrefix(key, "#") {
			out[key] = strings.TrimSpace(out[key] + " " + value)
		}
	}
	return out
}

func TestService(t *testing.T) {
	watch, clock := unit(t, "ovenward.service"), unit(t, "ovenward-clock.service")
	// Of the classes ttyUSB, ttyACM, usb and hidraw; those of other lines are the kernel's own.
	const drivers = "modprobe@usbserial.service modprobe@cdc_acm.service modprobe@usbcore.service modprobe@hid.service"
	if !strings.HasSuffix(watch["After"], drivers) {
		t.Errorf("After=%s", watch["After"])
	}
	for u, wants := range map[*map[string]string]map[string]string{
		&watch: {"SupplementaryGroups": "dialout", "DevicePolicy": "closed", "StateDirectory": "ovenward", "LimitNOFILE": "2048", "ProtectClock": "yes", "Wants": "ovenward-clock.service " + drivers},
		&clock: {"PartOf": "ovenward.service", "RuntimeDirectory": "ovenward-clock", "RuntimeDirectoryMode": "0755", "RestrictAddressFamilies": "AF_UNIX",
			"PrivateNetwork": "yes", "PrivateDevices": "yes", "TimeoutStartSec": "10s"},
	} {
		for key, want := range wants {
			if got, there := (*u)[key]; got != want || !there {
				t.Errorf("%s=%s, want %q", key, got, want)
			}
		}
		for key, want := range map[string]string{"Type": "notify", "DynamicUser": "yes", "Restart": "always", "NoNewPrivileges": "yes", "CapabilityBoundingSet": "", "StartLimitIntervalSec": "0"} {
			if got, there := (*u)[key]; got != want || !there {
				t.Errorf("%s=%s, want %q", key, got, want)
			}
		}
		if seconds, err := strconv.Atoi(strings.TrimSuffix((*u)["WatchdogSec"], "s")); err != nil || seconds <= 0 || seconds > 60 {
			t.Errorf("WatchdogSec=%s", (*u)["WatchdogSec"])
		}
	}
	if clock["ProtectClock"] != "" {
		t.Error("ProtectClock= forbids asking too")
	}
	words := strings.Fields(watch["ExecStart"])[1:]
	takesFlags(t, "ExecStart", words)
	if !slices.Contains(words, "--clock.file="+serviceClockFile) || !slices.Contains(strings.Fields(watch["After"]), "ovenward-clock.service") {
		t.Errorf("the watch does not read what ovenward-clock writes: %q, after %q", words, watch["After"])
	}
	if got, want := clock["ExecStart"], "/usr/bin/ovenward clock --file="+serviceClockFile; got != want || serviceClockFile != "/run/"+clock["RuntimeDirectory"]+"/state" {
		t.Errorf("ExecStart=%s, want %s", got, want)
	}
}

// Systemd knows each setting, and finds both services closed enough; of all calls that
// set something, the clock's alone may ask about the clock.
func TestServicesAreClosed(t *testing.T) {
	analyze := driverstest.Program(t, "systemd-analyze")
	dir := t.TempDir()
	shut := map[string]bool{"clock_adjtime": false, "clock_nanosleep": true, "clock_gettime": true, "timerfd_settime": true, "madvise": true,
		"clock_settime": false, "settimeofday": false, "setuid": false, "chown": false, "mount": false, "ptrace": false, "reboot": false}
	names := map[string]bool{"ovenward.service": false, "ovenward-clock.service": true} // who may ask
	for name := range names {
		// The program and the page need not be installed for the looks below.
		text := regexp.MustCompile(`(?m)^(Documentation=.*|ExecReload=.*)\n`).ReplaceAllString(packaged(t, name), "")
		text = strings.Replace(text, "ExecStart=/usr/bin/ovenward ", "ExecStart=/bin/true ", 1)
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for name, asks := range names {
		path := filepath.Join(dir, name)
		if out, err := exec.Command(analyze, "verify", path).CombinedOutput(); err != nil || strings.Contains(string(out), "ovenward") {
			t.Errorf("systemd-analyze verify: %v\n%s", err, out)
		}
		out, err := exec.Command(analyze, "security", "--offline=true", "--threshold=15", "--no-pager", path).Output()
		level := regexp.MustCompile(`Overall exposure level for ` + regexp.QuoteMeta(name) + `: ([0-9.]+)`).FindSubmatch(out)
		if err != nil || level == nil {
			t.Fatalf("exposure of %s above 1.5, %v\n%s", name, err, out)
		}
		t.Logf("%s: exposure %s", name, level[1])
		may := filtered(t, analyze, packaged(t, name))
		shut["adjtimex"] = asks
		for call, want := range shut {
			if may[call] != want {
				t.Errorf("%s lets %s pass: %v, want %v", name, call, may[call], want)
			}
		}
	}
}

// filtered is what the SystemCallFilter= lines of a unit let pass: each adds to, or
// takes from, those before it (systemd.exec(5)).
func filtered(t *testing.T, analyze, unit string) map[string]bool {
	t.Helper()
	may := map[string]bool{}
	var set func(word string, to bool)
	set = func(word string, to bool) {
		if !strings.HasPrefix(word, "@") {
			may[word] = to
			return
		}
		out, err := exec.Command(analyze, "syscall-filter", "--no-pager", word).Output()
		if err != nil {
			t.Fatalf("systemd-analyze syscall-filter %s: %v", word, err)
		}
		for line := range strings.Lines(string(out)) {
			if w := strings.TrimSpace(line); strings.HasPrefix(line, " ") && w != "" && w[0] != '#' {
				set(w, to)
			}
		}
	}
	for line := range strings.Lines(unit) {
		words, is := strings.CutPrefix(strings.TrimSpace(line), "SystemCallFilter=")
		if !is {
			continue
		}
		words, takes := strings.CutPrefix(words, "~")
		for _, w := range strings.Fields(words) {
			set(w, !takes)
		}
	}
	return may
}

// takesFlags holds that each flag of a command line is one of ovenward run.
func takesFlags(t *testing.T, where string, words []string) {
	t.Helper()
	run := tellAll()[0]
	if len(words) < 3 || words[0] != "run" || run.name != "run" {
		t.Fatalf("%s: %q", where, words)
	}
	named := strings.Join(words, " ")
	for _, w := range words[1:] {
		if flag, _, _ := strings.Cut(w, "="); !slices.Contains(run.flags, flag+"=") && !strings.HasPrefix(w, "$") {
			t.Errorf("%s: ovenward run takes no %s", where, w)
		}
	}
	if !strings.Contains(named, "--config.file=/etc/ovenward/ovenward.toml") || !strings.Contains(named, "--storage.path=/var/lib/ovenward") {
		t.Errorf("%s names no configuration or no record, so it would watch a fiction: %q", where, words)
	}
}

// Every rule, the commented ones too, is made of what udev takes.
func TestUdevRules(t *testing.T) {
	word := regexp.MustCompile(`^(SUBSYSTEM|KERNEL|DRIVER|ATTR\{[a-z_]+\}|ATTRS\{[a-zA-Z]+\})=="[^"]+"$|^(GROUP|MODE|ENV\{ID_MM_DEVICE_IGNORE\}|ATTR\{latency_timer\})="[^"]+"$|^SYMLINK\+="ovenward/[a-z0-9-]+"$`)
	n := 0
	for line := range strings.Lines(packaged(t, "70-ovenward.rules")) {
		line = strings.TrimSpace(line)
		if rule := strings.TrimPrefix(line, "#"); strings.HasPrefix(rule, "SUBSYSTEM") {
			n++
			for w := range strings.SplitSeq(rule, ", ") {
				if !word.MatchString(w) {
					t.Errorf("%q in %q", w, rule)
				}
			}
			continue
		}
		if line != "" && !strings.HasPrefix(line, "# ") {
			t.Errorf("neither rule nor remark: %q", line)
		}
	}
	if n != 4 {
		t.Errorf("%d rules, want 4", n)
	}
}

// The container's file copies what the builder puts beside it, and nothing more.
func TestContainerfile(t *testing.T) {
	text := packaged(t, "Containerfile")
	builder := packaged(t, "main.go")
	for _, m := range regexp.MustCompile(`(?m)^COPY (?:--\S+ )?(\S+) `).FindAllStringSubmatch(text, -1) {
		if !strings.Contains(builder, `"`+m[1]+`"`) {
			t.Errorf("it copies %s, which nothing makes", m[1])
		}
	}
	if !strings.Contains(text, "\nFROM scratch\n") || !strings.Contains(text, "\nUSER 65532:65532\n") {
		t.Error("it is not made from nothing, or runs as root")
	}
	_, list, _ := strings.Cut(text, "\nCMD [")
	takesFlags(t, "CMD", strings.Fields(strings.NewReplacer(`"`, "", ",", "", "]", "").Replace(list)))
}

func TestScriptsOfThePackage(t *testing.T) {
	for _, name := range []string{"postinstall.sh", "preremove.sh"} {
		if out, err := exec.Command("sh", "-n", filepath.Join("package", name)).CombinedOutput(); err != nil {
			t.Errorf("%s: %v\n%s", name, err, out)
		}
	}
}

// The one documented command makes all packages, with all files in each, and a
// program that runs with nothing round it. It takes minutes, so only with the long
// counts.
func TestPackagesAreBuilt(t *testing.T) {
	machines, kinds := []string{"amd64", "arm64", "armhf"}, []string{"deb", "rpm"}
	if os.Getenv("OVENWARD_COUNTS") != "full" {
		for _, want := range append(machines, kinds...) {
			if !strings.Contains(packaged(t, "main.go"), `"`+want+`"`) {
				t.Errorf("the builder makes nothing for %s", want)
			}
		}
		return
	}
	list := map[string][]string{"deb": {driverstest.Program(t, "dpkg-deb"), "-c"}, "rpm": {driverstest.Program(t, "rpm"), "-qlp"}}
	// Where each system's zsh looks.
	zsh := map[string]string{"deb": "/usr/share/zsh/vendor-completions/_ovenward", "rpm": "/usr/share/zsh/site-functions/_ovenward"}
	out := t.TempDir()
	build := exec.Command("go", "run", "./cmd/ovenward/package", "--version=0.0.1", "--out="+out)
	build.Dir = "../.."
	if told, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, told)
	}
	for _, machine := range machines {
		for _, kind := range kinds {
			file := filepath.Join(out, fmt.Sprintf("ovenward_0.0.1_%s.%s", machine, kind))
			told, err := exec.Command(list[kind][0], append(list[kind][1:], file)...).CombinedOutput()
			if err != nil {
				t.Errorf("%s: %v\n%s", file, err, told)
			}
			for _, want := range []string{"/usr/bin/ovenward", "/usr/share/man/man1/ovenward.1.gz", "/usr/lib/systemd/system/ovenward.service", "/usr/lib/systemd/system/ovenward-clock.service", "/etc/ovenward/ovenward.toml",
				"/usr/lib/udev/rules.d/70-ovenward.rules", "/usr/share/doc/ovenward/examples/couriers.good.toml", "/usr/share/bash-completion/completions/ovenward", zsh[kind], "/usr/share/fish/vendor_completions.d/ovenward.fish"} {
				if !bytes.Contains(told, []byte(want+"\n")) {
					t.Errorf("%s has no %s", file, want)
				}
			}
		}
	}
	said, err := exec.Command(filepath.Join(out, "container", "ovenward"), "--version").Output()
	if err != nil || string(said) != "ovenward 0.0.1\n" {
		t.Errorf("the program says %q, %v", said, err)
	}
	if linked, err := exec.Command("go", "version", "-m", filepath.Join(out, "container", "ovenward")).CombinedOutput(); err != nil || !bytes.Contains(linked, []byte("CGO_ENABLED=0")) {
		t.Errorf("it is not static: %v\n%s", err, linked)
	}
}
