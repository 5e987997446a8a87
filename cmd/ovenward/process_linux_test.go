package main

import (
	"bufio"
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// asProgram makes the test binary behave as ovenward itself, so that a test can
// run it in processes of its own, kill them, and start them again.
const asProgram = "OVENWARD_TEST_AS_PROGRAM"

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
		code := dispatch(ctx, os.Args[1:], os.Stdout, os.Stderr)
		stop()
		os.Exit(code)
	}
	if n, err := strconv.Atoi(os.Getenv(asKitchen)); err == nil {
		if err := serveMany(context.Background(), n); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	flag.Parse()
	if f := flag.Lookup("test.parallel"); f.Value.String() == f.DefValue {
		// The tests that run in parallel here wait for other processes, not for a processor.
		_ = f.Value.Set("8")
	}
	os.Exit(m.Run())
}

// process is ovenward in a process of its own.
type process struct {
	cmd  *exec.Cmd
	log  *logged
	line chan string // of stdout
	done chan struct{}
	err  error // of Wait; after done
}

// program starts ovenward with args. It ends with the test at the latest.
func program(t *testing.T, args ...string) *process {
	t.Helper()
	p := &process{cmd: exec.Command(os.Args[0], args...), log: &logged{}, line: make(chan string, 64), done: make(chan struct{})}
	p.cmd.Env = append(os.Environ(), asProgram+"=1")
	p.cmd.Stderr = p.log
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		defer close(p.done)
		for s := bufio.NewScanner(out); s.Scan(); {
			select {
			case p.line <- s.Text():
			default: // a test that does not read holds nothing up
			}
		}
		p.err = p.cmd.Wait()
	}()
	t.Cleanup(func() {
		p.cmd.Process.Kill()
		<-p.done
		if t.Failed() {
			t.Logf("%v said:\n%s", args, p.log)
		}
	})
	return p
}

// kill ends the process as kill -9 does.
func (p *process) kill(t *testing.T) {
	t.Helper()
	if err := p.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	<-p.done
}

// terminate asks the process to stop, and returns how long it took.
func (p *process) terminate(t *testing.T) time.Duration {
	t.Helper()
	began := time.Now()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	select {
	case <-p.done:
	case <-time.After(20 * time.Second):
		t.Fatal("it did not stop")
	}
	if p.err != nil {
		t.Errorf("it ended with %v; it said:\n%s", p.err, p.log)
	}
	return time.Since(began)
}

// address waits until the daemon says where its page is.
func (p *process) address(t *testing.T) string {
	t.Helper()
	var addr string
	waitFor(t, 20*time.Second, "the daemon to say where its page is", func() bool {
		_, rest, ok := strings.Cut(p.log.String(), "open=http://")
		if ok && strings.Contains(rest, "/") {
			addr, _, _ = strings.Cut(rest, "/")
		}
		return addr != ""
	})
	return addr
}

// simulated serves the pantry's probe on a tty linked as path.
func simulated(t *testing.T, path, truth string, more ...string) *process {
	t.Helper()
	p := program(t, append([]string{"simulate", "--protocol=textline", "--link=" + path, "--truth=" + truth}, more...)...)
	select {
	case <-p.line:
	case <-p.done:
		t.Fatalf("the simulator ended: %s", p.log)
	case <-time.After(20 * time.Second):
		t.Fatal("the simulator is not ready")
	}
	return p
}

// larkfield is a configuration of one post; its port and more are filled in.
const larkfield = `
[site]
name = "Larkfield House"

[[limit]]
id = "in-use"
value = "5 mW/cm2"
distance = "50 mm"
basis = "emission in use"
source = "21 CFR 1030.10(c)(1)"

[[oven]]
id = "pantry"
place = "first floor pantry"
frequency = "2450 MHz"
limit = "in-use"

[[probe]]
id = "shelf"
driver = "textline"
port = %q
baud = 115200
poll = "100 ms"
response = "1 s"
range = "20 mW/cm2"
floor = "0.02 mW/cm2"
axes = 3
  [probe.textline]
  query = "READ?\n"
  terminator = "\r\n"
  separator = ","
  value = 1
  unit = 2
  status = 3
  ok = ["OK"]
  over_range = ["OVER"]
  battery_low = ["LOBAT"]
  fault = ["FAULT"]
  [probe.certificate]
  number = "LH-0417"
  laboratory = "County calibration laboratory, bench 3"
  date = 2020-01-01
  due = 2100-01-01
  factor = 1.0
  expanded_uncertainty = "15 %%"
  k = 2

[[post]]
id = "pantry-door"
oven = "pantry"
probe = "shelf"
distance = "50 mm"
%s`

// configured writes a configuration of one post, read from port at 10 Hz, and
// returns its path.
func configured(t *testing.T, port, more string) string {
	t.Helper()
	path := t.TempDir() + "/larkfield.toml"
	text := fmt.Sprintf(larkfield, port, more)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}
