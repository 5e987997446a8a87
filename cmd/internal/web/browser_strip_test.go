package web

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"context"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"

	"ovenward/acquire/store"
)

// month is a record of the 30 days before now: a wave, and a day of which nothing was
// seen. It goes on with the clock, for a slow browser may come late to the last 10 s.
func month(now time.Time) func(*Options) {
	return func(o *Options) {
		o.Series = kept(func(at time.Time, p *store.Point) {
			ago := now.Sub(at)
			if ago > 30*24*time.Hour || ago > 9*24*time.Hour && ago < 10*24*time.Hour || at.After(time.Now()) {
				p.Sums = store.Sums{}
				return
			}
			x := 4 + 3*math.Sin(ago.Hours()/20)
			p.Min, p.Max, p.Integral = x*0.7, x*1.3, x*p.Seen.Seconds()
		})
	}
}

// A chart over 30 days is zoomed and read with keys, links, wheel and drag, in one
// page that is never loaded again.
func TestBrowserZoomsOver30Days(t *testing.T) {
	now := time.Now()
	b := open(t, newFake(now), month(now))
	b.visitPage("/posts/galley", 1280, 900)
	b.do(chromedp.Evaluate[chromedp.Void](`void (window.same = true)`))
	b.until(`document.querySelector(".chart").viewBox.baseVal.width > 1000`) // it takes the room there is
	span := func(want string) {
		t.Helper()
		b.until(`document.querySelector(".plot").dataset.view.startsWith("span=` + want + `")`)
	}
	b.do(chromedp.Click(chromedp.Search(`//a[@data-zoom="span"][text()="30 d"]`)))
	span("2592000")
	// The day that was not seen is a gap, in the drawing and in the table.
	b.until(`document.querySelectorAll(".plot .gap-label").length === 0 && document.querySelectorAll(".plot .unseen-rect").length === 1`)
	b.until(`/not seen for 2[345]/.test(document.querySelector("tbody tr[data-gap]").textContent)`)
	b.shoot("strip-30d-1280.png")

	// Keys alone: read, move, zoom down to seconds and back to now.
	b.do(chromedp.Focus(chromedp.CSS(".plot")), chromedp.KeyEvent(kb.Home))
	first := b.ask(`document.querySelector('[data-f="readout"]').textContent`)
	b.do(chromedp.KeyEvent(kb.ArrowRight))
	b.until(`document.querySelector('[data-f="readout"]').textContent !== ` + quote(first))
	if text := b.ask(`document.querySelector('[data-f="readout"]').textContent`); !strings.Contains(text, "mW/cm²") || !strings.Contains(text, "UTC: ") || !strings.Contains(text, "; good") {
		t.Errorf("read out is %q", text)
	}
	b.do(chromedp.KeyEvent("+"))
	span("1296000")
	b.do(chromedp.KeyEvent(kb.ArrowLeft, chromedp.KeyModifiers(chromedp.ModifierShift)))
	b.until(`new URLSearchParams(location.search).get("end") !== null`)
	if at := b.ask(`document.activeElement.className`); at != "plot" {
		t.Errorf("after a move the focus is on %q", at)
	}
	for range 17 {
		before := b.ask(`document.querySelector(".plot").dataset.view`)
		b.do(chromedp.KeyEvent("+"))
		b.until(`document.querySelector(".plot").dataset.view !== ` + quote(before))
	}
	span("10&") // ten seconds of a month, without a jump
	b.do(chromedp.KeyEvent("n"))
	b.until(`document.querySelector(".plot").dataset.live === "true"`)

	b.rests()

	// The pointer: drag goes back in time, the wheel with Ctrl zooms about it.
	b.do(chromedp.Evaluate[chromedp.Void](`void (() => {
		const svg = document.querySelector(".plot"), r = svg.getBoundingClientRect(), at = (x) => ({ bubbles: true, button: 0, pointerId: 1, clientX: r.left + x, clientY: r.top + 100 });
		svg.setPointerCapture = () => {};
		svg.dispatchEvent(new PointerEvent("pointerdown", at(300)));
		svg.dispatchEvent(new PointerEvent("pointermove", at(600)));
		svg.dispatchEvent(new PointerEvent("pointerup", at(600)));
	})()`))
	b.until(`document.querySelector(".plot").dataset.live === "false"`)
	before := b.ask(`document.querySelector(".plot").dataset.view`)
	b.do(chromedp.Evaluate[chromedp.Void](`void (() => {
		const svg = document.querySelector(".plot"), r = svg.getBoundingClientRect();
		svg.dispatchEvent(new WheelEvent("wheel", { bubbles: true, cancelable: true, ctrlKey: true, deltaY: 100, clientX: r.left + 300, clientY: r.top + 100 }));
	})()`))
	b.until(`document.querySelector(".plot").dataset.view !== ` + quote(before))
	if b.ask("window.same") != "true" {
		t.Error("the page was loaded again")
	}
}

