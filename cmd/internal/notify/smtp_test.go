package notify

import (
	"bytes"
	"encoding/base64"
	"errors"
	"image/png"
	"io"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	netmail "net/mail"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"ovenward/acquire"
	"ovenward/acquire/alarm"
	"ovenward/cmd/internal/advice"
)

// toTwo is a carrier to two mailboxes of an office, a@ and b@.
func toTwo(t *testing.T, office *postOffice, ca string) Carrier {
	t.Helper()
	c, err := NewMail(MailOptions{Server: office.address, TLS: StartTLS, User: "ovenward", Password: secretFile(t, "a-secret"), CAFile: ca,
		From: "watch@larkfield.example", To: []string{"a@larkfield.example", "b@larkfield.example"}, Timeout: deadline})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// parts takes an e-mail apart, by content type.
func parts(t *testing.T, header netmail.Header, body io.Reader) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	kind, params, err := mime.ParseMediaType(header.Get("Content-Type"))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(kind, "multipart/") {
		switch strings.ToLower(header.Get("Content-Transfer-Encoding")) {
		case "quoted-printable":
			body = quotedprintable.NewReader(body)
		case "base64":
			body = base64.NewDecoder(base64.StdEncoding, body)
		}
		if out[kind], err = io.ReadAll(body); err != nil {
			t.Fatal(err)
		}
		return out
	}
	r := multipart.NewReader(body, params["boundary"])
	for {
		p, err := r.NextRawPart()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		for k, v := range parts(t, netmail.Header(p.Header), p) {
			out[k] = v
		}
		if id := p.Header.Get("Content-Id"); id != "" {
			out["cid"] = []byte(id)
		}
	}
}

func traceOf(string) (acquire.Trace, bool) {
	tr := acquire.Trace{Width: 250 * time.Millisecond, End: at(5), Slots: make([]acquire.Slot, 1200)}
	for i := range tr.Slots {
		if i > 600 {
			tr.Slots[i] = acquire.Slot{N: 2, Lo: 0.5, Hi: 1}
		}
		if i > 1100 {
			tr.Slots[i] = acquire.Slot{N: 2, Lo: 60, Hi: 72}
		}
	}
	return tr, true
}

// E-mail over TLS, from the first byte and after STARTTLS, with a password: to
// each person, in plain text and HTML, with a picture of the last minutes.
func TestMail(t *testing.T) {
	cert, ca := certified(t)
	for _, how := range []MailTLS{StartTLS, OnlyTLS} {
		t.Run(string(how), func(t *testing.T) {
			office := newPostOffice(t, cert, how == OnlyTLS)
			c, err := NewMail(MailOptions{Server: office.address, TLS: how, User: "ovenward", Password: secretFile(t, "a-secret"), CAFile: ca,
				From: "Ovenward <watch@larkfield.example>", To: []string{"ito@larkfield.example", "marlow@larkfield.example"}, Trace: traceOf, Timeout: deadline})
			if err != nil {
				t.Fatal(err)
			}
			box := newOutbox()
			end, log := courierOf(t, box, c)
			box.happen(raised(7, alarm.Exceeds, at(3)))
			settled(t, box, 1)
			if s := end(); s.Sent != 1 || s.Failed != 0 {
				t.Fatalf("stats %+v\n%s", s, log)
			}
			got := office.got()
			if len(got) != 2 || got[0].to != "ito@larkfield.example" || got[1].to != "marlow@larkfield.example" {
				t.Fatalf("%d letters: %+v", len(got), got)
			}
			for _, secure := range office.encrypt {
				if !secure {
					t.Error("the password crossed the line unencrypted")
				}
			}
			checkLetter(t, got[0].data)
			if told := box.told; len(told) != 1 || told[0].Outcome != "accepted" || !strings.Contains(told[0].Answer, "recipient 2: accepted") || told[0].Event != 1 {
				t.Errorf("told %+v", told)
			}
		})
	}
}

