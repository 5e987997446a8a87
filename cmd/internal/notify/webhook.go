package notify

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"strconv"
	"time"
)

// WebhookOptions is what a webhook is made of; URL is needed.
type WebhookOptions struct {
	URL     string        // http or https; may hold a secret, which is never printed
	Token   Secret        // sent as a bearer token
	Signing Secret        // signs each request
	CAFile  string        // of authorities to trust in place of the system's
	Timeout time.Duration // of one attempt, all in all; default 10 s
}

// Headers of a signed request. The signature is "v1=" and, in hexadecimal, the
// HMAC-SHA256 (RFC 2104) of the timestamp, a full stop and the body, under the
// secret. The timestamp is seconds since 1970-01-01 UTC, of the attempt: a
// receiver refuses what is older than it likes, and so nobody plays one back.
const (
	headerTimestamp = "Ovenward-Timestamp"
	headerSignature = "Ovenward-Signature"
)

type webhook struct {
	*poster
	o WebhookOptions
}

// NewWebhook makes a Carrier that POSTs each message as JSON, in the form that
// the package comment tells. It opens no connection and reads no secret.
func NewWebhook(o WebhookOptions) (Carrier, error) {
	p, err := newPoster(o.URL, o.Timeout, o.Token.Set(), o.CAFile)
	if err != nil {
		return nil, err
	}
	return &webhook{poster: p, o: o}, nil
}

func (h *webhook) send(ctx context.Context, m Message) result { return h.attempt(ctx, m, h.timeout) }

func (h *webhook) attempt(ctx context.Context, m Message, timeout time.Duration) result {
	body, err := json.Marshal(m)
	if err != nil {
		return result{outcome: retry, err: fmt.Errorf("writing the message as JSON: %w", err)}
	}
	return h.post(ctx, body, timeout, func(req *http.Request) error {
		// This also lets the transport repeat a request whose idle connection died.
		req.Header.Set("Idempotency-Key", m.MessageID)
		if h.o.Token.Set() {
			token, err := h.o.Token.readToken()
			if err != nil {
				return err
			}
			req.Header.Set("Authorization", "Bearer "+token)
		}
		if h.o.Signing.Set() {
			secret, err := h.o.Signing.read()
			if err != nil {
				return err
			}
			stamp := strconv.FormatInt(time.Now().Unix(), 10)
			req.Header.Set(headerTimestamp, stamp)
			req.Header.Set(headerSignature, sign(secret, stamp, body))
		}
		return nil
	})
}

func sign(secret, stamp string, body []byte) string {
	mac := hmac.New(sha256.New, []byte(secret))
	mac.Write([]byte(stamp))
	mac.Write([]byte{'.'})
	mac.Write(body)
	return "v1=" + hex.EncodeToString(mac.Sum(nil))
}
