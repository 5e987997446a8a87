package notify

import (
	"bytes"
	"image/png"
	"strings"
	"testing"

	"ovenward/acquire/alarm"
)

// What is about the field comes with its last minutes, whether there is a limit to
// draw or none; what is about an instrument or the station comes without.
func TestPictureOfTheField(t *testing.T) {
	m := &mailer{o: MailOptions{Trace: traceOf}}
	of := map[string]bool{"exceeds": true, "emission": true, "open-door": true, "warning": true, "dose": true, "count": true}
	for _, r := range alarm.Rules() {
		e := raised(0, r, at(3))
		e.Alarm.Verdict = nil
		msg := newMessage(e, subjectMatter{Post: &larkfield()[0], Site: "Larkfield House", Recorded: true})
		drawn, caption := m.picture(msg)
		if (drawn != nil) != of[r.Kind()] {
			t.Errorf("%s: %d bytes of picture", r, len(drawn))
		}
		if drawn == nil {
			continue
		}
		if _, err := png.Decode(bytes.NewReader(drawn)); err != nil || caption == "" || strings.Contains(caption, "limit") {
			t.Errorf("%s, without a limit: %v, %q", r, err, caption)
		}
	}
}
