package notify

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/wneessen/go-mail"
	"ovenward/acquire"
)

// MailOptions is what e-mail is made of. Server, From and To are needed.
type MailOptions struct {
	Server   string // HOST:PORT
	TLS      MailTLS
	User     string // empty: the server asks for none
	Password Secret
	CAFile   string // of authorities to trust in place of the system's
	From     string
	To       []string
	Texts    *Texts        // nil: the default ones
	Timeout  time.Duration // of one attempt, all in all; default 10 s

	// Trace returns the recent past of a post for a picture; nil: no picture. It
	// must not wait.
	Trace func(post string) (acquire.Trace, bool)
}

// MailTLS is how the way to a mail server is kept from others' eyes.
type MailTLS string

const (
	StartTLS MailTLS = "starttls" // asked for, and nothing is sent without it
	OnlyTLS  MailTLS = "tls"      // from the first byte
	NoTLS    MailTLS = "none"     // within this machine
)

type mailer struct {
	o    MailOptions
	host string
	port int

	mu     sync.Mutex
	partly map[string]*share // by message id
	uses   int
	failed map[string]int // who did not take the newest message they were tried with, and which failure that was
	fails  int
}

// NewMail makes a Carrier that sends e-mail: plain text and HTML, and for an
// exceedance a picture of the last minutes. It opens no connection and reads no
// secret. Each person gets a message of their own, so that one dead mailbox keeps
// it from nobody else. A repetition has the same Message-ID.
func NewMail(o MailOptions) (Carrier, error) {
	m := &mailer{o: o, partly: map[string]*share{}, failed: map[string]int{}}
	host, port, err := net.SplitHostPort(o.Server)
	if err != nil {
		return nil, fmt.Errorf("mail server %q: write HOST:PORT", o.Server)
	}
	if m.port, err = strconv.Atoi(port); err != nil || host == "" {
		return nil, fmt.Errorf("mail server %q: write HOST:PORT", o.Server)
	}
	m.host = host
	switch {
	case len(o.To) == 0:
		return nil, errors.New("e-mail needs somebody to send to")
	case o.TLS == NoTLS && !loopback(host):
		return nil, fmt.Errorf("e-mail to %s would cross the network readable by anyone; use starttls or tls", o.Server)
	case o.TLS != NoTLS && o.TLS != StartTLS && o.TLS != OnlyTLS:
		return nil, fmt.Errorf("TLS of e-mail is %q; use starttls, tls or none", o.TLS)
	}
	for _, a := range append([]string{o.From}, o.To...) {
		if err := mail.NewMsg().From(a); err != nil {
			return nil, fmt.Errorf("e-mail address %q: %w", a, err)
		}
	}
	if m.o.Timeout <= 0 {
		m.o.Timeout = defaultTimeout
	}
	if m.o.Texts == nil {
		if m.o.Texts, err = NewTexts(TextSources{}); err != nil {
			return nil, err
		}
	}
	return m, nil
}

func (m *mailer) to() string { return "mail by " + m.o.Server }

func (m *mailer) close() {}

func (m *mailer) send(ctx context.Context, msg Message) result {
	ctx, cancel := context.WithTimeout(ctx, m.o.Timeout)
	defer cancel()
	client, err := m.dial(ctx)
	if err != nil {
		return m.trouble(ctx, err)
	}
	defer client.Close()
	settled := m.begin(msg)
	var worst result
	waits := map[string]string{} // who waits, and why
	for _, to := range m.turns() {
		if _, done := settled[to]; done {
			continue
		}
		letter, err := m.letter(msg, to)
		if err != nil {
			return result{outcome: retry, err: fmt.Errorf("writing the e-mail: %w", err)}
		}
		err = client.Send(letter)
		switch r := m.trouble(ctx, err); {
		case letter.IsDelivered():
			m.note(msg, to, "accepted: "+strings.TrimSpace(letter.ServerResponse()))
		case r.outcome == refused:
			m.note(msg, to, r.err.Error())
		default:
			worst, waits[to] = r, r.err.Error()
			m.fail(to)
		}
		if worst.err != nil && ctx.Err() != nil {
			break
		}
	}
	got, said := m.said(msg.MessageID, waits)
	if worst.err != nil {
		worst.reached, worst.answer = got > 0, strings.Join(said, "; ")
		if worst.outcome == unheard && worst.reached {
			worst.outcome = retry // the server answers; one mailbox does not
		}
		return worst
	}
	return m.sum(msg.MessageID, got, said)
}
