package notify

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// Secret says where a secret is kept: in a file, or as a credential of the
// service manager, a file in the folder that $CREDENTIALS_DIRECTORY names. It is
// read for every use, so that a new one needs no restart. The zero Secret is none.
type Secret struct {
	File       string
	Credential string
}

// Set says whether there is one.
func (s Secret) Set() bool { return s != Secret{} }

// maxSecret bounds a secret's file, in bytes.
const maxSecret = 8 << 10

// Check says why the secret cannot be used, and never what it is.
func (s Secret) Check() error {
	_, err := s.read()
	return err
}

// read returns the secret: one line of printable ASCII. Its errors name the file
// and never what is in it.
func (s Secret) read() (string, error) {
	path := s.File
	if s.Credential != "" {
		dir := os.Getenv("CREDENTIALS_DIRECTORY")
		if dir == "" {
			return "", fmt.Errorf("reading credential %s: $CREDENTIALS_DIRECTORY is not set; let the service manager load it (LoadCredential=%s:PATH), or name a file", s.Credential, s.Credential)
		}
		if s.Credential != filepath.Base(s.Credential) {
			return "", fmt.Errorf("reading credential %s: it is a name, not a path", s.Credential)
		}
		path = filepath.Join(dir, s.Credential)
	}
	b, err := readBounded(path, maxSecret)
	if err != nil {
		return "", fmt.Errorf("reading the secret: %w", err)
	}
	secret := strings.TrimSpace(string(b))
	bad := func(r rune) bool { return r < ' ' || r > '~' }
	if secret == "" || strings.ContainsFunc(secret, bad) {
		return "", fmt.Errorf("reading the secret: %s must hold one line of printable ASCII, and nothing else", path)
	}
	return secret, nil
}

// hide returns err, unless its words repeat the secret, plain or as SMTP carries
// it: some servers say back what they were sent.
func (s Secret) hide(err error, user string) error {
	if !s.Set() {
		return err
	}
	secret, unread := s.read()
	if unread != nil {
		return err // so it was not sent either
	}
	for _, form := range []string{secret, coded(secret), coded("\x00" + user + "\x00" + secret)} {
		if strings.Contains(err.Error(), form) {
			return errors.New("the server refused, in words that repeat the secret, so they are not shown")
		}
	}
	return err
}

func coded(s string) string { return base64.StdEncoding.EncodeToString([]byte(s)) }

// readToken reads a secret that goes into a header.
func (s Secret) readToken() (string, error) {
	token, err := s.read()
	if err == nil && strings.Contains(token, " ") {
		return "", errors.New("reading the token: it holds a blank; the file must hold one token and nothing else")
	}
	return token, err
}

func readBounded(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(b)) > most {
		err = fmt.Errorf("%s is longer than %d bytes", path, most)
	}
	return b, err
}

// maxAuthorities bounds a file of certificates, in bytes.
const maxAuthorities = 1 << 20

// authorities makes a TLS configuration that trusts the certificates in a PEM
// file, and nobody else; nil, the system's, when the file is not named.
func authorities(path string) (*tls.Config, error) {
	if path == "" {
		return nil, nil
	}
	pem, err := readBounded(path, maxAuthorities)
	if err != nil {
		return nil, fmt.Errorf("reading the authorities: %w; name a PEM file in ca_file", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("reading the authorities: %s holds no certificate in PEM; name a file that does in ca_file", path)
	}
	return &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}, nil
}

// CheckAuthorities says why a file of authorities cannot be used. What reads it does so
// when it first needs it, and again until it can: a file that is missing costs
// messages, and not the watch.
func CheckAuthorities(path string) error {
	_, err := authorities(path)
	return err
}

// clientTLS is authorities for a connection to host; the system's when no file is named.
func clientTLS(path, host string) (*tls.Config, error) {
	c, err := authorities(path)
	if err != nil {
		return nil, err
	}
	if c == nil {
		c = &tls.Config{MinVersion: tls.VersionTLS12}
	}
	c.ServerName = host
	return c, nil
}
