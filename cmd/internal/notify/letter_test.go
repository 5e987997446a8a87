package notify

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"ovenward/acquire/alarm"
)

// A Message-ID ends with the sender's domain, whatever stands in the name before it.
func TestLetterIDHasTheDomain(t *testing.T) {
	for _, from := range []string{"watch@larkfield.example", "<watch@larkfield.example>", "Watch <watch@larkfield.example>",
		`"watch@night" <watch@larkfield.example>`, `"a@b c"@larkfield.example`} {
		c, err := NewMail(MailOptions{Server: "127.0.0.1:25", TLS: NoTLS, From: from, To: []string{"a@larkfield.example"}})
		if err != nil {
			t.Fatal(err)
		}
		if id := c.(*mailer).letterID("1"); len(id) != 32+len("@larkfield.example") || !strings.HasSuffix(id, "@larkfield.example") {
			t.Errorf("from %s: %s", from, id)
		}
	}
}

// overdue is a context that ends as one does whose time is up, when it is canceled.
type overdue struct{ context.Context }

func (o overdue) Err() error {
	if o.Context.Err() != nil {
		return context.DeadlineExceeded
	}
	return nil
}

func (overdue) Value(any) any { return nil } // or those made of it would end as canceled

// A mailbox that hangs takes the time of one attempt, once: from then on the others
// come first, with this message and all that follow. Of several that hang each has its
// turn, and none is taken for a server that does not answer.
func TestHangingMailboxComesLast(t *testing.T) {
	cert, ca := certified(t)
	office := newPostOffice(t, cert, false)
	over := make(chan struct{})
	t.Cleanup(func() { close(over) })
	var giveUp context.CancelFunc
	hanging, asked := map[string]bool{"a": true, "b": true}, ""
	office.rcpt = func(to string, _ int) error {
		name, _, _ := strings.Cut(to, "@")
		asked += name
		if hanging[name] {
			giveUp()
			office.mu.Unlock()
			<-over
			office.mu.Lock()
		}
		return nil
	}
	c, err := NewMail(MailOptions{Server: office.address, TLS: StartTLS, User: "ovenward", Password: secretFile(t, "a-secret"), CAFile: ca,
		From: "watch@larkfield.example", To: []string{"a@larkfield.example", "b@larkfield.example", "c@larkfield.example"}, Timeout: deadline})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []struct {
		message int64
		asked   string
		outcome outcome
		letters int
	}{
		{1, "a", unheard, 0},
		{1, "b", unheard, 0},
		{1, "ca", retry, 1},
		{1, "b", retry, 1},
		{2, "ca", retry, 2},
		{2, "b", retry, 2},
	} {
		ctx, cancel := context.WithCancel(t.Context())
		office.mu.Lock()
		giveUp, asked = cancel, ""
		office.mu.Unlock()
		r := c.send(overdue{ctx}, newMessage(numbered(want.message, raised(7, alarm.Silent, at(3))), subjectMatter{}))
		cancel()
		office.mu.Lock()
		got := fmt.Sprint(asked, " ", r.outcome, " ", len(office.letters), " ", r.reached)
		office.mu.Unlock()
		if should := fmt.Sprint(want.asked, " ", want.outcome, " ", want.letters, " ", want.letters > 0); got != should {
			t.Fatalf("attempt %d: %s, want %s; %v", i+1, got, should, r.err)
		}
	}
}
