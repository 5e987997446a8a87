package notify

import (
	"net/http"
	"strconv"
	"strings"
	"time"
)

// outcome is what an attempt comes to.
type outcome uint8

const (
	accepted outcome = iota
	retry            // this message again, later
	pause            // the receiver wants quiet: nothing for as long as it says; where it does not say, as unheard
	unheard          // nobody answered: again, later; what comes meanwhile is tried once
	refused          // never again
)

// decide says what an HTTP status comes to. A redirect is none we follow, and
// may be a gateway's and pass: it is tried again, for nothing was accepted.
func decide(status int) outcome {
	switch {
	case status >= 200 && status <= 299:
		return accepted
	case status == http.StatusTooManyRequests, status == http.StatusServiceUnavailable:
		return pause
	case status == http.StatusRequestTimeout, status == http.StatusTooEarly:
		return retry
	case status == http.StatusUnauthorized, status == http.StatusForbidden,
		status == http.StatusNotFound, status == http.StatusProxyAuthRequired:
		// An expired token or a wrong path is mended by people, and until then
		// it must not bury an exceedance.
		return retry
	case status >= 400 && status <= 499:
		return refused
	}
	return retry
}

const (
	firstWait   = time.Second
	longestWait = 5 * time.Minute
	// longestHold is the longest quiet that a receiver can ask for: chatter of
	// one alarm may not mute another for longer.
	longestHold = longestWait
)

// backoff returns the wait after the n-th failure in a row (1, 2, …): doubling
// from 1 s to 5 min, less up to half of it by chance in [0, 1), so that many
// couriers do not come back at one moment; never less than 1 s.
func backoff(n int, chance float64) time.Duration {
	wait := firstWait
	for range n - 1 {
		if wait *= 2; wait >= longestWait {
			wait = longestWait
			break
		}
	}
	return max(wait-time.Duration(chance*float64(wait)/2), firstWait)
}

// retryAfter reads the header of that name (RFC 9110, section 10.2.3): seconds
// or an HTTP date. It returns 0 when there is none or it makes no sense.
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
