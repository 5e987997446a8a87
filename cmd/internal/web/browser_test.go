package web

import (
	"context"
	"fmt"
	"net"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"ovenward/acquire"
	"ovenward/acquire/alarm"

	"ovenward/drivers/driverstest"
)

// browser is a tab of a real browser that looks at a server of ours, and keeps
// what went wrong in it.
type browser struct {
	t    *testing.T
	ctx  context.Context
	url  string
	fake *fakeStation
	web  *Server

	mu      sync.Mutex
	trouble []string
	urls    []string
}

// open starts server and browser: chromium's engine without its windows, which take
// two thirds of a processor's time and are not ours. Without it the test is skipped by
// name, or fails where peers are required.
func open(t *testing.T, f *fakeStation, change ...func(*Options)) *browser {
	t.Helper()
	return openServer(t, f, newServer(f, append([]func(*Options){func(o *Options) { o.Now = time.Now }}, change...)...))
}

func openServer(t *testing.T, f *fakeStation, s *Server) *browser {
	t.Helper()
	path := driverstest.Program(t, "chromium-headless-shell")
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	t.Cleanup(cancel)
	srv := httptest.NewUnstartedServer(s.Handler())
	base, end := context.WithCancel(ctx)
	srv.Config.BaseContext = func(net.Listener) context.Context { return base }
	srv.Start()
	t.Cleanup(func() { end(); srv.Close() })

	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	alloc, stop := chromedp.NewExecAllocator(ctx, options...)
	t.Cleanup(stop)
	tab, shut := chromedp.NewContext(alloc)
	t.Cleanup(shut)
	b := &browser{t: t, ctx: tab, url: srv.URL, fake: f, web: s}
	if err := chromedp.Listen(tab, b.listen); err != nil {
		t.Fatalf("start chromium: %v", err)
	}
	if _, err := chromedp.Call(tab, network.Enable, network.EnableParams{}); err != nil {
		t.Fatalf("watch the network: %v", err)
	}
	t.Cleanup(b.clean)
	return b
}

func (b *browser) listen(ev any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := ev.(type) {
	case *runtime.EventExceptionThrown:
		b.trouble = append(b.trouble, "exception: "+fmt.Sprint(e.ExceptionDetails))
	case *runtime.EventConsoleAPICalled:
		b.trouble = append(b.trouble, "console: "+string(e.Type))
	case *log.EventEntryAdded:
		b.trouble = append(b.trouble, "log: "+string(e.Entry.Level)+" "+e.Entry.Text+" "+e.Entry.URL)
	case *network.EventRequestWillBeSent:
		b.urls = append(b.urls, e.Request.URL)
	}
}

// clean fails the test for any console message, policy violation or request
// that left the origin.
func (b *browser) clean() {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.trouble {
		b.t.Errorf("the browser complained: %s", s)
	}
	if len(b.urls) == 0 {
		b.t.Error("no request was seen: the watch on the network does not work")
	}
	for _, u := range b.urls {
		// The browser draws its own icons, as that of a date field, from data: addresses.
		if !strings.HasPrefix(u, b.url+"/") && !strings.HasPrefix(u, "data:image/svg+xml") {
			b.t.Errorf("a request left the origin: %s", u)
		}
	}
}

// forgive drops complaints a test caused on purpose.
func (b *browser) forgive(part string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	kept := b.trouble[:0]
	for _, s := range b.trouble {
		if !strings.Contains(s, part) {
			kept = append(kept, s)
		}
	}
	b.trouble = kept
}

// do takes steps. Between the look for a node and what is done to it a live update
// may have put another in its place; then nothing was done, and the step is taken anew.
func (b *browser) do(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	for _, step := range steps {
		err := chromedp.Do(b.ctx, step)
		for again := 0; err != nil && again < 20 && strings.Contains(err.Error(), "Could not find node with given id"); again++ {
			err = chromedp.Do(b.ctx, step)
		}
		if err != nil {
			b.t.Fatal(err)
		}
	}
}

