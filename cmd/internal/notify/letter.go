package notify

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"html"
	netmail "net/mail"
	"strings"

	"github.com/wneessen/go-mail"
)

// letter writes one message to one person.
func (m *mailer) letter(msg Message, to string) (*mail.Msg, error) {
	l := mail.NewMsg(mail.WithNoDefaultUserAgent())
	if err := l.From(m.o.From); err != nil {
		return nil, err
	}
	if err := l.To(to); err != nil {
		return nil, err
	}
	l.SetMessageIDWithValue(m.letterID(msg.MessageID))
	l.SetDateWithValue(msg.At)
	l.SetUserAgent("ovenward")
	l.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834
	l.SetGenHeader("Ovenward-Message-Id", msg.MessageID)
	if msg.Priority == "high" && msg.State.Present() {
		l.SetImportance(mail.ImportanceHigh)
	}
	l.Subject(msg.Subject)
	text := msg.Text + "\n\n" + msg.Caution + "\n"
	if msg.Link != "" {
		text = msg.Text + "\n\n" + msg.Link + "\n\n" + msg.Caution + "\n"
	}
	l.SetBodyString(mail.TypeTextPlain, text)
	picture, caption := m.picture(msg)
	l.AddAlternativeString(mail.TypeTextHTML, m.page(msg, caption))
	if picture != nil {
		if err := l.EmbedReader("field.png", bytes.NewReader(picture), mail.WithFileContentType("image/png"), mail.WithFileContentID("<field>")); err != nil {
			return nil, err
		}
	}
	return l, nil
}

// letterID makes a Message-ID (RFC 5322) that is the same for the same message.
func (m *mailer) letterID(id string) string {
	sum := sha256.Sum256([]byte(id))
	domain := "ovenward.invalid"
	if from, err := netmail.ParseAddress(m.o.From); err == nil {
		domain = from.Address[strings.LastIndexByte(from.Address, '@')+1:]
	}
	return hex.EncodeToString(sum[:16]) + "@" + domain
}

// page is the message as HTML. Caution and link stand below whatever a template
// makes.
func (m *mailer) page(msg Message, caption string) string {
	inner := m.o.Texts.htmlOf(msg)
	if strings.TrimSpace(inner) == "" {
		inner = "<p style=\"white-space:pre-line\">" + html.EscapeString(msg.Text) + "</p>"
	}
	var b strings.Builder
	b.WriteString("<!DOCTYPE html>\n<html lang=\"en\"><body style=\"font-family:sans-serif\">\n" + inner)
	if caption != "" {
		fmt.Fprintf(&b, "\n<p><img src=\"cid:field\" width=\"%d\" height=\"%d\" alt=\"%s\"><br>%s</p>", chartWidth, chartHeight,
			html.EscapeString(caption), html.EscapeString(caption))
	}
	if msg.Link != "" {
		fmt.Fprintf(&b, "\n<p><a href=\"%s\">The page</a></p>", html.EscapeString(msg.Link))
	}
	fmt.Fprintf(&b, "\n<p><small>%s</small></p>\n</body></html>\n", html.EscapeString(msg.Caution))
	return b.String()
}

// picture draws the last minutes of a field that calls for somebody; nil when there is nothing to
// draw.
func (m *mailer) picture(msg Message) (png []byte, caption string) {
	if m.o.Trace == nil || msg.Kind != KindAlarm || !msg.Rule.IsOfField() {
		return nil, ""
	}
	trace, ok := m.o.Trace(msg.Post)
	if !ok {
		return nil, ""
	}
	return chart(trace, msg.LimitSI)
}
