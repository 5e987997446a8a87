package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/bits"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"ovenward/drivers/driverstest"
	"ovenward/drivers/plugged"
	"ovenward/drivers/wire"
)

// asked are flags for an instrument that answers READ? with a line of columns.
func asked(port string, more ...string) []string {
	return append([]string{"--driver=textline", "--port=" + port, "--set", `query=READ?\n`, "--set", "value=1", "--set", "unit=2",
		"--set", "status=3", "--set", `ok=["OK"]`, "--set", `over_range=["OVER"]`, "--set", `battery_low=["BAT"]`,
		"--set", "poll=150 ms", "--set", "timeout=150 ms", "--set", "floor=0.1 mW/cm2", "--set", "range=20 mW/cm2"}, more...)
}

// instrument answers as a probe does that has much happen to it.
func instrument(t *testing.T) string {
	p := driverstest.OpenPTY(t)
	driverstest.Answer(t, p, "\n", func(n int, _ string) string {
		return []string{"0.412,mW/cm2,OK\n", "0.05,mW/cm2,OK\n", "OVER,,OVER\n", "1.0,mW/cm2,BAT\n", "", "rubbish\n"}[n%6]
	})
	return p.Path
}

func TestReadText(t *testing.T) {
	var stdout, stderr bytes.Buffer
	if code := readCommand(t.Context(), asked(instrument(t), "-n", "6"), &stdout, &stderr); code != 0 {
		t.Fatalf("%d: %s", code, &stderr)
	}
	lines := strings.Split(strings.TrimSpace(stdout.String()), "\n")
	for i, want := range [][]string{{"0.412 mW/cm2  good  round trip ", " ± "}, {"0.05 mW/cm2  under-floor"}, {"no number  over-range"},
		{"1.0 mW/cm2  good  battery low"}, {"no answer in time", "within 150 ms"}, {`"rubbish"`}} {
		for _, w := range want {
			if i >= len(lines) || !strings.Contains(lines[i], w) {
				t.Fatalf("line %d of\n%s\nwant %q in it", i+1, stdout.String(), w)
			}
		}
	}
	if want := "6 questions, 4 readings, 1 question without an answer, 1 answer not understood, round trip "; !strings.Contains(stderr.String(), want) {
		t.Errorf("the sum is %q, want %q in it", stderr.String(), want)
	}
}

func TestReadJSON(t *testing.T) {
	var stdout, stderr bytes.Buffer
	if code := readCommand(t.Context(), asked(instrument(t), "-n", "6", "--format=json"), &stdout, &stderr); code != 0 {
		t.Fatalf("%d: %s", code, &stderr)
	}
	var got []reading
	for d := json.NewDecoder(&stdout); d.More(); {
		var r reading
		if err := d.Decode(&r); err != nil {
			t.Fatal(err)
		}
		if at, err := time.Parse(time.RFC3339Nano, r.At); err != nil || time.Since(at).Abs() > time.Minute {
			t.Errorf("at %q, %v", r.At, err)
		}
		got = append(got, r)
	}
	if len(got) != 6 {
		t.Fatalf("%d objects, want 6", len(got))
	}
	if r := got[0]; r.Value != "0.412" || r.Unit != "mW/cm2" || r.S == nil || *r.S != 4.12 || r.Quality != "good" || r.RoundTrip <= 0 || r.Said != "0.412,mW/cm2,OK" {
		t.Errorf("the first is %+v", r)
	}
	if r := got[2]; r.S != nil || r.Value != "" || r.Quality != "over-range" {
		t.Errorf("over range is %+v", r)
	}
	if r := got[4]; r.Error == "" || r.Quality != "" || r.Said != "" {
		t.Errorf("no answer is %+v", r)
	}
	if r := got[5]; r.Error == "" || r.Said != "rubbish" {
		t.Errorf("rubbish is %+v", r)
	}
}

