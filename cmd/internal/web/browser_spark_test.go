package web

import (
	"context"
	"strings"
	"testing"
	"time"

	"ovenward/acquire/store"
)

// A line of the last hour follows the record without a reload: what the script draws,
// and says to those who do not see it, is what the server would have drawn.
func TestBrowserSparksFollow(t *testing.T) {
	gone := func(at time.Time, p *store.Point) {
		if ago := time.Since(at); ago > 20*time.Minute && ago < 40*time.Minute {
			p.Sums = store.Sums{}
		}
	}
	b := open(t, newFake(time.Now()), func(o *Options) { o.Series = kept(gone) })
	b.visit(1280, 900)
	const label = `document.querySelector("#r0 [role=img]").getAttribute("aria-label")`
	b.until(label + ` === "Last hour: not read yet"`)
	// drawn lists paths and words of each line; asked of a document.
	const drawn = `((doc) => [...doc.querySelectorAll(".rows [role=img]")].map((el) => el.getAttribute("aria-label") + [...el.children].map((p) => p.getAttribute("d")).filter((d) => d).join(";")).join("\n"))`
	for _, c := range []struct {
		series func(context.Context, string, time.Time, time.Time, int) ([]store.Point, error)
		words  string
	}{
		{kept(gone), "Last hour: 0.2 to 0.3 mW/cm², not seen for "},
		{kept(func(_ time.Time, p *store.Point) { p.Max = 7 }), "Last hour: 0.2 to 0.7 mW/cm²"},
		{kept(func(_ time.Time, p *store.Point) { p.Sums = store.Sums{} }), "Last hour: nothing seen"},
	} {
		b.web.o.Series = c.series
		b.web.readSparks(t.Context())
		b.until(label + `.startsWith("` + c.words + `")`)
		b.until(`fetch("/").then((r) => r.text()).then((text) => { window.served = ` + drawn + `(new DOMParser().parseFromString(text, "text/html")); }), window.served === ` + drawn + `(document)`)
		if got := b.ask(drawn + `(document)`); strings.Count(got, "h1") == 0 && strings.Count(got, "h30") == 0 {
			t.Errorf("nothing is drawn: %s", got)
		}
		if size := b.ask(`(() => { const box = document.querySelector("#r0 [role=img]").getBoundingClientRect(), line = document.querySelector("#r0 [role=img] path").getBoundingClientRect(); return [box.width, box.height, Math.round(line.width)].join(" "); })()`); size != "160 32 160" {
			t.Errorf("its box and the line of the limit are %s px", size)
		}
	}
}
