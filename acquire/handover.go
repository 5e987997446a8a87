package acquire

import (
	"context"
	"slices"
)

// audience is who is handed what a poller has read.
type audience struct {
	post      int // its index, as they know it
	observers []Observer
}

// kept says which post of the station before a post is, unchanged; -1 for none.
func (o *Options) kept(i int) int {
	if o.Before == nil || i >= len(o.Kept) {
		return -1
	}
	return o.Kept[i]
}

// HandOn has the pollers of posts (by index) go on when Run returns, so that the
// station made from this one by Options.Before misses no slot of them, and leaves the
// ports of other posts open for it. Where none is made, Run again goes on as before. It
// is called before the context of Run ends.
func (s *Station) HandOn(posts, ports []int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.handed = make([]bool, len(s.pollers))
	for _, i := range posts {
		s.handed[i] = true
	}
	for _, i := range ports {
		s.pollers[i].leaves.Store(true)
	}
}

// goingOn copies which posts were handed on; nil when nothing was.
func (s *Station) goingOn() []bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.handed)
}

// takePorts has posts that changed go on with the ports that were left open for them.
func (s *Station) takePorts(o *Options) {
	if o.Before == nil {
		return
	}
	for i, k := range o.Ports {
		if k >= 0 {
			s.pollers[i].left, o.Before.pollers[k].left = o.Before.pollers[k].left, nil
		}
	}
	for k, p := range o.Before.pollers {
		// Those that go on have theirs to themselves.
		if !slices.Contains(o.Kept, k) && p.left != nil {
			p.left.Close() // nobody wants it
			p.left = nil
		}
	}
}

// startPollers starts those that do not run, and has all of them heard here.
func (s *Station) startPollers(ctx context.Context) {
	for i, p := range s.pollers {
		p.hearers.Store(&audience{post: i, observers: s.observers})
		if p.done != nil {
			continue
		}
		p.leaves.Store(false)
		p.watch.begin(s.now().Sub(p.watch.epoch))
		p.start(ctx)
	}
}

// stopPollers stops all that were not handed on, and waits for them.
func (s *Station) stopPollers() {
	handed := s.goingOn()
	ends := func(i int) bool { return handed == nil || !handed[i] }
	for i, p := range s.pollers {
		if ends(i) {
			p.stop()
		}
	}
	for i, p := range s.pollers {
		if ends(i) {
			<-p.done
			p.done = nil
		}
	}
}

// start begins run. It outlives ctx: whoever has the poller stops it.
func (p *poller) start(ctx context.Context) {
	ctx, p.stop = context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan struct{})
	p.done = done
	go func() {
		defer close(done)
		p.run(ctx)
	}()
}

// carryOn takes over what the station before knows of itself, and tells the posts
// that were kept what else holds for them now.
func (s *Station) carryOn(before *Station) {
	s.wireInputs()
	if before == nil {
		return
	}
	before.mu.Lock()
	defer before.mu.Unlock()
	s.epoch, s.line, s.clock, s.fails, s.diskAsked = before.epoch, before.line, before.clock, before.fails, before.diskAsked
	for _, o := range s.own {
		for _, was := range before.own {
			if was.alarm.Rule == o.alarm.Rule {
				o.gate, o.care = was.gate, was.care
			}
		}
	}
	for _, w := range s.watches {
		w.mu.Lock()
		w.attention, w.clock = s.attention, s.clock
		w.mu.Unlock()
	}
}
