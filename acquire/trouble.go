package acquire

import (
	"errors"
	"fmt"
	"time"

	"ovenward/drivers"
)

const (
	troubleEvery    = 10 * time.Minute // between rounds of questions, when nothing is amiss
	troubleAgain    = 10 * time.Second // least time between rounds, when a reading failed
	troublePatience = time.Minute      // how long a round may wait for a gap between polls
	mostTroubles    = 20               // entries taken in one round
	troubleTold     = 10 * time.Minute // the same trouble is an event once in this time
	mostKinds       = 64               // different troubles remembered
	mostTroubleText = 300              // bytes of an instrument's text that an event keeps
)

// inquiry asks an instrument for the errors it keeps of itself: after a connect,
// after a reading that failed, and every ten minutes. It asks in the gaps between
// polls, and takes a bounded number of entries at a time. It belongs to one
// session; an instrument that talks by itself is not asked.
type inquiry struct {
	asks    drivers.Troubled // nil: it keeps none
	due     time.Time
	last    time.Time // when the last round ended
	entries int       // taken in this round
	frames  []drivers.Frame
}

func (p *poller) newInquiry() *inquiry {
	q := &inquiry{due: p.now()}
	probe := &p.watch.post.Probe
	if asks, ok := probe.Protocol.(drivers.Troubled); ok && probe.Period > 0 && len(asks.TroubleRequest()) > 0 {
		q.asks = asks
	}
	return q
}

// inquire uses the time left until the next slot, when a round is due; if the poll
// failed and left none, it takes one slot. Its error
// is that of the link; an instrument that does not answer is asked again later.
func (p *poller) inquire(link drivers.Link, q *inquiry, grid *pace, failed bool) error {
	if q.asks == nil {
		return nil
	}
	if failed && q.entries == 0 {
		q.due = earlier(q.due, q.last.Add(troubleAgain))
	}
	for {
		now := p.now()
		if now.Before(q.due) {
			return nil
		}
		margin := grid.period / 10
		deadline := earlier(now.Add(p.watch.post.Probe.Timeout), grid.at(grid.next).Add(-margin))
		if deadline.Sub(now) < margin {
			if !failed && now.Sub(q.due) < troublePatience {
				return nil
			}
			// This costs a slot, which is counted as missed; after a poll that
			// waited in vain for an answer there is never a gap.
			deadline, failed = now.Add(p.watch.post.Probe.Timeout), false
			q.due = now
		}
		text, raw, err := p.askTrouble(link, q, deadline)
		switch {
		case err != nil && !errors.Is(err, drivers.ErrTimeout):
			return err
		case err != nil || text == "":
			q.end(p.now())
			return nil
		}
		p.tellTrouble(text, raw)
		if q.entries++; q.entries >= mostTroubles {
			q.end(p.now())
			q.due = q.last.Add(troubleAgain) // there may be more
			return nil
		}
	}
}

func (q *inquiry) end(now time.Time) {
	q.last, q.due, q.entries = now, now.Add(troubleEvery), 0
}

// askTrouble asks for one entry. Frames that are none, such as the late answer
// to a poll, are dropped and counted.
func (p *poller) askTrouble(link drivers.Link, q *inquiry, deadline time.Time) (text string, raw []byte, err error) {
	_, dropped, err := link.Send(q.asks.TroubleRequest(), deadline)
	p.watch.asked(0, dropped)
	if err != nil {
		return "", nil, err
	}
	p.owed = true
	for p.now().Before(deadline) {
		q.frames, err = link.Receive(p.watch.post.Probe.Protocol.Split, deadline, q.frames[:0])
		for _, f := range q.frames {
			text, parseErr := q.asks.ParseTrouble(f.Bytes)
			if parseErr == nil {
				p.owed = false
				return text, f.Bytes, nil
			}
			p.watch.asked(0, len(f.Bytes))
		}
		if err != nil {
			return "", nil, err
		}
	}
	return "", nil, drivers.ErrTimeout
}

// toldTrouble is when a trouble became an event, and how often it came since.
type toldTrouble struct {
	at     time.Time
	untold int
}

func (p *poller) tellTrouble(text string, raw []byte) {
	if len(text) > mostTroubleText {
		text = text[:mostTroubleText] + "…"
	}
	if p.troubles == nil || len(p.troubles) > mostKinds {
		p.troubles = map[string]*toldTrouble{}
	}
	now := p.now()
	told := p.troubles[text]
	if told == nil {
		told = &toldTrouble{at: now.Add(-troubleTold)}
		p.troubles[text] = told
	}
	if now.Sub(told.at) < troubleTold {
		told.untold++
		return
	}
	event := fmt.Sprintf("probe %s reports of itself: %s", p.watch.post.Probe.ID, text)
	if told.untold > 0 {
		event += fmt.Sprintf("; %d more since the last such event", told.untold)
	}
	told.at, told.untold = now, 0
	p.watch.trouble(now, event, raw)
}

// trouble notes what the instrument says of itself.
func (w *watch) trouble(now time.Time, text string, raw []byte) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.report(Event{At: now.UTC(), Post: w.post.ID, Kind: KindInstrument, Text: text, Raw: append([]byte(nil), raw...)})
}
