// Package notify tells people elsewhere what happens to alarms: it carries
// every change of an alarm from the record to couriers. A Courier has queue,
// order, pace and cursor; what carries its messages is a Carrier: webhook, e-mail,
// Alertmanager, MQTT. A message is sent at least once with an id that never changes, in order within
// its alarm, when it is durable, and otherwise 2 s after it was raised, marked
// as not yet recorded. It is sent until it is accepted. Power densities are
// W/m² in numbers and mW/cm² (W/m²) in text; instants are UTC.
//
// The package must not judge, must not delay the record or the station, and
// never prints a URL's path, query or user, or a token.
//
// # The message
//
// A webhook is a POST of one JSON object. Its header Idempotency-Key is equal
// to the field message_id; a receiver that sees one twice has seen a repetition.
//
//	version                       1; fields may be added under the same version, never change meaning
//	kind                          alarm; several (alarms: their messages); heartbeat (heartbeat: lists of posts); test
//	message_id                    of this change, the same in every repetition
//	event_id                      of this change in the record, rising
//	id                            of the alarm's occurrence, the same from raise to normal
//	site, post, oven, place       post, oven and place are absent for an alarm of the station itself
//	probe                         the instrument at the post
//	rule                          exceeds, silent, stale, stuck, fault, record, …; exceeds:LIMIT for a further limit of a post
//	priority                      high, medium or low
//	state, from                   as in ISA-18.2 / IEC 62682: the new state and the one before
//	reason                        why it changed: raised, acknowledged, below the limit now; …, reset, …
//	at                            when it changed, RFC 3339, UTC
//	since                         when this occurrence was first raised
//	who                           the operator, where one acted
//	detail                        what the record says of the change
//	recorded                      false: sent before it was seen in the durable record
//	simulated                     true: no real oven is meant
//	and_n_more                    earlier changes of this alarm that were never sent: they came faster than they could be told, or waited for hours
//	aside, by, why, until         set aside how, by whom, why and until when
//	escalated                     when it was told on, since nobody had acknowledged it
//	remark                        what the operator said
//	outcome                       within, exceeds or not decided; for exceeds, with what follows
//	value_w_per_m2, value         absent when there is no number, as over the probe's range
//	expanded_uncertainty_w_per_m2 and expanded_uncertainty as text; absent when not known
//	limit_w_per_m2, limit         with the unit in the text: "5 mW/cm² (50 W/m²)"
//	ratio                         value to limit
//	limit_id, limit_source        which limit, and where it comes from
//	reasons                       what the verdict rests on
//	coverage_factor, decision_rule, cover_ratio, distance_m, certificate, notes
//	                              what else belongs to the verdict; absent where not known
//	averaging_s, mean_lower_w_per_m2, mean_upper_w_per_m2
//	                              where the mean is judged; no upper bound: absent
//	subject                       one line
//	text                          one paragraph for people, with what to do now
//	caution                       to be shown with it
//	link                          the page, where one is configured
//
// # The answer
//
// 2xx accepts. 401, 403, 404, 407 (which people can mend), 408, 425, 429, 5xx, a redirect (none is followed) and no answer
// are tried again, after 1 s and then twice as long each time up to 5 min, less
// a random part; Retry-After of 429 and 503 is honoured up to 5 min. Any other
// 4xx refuses the message for good: it is told in the log, counted, kept in the
// record as a dead letter, and the next one is sent. The answer's body is not
// looked at. A message of kind several may come in another grouping after a
// restart; what never changes is the message_id of each of its alarms. After a
// crash what the courier had not noted yet comes again, in order: what was
// accepted has the id it had, and what a newer message had only counted may then
// come by itself; event_id tells a receiver which is newer.
package notify
