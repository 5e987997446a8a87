package notify

import (
	"crypto/tls"
	"encoding/pem"
	"io"
	"net"
	"net/http/httptest"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
)

// certified returns a certificate for 127.0.0.1 and a file with its authority.
func certified(t *testing.T) (tls.Certificate, string) {
	t.Helper()
	s := httptest.NewTLSServer(nil)
	defer s.Close()
	file := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	return s.TLS.Certificates[0], file
}

func secretFile(t *testing.T, secret string) Secret {
	t.Helper()
	file := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(file, []byte(secret+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return Secret{File: file}
}

// post office is a real SMTP server on a real port.
type postOffice struct {
	address string
	mu      sync.Mutex
	letters []letter
	rcpt    func(to string, n int) error // what to say to the n-th recipient asked about; nil: yes
	asked   int
	encrypt []bool // of each session that authenticated
}

type letter struct {
	to   string
	data []byte
}

func newPostOffice(t *testing.T, cert tls.Certificate, implicit bool) *postOffice {
	t.Helper()
	p := &postOffice{}
	s := smtp.NewServer(p)
	s.Domain = "larkfield.example"
	s.ReadTimeout, s.WriteTimeout = deadline, deadline
	s.TLSConfig = &tls.Config{Certificates: []tls.Certificate{cert}}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p.address = l.Addr().String()
	if implicit {
		l = tls.NewListener(l, s.TLSConfig)
		s.TLSConfig = nil
	}
	served := make(chan error, 1)
	go func() { served <- s.Serve(l) }()
	t.Cleanup(func() {
		s.Close()
		<-served
	})
	return p
}

func (p *postOffice) NewSession(c *smtp.Conn) (smtp.Session, error) {
	_, encrypted := c.TLSConnectionState()
	return &sitting{p: p, encrypted: encrypted}, nil
}

// sitting is one session.
type sitting struct {
	p         *postOffice
	encrypted bool
	known     bool
	to        string
}

func (s *sitting) AuthMechanisms() []string { return []string{sasl.Plain} }

func (s *sitting) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, password string) error {
		if user != "ovenward" || password != "a-secret" {
			return smtp.ErrAuthFailed
		}
		s.known = true
		s.p.mu.Lock()
		defer s.p.mu.Unlock()
		s.p.encrypt = append(s.p.encrypt, s.encrypted)
		return nil
	}), nil
}

func (s *sitting) Mail(string, *smtp.MailOptions) error {
	if !s.known {
		return smtp.ErrAuthRequired
	}
	return nil
}

func (s *sitting) Rcpt(to string, _ *smtp.RcptOptions) error {
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	s.p.asked++
	s.to = to
	if s.p.rcpt != nil {
		return s.p.rcpt(to, s.p.asked)
	}
	return nil
}

func (s *sitting) Data(r io.Reader) error {
	data, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	s.p.letters = append(s.p.letters, letter{s.to, data})
	return nil
}

func (s *sitting) Reset()        {}
func (s *sitting) Logout() error { return nil }

func (p *postOffice) got() []letter {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]letter(nil), p.letters...)
}
