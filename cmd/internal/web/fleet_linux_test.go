package web

import (
	"bufio"
	"context"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// BenchmarkHundredViewersOverTCP has 100 viewers follow 200 posts that change ten
// times a second, over real connections. The processor's time counts the readers
// too, so it is an upper bound of the daemon's.
func BenchmarkHundredViewersOverTCP(b *testing.B) {
	s := newFleetServer(newFleet(200, time.Now))
	srv := httptest.NewUnstartedServer(s.Handler())
	srv.Config.BaseContext = func(net.Listener) context.Context { return b.Context() }
	srv.Start()
	defer func() { srv.CloseClientConnections(); srv.Close() }()
	var others sync.WaitGroup
	defer others.Wait()
	var first *bufio.Scanner
	for i := range 100 {
		r, err := http.NewRequestWithContext(b.Context(), http.MethodGet, srv.URL+"/api/v1/live", nil)
		if err != nil {
			b.Fatal(err)
		}
		answer, err := (&http.Client{Transport: &http.Transport{}}).Do(r)
		if err != nil {
			b.Fatal(err)
		}
		defer answer.Body.Close()
		if i == 0 {
			first = bufio.NewScanner(answer.Body)
			first.Buffer(nil, 1<<20)
			continue
		}
		others.Go(func() { _, _ = io.Copy(io.Discard, answer.Body) }) // ends with the body
	}
	before, begun := cpu(b), time.Now()
	for b.Loop() {
		for told := false; !told; told = strings.HasPrefix(first.Text(), "data:") {
			if !first.Scan() {
				b.Fatal("the stream of the first viewer ended: ", first.Err())
			}
		}
	}
	b.ReportMetric((cpu(b)-before).Seconds()/time.Since(begun).Seconds(), "cores")
}

// cpu is the processor time this process has used.
func cpu(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
