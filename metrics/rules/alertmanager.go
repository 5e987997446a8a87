package rules

import "strings"

// AlertmanagerYAML is an example of who is told what. Its receivers are to be
// replaced.
func AlertmanagerYAML() string {
	return header + strings.TrimLeft(`
# An example. Put your own receivers in place of the three addresses. Nothing inhibits
# anything: that one post does not see is no reason to be silent about another.
route:
  receiver: today
  group_by: [site, post, alertname]
  group_wait: 10s
  group_interval: 1m
  repeat_interval: 4h
  routes:
  - matchers: [severity = "`+Critical+`"]
    receiver: at-once
    group_wait: 0s
    repeat_interval: 15m
  # Fires always. What is behind this address tells somebody when it hears nothing.
  - matchers: [severity = "`+Beat+`"]
    receiver: watchdog
    group_wait: 0s
    repeat_interval: 1m
receivers:
- name: at-once
  webhook_configs:
  - url: http://127.0.0.1:24581/at-once
- name: today
  webhook_configs:
  - url: http://127.0.0.1:24581/today
- name: watchdog
  webhook_configs:
  - url: http://127.0.0.1:24581/watchdog
    send_resolved: false
`, "\n")
}
