package web

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/performance"
	"github.com/chromedp/chromedp"
)

// A page of 200 posts whose values change ten times a second gets at most four
// updates a second, draws each once, and touches only what changed. Script time is
// measured and told; its bound is loose, for a busy machine is no fault of ours.
func TestBrowserFleetStaysSmooth(t *testing.T) {
	f := newFleet(200, time.Now)
	b := open(t, f.fakeStation, restless, func(o *Options) { o.Station = f })
	updates, bytes := 0, 0
	err := chromedp.Listen(b.ctx, func(ev any) {
		if e, ok := ev.(*network.EventEventSourceMessageReceived); ok {
			b.mu.Lock()
			updates, bytes = updates+1, bytes+len(e.Data)
			b.mu.Unlock()
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	b.visit(1280, 900)
	// It is live once it has heard the first update, which tells all of every row, and
	// draws that at the next frame.
	b.do(chromedp.Evaluate[chromedp.Void](`void requestAnimationFrame(() => { window.drawn = true })`))
	b.until("window.drawn === true")
	b.do(chromedp.Evaluate[chromedp.Void](`void (() => {
		window.seen = { frames: 0, changes: 0, most: 0, other: 0 };
		new MutationObserver((all) => {
			seen.frames++;
			seen.changes += all.length;
			seen.most = Math.max(seen.most, all.length);
			seen.other += all.filter((m) => m.type !== "characterData" && !m.target.closest?.(".rows svg, .grounds, time, [data-f=clock]")).length;
		}).observe(document.querySelector("main"), { subtree: true, characterData: true, childList: true, attributes: true });
		window.begun = performance.now();
	})()`))
	before := b.scriptTime()
	b.mu.Lock()
	updates, bytes = 0, 0
	b.mu.Unlock()
	b.until("performance.now() - begun > 5000")
	script := b.scriptTime() - before
	b.mu.Lock()
	defer b.mu.Unlock()
	var frames, changes, most, other int
	var span float64
	if _, err := fmt.Sscan(b.askLocked(`[seen.frames, seen.changes, seen.most, seen.other, (performance.now() - begun) / 1e3].join(" ")`), &frames, &changes, &most, &other, &span); err != nil {
		t.Fatal(err)
	}
	t.Logf("in %.1f s: %d updates, %.0f bytes a second, %d frames drawn, %.0f changes a frame, at most %d; %.2f ms of script an update", span, updates, float64(bytes)/span, frames, float64(changes)/float64(max(frames, 1)), most, 1e3*script/float64(max(updates, 1)))
	if n := float64(updates) / span; n > 4.5 || updates < 3 {
		t.Errorf("%d updates in %.1f s, want at most 4 a second", updates, span)
	}
	if perSecond := float64(bytes) / span; perSecond > 60_000 {
		t.Errorf("%.0f bytes a second, want at most 60 000", perSecond)
	}
	if share := script / span; share > 0.25 {
		t.Errorf("scripts run for %.0f %% of the time", 100*share)
	}
	// Three texts of a row may change at once: value, share, state; and 1 more for
	// its mark. More than that was drawn in vain.
	if frames > updates+2 || most > 200*4+20 || other > frames*10 {
		t.Errorf("%d frames for %d updates, at most %d changes in one, %d that are no text", frames, updates, most, other)
	}
}

// askLocked asks the page while the caller holds the lock of what was seen.
func (b *browser) askLocked(expression string) string {
	b.mu.Unlock()
	defer b.mu.Lock()
	return b.ask(expression)
}

// scriptTime is how long scripts of the page have run, in s, by the browser.
func (b *browser) scriptTime() float64 {
	b.t.Helper()
	if _, err := chromedp.Call(b.ctx, performance.Enable, performance.EnableParams{}); err != nil {
		b.t.Fatal(err)
	}
	got, err := chromedp.Call(b.ctx, performance.GetMetrics, cdp.Empty{})
	if err != nil {
		b.t.Fatal(err)
	}
	for _, m := range got.Metrics {
		if m.Name == "ScriptDuration" {
			return m.Value
		}
	}
	b.t.Fatal("the browser does not count script time")
	return 0
}
