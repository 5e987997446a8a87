package acquire

import "ovenward/acquire/alarm"

// unjudged says why nothing judges the alarm at this place of a post any more: the
// configuration no longer has what it needs. Empty when something does.
func (w *watch) unjudged(i int) string {
	u, v := w.post.Upkeep, w.post.Probe.Vitals
	switch {
	case i == underFloorAt && u.UnderFloor <= 0, i == zeroDriftAt && u.Zero <= 0, i == positionAt && u.Position <= 0,
		i == certificateDueAt && u.Certificate <= 0:
		return "the configuration switches this rule off"
	case i == temperatureAt && v.TemperatureBelow == nil && v.TemperatureAbove == nil:
		return "the configuration no longer bounds the probe's temperature"
	case i == openDoorAt && !w.hints[0].wired:
		return "the configuration no longer has a contact at this door: whether it is open is not known"
	}
	return ""
}

// dropUnjudged ends what the record says stands and nothing would ever move again,
// in words of its own: it was not seen to end.
func (s *Station) dropUnjudged() {
	for _, w := range s.watches {
		w.mu.Lock()
		for i := range rules() {
			if why := w.unjudged(i); why != "" {
				w.apply(i, alarm.Act{What: alarm.Drop, At: s.stamp(s.epoch)}, why, nil)
			}
		}
		w.mu.Unlock()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, o := range s.own {
		why := ""
		switch {
		case o.alarm.Rule == alarm.Clock && s.source == nil:
			why = "the configuration no longer has the clock checked"
		case o.alarm.Rule == alarm.Disk && (s.disk == nil || s.diskFloor <= 0):
			why = "the configuration no longer bounds the free part of the disk"
		default:
			continue
		}
		s.changeOwn(o, alarm.Act{What: alarm.Drop, At: s.stamp(s.epoch)}, why)
	}
}
