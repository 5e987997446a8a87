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
		{"ovens", "/ovens"},
		{"surveys", "/surveys"},
		{"survey-new", "/surveys/new"},
		{"survey", "/surveys/one"},
		{"survey-ended", "/surveys/two"},
		{"runs", "/runs"},
	}
}

// TestBrowserPagesAreAccessible runs axe-core, which .ci/run fetches, on every
// page, light and dark.
func TestBrowserPagesAreAccessible(t *testing.T) {
	axe := driverstest.File(t, "OVENWARD_AXE")
	b := open(t, troubled(time.Now()), func(o *Options) { o.Simulated, o.Surveys = true, walking(t, time.Now()) })
	for _, scheme := range []string{"light", "dark"} {
		b.show(scheme, "")
		for _, p := range pagesToSee() {
			b.visitPage(p.path, 1280, 900)
			b.do(chromedp.Evaluate[chromedp.Void](string(axe) + "; void 0"))
			b.do(chromedp.Evaluate[chromedp.Void](`void axe.run().then((r) => { window.axeFound = r; })`))
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

// Every page fits a telephone and a wide screen, light and dark, and is looked at.
func TestBrowserPagesFit(t *testing.T) {
	b := open(t, troubled(time.Now()), func(o *Options) { o.Surveys = walking(t, time.Now()) })
	for _, width := range []int64{360, 1280} {
		for _, scheme := range []string{"light", "dark"} {
			b.show(scheme, "")
			for _, p := range pagesToSee() {
				b.visitPage(p.path, width, 900)
				if wide := b.ask("document.documentElement.scrollWidth"); wide != fmt.Sprint(width) {
					t.Errorf("%s, %s: the page is %s wide on a screen of %d", p.name, scheme, wide, width)
				}
				if bad := b.ask(`JSON.stringify(` + lowContrast + `)`); bad != "[]" {
					t.Errorf("%s at %d, %s: contrast below AA: %s", p.name, width, scheme, bad)
				}
				b.shoot(fmt.Sprintf("page-%s-%d-%s.png", p.name, width, scheme))
			}
		}
	}
}
