package store

import (
	"net/url"
	"path/filepath"
	"testing"
	"time"

	"ovenward/acquire"
)

// BenchmarkSecond records one second of 8 posts at 10 Hz until it is durable,
// and beside it does the same as a plain loop of inserts, each its own commit,
// through the same driver with the same settings. Compare the two in one run.
func BenchmarkSecond(b *testing.B) {
	names := []string{"a", "b", "c", "d", "e", "f", "g", "h"}
	b.Run("store", func(b *testing.B) { benchStore(b, names) })
	b.Run("plain", func(b *testing.B) { benchPlain(b, names) })
}

func benchStore(b *testing.B, names []string) {
	done := make(chan int, 1)
	s := open(b, b.TempDir(), Options{CommitEvery: time.Hour, onCommit: func(t *batch) {
		done <- t.samples
	}})
	var posts []acquire.Post
	for _, n := range names {
		posts = append(posts, post(n))
	}
	register(b, s, posts...)
	seq := int64(0)
	b.ResetTimer()
	for b.Loop() {
		for range 10 {
			seq++
			one := []acquire.Sample{sample(seq)}
			for i := range names {
				s.Append(i, one)
			}
		}
		s.mu.Lock()
		s.queue.urgent = true
		s.mu.Unlock()
		s.wake()
		for n := 0; n < 80; {
			n += <-done
		}
	}
	b.ReportMetric(80*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
}

func benchPlain(b *testing.B, names []string) {
	path := filepath.Join(b.TempDir(), "plain.db")
	db, err := openDB(path, url.Values{"_pragma": {"journal_mode(WAL)", "synchronous(FULL)"}})
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if _, err := db.Exec("CREATE TABLE samples (post TEXT, seq INTEGER, at_ns INTEGER, said TEXT, value REAL, PRIMARY KEY (post, seq)) WITHOUT ROWID"); err != nil {
		b.Fatal(err)
	}
	st, err := db.Prepare("INSERT INTO samples VALUES (?, ?, ?, ?, ?)")
	if err != nil {
		b.Fatal(err)
	}
	defer st.Close()
	seq := int64(0)
	b.ResetTimer()
	for b.Loop() {
		for range 10 {
			seq++
			one := sample(seq)
			for _, n := range names {
				if _, err := st.Exec(n, one.Seq, one.At.UnixNano(), string(one.Said), one.Reading.Value.Float()); err != nil {
					b.Fatal(err)
				}
			}
		}
	}
	b.ReportMetric(80*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
}

// BenchmarkRead reads 200 000 samples of one post, corrected.
func BenchmarkRead(b *testing.B) {
	const rows = 200_000
	s := open(b, b.TempDir(), Options{})
	register(b, s, post("fryer"))
	for n := int64(1); n <= rows; n += 1000 {
		s.Append(0, samples(n, n+999))
	}
	drained(b, s)
	for b.Loop() {
		if n := len(everything(b, s.Reader, "fryer")); n != rows {
			b.Fatalf("%d samples, want %d", n, rows)
		}
	}
	b.ReportMetric(rows*float64(b.N)/b.Elapsed().Seconds(), "samples/s")
}
