package remotewrite

import (
	"net/http"
	"os"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// A receiver that is down for a day while the probe goes on: each sample arrives
// once and in order, what was there before the outage and what came in it.
func TestFaultDownForADay(t *testing.T) {
	answers := []int{503, 429, 500}
	if os.Getenv("OVENWARD_COUNTS") != "full" {
		answers = answers[:1]
	}
	for _, status := range answers {
		synctest.Test(t, func(t *testing.T) {
			r, s := newRecord(), &scripted{}
			var rows []Row
			for i := range int64(1440) { // a day, a sample a minute
				rows = append(rows, Row{Seq: i + 1, At: time.Now().Add(time.Duration(i) * time.Minute), Value: float64(i) / 4, Place: place()})
			}
			var kept sync.WaitGroup
			kept.Go(func() {
				for part := range slices.Chunk(rows, 10) {
					r.add("pantry-door", part...)
					<-time.After(10 * time.Minute)
				}
			})
			opens := time.Now().Add(24 * time.Hour)
			s.answer = func(request, int) (int, string, http.Header) {
				if time.Now().Before(opens) {
					return status, "planted", nil
				}
				return 204, "", nil
			}
			w := writer(t, r, s, nil)
			run(t, w, 26*time.Hour)
			kept.Wait()
			arrived := []got{}
			for _, q := range s.requests() {
				if !q.at.Before(opens) {
					arrived = append(arrived, numbers(q.only(PowerDensity))...)
				}
			}
			if !slices.Equal(arrived, want(rows)) {
				t.Errorf("status %d: %d samples arrived after the outage, want %d, each once and in order", status, len(arrived), len(rows))
			}
			st := w.Stats()
			t.Logf("status %d: %d attempts failed, %d samples arrived", status, st.Failed, len(arrived))
			if st.Refused+st.TooOld+st.Crowded != 0 || st.Behind != 0 || st.Failed < 24 || st.Failed > 24*60*4 {
				t.Errorf("status %d: %+v", status, st)
			}
		})
	}
}
