package notify

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"time"
)

// result is what came of one attempt.
type result struct {
	w       *waiting
	outcome outcome
	after   time.Duration // what the receiver asked for; 0: nothing
	err     error         // why it was not accepted, without secrets
}

// newTransport makes a transport that uses no proxy and keeps few connections.
// It is used without a client: a transport follows no redirect.
func newTransport(timeout time.Duration) *http.Transport {
	return &http.Transport{
		Proxy:                  nil,
		DialContext:            (&net.Dialer{Timeout: min(timeout, 5*time.Second)}).DialContext,
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

// post makes one attempt, which ends when the timeout has passed.
func (c *Courier) post(ctx context.Context, m Message) result {
	ctx, cancel := context.WithTimeout(ctx, c.o.Timeout)
	defer cancel()
	req, err := c.request(ctx, m)
	if err != nil {
		return result{outcome: retry, err: err}
	}
	resp, err := c.transport.RoundTrip(req)
	if err != nil {
		if errors.Is(ctx.Err(), context.DeadlineExceeded) {
			err = fmt.Errorf("no answer within %s", c.o.Timeout)
		}
		return result{outcome: unheard, err: fmt.Errorf("sending to %s: %w", c.to, err)}
	}
	defer resp.Body.Close()
	// What the body says may hold secrets and is not ours to print.
	_, _ = io.CopyN(io.Discard, resp.Body, maxAnswer)
	r := result{outcome: decide(resp.StatusCode)}
	if r.outcome == accepted {
		return r
	}
	r.err = fmt.Errorf("%s answered %d %s", c.to, resp.StatusCode, http.StatusText(resp.StatusCode))
	if resp.StatusCode >= 300 && resp.StatusCode <= 399 {
		r.err = fmt.Errorf("%w: redirects are not followed, configure the final URL", r.err)
	}
	if r.outcome == pause {
		r.after = retryAfter(resp.Header.Get("Retry-After"), time.Now())
	}
	return r
}

func (c *Courier) request(ctx context.Context, m Message) (*http.Request, error) {
	body, err := json.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("writing the message as JSON: %w", err)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, c.url.String(), bytes.NewReader(body))
	if err != nil {
		return nil, errors.New("making the request: the URL is not usable, look at the configuration")
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("User-Agent", "ovenward")
	// This also lets the transport repeat a request whose idle connection died.
	req.Header.Set("Idempotency-Key", m.MessageID)
	if u := c.url.User; u != nil {
		password, _ := u.Password()
		req.SetBasicAuth(u.Username(), password)
	}
	if c.o.TokenFile != "" {
		token, err := readToken(c.o.TokenFile)
		if err != nil {
			return nil, err
		}
		req.Header.Set("Authorization", "Bearer "+token)
	}
	return req, nil
}

// maxToken bounds a token file.
const maxToken = 8 << 10

func readToken(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", fmt.Errorf("reading the token: %w", err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxToken+1))
	if err != nil {
		return "", fmt.Errorf("reading the token: %w", err)
	}
	token := strings.TrimSpace(string(b))
	bad := func(r rune) bool { return r <= ' ' || r > '~' }
	if token == "" || len(b) > maxToken || strings.ContainsFunc(token, bad) {
		return "", fmt.Errorf("reading the token: %s must hold one token of printable ASCII, and nothing else", path)
	}
	return token, nil
}