// until waits for an expression to become true in the page, whichever page
// that is by then.
func (b *browser) until(expression string) {
	b.t.Helper()
	again := time.NewTicker(50 * time.Millisecond)
	defer again.Stop()
	late := time.After(20 * time.Second)
	for {
		ok, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("Boolean("+expression+")"))
		if err == nil && ok {
			return
		}
		select {
		case <-again.C:
		case <-late:
			text, _ := chromedp.Run(b.ctx, chromedp.Evaluate[string]("document.body.innerText"))
			b.t.Fatalf("waited in vain for %s (%v); the page says:\n%s", expression, err, text)
		}
	}
}

func (b *browser) ask(expression string) string {
	b.t.Helper()
	s, err := chromedp.Run(b.ctx, chromedp.Evaluate[string]("String("+expression+")"))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return s
}

func (b *browser) visit(width, height int64) {
	b.t.Helper()
	b.visitPage("/", width, height)
}

// visitPage opens a page, and waits until it is live if it has a script.
func (b *browser) visitPage(path string, width, height int64) {
	b.t.Helper()
	b.do(chromedp.EmulateViewport(width, height), chromedp.Navigate(b.url+path))
	b.until(`document.readyState === "complete" && (!document.querySelector("script") || document.documentElement.dataset.live === "yes")`)
}

// show sets what media features the page sees, such as a dark scheme or print; and
// that nothing moves, so that no colour is caught on its way to another.
func (b *browser) show(scheme, media string) {
	b.t.Helper()
	b.do(chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Media: media, Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
		return err
	}))
}

const partOf = `document.querySelector('.rows li:has([href="/posts/%s"]) %s').textContent`

func TestBrowserShowsWhatChanges(t *testing.T) {
	now := time.Now()
	f := newFake(now)
	b := open(t, f)
	b.visit(1440, 1000)
	b.until(`document.title.startsWith("No reading above a limit; all 3 posts seeing")`)
	b.until(fmt.Sprintf(partOf, "galley", "b") + ` === "0.08"`)

	// A seal fails: value, headline, order and the alarm follow without a reload.
	f.set(func(f *fakeStation) {
		f.stats[0] = seeing(0, f.stats[0].Post, 14.3, time.Now())
		f.stats[0].Alarms = []alarm.Alarm{stood("galley", alarm.Exceeds, alarm.Unacknowledged, time.Now())}
	})
	b.until(fmt.Sprintf(partOf, "galley", "b") + ` === "1.43"`)
	b.until(fmt.Sprintf(partOf, "galley", "p + p") + ` === "1.43 × the limit"`)
	b.until(`document.querySelector('[data-f="headline"]').innerText.includes("1 of 3 posts above its limit")`)
	b.until(`document.querySelector('.rows li').id === "r0"`)
	// It goes silent: no number passes for a present value.
	f.set(func(f *fakeStation) {
		f.stats[0] = blinded(f.stats[0], acquire.SilentNow, "no answer for 6 s: check the cable")
	})
	b.until(fmt.Sprintf(partOf, "galley", "b") + ` === "not seen"`)
	b.until(`document.querySelector('#r0').dataset.state === "blind"`)
	b.until(`document.querySelector('[data-f="headline"]').innerText.includes("1 of 3 posts not seeing")`)
}

