package main

import (
	"context"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/net/netutil"

	"ovenward/cmd/internal/web"
)

const (
	// turnedAway is how many connections beyond the bound are open at a time, to
	// be told to come again. Further ones wait.
	turnedAway = 50
	// turnedAwayIn is how long one of them stays, whatever it does.
	turnedAwayIn = 5 * time.Second
)

// crowd is a listener that knows which connections are past the bound.
type crowd struct {
	net.Listener
	most int
	open atomic.Int64
}

func newCrowd(l net.Listener, most int) *crowd {
	return &crowd{Listener: netutil.LimitListener(l, most+turnedAway), most: most}
}

// guest is a connection of a crowd.
type guest struct {
	net.Conn
	crowd *crowd
	past  bool        // the bound
	end   *time.Timer // of one past it
	once  sync.Once
}

// Accept waits for the next connection.
func (c *crowd) Accept() (net.Conn, error) {
	conn, err := c.Listener.Accept()
	if err != nil {
		return nil, err
	}
	g := &guest{Conn: conn, crowd: c, past: c.open.Add(1) > int64(c.most)}
	if g.past {
		g.end = time.AfterFunc(turnedAwayIn, func() { _ = conn.Close() }) // the server closes it again
	}
	return g, nil
}

// Close closes the connection, and makes room for another.
func (g *guest) Close() error {
	g.once.Do(func() {
		if g.end != nil {
			g.end.Stop()
		}
		g.crowd.open.Add(-1)
	})
	return g.Conn.Close()
}

// pastBound is the key of what know keeps in a connection's context.
type pastBound struct{}

// know keeps with a connection whether it is past the bound.
func (c *crowd) know(ctx context.Context, conn net.Conn) context.Context {
	if under, ok := conn.(interface{ NetConn() net.Conn }); ok { // TLS
		conn = under.NetConn()
	}
	if g, ok := conn.(*guest); ok && g.past {
		return context.WithValue(ctx, pastBound{}, true)
	}
	return ctx
}

// turnAway tells those past the bound to come again, and lets all others through.
func (c *crowd) turnAway(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Context().Value(pastBound{}) != nil {
			web.Busy(w, r, c.most)
			return
		}
		next.ServeHTTP(w, r)
	})
}
