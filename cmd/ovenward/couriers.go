package main

import (
	"net"

	"ovenward/acquire"
	"ovenward/cmd/internal/notify"
	"ovenward/metrics"
)

// newCouriers makes one courier for each webhook of the configuration, each
// with a cursor of its own in the record.
func (d *daemon) newCouriers(posts []acquire.Post, simulated bool) error {
	for _, w := range d.file.Webhooks {
		c, err := notify.New(notify.Options{
			Name: w.ID, URL: w.URL, TokenFile: w.TokenFile, Timeout: w.Timeout,
			Link: d.link(), Site: d.file.Site.Name, Posts: posts, Simulated: simulated,
			Outbox: d.record, Log: d.log,
		})
		if err != nil {
			return err
		}
		d.couriers = append(d.couriers, c)
	}
	return nil
}

// link is the page's address for people, where it is known: not how another
// machine reaches a wildcard address, nor what a web configuration serves.
func (d *daemon) link() string {
	host, _, err := net.SplitHostPort(d.Addr())
	if ip := net.ParseIP(host); err != nil || d.settings.webConfig != "" || ip != nil && ip.IsUnspecified() {
		return ""
	}
	return "http://" + d.Addr() + "/"
}

func (d *daemon) courierStates() []metrics.CourierState {
	var out []metrics.CourierState
	for _, c := range d.couriers {
		s := c.Stats()
		out = append(out, metrics.CourierState{Name: s.Name, Sent: s.Sent, Failed: s.Failed, Refused: s.Dead,
			Waiting: s.Waiting, LastAccepted: s.LastAccepted})
	}
	return out
}