// TestReadFieldStrength: axes in V/m are a reading, and their power densities add.
func TestReadFieldStrength(t *testing.T) {
	p := driverstest.OpenPTY(t)
	driverstest.Answer(t, p, "\n", func(int, string) string { return "37.7,18.85,0,73.4\n" })
	args := []string{"--driver=textline", "--port=" + p.Path, "--set", `query=E?\n`, "--set", "textline.axes=[1, 2, 3]", "--set", "unit=V/m",
		"--set", `impedance="377"`, "--set", "textline.temperature=4", "--set", "temperature_unit=°F", "--set", "poll=50 ms", "-n", "1"}
	var text, object, stderr bytes.Buffer
	if code := readCommand(t.Context(), args, &text, &stderr); code != 0 || !strings.Contains(text.String(), "sum 4.713 W/m²  good  axes 37.7, 18.85, 0 V/m  73.4 °F") {
		t.Errorf("%d: %s%s", code, &text, &stderr)
	}
	if code := readCommand(t.Context(), append(args, "--format=json"), &object, &stderr); code != 0 {
		t.Fatalf("%d: %s", code, &stderr)
	}
	var r reading
	if err := json.Unmarshal(object.Bytes(), &r); err != nil {
		t.Fatal(err)
	}
	// 37.7² / 377 and a quarter of it: 3.77 and 0.9425 W/m².
	if r.S == nil || math.Abs(*r.S-4.7125) > 1e-9 || r.Quality != "good" || r.Value != "" || r.Temperature != "73.4" || r.TempUnit != "°F" {
		t.Errorf("read %+v", r)
	}
}

func TestReadRawAndRecord(t *testing.T) {
	var stdout, stderr bytes.Buffer
	file := filepath.Join(t.TempDir(), "trial.wire")
	flags := asked(instrument(t), "-n", "2", "--raw", "--record-wire="+file)
	if code := readCommand(t.Context(), flags, &stdout, &stderr); code != 0 {
		t.Fatalf("%d: %s", code, &stderr)
	}
	if s := stdout.String(); !strings.HasPrefix(s, `> "READ?\n" @0.000000`+"\n"+`< "0.412,mW/cm2,OK\n" @0.`) {
		t.Errorf("raw:\n%s", s)
	}
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	c, err := wire.Parse(f)
	if err != nil {
		t.Fatal(err)
	}
	if c.Header.Driver != "textline" || len(c.Lines) != 4 || !c.Lines[0].Sent || string(c.Lines[3].Bytes) != "0.05,mW/cm2,OK\n" ||
		!slices.Contains(c.Header.Set, `textline.query = "READ?\n"`) {
		t.Errorf("recorded %+v", c)
	}
	if code := readCommand(t.Context(), flags, &stdout, &stderr); code != 1 || !strings.Contains(stderr.String(), "not there yet") {
		t.Errorf("an earlier recording was overwritten: %d, %s", code, &stderr)
	}
	// What was recorded can be read again.
	stdout.Reset()
	again := slices.DeleteFunc(asked("replay:"+file+"?speed=max", "-n", "2"), func(s string) bool { return false })
	if code := readCommand(t.Context(), again, &stdout, &stderr); code != 0 || !strings.Contains(stdout.String(), "0.412 mW/cm2  good") {
		t.Errorf("replayed: %d, %s, %s", code, &stdout, &stderr)
	}
}

func TestReadSuggest(t *testing.T) {
	var stdout, stderr bytes.Buffer
	if code := readCommand(t.Context(), asked("/dev/ttyUSB0", "--suggest"), &stdout, &stderr); code != 0 {
		t.Fatalf("%d: %s", code, &stderr)
	}
	for _, want := range []string{"[[probe]]\n", `port = "/dev/ttyUSB0"`, `  query = "READ?\n"`, "axes = 3 # ", `floor = "0.1 mW/cm2"` + "\n"} {
		if !strings.Contains(stdout.String(), want) {
			t.Errorf("suggested\n%s\nwant %q in it", &stdout, want)
		}
	}
}

// TestReadEndsWithTheContext: Ctrl-C ends it cleanly.
func TestReadEndsWithTheContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	p := driverstest.OpenPTY(t)
	driverstest.Answer(t, p, "\n", func(n int, _ string) string {
		if n == 2 {
			cancel()
		}
		return "1.0,mW/cm2,OK\n"
	})
	var stdout, stderr bytes.Buffer
	if code := readCommand(ctx, asked(p.Path, "-n", "0"), &stdout, &stderr); code != 0 || !strings.Contains(stderr.String(), "readings") {
		t.Errorf("%d: %s", code, &stderr)
	}
}

