package remotewrite

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// outcome is what a request comes to.
type outcome uint8

const (
	accepted  outcome = iota
	retry             // the same request again, later
	tooOld            // some of it is older than the receiver takes
	badSample         // some sample of it is refused, and takes the others with it
	refused           // never again, and nothing else until the receiver lets in an empty one
)

// answer is what came of one request.
type answer struct {
	outcome outcome
	after   time.Duration // what the receiver asked for; 0: nothing
	err     error         // why it was not accepted
}

// decide says what an HTTP status and the text beside it come to. The
// specification (remote write 1.0, 'Retries & Backoff') has 5xx tried again, and
// 4xx never but 429. Of a sample out of its bounds receivers differ: Prometheus
// 2.42 answers 400 'out of bounds' or 500 'too old sample', which asked for again
// would come back for ever.
func decide(status int, text string) outcome {
	text = strings.ToLower(text)
	says := func(words ...string) bool {
		for _, w := range words {
			if strings.Contains(text, w) {
				return true
			}
		}
		return false
	}
	old := says("too old", "out of bounds")
	switch {
	case status >= 200 && status <= 299:
		return accepted
	case old && (status == http.StatusBadRequest || status == http.StatusUnprocessableEntity || status == http.StatusInternalServerError):
		return tooOld
	case status == http.StatusTooManyRequests:
		return retry
	case (status == http.StatusBadRequest || status == http.StatusUnprocessableEntity) &&
		says("out of order", "out-of-order", "duplicate", "too far in the future"):
		return badSample
	case status >= 400 && status <= 499:
		return refused
	}
	return retry // 5xx; and a redirect, which is not followed and may be a gateway's
}

const (
	firstWait   = time.Second
	longestWait = time.Minute
	longestHold = time.Hour // that a Retry-After can ask for
)

// LongestRound is how long a Writer may take between two calls of Options.Round:
// the longest hold that a receiver can ask for, and what reading and pacing add.
const LongestRound = longestHold + 10*time.Minute

// backoff returns the wait after the n-th failure in a row (1, 2, …): doubling
// from 1 s to 1 min, less up to half of it by chance in [0, 1).
func backoff(n int, chance float64) time.Duration {
	wait := firstWait << min(n-1, 10)
	wait = min(wait, longestWait)
	return wait - time.Duration(chance*float64(wait)/2)
}

// retryAfter reads the header of that name (RFC 9110, section 10.2.3).
func retryAfter(header string, now time.Time) time.Duration {
	header = strings.TrimSpace(header)
	if n, err := strconv.ParseUint(header, 10, 32); err == nil {
		return min(time.Duration(n)*time.Second, longestHold)
	}
	if at, err := http.ParseTime(header); err == nil {
		return min(max(at.Sub(now), 0), longestHold)
	}
	return 0
}

// newTransport makes a transport that uses no proxy and keeps few connections.
// It is used without a client: a transport follows no redirect, so no secret
// goes where the configuration does not say.
func newTransport(o Options) (http.RoundTripper, error) {
	t := &http.Transport{
		DialContext:           (&net.Dialer{Timeout: min(o.Timeout, 10*time.Second)}).DialContext,
		TLSHandshakeTimeout:   min(o.Timeout, 10*time.Second),
		ResponseHeaderTimeout: o.Timeout, IdleConnTimeout: time.Minute,
		MaxIdleConnsPerHost: 1, MaxConnsPerHost: 2, MaxResponseHeaderBytes: 64 << 10, ForceAttemptHTTP2: true,
		TLSClientConfig: &tls.Config{MinVersion: tls.VersionTLS12},
	}
	if o.CAFile == "" {
		return t, nil
	}
	var err error
	t.TLSClientConfig.RootCAs, err = authorities(o.CAFile)
	if err != nil {
		return nil, err
	}
	return t, nil
}

// authorities reads a file of certificates.
func authorities(path string) (*x509.CertPool, error) {
	pem, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading the certificate authority: %w; name a PEM file as ca_file", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("ca_file %s holds no certificate in PEM form", path)
	}
	return pool, nil
}

// parseURL refuses what cannot be sent to. Its errors hold nothing of the URL
// but its host: the rest may be a secret.
func parseURL(s string, secret bool) (*url.URL, error) {
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "":
		return nil, errors.New("the URL is not usable; want https://host/path")
	case u.User != nil:
		return nil, errors.New("the URL holds a user name or password; keep them in files")
	case secret && u.Scheme == "http" && !loopback(u.Hostname()):
		return nil, fmt.Errorf("a secret would go to %s unencrypted; use https", u.Host)
	}
	u.Fragment = ""
	return u, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// redacted names where a writer sends, without what may be a secret.
