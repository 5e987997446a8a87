package notify

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"fmt"
	"html"
	"maps"
	"net"
	netmail "net/mail"
	"slices"
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

// maxPartly bounds how many messages are remembered that some have and others
// have not: more than can wait.
const maxPartly = 1000

// share is what came of a message that some have and others have not.
type share struct {
	said map[string]string // who has it or refused it, and what the server said
	of   map[about]bool    // what it tells of, and no newer message does
	used int               // in which of all attempts
}

// about is what a message tells of: an alarm, or how all is.
type about struct {
	kind MessageKind
	subject
}

func allAbout(msg Message) map[about]bool {
	if msg.Kind != KindSeveral {
		return map[about]bool{{msg.Kind, subject{msg.Post, msg.Rule}}: true}
	}
	all := map[about]bool{}
	for _, one := range msg.Alarms {
		maps.Copy(all, allAbout(one))
	}
	return all
}

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

// goOnFrom takes over who has which message from a carrier that is not used any more.
func (m *mailer) goOnFrom(before Carrier) {
	old, is := before.(*mailer)
	if !is {
		return
	}
	old.mu.Lock()
	defer old.mu.Unlock()
	m.partly, m.uses, m.failed, m.fails = old.partly, old.uses, old.failed, old.fails
}

// turns is whom to try in which order: a mailbox that hangs takes all the time of an
// attempt, so who failed comes after all others, and who failed last comes last.
func (m *mailer) turns() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	to := slices.Clone(m.o.To)
	slices.SortStableFunc(to, func(a, b string) int { return cmp.Compare(m.failed[a], m.failed[b]) })
	return to
}

func (m *mailer) fail(to string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.fails++
	m.failed[to] = m.fails
}

// said lists what came of a message for each recipient, and how many have it.
func (m *mailer) said(id string, waits map[string]string) (got int, lines []string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	said := map[string]string{}
	if s := m.partly[id]; s != nil {
		said = s.said
	}
	for i, to := range m.o.To {
		what, settled := said[to]
		switch {
		case !settled && waits[to] == "":
			what = "not tried yet"
		case !settled:
			what = "not accepted yet: " + waits[to]
		case strings.HasPrefix(what, "accepted"):
			got++
		}
		lines = append(lines, fmt.Sprintf("recipient %d: %s", i+1, what))
	}
	return got, lines
}

// sum is what a message came to when all have it or refused it.
func (m *mailer) sum(id string, got int, said []string) result {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.partly, id)
	if got == 0 {
		return result{outcome: refused, err: errors.New(strings.Join(said, "; "))}
	}
	return result{outcome: accepted, answer: strings.Join(said, "; ")}
}

// begin returns who need not be tried with a message, and forgets the older ones that
// it stands in for: the messages of one alarm go in order.
func (m *mailer) begin(msg Message) (settled map[string]string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.uses++
	now := allAbout(msg)
	for id, old := range m.partly {
		if id == msg.MessageID {
			old.used, settled = m.uses, maps.Clone(old.said)
			continue
		}
		maps.DeleteFunc(old.of, func(x about, _ bool) bool { return now[x] })
		if len(old.of) == 0 {
			delete(m.partly, id)
		}
	}
	return settled
}

func (m *mailer) note(msg Message, to, what string) {
	m.mu.Lock()
	defer m.mu.Unlock()
	s := m.partly[msg.MessageID]
	if s == nil {
		if len(m.partly) >= maxPartly { // some get the one that was not tried for longest twice, with the same id
			delete(m.partly, slices.MinFunc(slices.Collect(maps.Keys(m.partly)), func(a, b string) int { return cmp.Compare(m.partly[a].used, m.partly[b].used) }))
		}
		s = &share{said: map[string]string{}, of: allAbout(msg), used: m.uses}
		m.partly[msg.MessageID] = s
	}
	s.said[to] = what
	delete(m.failed, to)
}

// dial connects, with TLS as configured, and proves who we are.
func (m *mailer) dial(ctx context.Context) (*mail.Client, error) {
	ca := m.o.CAFile
	if m.o.TLS == NoTLS {
		ca = ""
	}
	trusted, err := clientTLS(ca, m.host)
	if err != nil {
		return nil, err
	}
	options := []mail.Option{mail.WithPort(m.port), mail.WithTimeout(m.o.Timeout), mail.WithTLSConfig(trusted),
		mail.WithoutNoop(),
		// Not with the context it is given, which ends with the dialling.
		mail.WithDialContextFunc(func(_ context.Context, network, address string) (net.Conn, error) {
			return m.connect(ctx, network, address, trusted)
		})}
	switch m.o.TLS {
	case StartTLS:
		options = append(options, mail.WithTLSPolicy(mail.TLSMandatory))
	case OnlyTLS:
		// connect brings TLS along; this asks only whether there is some.
		options = append(options, mail.WithTLSPolicy(mail.TLSOpportunistic))
	default:
		options = append(options, mail.WithTLSPolicy(mail.NoTLS))
	}
	if m.o.User != "" {
		password, err := m.o.Password.read()
		if err != nil {
			return nil, err
		}
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(m.o.User), mail.WithPassword(password))
	}
	client, err := mail.NewClient(m.host, options...)
	if err != nil {
		return nil, err
	}
	if err := client.DialWithContext(ctx); err != nil {
		return nil, err
	}
	return client, nil
}

// connect opens a connection that ends with ctx, whatever the server does.
func (m *mailer) connect(ctx context.Context, network, address string, trusted *tls.Config) (net.Conn, error) {
	conn, err := (&net.Dialer{Timeout: min(m.o.Timeout, 5*time.Second)}).DialContext(ctx, network, address)
	if err != nil {
		return nil, err
	}
	context.AfterFunc(ctx, func() { conn.Close() })
	if m.o.TLS == OnlyTLS {
		return tls.Client(conn, trusted), nil
	}
	return conn, nil
}

// trouble says what an error of the server or the way to it comes to; RFC 5321,
// section 4.2.1: 4xx passes, 5xx does not. What people can mend does pass.
func (m *mailer) trouble(ctx context.Context, err error) result {
	if err == nil {
		return result{outcome: retry, err: fmt.Errorf("%s did not say whether it took the message", m.o.Server)}
	}
	if late, is := errors.AsType[net.Error](err); errors.Is(ctx.Err(), context.DeadlineExceeded) || is && late.Timeout() {
		return result{outcome: unheard, err: fmt.Errorf("%s did not answer within %s", m.o.Server, m.o.Timeout)}
	}
	told := fmt.Errorf("sending by %s: %w", m.o.Server, m.o.Password.hide(err, m.o.User))
	var said *mail.SendError
	if !errors.As(err, &said) {
		if _, is := errors.AsType[*net.OpError](err); is {
			return result{outcome: unheard, err: told}
		}
		return result{outcome: retry, err: told}
	}
	switch code := said.ErrorCode(); {
	case code == 421:
		return result{outcome: pause, err: told}
	case said.Reason != mail.ErrSMTPRcptTo && said.Reason != mail.ErrSMTPData && said.Reason != mail.ErrSMTPDataClose,
		code == 530, code == 535, code == 538: // RFC 4954: authentication
		return result{outcome: retry, err: told} // it is about all messages, and not about this one
	case code >= 500 && code <= 599:
		return result{outcome: refused, err: told}
	}
	return result{outcome: retry, err: told}
}

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
