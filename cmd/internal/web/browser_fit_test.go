package web

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

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
	low := seeing(4, aPost("annex", "Annex oven", "annex, behind the cold store"), 0.03, now)
	low.Last.Quality = acquire.UnderFloor
	f.stats = append(f.stats, low)
	return f
}

// A print is light, whatever the screen is, and holds no forms.
// The numbers of places on the drawing of a door can be read on a phone.
func TestBrowserPlacesOnADoorCanBeRead(t *testing.T) {
	b := open(t, newFake(time.Now()), func(o *Options) { o.Surveys = walking(t, time.Now()) })
	b.visitPage("/surveys/one", 390, 844)
	if px := b.ask(`parseFloat(getComputedStyle(document.querySelector(".held text")).fontSize) * document.querySelector(".door svg").getScreenCTM().a >= 10`); px != "true" {
		t.Errorf("they have 10 px: %s", px)
	}
}

func TestBrowserPrints(t *testing.T) {
	b := open(t, troubled(time.Now()))
	for _, path := range []string{"/", "/posts/galley"} {
		b.show("dark", "")
		b.visitPage(path, 1024, 800)
		b.show("dark", "print")
		b.printed(path)
	}
}

// printed holds that a print is light and holds no forms, and keeps it.
func (b *browser) printed(path string) {
	b.t.Helper()
	b.until(`getComputedStyle(document.body).color === "rgb(20, 25, 29)"`)
	b.until(`Array.from(document.querySelectorAll("form, .act, .skip")).every((el) => el.getClientRects().length === 0)`)
	b.shoot("print" + strings.ReplaceAll(path, "/", "-") + ".png")
}

// lowContrast lists texts whose contrast with the plain background behind them
// is below 4.5 (WCAG 2.1, 1.4.3; formula from memory).
const lowContrast = `(() => {
	const x = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
	const known = new Map();
	const rgb = (c) => {
		if (!known.has(c)) { x.clearRect(0, 0, 1, 1); x.fillStyle = c; x.fillRect(0, 0, 1, 1); known.set(c, Array.from(x.getImageData(0, 0, 1, 1).data)); }
		return known.get(c);
	};
	const lum = ([r, g, b]) => [r, g, b].map((v) => (v /= 255) <= .03928 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4)
		.reduce((s, v, i) => s + v * [.2126, .7152, .0722][i], 0);
	const bad = [];
	for (const el of document.body.querySelectorAll("*")) {
		if (![...el.childNodes].some((n) => n.nodeType === 3 && n.data.trim()) || !el.innerText) continue;
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
	if os.Getenv("OVENWARD_SHOTS") == "" {
		return
	}
	png, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(os.Getenv("OVENWARD_SHOTS"), name), png, 0o644); err != nil {
		b.t.Fatal(err)
	}
}
