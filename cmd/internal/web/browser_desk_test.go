package web

import (
	"context"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/acquire/registry"
	"ovenward/acquire/store"
)

// desk is a troubled site with a register of ovens and probes, a past of alarms,
// and what was told of them.
func desk(now time.Time) (*fakeStation, func(*Options)) {
	f, k := troubled(now), newKeeping()
	f.stats[0].Post.Oven, f.stats[1].Post.Oven = "galley-oven", "ward-oven"
	f.stats[0].Post.Frequency, f.stats[1].Post.Frequency = 2.45e9, 2.45e9
	k.tests = []registry.Test{{Number: 1, Oven: "galley-oven", On: dayAt("2026-05-01"), Kind: "survey", By: "P. Marlow", Outcome: "within", Highest: 3, HasValue: true, Text: "12 points round the door", Who: "R. Okafor", EnteredAt: noon()}}
	var events []acquire.Event
	for i, st := range f.stats {
		for _, a := range st.Alarms {
			events = append(events, acquire.Event{ID: int64(len(events) + 1), At: a.Since, Post: a.Post, Kind: acquire.KindAlarm, Text: "raised: above the limit for 3 s",
				Alarm: &alarm.Change{Alarm: a, From: alarm.Normal, Reason: alarm.Raised, Verdict: &alarm.Grounds{Outcome: "exceeds", Reasons: []string{"above the limit for 3 s in the window"}}}})
			if i == 0 {
				events = append(events, acquire.Event{ID: int64(len(events) + 1), At: a.Since.Add(time.Minute), Post: a.Post, Kind: acquire.KindAlarm, Who: "J. Hale", Text: "looked at",
					Alarm: &alarm.Change{Alarm: a, From: a.State, Reason: alarm.Commented, Remark: "door seal looks worn"}})
			}
		}
	}
	return f, func(o *Options) {
		k.options(o)
		o.Couriers = []string{"office", "desk"}
		o.Changes = func(_ context.Context, from, to time.Time) iter.Seq2[acquire.Event, error] {
			return func(yield func(acquire.Event, error) bool) {
				for _, e := range events {
					if !e.At.Before(from) && e.At.Before(to) && !yield(e, nil) {
						return
					}
				}
			}
		}
		o.Occurrence = func(_ context.Context, id string) (all []acquire.Event, err error) {
			for _, e := range events {
				if e.Alarm.ID == id {
					all = append(all, e)
				}
			}
			return all, nil
		}
		o.Told = func(_ context.Context, q store.ToldQuery, _ int) ([]store.Told, error) {
			if q.Event > 1 {
				return nil, nil
			}
			return []store.Told{
				{ID: 2, Courier: "desk", To: "https://desk.larkfield.example/hook", Event: 1, Post: "galley", Rule: "exceeds", At: now.Add(-100 * time.Second), Outcome: store.ToldRefused, Answer: "410 Gone", Attempts: 3, Subject: "Galley: above the limit"},
				{ID: 1, Courier: "office", To: "facilities@larkfield.example", Event: 1, Post: "galley", Rule: "exceeds", At: now.Add(-110 * time.Second), Outcome: store.ToldAccepted, Answer: "250 queued", Attempts: 1, Subject: "Galley: above the limit"},
			}, nil
		}
	}
}

// From the overview to the alarm, to what is known of it, to the word that it was
// seen.
func TestBrowserFromOverviewToAcknowledged(t *testing.T) {
	f, desk := desk(time.Now())
	b := open(t, f, desk)
	b.visit(1024, 800)
	b.do(chromedp.Click(chromedp.CSS(`.standing a[href="/alarms#alarm-galley-exceeds"]`)))
	b.until(`location.pathname === "/alarms" && document.documentElement.dataset.live === "yes"`)
	b.until(`document.querySelector('[data-key="galley-exceeds"]').innerText.includes("Told: office (facilities@larkfield.example)")`)
	if top := b.ask(`Math.round(document.getElementById("alarm-galley-exceeds").getBoundingClientRect().top) + 0`); strings.HasPrefix(top, "-") {
		t.Errorf("the alarm that was asked for is not in view: %s", top)
	}
	b.do(chromedp.SendKeys(chromedp.CSS("#ack-who-galley-exceeds"), "R. Okafor"), chromedp.Click(chromedp.CSS(`[data-key="galley-exceeds"] form button`)))
	b.until(`document.readyState === "complete" && document.querySelector('[data-key="galley-exceeds"]') && document.querySelector('[data-key="galley-exceeds"]').innerText.includes("Still present, acknowledged.")`)
	if want := "acknowledge " + f.stats[0].Alarms[0].ID + " R. Okafor"; f.called() != want {
		t.Errorf("the station heard %q, want %q", f.called(), want)
	}
	b.do(chromedp.Click(chromedp.CSS(`[data-key="galley-exceeds"] a[href^="/alarms/"]`)))
	b.until(`location.pathname.startsWith("/alarms/galley.exceeds.") && document.body.innerText.includes("door seal looks worn") && document.body.innerText.includes("refused for good: 410 Gone (after 3 attempts)")`)
}

