package web

import (
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"runtime/debug"
	"slices"
	"strings"
	"time"
)

// contentPolicy lets the page load its own script, style and icon and talk to
// its own origin; nothing inline, nothing from elsewhere, no frame.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// outermost sets the headers every answer carries, and turns a panic into a
// logged problem.
func (s *Server) outermost(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		headers(w.Header())
		s.hurry(w, r)
		out := &begun{ResponseWriter: w}
		defer func() {
			p := recover()
			if p == nil {
				return
			}
			if p == http.ErrAbortHandler {
				panic(p)
			}
			s.log.Error("a request failed inside Ovenward; please report this", "method", r.Method,
				"path", r.URL.Path, "panic", fmt.Sprint(p), "stack", string(debug.Stack()))
			if out.yes {
				panic(http.ErrAbortHandler) // half an answer must not pass for a whole one
			}
			sendProblem(w, r, http.StatusInternalServerError, "this request failed inside Ovenward; the log says more")
		}()
		next.ServeHTTP(out, r)
	})
}

// hurry bounds how long the body of a request may take to come, and its answer to
// be taken, so that a visitor who dawdles does not hold a connection. A stream
// bounds each of its pieces instead.
func (s *Server) hurry(w http.ResponseWriter, r *http.Request) {
	out := http.NewResponseController(w)
	_ = out.SetWriteDeadline(s.o.Now().Add(s.answerIn)) // what cannot be bounded is a recorder in a test
	if r.Body == nil || r.Body == http.NoBody {
		return
	}
	_ = out.SetReadDeadline(s.o.Now().Add(s.bodyIn))
	r.Body = &hurried{ReadCloser: r.Body, out: out}
}

// hurried is a body with a deadline, which ends with it: what is read behind a
// request is whether the visitor is still there, for as long as the answer takes.
type hurried struct {
	io.ReadCloser
	out *http.ResponseController
}

// Read reads on.
func (h *hurried) Read(p []byte) (int, error) {
	n, err := h.ReadCloser.Read(p)
	if errors.Is(err, io.EOF) {
		_ = h.out.SetReadDeadline(time.Time{})
	}
	return n, err
}

// headers sets those that every answer carries.
func headers(h http.Header) {
	h.Set("Content-Security-Policy", contentPolicy)
	h.Set("X-Content-Type-Options", "nosniff")
	// Not no-referrer: browsers then send 'Origin: null' with a form.
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=()")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Cache-Control", "no-store")
}

// begun notes whether an answer has begun.
type begun struct {
	http.ResponseWriter
	yes bool
}

// WriteHeader begins the answer.
func (b *begun) WriteHeader(status int) {
	b.yes = true
	b.ResponseWriter.WriteHeader(status)
}

// Write begins the answer, if nothing did before.
func (b *begun) Write(p []byte) (int, error) {
	b.yes = true
	return b.ResponseWriter.Write(p)
}

// Unwrap lets http.ResponseController reach what flushes and bounds writes.
func (b *begun) Unwrap() http.ResponseWriter { return b.ResponseWriter }

// mayChange says why a request may not change anything; empty when it may. With
// users configured, those that are named operators may. Without users there is
// nothing to tell viewers apart by but where they are: only a browser on this
// machine, speaking to it by a name of its own, may.
func (s *Server) mayChange(r *http.Request) string {
	users, err := s.users()
	switch {
	case err != nil:
		s.log.Error("the users could not be read, so changes are refused", "err", err)
		return "the users of --web.config.file cannot be read, so changes are refused: mend that file"
	case len(users) > 0:
		return s.fromOperator(r, users)
	case len(s.o.Operators) > 0:
		return "[access] of the configuration names operators, but no users are configured to tell them by, so changes are refused: " +
			"name a file with basic_auth_users by --web.config.file"
	}
	for name := range r.Header {
		if forwarded(name) {
			return "this request came through a proxy (" + name + "), so changes are refused: use a browser on the station itself, or configure users"
		}
	}
	from, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil || !from.Addr().Unmap().IsLoopback() {
		return "changes are taken only from the station itself: use a browser on that machine, at a loopback address"
	}
	if !s.ownHost(r.Host) {
		return "this request names another host than the station's own, so changes are refused: use http://127.0.0.1 with the station's port"
	}
	if why := s.fromOtherSite(r); why != "" {
		return why
	}
	// A proxy that tells nothing of itself still hands the browser's Origin on.
	if at := r.Header.Get("Origin"); at != "" {
		if u, err := url.Parse(at); err != nil || u.Host != r.Host {
			return "this request was sent from a page of another address (" + at + "), so changes are refused: use a browser on the station itself, or configure users"
		}
	}
	return ""
}

// forwarded says whether a header is one by which a proxy tells of itself or of whom
// it speaks for (Forwarded is RFC 7239's, Via RFC 9110's; the others are custom,
// from memory).
func forwarded(name string) bool {
	if strings.Contains(name, "Forwarded") || strings.HasSuffix(name, "-Client-Ip") || strings.HasSuffix(name, "-Connecting-Ip") {
		return true
	}
	switch name {
	case "Via", "X-Real-Ip", "X-Original-Host", "X-Original-Url":
		return true
	}
	return false
}

// users returns the names of the users that are configured at this moment; none
// when nobody is asked for a password.
func (s *Server) users() ([]string, error) {
	if s.o.Users == nil {
		return nil, nil
	}
	return s.o.Users()
}

// open says that the page is served beyond this machine to everybody.
func (s *Server) open() string {
	if users, err := s.users(); !s.o.Beyond || err != nil || len(users) > 0 {
		return ""
	}
	return "Anybody who reaches this page reads it, for no users are configured"
}

// userOf names who made a request, where users are configured. That the password
// is right was checked before the request reached any handler.
func (s *Server) userOf(r *http.Request) string {
	users, err := s.users()
	if err != nil || len(users) == 0 {
		return ""
	}
	name, _, _ := r.BasicAuth()
	return name
}

// fromOperator says why a request that a user with a password made may not
// change anything. Where it comes from does not count then, save that no other
// site may have a browser send it.
func (s *Server) fromOperator(r *http.Request, users []string) string {
	user, _, ok := r.BasicAuth()
	switch {
	case !ok || !plain(user, maxWho) || !slices.Contains(users, user):
		return "changes are taken only from a user with a name: give name and password"
	case len(s.o.Operators) == 0:
		return "nobody is named in [access] operators of the configuration, so everybody reads and nobody changes anything: name those who may there"
	case !slices.Contains(s.o.Operators, user):
		return user + " may read, and not change anything: those who may are named in [access] operators of the configuration"
	}
	return s.fromOtherSite(r)
}

func (s *Server) fromOtherSite(r *http.Request) string {
	if err := s.cross.Check(r); err != nil {
		return "this request was sent by another site, so it is refused: use the station's own page"
	}
	return ""
}

// Busy answers that this many connections are open already.
func Busy(w http.ResponseWriter, r *http.Request, most int) {
	headers(w.Header())
	w.Header().Set("Retry-After", "30")
	w.Header().Set("Connection", "close")
	sendProblem(w, r, http.StatusServiceUnavailable, fmt.Sprintf("%d connections are open already: come again in half a minute", most))
}

// ownHost guards against a foreign name that resolves to loopback.
func (s *Server) ownHost(host string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	if a, err := netip.ParseAddr(host); err == nil && a.Unmap().IsLoopback() {
		return true
	}
	return strings.EqualFold(host, "localhost") || s.o.Host != "" && strings.EqualFold(host, strings.Trim(s.o.Host, "[]"))
}