func checkLetter(t *testing.T, data []byte) {
	t.Helper()
	m, err := netmail.ReadMessage(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
	if err != nil || subject != "Larkfield House, main kitchen, oven oven-7, post post-7: the field exceeds the limit" {
		t.Errorf("subject %q, %v", subject, err)
	}
	for name, want := range map[string]string{"From": "watch@larkfield.example", "To": "ito@larkfield.example", "Auto-Submitted": "auto-generated",
		"Ovenward-Message-Id": "Larkfield%20House/post-7.exceeds.1/1", "Message-Id": "@larkfield.example>"} {
		if got := m.Header.Get(name); !strings.Contains(got, want) {
			t.Errorf("header %s is %q, want %q in it", name, got, want)
		}
	}
	p := parts(t, m.Header, m.Body)
	for kind, wants := range map[string][]string{
		"text/plain": {"7.2 mW/cm² (72 W/m²), 1.44 times the limit of 5 mW/cm² (50 W/m²)", advice.StopOven, "expanded uncertainty 1.1 mW/cm²", Caution},
		"text/html":  {"<strong>" + advice.StopOven, "the field exceeds the limit", `src="cid:field"`, "Red line: the limit, 5 mW/cm² (50 W/m²).", Caution},
		"cid":        {"<field>"},
	} {
		for _, want := range wants {
			if !strings.Contains(strings.ReplaceAll(string(p[kind]), "\r\n", "\n"), want) {
				t.Errorf("%s lacks %q:\n%s", kind, want, p[kind])
			}
		}
	}
	img, err := png.Decode(bytes.NewReader(p["image/png"]))
	if err != nil {
		t.Fatalf("the picture: %v", err)
	}
	// Not seen is grey, seen is dark at the bottom, and the limit is a red line.
	if r, g, b, _ := img.At(10, 20).RGBA(); r != g || g != b || r>>8 != 0xd0 {
		t.Errorf("what was not seen is %x %x %x, want grey", r>>8, g>>8, b>>8)
	}
	red := 0
	for y := range chartHeight {
		if r, g, _, _ := img.At(400, y).RGBA(); r>>8 == 0xc0 && g == 0 {
			red++
		}
	}
	if red != 2 {
		t.Errorf("the limit is %d pixels high at x 400, want 2", red)
	}
}

// One mailbox that is gone keeps the message from nobody else; one that is full
// is tried again, and nobody gets it twice. What all refuse is a dead letter.
func TestMailboxes(t *testing.T) {
	cert, ca := certified(t)
	gone := &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such mailbox"}
	full := &smtp.SMTPError{Code: 452, EnhancedCode: smtp.EnhancedCode{4, 2, 2}, Message: "mailbox full"}
	for _, tt := range []struct {
		name   string
		rcpt   func(to string, n int) error
		sent   uint64
		failed uint64
		dead   uint64
		tos    string
	}{
		{"one is gone", func(to string, _ int) error {
			if to == "a@larkfield.example" {
				return gone
			}
			return nil
		}, 1, 0, 0, "b@larkfield.example "},
		{"one is full at first", func(to string, n int) error {
			if to == "a@larkfield.example" && n == 1 {
				return full
			}
			return nil
		}, 1, 1, 0, "b@larkfield.example a@larkfield.example "},
		{"both are gone", func(string, int) error { return gone }, 0, 0, 1, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			office := newPostOffice(t, cert, false)
			office.rcpt = tt.rcpt
			c := toTwo(t, office, ca)
			box := newOutbox()
			end, log := courierOf(t, box, c)
			box.happen(raised(7, alarm.Silent, at(3)))
			settled(t, box, 1)
			s := end()
			tos := ""
			for _, l := range office.got() {
				tos += l.to + " "
			}
			if s.Sent != tt.sent || s.Failed != tt.failed || s.Dead != tt.dead || tos != tt.tos {
				t.Errorf("sent to %q, stats %+v\n%s", tos, s, log)
			}
			if tt.dead > 0 && (len(box.told) != 1 || box.told[0].Outcome != "refused" || !strings.Contains(box.told[0].Answer, "no such mailbox") || box.told[0].Text == "") {
				t.Errorf("dead letters %+v", box.told)
			}
		})
	}
}

// What people can mend is tried again: a wrong password, a certificate that
// nobody trusts, a server that offers no TLS, one that says nothing. No password
// is told or sent in the open.
func TestFaultMailTroubleIsTriedAgain(t *testing.T) {
	cert, ca := certified(t)
	mute, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer mute.Close()
	plain := newPostOffice(t, cert, false)
	for name, tt := range map[string]struct {
		o    MailOptions
		want outcome
		says string
	}{
		"wrong password": {MailOptions{Server: plain.address, TLS: StartTLS, User: "ovenward", Password: secretFile(t, "wr0ng-secret"), CAFile: ca}, retry, "535"},
		"no password":    {MailOptions{Server: plain.address, TLS: StartTLS, CAFile: ca}, retry, "502"},
		"a stranger":     {MailOptions{Server: plain.address, TLS: StartTLS}, retry, "certificate"},
		"no secret file": {MailOptions{Server: plain.address, TLS: StartTLS, User: "ovenward", Password: Secret{File: "/absent/secret"}, CAFile: ca}, retry, "/absent/secret"},
		"mute":           {MailOptions{Server: mute.Addr().String(), TLS: StartTLS, Timeout: 200 * time.Millisecond}, unheard, "did not answer within 200ms"},
		"mute, TLS":      {MailOptions{Server: mute.Addr().String(), TLS: OnlyTLS, Timeout: 200 * time.Millisecond}, unheard, "did not answer within 200ms"},
		"no one there":   {MailOptions{Server: "127.0.0.1:1", TLS: NoTLS}, unheard, "refused"},
	} {
		tt.o.From, tt.o.To = "watch@larkfield.example", []string{"a@larkfield.example"}
		c, err := NewMail(tt.o)
		if err != nil {
			t.Fatal(err)
		}
		r := c.send(t.Context(), newMessage(raised(7, alarm.Silent, at(3)), subjectMatter{Site: "Larkfield House"}))
		if r.outcome != tt.want || r.err == nil || !strings.Contains(r.err.Error(), tt.says) || strings.Contains(r.err.Error(), "wr0ng") {
			t.Errorf("%s: outcome %d, %v; want %d and %q", name, r.outcome, r.err, tt.want, tt.says)
		}
	}
	if got := plain.got(); len(got) != 0 {
		t.Errorf("%d letters were accepted", len(got))
	}
	for name, o := range map[string]MailOptions{
		"in the open":       {Server: "mail.larkfield.example:25", TLS: NoTLS, From: "a@b.example", To: []string{"c@d.example"}},
		"nobody to send to": {Server: "127.0.0.1:25", TLS: NoTLS, From: "a@b.example"},
		"no address":        {Server: "127.0.0.1:25", TLS: NoTLS, From: "a@b.example", To: []string{"nobody"}},
		"no port":           {Server: "127.0.0.1", TLS: NoTLS, From: "a@b.example", To: []string{"c@d.example"}},
		"TLS as you like":   {Server: "127.0.0.1:25", TLS: "maybe", From: "a@b.example", To: []string{"c@d.example"}},
	} {
		if _, err := NewMail(o); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
