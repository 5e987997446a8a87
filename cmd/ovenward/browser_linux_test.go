package main

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"ovenward/drivers/driverstest"
)

// TestBrowserSeesTheSealFail looks at the model kitchen as a newcomer does: a
// value changes, the alarm appears, nothing is complained of and nothing leaves
// the origin.
func TestBrowserSeesTheSealFail(t *testing.T) {
	t.Parallel()
	chromium := driverstest.Program(t, "chromium-headless-shell")
	r := startDaemon(t, settings{})
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Minute)
	defer cancel()
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	alloc, stop := chromedp.NewExecAllocator(ctx, options...)
	defer stop()
	tab, shut := chromedp.NewContext(alloc)
	defer shut()
	origin := "http://" + r.Addr() + "/"
	said := overhear(t, tab, origin)
	if _, err := chromedp.Call(tab, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	if err := chromedp.Do(tab, chromedp.Navigate(origin)); err != nil {
		t.Fatal(err)
	}
	text := func(expression string) string {
		s, err := chromedp.Run(tab, chromedp.Evaluate[string](expression))
		if err != nil {
			t.Fatalf("%s: %v", expression, err)
		}
		return s
	}
	const values = `[...document.querySelectorAll('.rows b')].map(e => e.innerText).join(" ")`
	first := text(values)
	waitFor(t, 30*time.Second, "a value on the page to change", func() bool { return text(values) != first })
	const body = `document.body.innerText`
	if s := text(body); !strings.Contains(s, "Simulated") {
		t.Error("the page does not say that it is simulated")
	}
	waitFor(t, 2*time.Minute, "the alarm on the page", func() bool {
		s := text(body)
		return strings.Contains(s, "Field above the limit") && strings.Contains(s, "1 of 3 posts above its limit")
	})
	// The page of the post marks the alarm and the run in its past.
	if err := chromedp.Do(tab, chromedp.Navigate(origin+"posts/pantry-door")); err != nil {
		t.Fatal(err)
	}
	waitFor(t, 20*time.Second, "the past of the post", func() bool {
		return text(`String(document.querySelectorAll(".chart .run").length > 0 && document.querySelectorAll('.chart .lane[data-high]').length === 1 &&
			document.querySelector(".chart .band").getAttribute("d").length > 500)`) == "true"
	})
	said.mu.Lock()
	defer said.mu.Unlock()
	for _, s := range said.trouble {
		t.Error(s)
	}
	if said.requests == 0 {
		t.Error("no request was seen: the watch on the network does not work")
	}
}

// overheard is what a browser complained of, and what left the origin.
type overheard struct {
	mu       sync.Mutex
	trouble  []string
	requests int
}

func overhear(t *testing.T, tab context.Context, origin string) *overheard {
	t.Helper()
	o := &overheard{}
	err := chromedp.Listen(tab, func(ev any) {
		o.mu.Lock()
		defer o.mu.Unlock()
		switch e := ev.(type) {
		case *runtime.EventExceptionThrown:
			o.trouble = append(o.trouble, fmt.Sprint("exception: ", e.ExceptionDetails))
		case *runtime.EventConsoleAPICalled:
			o.trouble = append(o.trouble, "console: "+string(e.Type))
		case *log.EventEntryAdded:
			o.trouble = append(o.trouble, "log: "+e.Entry.Text)
		case *network.EventRequestWillBeSent:
			o.requests++
			if !strings.HasPrefix(e.Request.URL, origin) {
				o.trouble = append(o.trouble, "a request left the origin: "+e.Request.URL)
			}
		}
	})
	if err != nil {
		t.Fatalf("starting chromium: %v", err)
	}
	return o
}
