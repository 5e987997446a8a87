package web

import (
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"ovenward/acquire"
)

// The script says nothing by itself: what it puts on a page as things change, and
// what it tells of a refusal, is in the language of the page.
func TestBrowserScriptSpeaksTheLanguage(t *testing.T) {
	now := time.Now()
	f, all := furnished(t, now)
	s := trialServer(t, f, func(o *Options) { o.Now = time.Now }, all)
	b := openServer(t, f, s)
	speaks := func(where string) {
		t.Helper()
		for _, text := range bare(b.ask(`document.title + "<p>" + document.body.outerHTML`)) {
			t.Errorf("%s: the page says %q outside the language", where, text)
		}
	}
	b.visit(1280, 900)
	f.set(func(f *fakeStation) {
		f.stats[0] = blinded(f.stats[0], acquire.SilentNow, "probe probe-galley on /dev/ttyUSB0 has not answered for 6 s: look at its power, cable and settings")
	})
	b.until(`document.querySelector("#r0").dataset.state === "blind"`)
	b.until(`document.querySelector("#r0 p").textContent.includes("not seeing now⟧")`)
	speaks("overview")
	b.visitPage("/posts/ward", 1280, 900)
	f.set(func(f *fakeStation) {
		f.stats[1] = blinded(f.stats[1], acquire.SilentNow, "probe probe-ward on /dev/ttyUSB1 has not answered for 8 s: look at its power, cable and settings")
	})
	b.until(`document.querySelector('[data-f="detail"]').textContent.startsWith("⟦probe probe-ward on /dev/ttyUSB1 has not answered for 8 s")`)
	b.do(chromedp.Focus(chromedp.CSS(".plot")), chromedp.KeyEvent(kb.Home), chromedp.KeyEvent(kb.ArrowRight))
	b.until(`document.querySelector('[data-f="readout"]').textContent !== ""`)
	speaks("post")

	b.visitPage("/surveys/one", 390, 844)
	b.until(`document.querySelector("#note")`)
	b.do(chromedp.Evaluate[chromedp.Void](`document.querySelector("details.act").open = true; document.querySelector("#note").value = "9"; document.querySelector("#note").form.requestSubmit(); void 0`))
	b.until(`document.querySelector("#survey > .trouble")`)
	if text := b.ask(`document.querySelector("#survey > .trouble").textContent`); text != "⟦Not done:⟧ ⟦say why: up to 300 printable characters⟧." {
		t.Errorf("a refusal is told as %q", text)
	}
	speaks("survey, refused")
	b.do(chromedp.Evaluate[chromedp.Void](`document.querySelector("#note").value = "order 4711"; document.querySelector("#note").form.requestSubmit(); void 0`))
	b.until(`!document.querySelector("#survey > .trouble")`)
	b.forgive("Failed to load resource")
}