// An oven is registered by keyboard alone: what is wrong is told at its field, what
// was typed stays, and at the end the page of the oven says who did it.
func TestBrowserRegistersAnOvenByKeyboard(t *testing.T) {
	f, desk := desk(time.Now())
	b := open(t, f, desk)
	b.visitPage("/ovens", 1024, 900)
	tab := func(id string) {
		t.Helper()
		for range 60 {
			b.do(chromedp.KeyEvent(kb.Tab))
			if b.ask(`document.activeElement.id || document.activeElement.innerText`) == id {
				if b.ask(`getComputedStyle(document.activeElement).outlineStyle`) != "solid" {
					t.Errorf("the focus on %q is not visible", id)
				}
				return
			}
		}
		t.Fatalf("the keyboard does not reach %q", id)
	}
	tab("Register an oven")
	b.do(chromedp.KeyEvent(kb.Enter))
	for _, field := range []struct{ id, text string }{
		{"new-id", "annex"}, {"new-place", "annex, first floor"}, {"new-serial", "LH-7"}, {"new-power", "900 W"},
		{"new-frequency", "50 Hz"}, {"new-limit", "in-use"}, {"new-who", "R. Okafor"},
	} {
		tab(field.id)
		b.do(chromedp.KeyEvent(field.text))
	}
	b.do(chromedp.KeyEvent(kb.Enter))
	b.until(`document.getElementById("new-frequency-fault") !== null`)
	if said := b.ask(`document.getElementById(document.getElementById("new-frequency").getAttribute("aria-describedby")).innerText`); !strings.Contains(said, "no frequency of microwaves; write a number with MHz or GHz") {
		t.Errorf("the fault is told as %q", said)
	}
	if kept := b.ask(`document.getElementById("new-place").value + "|" + document.getElementById("new-limit").value + "|" + document.getElementById("new-who").value`); kept != "annex, first floor|in-use|R. Okafor" {
		t.Errorf("what was typed: %q", kept)
	}
	b.shoot("oven-refused-1024-light.png")
	b.forgive("422") // the browser logs the answer's status
	b.do(chromedp.Evaluate[chromedp.Void](`document.getElementById("new-frequency").select()`), chromedp.Focus(chromedp.CSS("#new-frequency")), chromedp.KeyEvent("2450 MHz"), chromedp.KeyEvent(kb.Enter))
	b.until(`location.pathname === "/ovens/annex" && document.body.innerText.includes("2450 MHz") && document.body.innerText.includes("R. Okafor") && document.body.innerText.includes("No probe watches it: its field is not known")`)
	b.shoot("oven-registered-1024-light.png")
}

// All of it works with the script off: a certificate by a form, a table by a file.
func TestBrowserRegisterWithScriptOff(t *testing.T) {
	f, desk := desk(time.Now())
	b := open(t, f, desk)
	table := filepath.Join(t.TempDir(), "ovens.csv")
	if err := os.WriteFile(table, []byte("id,place,frequency,limit\nnew-one,Annex,2450 MHz,in-use\nBad Name,,50 Hz,out\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	b.do(chromedp.Func(func(ctx context.Context, tab *chromedp.Target) error {
		_, err := cdp.Call(ctx, tab, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
		return err
	}), chromedp.EmulateViewport(800, 900), chromedp.Navigate(b.url+"/probes/spare"), chromedp.WaitVisible(chromedp.CSS("noscript .hint")))
	b.do(chromedp.Click(chromedp.CSS(`section[aria-labelledby="certs-h"] > details summary`)))
	for _, field := range []struct{ id, text string }{
		{"number", "LH-0500"}, {"laboratory", "a laboratory"}, {"date", "2026-06-01"}, {"due", "2099-06-01"}, {"factor", "1.1"}, {"expanded_uncertainty", "15 %"}, {"k", "2"}, {"who", "J. Hale"},
	} {
		b.do(chromedp.SendKeys(chromedp.CSS("#cert-"+field.id), field.text))
	}
	b.do(chromedp.Click(chromedp.CSS(`form[action="/api/v1/probes/spare/certificates"] button`)), chromedp.WaitVisible(chromedp.CSS(`.entry h3`)))
	if text := b.ask("document.body.innerText"); !strings.Contains(text, "Calibration valid, due again on 2099-06-01: certificate LH-0500") {
		t.Errorf("the page of the probe: %s", text)
	}
	b.do(chromedp.Navigate(b.url+"/ovens"), chromedp.Click(chromedp.CSS("details:last-of-type summary")),
		chromedp.SetUploadFiles(chromedp.CSS("#table-file"), []string{table}), chromedp.SendKeys(chromedp.CSS("#table-who"), "J. Hale"),
		chromedp.Click(chromedp.CSS(`form[enctype] button`)), chromedp.WaitVisible(chromedp.CSS("#bad-h")))
	if text := b.ask(`document.querySelector("section.problem").innerText`); !strings.Contains(text, "Nothing was taken: 4 things in the table are wrong") || !strings.Contains(text, "it is no name for the record") {
		t.Errorf("the page after a bad table: %s", text)
	}
	b.shoot("table-refused-800-light.png")
	b.forgive("422")
}

// On paper there are no forms, and what is known of an oven is there, dark scheme
// or not.
func TestBrowserPrintsTheRegister(t *testing.T) {
	f, desk := desk(time.Now())
	b := open(t, f, desk)
	for _, path := range []string{"/ovens/galley-oven", "/probes", "/alarms"} {
		b.show("light", "print")
		b.visitPage(path, 800, 1000)
		if shown := b.ask(`Array.from(document.querySelectorAll("form, nav, .units, summary")).filter((el) => el.offsetParent !== null).map((el) => el.outerHTML.slice(0, 80)).join()`); shown != "" {
			t.Errorf("%s: printed: %s", path, shown)
		}
		if shown := b.ask(`document.querySelector("main").innerText.length > 200`); shown != "true" {
			t.Errorf("%s: nothing is printed", path)
		}
		b.shoot(fmt.Sprintf("print%s.png", strings.ReplaceAll(path, "/", "-")))
	}
}
