package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"ovenward/acquire/limit"
	"ovenward/acquire/survey"
	"ovenward/drivers/driverstest"
)

// smallDoor is a configuration with an invented oven whose door is the smallest
// that a plan takes, so that a whole survey lasts a minute. The probe is that of
// the model kitchen and stays where it is.
func smallDoor(t *testing.T) string {
	t.Helper()
	text := string(kitchenTOML)
	first := text[:strings.Index(text, "[[oven]]")]
	probe := text[strings.Index(text, "[[probe]]"):]
	probe = probe[:strings.Index(probe[1:], "[[probe]]")+1]
	text = first + `[[oven]]
id = "counter"
place = "counter oven"
frequency = "2450 MHz"
limit = "emission-in-use"
output = "700 W"
stirrer_turn = "2 s"

  [oven.door]
  width = "10 cm"
  height = "10 cm"
  hinge = "left"
  depth = "10 cm"

` + probe + `
[[post]]
id = "counter-door"
oven = "counter"
probe = "probe-1"
distance = "50 mm"
`
	file := filepath.Join(t.TempDir(), "small.toml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// line is a connection between browser and daemon that can be cut.
type line struct {
	to     string
	addr   string
	mu     sync.Mutex
	listen net.Listener
	open   []net.Conn
	wg     sync.WaitGroup
}

func (l *line) join(t *testing.T) {
	t.Helper()
	addr := l.addr
	if addr == "" {
		addr = "127.0.0.1:0"
	}
	listen, err := net.Listen("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	l.mu.Lock()
	l.listen, l.addr = listen, listen.Addr().String()
	l.mu.Unlock()
	l.wg.Go(func() {
		for {
			c, err := listen.Accept()
			if err != nil {
				return
			}
			d, err := net.Dial("tcp", l.to)
			if err != nil {
				c.Close()
				return
			}
			l.mu.Lock()
			l.open = append(l.open, c, d)
			l.mu.Unlock()
			for _, way := range [][2]net.Conn{{c, d}, {d, c}} {
				l.wg.Go(func() {
					_, _ = io.Copy(way[0], way[1]) // until either side goes
					c.Close()
					d.Close()
				})
			}
		}
	})
}

func (l *line) cut() {
	l.mu.Lock()
	l.listen.Close()
	for _, c := range l.open {
		c.Close()
	}
	l.open = nil
	l.mu.Unlock()
	l.wg.Wait()
}

// phone is a browser with a small screen that makes a survey.
type phone struct {
	t   *testing.T
	tab context.Context
	api string
	id  string
}

func (p *phone) ask(expression string) string {
	p.t.Helper()
	s, err := chromedp.Run(p.tab, chromedp.Evaluate[string](expression))
	if err != nil {
		p.t.Fatalf("%s: %v", expression, err)
	}
	return s
}

// look asks while a page may be on its way: then the answer is "".
func (p *phone) look(expression string) string {
	s, err := chromedp.Run(p.tab, chromedp.Evaluate[string](expression))
	if err != nil {
		return ""
	}
	return s
}

// view is the survey as the daemon has it, past the line that may be cut.
func (p *phone) view() (v survey.View, r survey.Result) {
	p.t.Helper()
	answer, err := http.Get(p.api + "/api/v1/surveys/" + p.id)
	if err != nil {
		p.t.Fatal(err)
	}
	defer answer.Body.Close()
	got := struct {
		View   *survey.View
		Result survey.Result
	}{View: &survey.View{}}
	if err := json.NewDecoder(answer.Body).Decode(&got); err != nil {
		p.t.Fatal(err)
	}
	if got.View == nil {
		return survey.View{Phase: survey.Ended}, got.Result
	}
	return *got.View, got.Result
}

// shoot keeps a picture where OVENWARD_SHOTS names a folder.
func (p *phone) shoot(name string) {
	if folder := os.Getenv("OVENWARD_SHOTS"); folder != "" {
		png, err := chromedp.Run(p.tab, chromedp.CaptureScreenshot())
		if err == nil {
			err = os.WriteFile(filepath.Join(folder, name+".png"), png, 0o600)
		}
		if err != nil {
			p.t.Error(err)
		}
	}
}

const onPage = `(document.querySelector(".guide")?.dataset.phase ?? "ended")`

// follow waits until the page shows the phase that the daemon is in.
func (p *phone) follow() survey.Phase {
	p.t.Helper()
	var phase survey.Phase
	waitFor(p.t, 20*time.Second, "the page to follow the survey", func() bool {
		v, _ := p.view()
		phase = v.Phase
		shown := p.look(onPage)
		return shown == string(phase) || shown == "ended" && phase == survey.Ended
	})
	if wide := p.ask("String(document.documentElement.scrollWidth)"); wide != "360" {
		p.t.Errorf("in %q the page is %s wide on a screen of 360", phase, wide)
	}
	return phase
}

func (p *phone) press(fill string) {
	p.t.Helper()
	p.ask(fill + `; document.querySelector(".acts .main").click(); ""`)
}

// check says that a check of the probe came out well, and waits until the page
// that comes back says so too: before, it is still the old one.
func (p *phone) check(name string) {
	p.t.Helper()
	form := fmt.Sprintf(`document.getElementById("c-%s")?.closest("form")`, name)
	waitFor(p.t, 20*time.Second, "the form of the check "+name, func() bool {
		return p.look(fmt.Sprintf(`(f => { if (f) { f.elements.text.value = "looked at"; f.querySelector("[value=good]").click(); } return f ? "pressed" : "" })(%s)`, form)) != ""
	})
	waitFor(p.t, 20*time.Second, "the check to be kept", func() bool {
		return strings.HasSuffix(p.look(form+`?.querySelector("strong").innerText ?? ""`), ": good")
	})
}

// leave waits until the survey has left a phase.
func (p *phone) leave(phase survey.Phase) {
	p.t.Helper()
	waitFor(p.t, 40*time.Second, fmt.Sprintf("the survey to leave %q", phase), func() bool { v, _ := p.view(); return v.Phase != phase })
}

// smallScreen starts a browser.
func smallScreen(t *testing.T, chromium string) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	t.Cleanup(cancel)
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	alloc, stop := chromedp.NewExecAllocator(ctx, options...)
	t.Cleanup(stop)
	tab, shut := chromedp.NewContext(alloc)
	t.Cleanup(shut)
	return tab
}

// TestBrowserMakesASurvey makes a whole survey on a screen 360 px wide, against the
// running daemon, and cuts the line in the middle of a sweep.
func TestBrowserMakesASurvey(t *testing.T) {
	t.Parallel()
	chromium := driverstest.Program(t, "chromium-headless-shell")
	r := startDaemon(t, settings{configFile: smallDoor(t), storagePath: t.TempDir()})
	l := &line{to: r.Addr()}
	l.join(t)
	t.Cleanup(l.cut)
	tab := smallScreen(t, chromium)
	p := &phone{t: t, tab: tab, api: "http://" + r.Addr()}
	if err := chromedp.Do(tab, chromedp.EmulateViewport(360, 740), chromedp.Navigate("http://"+l.addr+"/surveys/new")); err != nil {
		t.Fatal(err)
	}
	p.shoot("walk-0-new")
	p.ask(`document.getElementById("who").value = "A. Hand"; document.querySelector("form.plan button").click(); ""`)
	waitFor(t, 20*time.Second, "the survey to begin", func() bool {
		p.id = strings.TrimPrefix(p.look("location.pathname"), "/surveys/")
		return p.id != "new" && p.look(onPage) == string(survey.Checking)
	})
	p.check(survey.CheckBattery)
	p.check(survey.CheckZero)
	cut, warned := false, 0
	for step := 0; ; step++ {
		phase := p.follow()
		p.shoot(fmt.Sprintf("walk-%02d", step+1))
		switch phase {
		case survey.Ended:
			p.ended()
			if !cut || warned == 0 {
				t.Errorf("the line was cut: %v; the page said so %d times", cut, warned)
			}
			return
		case survey.Sweeping:
			if v, _ := p.view(); !cut && v.Place == 2 {
				l.cut()
				waitFor(t, 20*time.Second, "the page to say that it is not connected", func() bool { return p.look(`String(document.getElementById("lost").hidden)`) == "false" })
				p.shoot("walk-lost")
				p.leave(phase) // the daemon goes on without the phone
				cut, warned = true, warned+1
				l.join(t)
				continue
			}
			p.leave(phase)
		case survey.BackgroundHold, survey.Holding:
			p.leave(phase)
		case survey.WaterWanted:
			p.press(`document.getElementById("celsius").value = "20"`)
			p.leave(phase)
		case survey.StageOver, survey.Finishing:
			p.press(`document.getElementById("celsius").value = "41"`)
			if phase == survey.Finishing {
				waitFor(t, 20*time.Second, "the end to be asked for", func() bool {
					return strings.Contains(p.look("document.body.innerText"), "press next to end") || strings.Contains(p.look("document.body.innerText"), "Press next to end")
				})
				p.ask(`[...document.querySelectorAll(".acts .main")].pop().click(); ""`)
			}
			p.leave(phase)
		default:
			p.press("")
			p.leave(phase)
		}
	}
}

// ended looks at what was found.
func (p *phone) ended() {
	p.t.Helper()
	waitFor(p.t, 20*time.Second, "the page to show what was found", func() bool { return strings.Contains(p.look("document.body.innerText"), "What was found") })
	waitFor(p.t, 20*time.Second, "the result to be kept", func() bool { _, r := p.view(); return r.Raw != nil })
	p.shoot("walk-found")
	_, r := p.view()
	if r.State != survey.Complete || len(r.Places) != 7 || !r.Simulated {
		p.t.Errorf("%s with %d places, simulated %v", r.State, len(r.Places), r.Simulated)
	}
	for _, h := range r.Places {
		if !h.Settled || h.Value == nil || *h.Value < 0 || *h.Value > 50 {
			p.t.Errorf("place %d: %+v", h.N, h)
		}
	}
	if r.Verdict.Outcome != limit.Within || r.Raw.N < 100 {
		p.t.Errorf("%s: %q, %d raw readings", r.Verdict.Outcome, r.Verdict.Reasons, r.Raw.N)
	}
}