// rests has a pointer rest on the chart, which reads it: value with unit, instant,
// quality.
func (b *browser) rests() {
	b.t.Helper()
	b.do(chromedp.Evaluate[chromedp.Void](`void document.querySelector(".plot").scrollIntoView()`))
	var x, y float64
	if _, err := fmt.Sscan(b.ask(`(() => { const r = document.querySelector(".plot").getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2].join(" "); })()`), &x, &y); err != nil {
		b.t.Fatal(err)
	}
	unread := b.ask(`document.querySelector('[data-f="readout"]').textContent`)
	if _, err := chromedp.Call(b.ctx, input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: input.DispatchMouseEventTypeMouseMoved, X: x, Y: y}); err != nil {
		b.t.Fatal(err)
	}
	b.until(`document.querySelector('[data-f="readout"]').textContent !== ` + quote(unread) + ` && /UTC: .*mW\/cm².*; good/.test(document.querySelector('[data-f="readout"]').textContent) && document.querySelector(".cursor") !== null`)
}

func quote(s string) string { return "`" + s + "`" }

// Without a script the links zoom and pan, and units are picked.
func TestBrowserStripWithScriptOff(t *testing.T) {
	now := time.Now()
	b := open(t, newFake(now), month(now))
	b.do(chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	}), chromedp.EmulateViewport(360, 900), chromedp.Navigate(b.url+"/posts/galley"),
		chromedp.Click(chromedp.Search(`//a[@data-zoom="span"][text()="30 d"]`)),
		chromedp.WaitVisible(chromedp.Search(`//a[@aria-current="true"][text()="30 d"]`)),
		chromedp.Click(chromedp.Search(`//a[@data-zoom="back"]`)),
		chromedp.WaitVisible(chromedp.CSS(`.plot[data-live="false"]`)),
		chromedp.Click(chromedp.Search(`//button[text()="V/m"]`)),
		chromedp.WaitVisible(chromedp.Search(`//button[@aria-pressed="true"][text()="V/m"]`)),
		chromedp.WaitVisible(chromedp.CSS(`.plot[data-live="false"]`)), // it leads back to where it was picked
		chromedp.WaitVisible(chromedp.Search(`//*[@class="unit"][text()="V/m"]`)))
	// Where not all of the chart fits, its newest end is what is seen.
	b.until(`document.querySelector(".plot svg").getBoundingClientRect().right <= document.querySelector(".plot").getBoundingClientRect().right + 1`)
	b.shoot("strip-script-off-360.png")
}

// Keys alone lead from the overview to a post, into its chart and to another unit.
func TestBrowserByKeysAlone(t *testing.T) {
	now := time.Now()
	b := open(t, newFake(now), month(now))
	b.visit(1280, 900)
	tab := func(what string) {
		t.Helper()
		for range 60 {
			b.do(chromedp.KeyEvent(kb.Tab))
			if b.ask(what) == "true" {
				if outline := b.ask(`getComputedStyle(document.activeElement).outlineStyle`); outline != "solid" {
					t.Errorf("the focus is not seen: outline %s", outline)
				}
				return
			}
		}
		t.Fatalf("keys do not reach %s", what)
	}
	tab(`document.activeElement.getAttribute("href") === "/posts/ward"`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`location.pathname === "/posts/ward" && document.documentElement.dataset.live === "yes"`)
	tab(`document.activeElement.textContent === "7 d"`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`document.querySelector(".plot").dataset.view.startsWith("span=604800")`)
	tab(`document.activeElement.className === "plot"`)
	b.do(chromedp.KeyEvent(kb.End))
	b.until(`document.querySelector('[data-f="readout"]').textContent.includes("mW/cm²")`)
	tab(`document.activeElement.textContent.includes("CSV")`)
	tab(`document.activeElement.tagName === "SUMMARY"`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`document.querySelector("tbody tr").getClientRects().length > 0`)
	b.do(chromedp.Focus(chromedp.CSS(".skip")))
	tab(`document.activeElement.textContent === "V/m"`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`document.querySelector(".unit")?.textContent === "V/m" && location.pathname === "/posts/ward"`)
}
