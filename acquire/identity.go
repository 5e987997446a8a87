package acquire

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"ovenward/drivers"
)

// leastIdentityWait is how long an instrument may take to say who it is, at
// least; it does so once, just after the port was opened.
const leastIdentityWait = time.Second

// stranger is an instrument that answers in the place of the one that is known.
type stranger struct {
	id  drivers.Identity
	raw []byte
}

// identify asks the instrument who it is and holds it against the one that is
// known. Another one makes no samples: an error ends the session, and the next
// one asks again, so that the right instrument is found when it is back.
func (p *poller) identify(ctx context.Context, link drivers.Link) error {
	asks, ok := p.watch.post.Probe.Protocol.(drivers.Identified)
	if !ok || len(asks.IdentityRequest()) == 0 {
		return nil
	}
	opened := p.now()
	for ctx.Err() == nil && p.now().Sub(opened) <= p.watch.post.Silent {
		id, raw, err := p.askIdentity(ctx, link, asks)
		switch {
		case err == nil:
			return p.watch.identified(p.now(), id, raw)
		case !errors.Is(err, drivers.ErrTimeout):
			return err
		}
	}
	if ctx.Err() != nil {
		return nil
	}
	return fmt.Errorf("probe %s does not say who it is: %w", p.watch.post.Probe.ID, drivers.ErrTimeout)
}

func (p *poller) askIdentity(ctx context.Context, link drivers.Link, asks drivers.Identified) (id drivers.Identity, raw []byte, err error) {
	deadline := p.now().Add(max(p.watch.post.Probe.Timeout, leastIdentityWait))
	_, dropped, err := link.Send(asks.IdentityRequest(), deadline)
	p.watch.asked(0, dropped)
	if err != nil {
		return id, nil, err
	}
	var frames []drivers.Frame
	for ctx.Err() == nil && p.now().Before(deadline) {
		frames, err = link.Receive(p.watch.post.Probe.Protocol.Split, earlier(deadline, p.now().Add(slice)), frames[:0])
		for _, f := range frames {
			if id, err := asks.ParseIdentity(f.Bytes); err == nil {
				return id, append([]byte(nil), f.Bytes...), nil
			}
		}
		if err != nil && !errors.Is(err, drivers.ErrTimeout) {
			return id, nil, err
		}
	}
	return id, nil, drivers.ErrTimeout
}

// sameInstrument compares what a repair or an update does not change.
func sameInstrument(a, b drivers.Identity) bool {
	return a.Maker == b.Maker && a.Model == b.Model && a.Serial == b.Serial
}

// expects says whether the configuration names this instrument.
func (p *Probe) expects(id drivers.Identity) bool {
	parts := strings.Split(p.Identity, ",")
	if len(parts) != 3 {
		return false
	}
	return strings.TrimSpace(parts[0]) == id.Maker && strings.TrimSpace(parts[1]) == id.Model && strings.TrimSpace(parts[2]) == id.Serial
}

// identified takes what an instrument said of itself.
func (w *watch) identified(now time.Time, id drivers.Identity, raw []byte) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	mono := now.Sub(w.epoch)
	w.heard, w.wasHeard = max(mono, w.heard), true
	probe := &w.post.Probe
	accepted := w.known == nil || sameInstrument(*w.known, id)
	if probe.Identity != "" {
		accepted = probe.expects(id)
	}
	if !accepted {
		w.meet(now, stranger{id, raw})
		return fmt.Errorf("another instrument answers: %w", errStranger)
	}
	w.stranger = nil
	if w.known == nil || *w.known != id {
		w.accept(now, id, raw, "")
	}
	return nil
}

// errStranger says that the instrument at the port is not the one that is known.
var errStranger = errors.New("it is not the one that is known")

// meet notes a stranger, and raises the alarm at once.
func (w *watch) meet(now time.Time, s stranger) {
	mono := now.Sub(w.epoch)
	again := w.stranger != nil && sameInstrument(w.stranger.id, s.id)
	w.stranger, w.faulty = &s, mono
	w.up = false
	w.linkTold = w.strangerText()
	w.linkError = w.linkTold
	if !again {
		w.report(Event{At: w.stamp(now), Post: w.post.ID, Kind: KindLink, Text: w.linkTold, Raw: s.raw})
	}
	w.step(mono, w.stamp(now))
}

func (w *watch) strangerText() string {
	known := w.post.Probe.Identity
	if known == "" && w.known != nil {
		known = describe(*w.known)
	}
	s := w.stranger.id
	return fmt.Sprintf("another instrument answers on %s: %s, in place of %s; nothing it says is taken: put the right one back, "+
		"or accept this one with its certificate (identity = %q in the configuration, or by the page's API)",
		w.post.Probe.Port, describe(s), known, s.Maker+","+s.Model+","+s.Serial)
}

func describe(id drivers.Identity) string {
	text := strings.TrimSpace(id.Maker + " " + id.Model)
	if id.Serial != "" {
		text += ", serial number " + id.Serial
	}
	if id.Firmware != "" {
		text += ", firmware " + id.Firmware
	}
	return text
}

// accept makes an instrument the known one. A zero taken with another one goes.
func (w *watch) accept(now time.Time, id drivers.Identity, raw []byte, who string) {
	text := fmt.Sprintf("probe %s is %s", w.post.Probe.ID, describe(id))
	switch {
	case w.known == nil:
	case sameInstrument(*w.known, id):
		text += "; it had firmware " + w.known.Firmware
	default:
		text += "; it was " + describe(*w.known)
		if w.correction.Zero != 0 || !w.correction.ZeroAt.IsZero() {
			c := w.correction
			c.Zero, c.ZeroAt, c.ZeroBy = 0, time.Time{}, ""
			w.use(c)
			w.record.Correction(w.index, w.correction)
			text += ", and its zero is no longer taken away"
		}
	}
	if who != "" {
		text += "; accepted by " + who
	}
	w.known, w.stranger = &id, nil
	w.report(Event{At: w.stamp(now), Post: w.post.ID, Kind: KindIdentity, Who: who, Text: text, Raw: append([]byte(nil), raw...)})
}

// restoreIdentity takes up who was accepted, from what it said then. What the
// protocol cannot read any more is as if nobody had been.
func (w *watch) restoreIdentity(recorded func(post int) ([]byte, error)) error {
	asks, ok := w.post.Probe.Protocol.(drivers.Identified)
	if !ok || recorded == nil {
		return nil
	}
	said, err := recorded(w.index)
	if err != nil {
		return fmt.Errorf("reading who the instrument of post %s was: %w", w.post.ID, err)
	}
	if said == nil {
		return nil
	}
	if id, err := asks.ParseIdentity(said); err == nil {
		w.known = &id
	}
	return nil
}

// AcceptInstrument makes the instrument that answers at a post now the known one,
// at who's word. It is refused when the configuration names another one.
func (s *Station) AcceptInstrument(post int, who string) error {
	if strings.TrimSpace(who) == "" {
		return errors.New("accepting an instrument needs the name of who does it")
	}
	w := s.watches[post]
	w.mu.Lock()
	defer w.mu.Unlock()
	switch {
	case w.stranger == nil:
		return errors.New("no other instrument than the known one answers at this post")
	case w.post.Probe.Identity != "":
		return errors.New("the configuration names the instrument of this post: change identity there")
	}
	st := w.stranger
	w.accept(s.now(), st.id, st.raw, who)
	return nil
}
