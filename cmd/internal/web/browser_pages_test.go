package web

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"ovenward/drivers/driverstest"
)

// pagesToSee lists every page, at every state that looks different: what fits a
// small screen, has the contrast it needs and is accessible is tried on each. Who
// adds a page adds a line.
func pagesToSee() []struct{ name, path string } {
	return []struct{ name, path string }{
		{"overview", "/"},
		{"post-blind", "/posts/ward"},
		{"post", "/posts/galley"},
		{"alarms", "/alarms"},
		{"alarm", "/alarms/galley.exceeds"},
		{"alarms-past", "/alarms?post=galley&state=waiting"},
		{"ovens", "/ovens"},
		{"reports", "/reports"},
		{"round", "/round?day=2031-05-20"},
		{"oven", "/ovens/galley-oven"},
		{"probes", "/probes"},
		{"probe", "/probes/probe-galley"},
		{"surveys", "/surveys"},
		{"survey-new", "/surveys/new"},
		{"survey", "/surveys/one"},
		{"survey-ended", "/surveys/two"},
		{"runs", "/runs"},
		{"soak", "/soaks/door-7"},
	}
}

// furnished is a station with something to show on every page.
func furnished(t *testing.T, now time.Time) (*fakeStation, func(*Options)) {
	f, desk := desk(now)
	return f, func(o *Options) {
		desk(o)
		soaking(now).options(o)
		o.Surveys, o.Reports = walking(t, now), &fakePrinter{}
	}
}

// TestBrowserPagesAreAccessible runs axe-core, which .ci/run fetches, on every
// page, light and dark.
func TestBrowserPagesAreAccessible(t *testing.T) {
	axe := driverstest.File(t, "OVENWARD_AXE")
	f, all := furnished(t, time.Now())
	b := open(t, f, all, func(o *Options) { o.Simulated = true })
	for _, p := range pagesToSee() {
		b.show("light", "")
		b.visitPage(p.path, 1280, 900)
		b.do(chromedp.Evaluate[chromedp.Void](unfold), chromedp.Evaluate[chromedp.Void](string(axe)+"; void 0"))
		// Of what a scheme changes axe-core knows the contrast.
		for scheme, rules := range map[string]string{"light": "{}", "dark": `{ runOnly: ["color-contrast"] }`} {
			b.show(scheme, "")
			b.do(chromedp.Evaluate[chromedp.Void](thinned), chromedp.Evaluate[chromedp.Void](`void (window.axeFound = null, axe.run(document, `+rules+`).then((r) => { window.axeFound = r; }))`))
			b.until("window.axeFound")
			if n := b.ask("axeFound.passes.length"); n == "0" {
				t.Errorf("%s, %s: axe-core checked nothing", p.name, scheme)
			}
			for v := range strings.Lines(b.ask(axeViolations)) {
				t.Errorf("%s, %s: %s", p.name, scheme, v)
			}
		}
	}
}

const axeViolations = `axeFound.violations.flatMap((v) => v.nodes.map((n) => v.id + ": " + v.help + ": " + n.target + " " + n.html.slice(0, 120) + " " + n.failureSummary.replaceAll("\n", " "))).join("\n")`

// thinned leaves of a table of readings, of which there are a thousand, all made by one
// line (strip.Body), the first rows and the gaps: axe-core takes 5 s for the rest. That
// each of them fits and has its contrast TestBrowserPagesFit holds.
const thinned = `void document.querySelectorAll("tr[data-x]:not([data-gap]):nth-child(n+21)").forEach((el) => { el.remove(); })`

// unfold opens what is folded: a form in it is a part of the page.
const unfold = `void document.querySelectorAll("details").forEach((el) => { el.open = true; })`

// Every page fits a telephone and a wide screen, light and dark, and is looked at.
func TestBrowserPagesFit(t *testing.T) {
	f, all := furnished(t, time.Now())
	b := open(t, f, all)
	for _, p := range pagesToSee() {
		b.visitPage(p.path, 360, 900)
		for _, width := range []int64{360, 1280} {
			b.do(chromedp.EmulateViewport(width, 900))
			b.until(fmt.Sprintf(`!document.querySelector(".chart") || Math.abs(document.querySelector(".chart").viewBox.baseVal.width - document.querySelector(".plot").clientWidth) < 9 && innerWidth === %d`, width))
			if wide := b.ask("document.documentElement.scrollWidth"); wide != fmt.Sprint(width) {
				t.Errorf("%s: the page is %s wide on a screen of %d", p.name, wide, width)
			}
			if wide := b.ask(overflowing); wide != "" {
				t.Errorf("%s at %d: what does not fit its place: %s", p.name, width, wide)
			}
			b.do(chromedp.Evaluate[chromedp.Void](unfold))
			if wide := b.ask("document.documentElement.scrollWidth + ' ' + " + overflowing); wide != fmt.Sprint(width, " ") {
				t.Errorf("%s at %d, unfolded: %s", p.name, width, wide)
			}
			for _, scheme := range []string{"light", "dark"} {
				b.show(scheme, "")
				if bad := b.ask(`JSON.stringify(` + lowContrast + `)`); bad != "[]" {
					t.Errorf("%s at %d, %s: contrast below AA: %s", p.name, width, scheme, bad)
				}
				b.shoot(fmt.Sprintf("page-%s-%d-%s.png", p.name, width, scheme))
			}
			b.do(chromedp.Evaluate[chromedp.Void](`void document.querySelectorAll("details").forEach((el) => { el.open = false; })`))
		}
	}
}

// On whatever screen, the name of a post has the room to be read.
func TestBrowserRowsHaveRoomForNames(t *testing.T) {
	b := open(t, troubled(time.Now()))
	b.visit(360, 900)
	for _, width := range []int64{360, 735, 736, 768, 800, 991, 992, 1000, 1400} {
		b.do(chromedp.EmulateViewport(width, 900))
		b.until(fmt.Sprintf("innerWidth === %d", width))
		const least = 220 // px
		if narrow := b.ask(fmt.Sprintf(`Array.from(document.querySelectorAll(".rows li > div")).map((el) => el.clientWidth).filter((w) => w < %d)`, least)); narrow != "" {
			t.Errorf("at %d px names have but %s px", width, narrow)
		}
		if wide := b.ask("document.documentElement.scrollWidth + ' ' + " + overflowing); wide != fmt.Sprint(width, " ") {
			t.Errorf("at %d px: %s", width, wide)
		}
		b.shoot(fmt.Sprintf("rows-%d.png", width))
	}
}

// overflowing lists elements of rows whose text is wider than their place.
const overflowing = `Array.from(document.querySelectorAll(".rows li > *, dd, dt, td, p"))
	.filter((el) => el.clientWidth > 1 && el.scrollWidth > el.clientWidth + 1).map((el) => el.textContent).join("; ")`
