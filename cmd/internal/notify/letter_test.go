package notify

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

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

// What some have and others have not is remembered for as long as it may be sent again:
// nobody gets it twice, however many others there are, and what a newer message stands
// in for is forgotten.
func TestWhoHasAMessageIsRemembered(t *testing.T) {
	cert, ca := certified(t)
	office := newPostOffice(t, cert, false)
	office.rcpt = func(to string, _ int) error {
		if strings.HasPrefix(to, "a@") {
			return &smtp.SMTPError{Code: 452, EnhancedCode: smtp.EnhancedCode{4, 2, 2}, Message: "mailbox full"}
		}
		return nil
	}
	c := toTwo(t, office, ca)
	m := c.(*mailer)
	of := func(event int64, post int) Message {
		return newMessage(numbered(event, raised(post, alarm.Silent, at(3))), subjectMatter{})
	}
	send := func(msg Message, letters, remembered int) {
		t.Helper()
		if r := m.send(t.Context(), msg); r.outcome != retry || !r.reached || len(office.got()) != letters || len(m.partly) != remembered {
			t.Fatalf("%s: %d letters, want %d; %d messages remembered, want %d; %v", msg.MessageID, len(office.got()), letters, len(m.partly), remembered, r.err)
		}
	}
	send(of(1, 1), 1, 1)
	send(of(1, 1), 1, 1)
	send(of(2, 1), 2, 1)
	send(several([]Message{of(3, 2), of(4, 3)}, [2]int64{3, 4}, "", ""), 3, 2)
	send(of(5, 2), 4, 3) // of the other one it still tells
	send(several([]Message{of(4, 3)}, [2]int64{3, 4}, "", ""), 4, 3)
	send(of(6, 3), 5, 3)
	for i := range 4 {
		send(heartbeat(Snapshot{At: at(i)}, "", "", time.Hour, nil), 6+i, 4)
	}
	other := func(from, to int) {
		for i := from; i < to; i++ {
			m.begin(of(int64(i), i))
			m.note(of(int64(i), i), "b@larkfield.example", "accepted")
		}
	}
	other(100, 100+maxPartly-4)
	send(of(2, 1), 9, maxPartly)
	other(100+maxPartly, 100+2*maxPartly-1)
	send(of(2, 1), 9, maxPartly)
}