func redacted(u *url.URL) string {
	if u.RawQuery != "" {
		return u.Scheme + "://" + u.Host + "/…"
	}
	return u.Scheme + "://" + u.Host + u.Path
}

const (
	maxAnswer = 64 << 10 // read of an answer
	maxTold   = 300      // of it, told to people
	maxSecret = 8 << 10
)

// post makes one request, which ends when the timeout has passed.
func (w *Writer) post(ctx context.Context, body []byte) answer {
	w.o.Round()
	defer w.o.Round()
	ctx, cancel := context.WithTimeout(ctx, w.o.Timeout)
	defer cancel()
	req, err := w.request(ctx, body)
	if err != nil {
		return answer{outcome: retry, err: err}
	}
	if w.o.transport == nil { // first of all, and again until its authorities can be read
		if w.o.transport, err = newTransport(w.o); err != nil {
			return answer{outcome: retry, err: err}
		}
	}
	resp, err := w.o.transport.RoundTrip(req)
	if err != nil {
		if errors.Is(ctx.Err(), context.DeadlineExceeded) {
			err = fmt.Errorf("no answer within %s", w.o.Timeout)
		}
		return answer{outcome: retry, err: fmt.Errorf("sending to %s: %w", w.to, err)}
	}
	defer resp.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(resp.Body, maxAnswer))
	now := w.o.Now()
	date, err := http.ParseTime(resp.Header.Get("Date"))
	if err != nil {
		date = time.Time{}
	}
	w.horizon.learn(date, now, w.o.mono())
	a := answer{outcome: decide(resp.StatusCode, string(text))}
	if a.outcome == accepted {
		return a
	}
	a.err = fmt.Errorf("%s answered %d %s: %s", w.to, resp.StatusCode, http.StatusText(resp.StatusCode), quoted(text, req))
	if resp.StatusCode >= 300 && resp.StatusCode <= 399 {
		a.err = fmt.Errorf("%s answered %d: redirects are not followed, configure the final URL", w.to, resp.StatusCode)
	}
	a.after = retryAfter(resp.Header.Get("Retry-After"), now)
	return a
}

// quoted is an answer's text, unless it repeats what the request proved itself by:
// some servers say back what they were sent.
func quoted(text []byte, req *http.Request) string {
	_, proof, _ := strings.Cut(req.Header.Get("Authorization"), " ")
	_, password, _ := req.BasicAuth()
	for _, secret := range []string{proof, password, req.URL.RawQuery} {
		if secret != "" && bytes.Contains(text, []byte(secret)) {
			return "(its words repeat a secret, so they are not shown)"
		}
	}
	return told(text)
}

// told is an answer's text as one line of plain text.
func told(text []byte) string {
	s := strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, strings.TrimSpace(string(text)))
	if r := []rune(s); len(r) > maxTold {
		s = string(r[:maxTold]) + "…"
	}
	return s
}

func (w *Writer) request(ctx context.Context, body []byte) (*http.Request, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url.String(), bytes.NewReader(body))
	if err != nil {
		return nil, errors.New("making the request: the URL is not usable, look at the configuration")
	}
	req.Header.Set("Content-Type", "application/x-protobuf")
	req.Header.Set("Content-Encoding", "snappy")
	req.Header.Set("X-Prometheus-Remote-Write-Version", "0.1.0")
	req.Header.Set("User-Agent", "ovenward/"+w.o.Version)
	switch {
	case w.o.TokenFile != "":
		token, err := secret(w.o.TokenFile)
		if err != nil {
			return nil, err
		}
		req.Header.Set("Authorization", "Bearer "+token)
	case w.o.PasswordFile != "":
		password, err := secret(w.o.PasswordFile)
		if err != nil {
			return nil, err
		}
		req.SetBasicAuth(w.o.Username, password)
	}
	return req, nil
}

// CheckSecret says why a token or a password cannot be used, and never what it is.
func CheckSecret(path string) error {
	_, err := secret(path)
	return err
}

// secret reads a token or a password, one line.
func secret(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("reading a secret: %w", err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxSecret+1))
	if err != nil {
		return "", fmt.Errorf("reading a secret: %w", err)
	}
	s := strings.TrimRight(string(b), "\r\n")
	if s == "" || len(b) > maxSecret || strings.ContainsFunc(s, unicode.IsControl) {
		return "", fmt.Errorf("reading a secret: %s must hold one line of text, and nothing else", path)
	}
	return s, nil
}
