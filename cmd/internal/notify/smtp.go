package notify

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"time"

	"github.com/wneessen/go-mail"
)

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