func TestReadStream(t *testing.T) {
	p := driverstest.OpenPTY(t)
	done := make(chan struct{})
	go func() { // a probe that talks by itself
		defer close(done)
		for tick := time.NewTicker(2 * time.Millisecond); ; <-tick.C {
			if _, err := p.Master.WriteString("3.5 W/m2\n"); err != nil {
				return
			}
		}
	}()
	defer func() { p.Unplug(); <-done }()
	var stdout, stderr bytes.Buffer
	code := readCommand(t.Context(), []string{"--driver=textline", "--port=" + p.Path, "--set", "stream=true", "--set", "separator=",
		"--set", "value=1", "--set", "unit=2", "-n", "5"}, &stdout, &stderr)
	if n := strings.Count(stdout.String(), "3.5 W/m2  good"); code != 0 || n < 4 { // the first may be cut
		t.Errorf("%d: %s%s", code, &stdout, &stderr)
	}
}

func TestReadRefuses(t *testing.T) {
	gone := driverstest.OpenPTY(t)
	silent := driverstest.OpenPTY(t)
	for says, args := range map[string][]string{
		"say where the probe is":                      {"--driver=textline"},
		"say what the probe speaks":                   {"--port=/dev/ttyUSB0"},
		"--driver=textlin is not known: use textline": {"--driver=textlin", "--port=/dev/ttyUSB0"},
		"--format=xml is not known":                   asked("/dev/ttyUSB0", "--format=xml"),
		"-n -1":                                       asked("/dev/ttyUSB0", "-n", "-1"),
		`did you mean "value"?`:                       asked("/dev/ttyUSB0", "--set", "valeu=1"),
		`no use for "more"`:                           asked("/dev/ttyUSB0", "more"),
		"no such port":                                asked(gone.Path + "x"),
		"no reading; look at":                         asked(silent.Path, "-n", "2"),
		"runs only within":                            asked("simulate:probe-1"),
		"tries the speeds":                            {"--listen", "--port=tcp://host:1"},
		"--listen-time=1ms":                           {"--listen", "--port=/dev/ttyUSB0", "--listen-time=1ms"},
	} {
		var stdout, stderr bytes.Buffer
		if code := readCommand(t.Context(), args, &stdout, &stderr); code != 1 || !strings.Contains(stderr.String(), says) {
			t.Errorf("%q: %d, %s, want %q in it", args, code, &stderr, says)
		}
		if n := strings.Count(stderr.String(), "\n"); n != 1 && !strings.HasPrefix(says, "no reading") {
			t.Errorf("%q: %d lines say what is wrong: %s", args, n, &stderr)
		}
	}
}

// TestListen: an instrument that speaks at 19200 baud is found, and nothing is
// sent to it. A pty keeps no framing but 8N1.
func TestListen(t *testing.T) {
	p := driverstest.OpenPTY(t)
	done := make(chan struct{})
	go func() {
		defer close(done)
		speak(p, unix.B19200)
	}()
	defer func() { p.Unplug(); <-done }()
	var stdout, stderr bytes.Buffer
	code := readCommand(t.Context(), []string{"--listen", "--port=" + p.Path, "--listen-time=60ms"}, &stdout, &stderr)
	if code != 0 || !strings.Contains(stdout.String(), "looks like text at 19200 baud, 8N1") || !strings.Contains(stdout.String(), "no text, ") {
		t.Errorf("%d: %s%s", code, &stdout, &stderr)
	}
	p.Master.SetReadDeadline(time.Now())
	if n, _ := p.Master.Read(make([]byte, 16)); n > 0 {
		t.Errorf("%d bytes were sent to the instrument", n)
	}
}

