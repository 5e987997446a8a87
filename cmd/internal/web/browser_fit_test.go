package web

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
)

// troubled is a site with one of each: above, over range, blind, idle.
func troubled(now time.Time) *fakeStation {
	f := newFake(now)
	f.stats[0] = seeing(0, f.stats[0].Post, 14.3, now)
	f.stats[0].Alarms = []alarm.Alarm{stood("galley", alarm.Exceeds, alarm.Unacknowledged, now)}
	f.traces[0] = wave(now, 14.3, false)
	f.stats[1] = blinded(f.stats[1], acquire.SilentNow, "no answer for 42 s: check that the probe is switched on and its cable sits firmly")
	f.stats[1].Last.At = now.Add(-42 * time.Second)
	f.stats[1].Alarms = []alarm.Alarm{stood("ward", alarm.Silent, alarm.Acknowledged, now)}
	cut := wave(now, 2, false)
	cut.Slots = cut.Slots[:len(cut.Slots)-160]
	cut.End = cut.End.Add(-160 * cut.Width)
	f.traces[1] = cut
	f.stats[2].Condition, f.stats[2].Running = acquire.Idle, false
	f.stats[2].Alarms = []alarm.Alarm{stood("canteen", alarm.Exceeds, alarm.LatchedAcknowledged, now),
		stood("canteen", alarm.Stale, alarm.Normal, now)}
	over := aPost("bakery", "Bakery oven", "")
	f.stats = append(f.stats, overRanged(seeing(3, over, 80, now)))
	f.stats[3].Alarms = []alarm.Alarm{stood("bakery", alarm.Exceeds, alarm.Acknowledged, now)}
	f.traces[3] = wave(now, 90, true)
	return f
}

func TestBrowserFitsEveryScreen(t *testing.T) {
	for _, site := range []struct {
		name string
		fake *fakeStation
	}{{"calm", newFake(time.Now())}, {"trouble", troubled(time.Now())}} {
		b := open(t, site.fake, func(o *Options) { o.Simulated = site.name == "trouble" })
		for _, width := range []int64{360, 1440} {
			for _, scheme := range []string{"light", "dark"} {
				b.do(chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
					_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
						Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
					return err
				}))
				b.visit(width, 900)
				if wide := b.ask("document.documentElement.scrollWidth"); wide != fmt.Sprint(width) {
					t.Errorf("%s, %s: the page is %s wide on a screen of %d", site.name, scheme, wide, width)
				}
				if bad := b.ask(`JSON.stringify(` + lowContrast + `)`); bad != "[]" {
					t.Errorf("%s at %d, %s: contrast below AA: %s", site.name, width, scheme, bad)
				}
				b.shoot(fmt.Sprintf("%s-%d-%s.png", site.name, width, scheme))
			}
		}
	}
}

// A print is light, whatever the screen is, and holds no forms.
func TestBrowserPrints(t *testing.T) {
	b := open(t, troubled(time.Now()))
	b.do(chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}})
		return err
	}))
	b.visit(1024, 800)
	b.do(chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
		return err
	}), chromedp.Evaluate[chromedp.Void](`void dispatchEvent(new Event("beforeprint"))`))
	b.until(`getComputedStyle(document.body).color === "rgb(20, 25, 29)"`)
	b.until(`Array.from(document.querySelectorAll("form, .act, .skip")).every((el) => el.getClientRects().length === 0)`)
	b.shoot("trouble-print.png")
}

// lowContrast lists texts whose contrast with the plain background behind them
// is below 4.5 (WCAG 2.1, 1.4.3; formula from memory).
const lowContrast = `(() => {
	const x = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
	const rgb = (c) => { x.clearRect(0, 0, 1, 1); x.fillStyle = c; x.fillRect(0, 0, 1, 1); return Array.from(x.getImageData(0, 0, 1, 1).data); };
	const lum = ([r, g, b]) => [r, g, b].map((v) => (v /= 255) <= .03928 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4)
		.reduce((s, v, i) => s + v * [.2126, .7152, .0722][i], 0);
	const bad = [];
	for (const el of document.body.querySelectorAll("*")) {
		if (!el.innerText || ![...el.childNodes].some((n) => n.nodeType === 3 && n.data.trim())) continue;
		let at = el, back = null;
		for (; at && !back; at = at.parentElement) {
			const style = getComputedStyle(at);
			if (style.backgroundImage !== "none") {
				const stops = style.backgroundImage.match(/rgb\([^)]*\)/g).map(rgb), of = rgb(getComputedStyle(el).color);
				back = stops.sort((a, b) => Math.abs(lum(a) - lum(of)) - Math.abs(lum(b) - lum(of)))[0];
			} else if (rgb(style.backgroundColor)[3] === 255) back = rgb(style.backgroundColor);
		}
		const [a, b] = [lum(rgb(getComputedStyle(el).color)), lum(back || [255, 255, 255])].sort((a, b) => b - a);
		const ratio = (a + .05) / (b + .05);
		if (ratio < 4.5) bad.push(el.className + " " + el.innerText.slice(0, 30) + " " + ratio.toFixed(2));
	}
	return bad;
})()`

// shoot keeps a screenshot of the whole page where OVENWARD_SHOTS names a
// folder, for people to look at.
func (b *browser) shoot(name string) {
	b.t.Helper()
	folder := os.Getenv("OVENWARD_SHOTS")
	if folder == "" {
		return
	}
	if b.ask(`document.querySelector("canvas") === null`) == "true" {
		b.save(name)
		return
	}
	width, height := int64(0), int64(0)
	fmt.Sscan(b.ask(`innerWidth + " " + document.documentElement.scrollHeight`), &width, &height)
	b.do(chromedp.EmulateViewport(width, height)) // so that every chart is in view
	b.until(`Array.from(document.querySelectorAll("canvas")).every((c) => c.width > 200 && c.height !== 150 &&
		c.getContext("2d").getImageData(0, 0, c.width, c.height).data.some((v) => v > 0))`)
	b.forgive("willReadFrequently") // by the test's own reading
	b.save(name)
}

func (b *browser) save(name string) {
	b.t.Helper()
	png, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(os.Getenv("OVENWARD_SHOTS"), name), png, 0o644); err != nil {
		b.t.Fatal(err)
	}
}
