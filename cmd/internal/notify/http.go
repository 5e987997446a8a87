package notify

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"
)

// poster POSTs JSON to one URL, bounded in time and in what it reads. It follows
// no redirect and uses no proxy.
type poster struct {
	url       *url.URL
	name      string // for people, without secrets
	timeout   time.Duration
	transport *http.Transport

	mu sync.Mutex
	ca string // of authorities that the transport does not know yet; empty: it knows all
}

const defaultTimeout = 10 * time.Second

// newPoster checks the address. secret says that something secret goes with it,
// which must not cross a network in the open.
func newPoster(address string, timeout time.Duration, secret bool, ca string) (*poster, error) {
	if timeout <= 0 {
		timeout = defaultTimeout
	}
	u, err := parseURL(address, secret)
	if err != nil {
		return nil, err
	}
	p := &poster{url: u, name: redacted(u), timeout: timeout, transport: newTransport(timeout)}
	if u.Scheme == "https" {
		p.ca = ca
	}
	return p, nil
}

// trust has the transport know its authorities before it is first used.
func (p *poster) trust() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.ca == "" {
		return nil
	}
	tls, err := authorities(p.ca)
	if err != nil {
		return err
	}
	p.transport.TLSClientConfig, p.ca = tls, ""
	return nil
}

func (p *poster) to() string { return p.name }

func (p *poster) close() { p.transport.CloseIdleConnections() }

// parseURL refuses what cannot be sent to. Its errors hold nothing of the URL
// but its scheme and host: the rest may be a secret.
func parseURL(s string, token bool) (*url.URL, error) {
	u, err := url.Parse(s)
	switch {
	case err != nil:
		return nil, errors.New("the URL does not parse; want https://host/path")
	case u.Scheme != "http" && u.Scheme != "https":
		return nil, errors.New("the URL must begin with https:// or http://")
	case u.Hostname() == "":
		return nil, errors.New("the URL names no host; want https://host/path")
	case token && u.Scheme == "http" && !loopback(u.Hostname()):
		return nil, fmt.Errorf("a token would go to %s unencrypted; use https, or no token", u.Host)
	}
	u.Fragment = ""
	return u, nil
}

func loopback(host string) bool {
	return host == "localhost" || host == "::1" || strings.HasPrefix(host, "127.")
}

// redacted names where a courier sends, without what may be a secret.
func redacted(u *url.URL) string {
	s := u.Scheme + "://" + u.Host
	if u.User != nil || u.RawQuery != "" || strings.Trim(u.Path, "/") != "" {
		s += "/…"
	}
	return s
}

// newTransport makes a transport that uses no proxy and keeps few connections.
// It is used without a client: a transport follows no redirect.
func newTransport(timeout time.Duration) *http.Transport {
	return &http.Transport{
		Proxy:                  nil,
		DialContext:            gated(&net.Dialer{Timeout: min(timeout, 5*time.Second)}),
		TLSHandshakeTimeout:    min(timeout, 5*time.Second),
		ResponseHeaderTimeout:  timeout,
		IdleConnTimeout:        30 * time.Second,
		MaxIdleConnsPerHost:    maxFlying,
		MaxConnsPerHost:        2 * maxFlying,
		MaxResponseHeaderBytes: 64 << 10,
		ForceAttemptHTTP2:      true,
	}
}

// maxAnswer bounds what is read of an answer, only to keep its connection.
const maxAnswer = 16 << 10

// post makes one attempt, which ends when the timeout has passed. dress adds
// headers, and may fail.
func (p *poster) post(ctx context.Context, body []byte, timeout time.Duration, dress func(*http.Request) error) result {
	if err := p.trust(); err != nil {
		return result{outcome: retry, err: err}
	}
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, p.url.String(), bytes.NewReader(body))
	if err != nil {
		return result{outcome: retry, err: errors.New("making the request: the URL is not usable, look at the configuration")}
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "ovenward")
	if u := p.url.User; u != nil {
		password, _ := u.Password()
		req.SetBasicAuth(u.Username(), password)
	}
	if err := dress(req); err != nil {
		return result{outcome: retry, err: err}
	}
	resp, err := p.transport.RoundTrip(req)
	if err != nil {
		if errors.Is(ctx.Err(), context.DeadlineExceeded) {
			err = fmt.Errorf("no answer within %s", timeout)
		}
		return result{outcome: unheard, err: fmt.Errorf("sending to %s: %w", p.name, err)}
	}
	defer resp.Body.Close()
	// What the body says may hold secrets and is not ours to print.
	_, _ = io.CopyN(io.Discard, resp.Body, maxAnswer)
	return p.judge(resp)
}

// judge says what an answer comes to.
func (p *poster) judge(resp *http.Response) result {
	r := result{outcome: decide(resp.StatusCode), answer: strings.TrimSpace(fmt.Sprintf("HTTP %d %s", resp.StatusCode, http.StatusText(resp.StatusCode)))}
	if r.outcome == accepted {
		return r
	}
	r.err = fmt.Errorf("%s answered %d %s", p.name, resp.StatusCode, http.StatusText(resp.StatusCode))
	if resp.StatusCode >= 300 && resp.StatusCode <= 399 {
		r.err = fmt.Errorf("%w: redirects are not followed, configure the final URL", r.err)
	}
	if r.outcome == pause {
		r.after = retryAfter(resp.Header.Get("Retry-After"), time.Now())
	}
	return r
}