// speak says lines that are garbage unless the terminal is set to a speed.
func speak(p *driverstest.PTY, speed uint32) {
	raw, err := p.Master.SyscallConn()
	if err != nil {
		return
	}
	for tick := time.NewTicker(2 * time.Millisecond); ; <-tick.C {
		right := false
		err := raw.Control(func(fd uintptr) {
			t, err := unix.IoctlGetTermios(int(fd), unix.TCGETS)
			right = err == nil && t.Cflag&unix.CBAUD == speed
		})
		said := []byte("\x80\xff\x12\xb1\xb2\x8d\x00\x91")
		if right {
			said = []byte("1.25 mW/cm2\r\n")
		}
		if _, werr := p.Master.Write(said); err != nil || werr != nil {
			return
		}
	}
}

// TestLooksLikeText also tells the framings apart that a pty does not.
func TestLooksLikeText(t *testing.T) {
	parity := []byte("1.25 mW/cm2\r\n1.26 mW/cm2\r\n")
	for i, c := range parity { // 7E1 read as 8N1: the eighth bit makes the ones even
		if bits.OnesCount8(c)%2 == 1 {
			parity[i] |= 0x80
		}
	}
	for _, c := range []struct {
		said []byte
		want bool
	}{
		{[]byte("5 mW/cm2\r\n1.25 mW/cm2\r\n"), true}, {parity, false}, {[]byte("\r\n"), false}, {nil, false},
		{bytes.Repeat([]byte("U"), 500), false}, {[]byte("\x01\x03\x02\x00\n\x79\x84"), false},
	} {
		if got := looksLikeText(c.said); got != c.want {
			t.Errorf("looksLikeText(%q) is %v", c.said, got)
		}
	}
	var out bytes.Buffer
	text := heardLine{baud: 4800, framing: framing{7, "even"}, bytes: []byte("1.25 mW/cm2\r\n")}
	if err := verdictOn([]heardLine{text}, []heardLine{text}, "/dev/ttyUSB0", &out); err != nil || !strings.Contains(out.String(), "--set baud=4800 --set data_bits=7 --set parity=even") {
		t.Errorf("%v: %s", err, &out)
	}
}

func TestListenHearsNothing(t *testing.T) {
	p := driverstest.OpenPTY(t)
	var stdout, stderr bytes.Buffer
	code := readCommand(t.Context(), []string{"--listen", "--port=" + p.Path, "--listen-time=10ms"}, &stdout, &stderr)
	if code != 1 || !strings.Contains(stderr.String(), "nothing came at any speed") {
		t.Errorf("%d: %s%s", code, &stdout, &stderr)
	}
}

// TestReadByUSBIdentity reads through a tree of devices of the test's own.
func TestReadByUSBIdentity(t *testing.T) {
	u := driverstest.NewUSBTree(t)
	u.Plug(driverstest.USBAdapter{Class: "tty", Node: "ttyUSB3", Vendor: "1234", Product: "abcd", Serial: "LH0417", Socket: "1-1.4", Leads: instrument(t)})
	f, err := parseReadFlags(asked("usb:1234:abcd:LH0417", "-n", "2"))
	if err != nil {
		t.Fatal(err)
	}
	f.tree = plugged.Tree{Root: u.Root}
	var stdout, stderr bytes.Buffer
	if err := read(t.Context(), f, &stdout, &stderr); err != nil || !strings.Contains(stdout.String(), "0.412 mW/cm2  good") {
		t.Errorf("%v: %s%s", err, &stdout, &stderr)
	}
	f.trial.Port = "usb:1234:abcd:LH0418"
	if err := read(t.Context(), f, &stdout, &stderr); err == nil || !strings.Contains(fmt.Sprint(err), "look for USB device 1234:abcd:LH0418") {
		t.Errorf("an absent device: %v", err)
	}
}

// TestReadByTCP reads a probe behind a serial server.
func TestReadByTCP(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		for s := bufio.NewScanner(c); s.Scan(); {
			fmt.Fprintf(c, "0.412,mW/cm2,OK\n")
		}
	}()
	defer func() { l.Close(); <-done }()
	var stdout, stderr bytes.Buffer
	code := readCommand(t.Context(), asked("tcp://"+l.Addr().String(), "-n", "3"), &stdout, &stderr)
	if code != 0 || strings.Count(stdout.String(), "0.412 mW/cm2  good  round trip ") != 3 {
		t.Errorf("%d: %s%s", code, &stdout, &stderr)
	}
}