func TestBrowserKeyboardReachesTheForms(t *testing.T) {
	now := time.Now()
	f := newFake(now)
	f.stats[1].Alarms = []alarm.Alarm{stood("ward", alarm.Exceeds, alarm.LatchedUnacknowledged, now)}
	b := open(t, f)
	b.visitPage("/alarms", 1024, 800)
	b.until(`document.querySelector('#alarms input') !== null`)
	tab := func(want string) {
		t.Helper()
		for range 40 {
			b.do(chromedp.KeyEvent(kb.Tab))
			if b.ask(`document.activeElement.id || document.activeElement.className || document.activeElement.innerText`) == want {
				return
			}
		}
		t.Fatalf("the keyboard does not reach %q", want)
	}
	tab("skip")
	if outline := b.ask(`getComputedStyle(document.activeElement).outlineStyle`); outline != "solid" {
		t.Errorf("focus is not visible: outline %s", outline)
	}
	tab("ack-who-ward-exceeds")
	b.do(chromedp.KeyEvent("R. Okafor"), chromedp.KeyEvent(kb.Enter))
	b.until(`document.readyState === "complete" && document.querySelector('#alarms') && document.querySelector('#alarms').innerText.includes("Acknowledged: below the limit now")`)
	id := f.stats[1].Alarms[0].ID
	if got := f.called(); got != "acknowledge "+id+" R. Okafor" {
		t.Errorf("the station heard %q", got)
	}

	// The reset form opens, takes both fields, and what is typed outlives an update.
	b.until(`document.documentElement.dataset.live === "yes"`)
	b.do(chromedp.Focus(chromedp.CSS("#alarms summary")), chromedp.KeyEvent(kb.Enter))
	tab("reset-who-ward-exceeds")
	b.do(chromedp.KeyEvent("R. Okafor"))
	tab("reset-remedy-ward-exceeds")
	b.do(chromedp.KeyEvent("door seal replaced"))
	f.set(func(f *fakeStation) {
		f.stats[2].Alarms = []alarm.Alarm{stood("canteen", alarm.Silent, alarm.Unacknowledged, time.Now())}
	})
	b.until(`document.querySelector('#alarms').innerText.includes("Probe does not answer")`)
	if id := b.ask(`document.activeElement.id`); id != "reset-remedy-ward-exceeds" {
		t.Errorf("an update moved the focus to %q", id)
	}
	b.do(chromedp.KeyEvent(", order 118"), chromedp.KeyEvent(kb.Enter))
	b.until(`document.readyState === "complete" && document.querySelector('.ended') !== null`)
	if want := "reset " + id + " R. Okafor: door seal replaced, order 118"; !strings.HasSuffix(f.called(), want) {
		t.Errorf("the station heard %q, want %q at its end", f.called(), want)
	}
}

func TestBrowserWithScriptOff(t *testing.T) {
	now := time.Now()
	f := newFake(now)
	f.stats[0].Alarms = []alarm.Alarm{stood("galley", alarm.Silent, alarm.ReturnedUnacknowledged, now)}
	b := open(t, f)
	b.do(chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	}), chromedp.EmulateViewport(800, 900), chromedp.Navigate(b.url+"/"),
		chromedp.WaitVisible(chromedp.CSS(".rows b")), chromedp.WaitVisible(chromedp.CSS("noscript .hint")))
	b.shoot("script-off-800-light.png")
	b.do(
		chromedp.Navigate(b.url+"/alarms"),
		chromedp.SendKeys(chromedp.CSS("#ack-who-galley-silent"), "R. Okafor"),
		chromedp.Click(chromedp.CSS("#alarms form button")),
		chromedp.WaitVisible(chromedp.CSS(".none")))
	if got, want := f.called(), "acknowledge "+f.stats[0].Alarms[0].ID+" R. Okafor"; got != want {
		t.Errorf("the station heard %q, want %q", got, want)
	}
}

func TestBrowserSaysWhenItIsNotConnected(t *testing.T) {
	f := newFake(time.Now())
	b := open(t, f)
	b.visit(800, 900)
	b.do(chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: true})
		return err
	}))
	f.set(func(f *fakeStation) { f.panics = true }) // and the server's answers fail
	b.until(`/^Not connected since \d\d:\d\d:\d\d UTC: what is shown is old\.$/.test(document.getElementById("lost").innerText)`)
	b.until(`getComputedStyle(document.querySelector('.rows')).opacity === "0.5"`)
	b.shoot("lost-800-light.png")
	b.forgive("Failed to load resource")
	b.forgive("net::ERR")

	f.set(func(f *fakeStation) { f.panics = false })
	b.do(chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, network.OverrideNetworkState, network.OverrideNetworkStateParams{DownloadThroughput: -1, UploadThroughput: -1})
		return err
	}))
	b.until(`document.documentElement.dataset.live === "yes" && document.getElementById("lost").hidden`)
	b.forgive("Failed to load resource")
	b.forgive("net::ERR")
}
