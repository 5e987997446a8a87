package reference

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/store"
	"ovenward/acquire/store/storetest"
	"ovenward/drivers"
)

// recordIn is child for a process that fills a record.
const recordIn = "OVENWARD_REFERENCE_RECORD"

// fillRecord records n readings of each of so many posts, a second of them at a
// time, as the daemon does, and returns when all are durable. It leaves the record
// open.
func fillRecord(dir string, series, n, places int) (*store.Store, error) {
	s, err := store.Open(dir, store.Options{CommitEvery: 10 * time.Millisecond})
	if err != nil {
		return nil, err
	}
	if err := s.Register(posts(series), start()); err != nil {
		return nil, err
	}
	signals, batch := make([]*storetest.Signal, series), make([]acquire.Sample, 10)
	for i := range signals {
		signals[i] = storetest.New(uint64(i+1), places, start())
		s.Correction(i, calib.Correction{Certificate: &calib.Certificate{Number: "K-1", Factor: 1.04, U: 0.12, K: 2, Date: start().AddDate(0, -6, 0), Due: start().AddDate(1, 0, 0)}})
		for j := range batch {
			batch[j].Said = make([]byte, 0, 23)
		}
	}
	for done := 0; done < n; done += len(batch) {
		for i, signal := range signals {
			for j := range batch {
				x := &batch[j]
				at, digits := signal.Next()
				x.Seq, x.At, x.AtU, x.Said = int64(done+j+1), time.Unix(0, at), time.Millisecond, signal.AppendSaid(x.Said[:0], digits)
				x.Reading.Value, x.Reading.HasValue, x.Reading.Unit = drivers.Decimal{Digits: digits, Exp: int8(-places)}, true, "mW/cm2"
			}
			s.Append(i, batch)
		}
		settle(s, 50_000)
	}
	settle(s, 0)
	return s, nil
}

// settle waits until no more than most samples are not yet durable.
func settle(s *store.Store, most int) {
	for s.Stats().Pending > most {
		time.Sleep(100 * time.Microsecond)
	}
}

// monthRecord records 30 days of one post, and closes the record. Filled in a minute
// it holds pages that are free; it gives them back every 30 s, which is waited for.
func monthRecord(b *testing.B, dir string, places int) {
	b.Helper()
	s := must(fillRecord(dir, 1, storetest.Month, places))(b)
	if st := s.Stats(); st.Lost != 0 || st.Refused != 0 || st.Samples != storetest.Month {
		b.Fatalf("%+v", st)
	}
	full := recordSize(b, dir)
	for end := time.Now().Add(40 * time.Second); recordSize(b, dir) >= full && time.Now().Before(end); {
		time.Sleep(100 * time.Millisecond)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
}

// recordSize is the size of the whole file.
func recordSize(b *testing.B, dir string) float64 {
	b.Helper()
	return float64(must(os.Stat(filepath.Join(dir, store.FileName)))(b).Size())
}

// readRecord reads every sample of a closed record: instant and corrected value.
func readRecord(b *testing.B, dir string) (n int) {
	b.Helper()
	r := must(store.OpenReadOnly(dir))(b)
	defer r.Close()
	for v, err := range r.Values(context.Background(), "0", time.Time{}, time.Time{}) {
		if err != nil {
			b.Fatal(err)
		}
		n += len(v.S)
	}
	return n
}

// copied copies what a killed writer left, but its lock.
func copied(b *testing.B, from string) string {
	b.Helper()
	to := b.TempDir()
	for _, f := range must(os.ReadDir(from))(b) {
		if f.Name() == "ovenward.lock" || f.Name() == "reserve" {
			continue
		}
		data := must(os.ReadFile(filepath.Join(from, f.Name())))(b)
		if err := os.WriteFile(filepath.Join(to, f.Name()), data, 0o600); err != nil {
			b.Fatal(err)
		}
	}
	return to
}
