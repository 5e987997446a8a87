package rules

import (
	"encoding/json"
	"strings"

	"ovenward/metrics"
)

// obj is a JSON object of the dashboard server's format.
type obj = map[string]any

// board places panels on a grid of 24 columns.
type board struct {
	panels []obj
	x, y   int
	high   int
}

// put adds a panel of a size, from left to right and then below.
func (b *board) put(w, h int, p obj) {
	if b.x+w > 24 {
		b.x, b.y, b.high = 0, b.y+b.high, 0
	}
	p["id"] = len(b.panels) + 1
	p["gridPos"] = obj{"x": b.x, "y": b.y, "w": w, "h": h}
	b.x, b.high = b.x+w, max(b.high, h)
	b.panels = append(b.panels, p)
}

// row begins a part with a title of its own.
func (b *board) row(title string) {
	b.x, b.y, b.high = 0, b.y+b.high, 0
	b.put(24, 1, obj{"type": "row", "title": title, "collapsed": false, "panels": []obj{}})
	b.x, b.y, b.high = 0, b.y+1, 0
}

// panel shows an expression. A gap in it stays a gap: nothing is drawn across what
// was not seen, and no value at all is said in words.
func panel(kind, title, what, unit, expr, legend string) obj {
	return obj{
		"type": kind, "title": title, "description": what, "datasource": source(),
		"targets": []obj{{"refId": "A", "datasource": source(), "expr": expr, "legendFormat": legend}},
		"fieldConfig": obj{"defaults": obj{"unit": unit, "noValue": "not known",
			"custom": obj{"spanNulls": false, "showPoints": "auto"}}, "overrides": []obj{}},
	}
}

func source() obj { return obj{"type": "prometheus", "uid": "${source}"} }

// count is a panel of one number that is red from one on.
func count(title, what, expr string) obj {
	p := panel("stat", title, what, "none", expr, "{{site}}")
	p["fieldConfig"].(obj)["defaults"].(obj)["color"] = obj{"mode": "thresholds"}
	p["fieldConfig"].(obj)["defaults"].(obj)["thresholds"] = obj{"mode": "absolute",
		"steps": []obj{{"color": "text", "value": nil}, {"color": "red", "value": 1}}}
	return p
}

// DashboardJSON is the dashboard: what matters at a glance, and below it a panel for
// every metric of the list.
func DashboardJSON() (string, error) {
	b := &board{}
	b.row("What calls for somebody")
	const here = `{site=~"$site"}`
	b.put(6, 5, count("Posts that do not see", "What their field is, is not known.", "sum by (site) (ovenward_post_blind"+here+")"))
	b.put(6, 5, count("Alarms about a field", "Above a limit, or where none may be. Not known where no post is in the metrics.",
		`sum by (site) (ovenward_alarm_active{site=~"$site",`+Field+`})`))
	b.put(6, 5, count("Alarms that nobody acknowledged", "Of all kinds.", "sum by (site) (ovenward_alarm_unacknowledged"+here+")"))
	b.put(6, 5, count("Couriers that reach nobody", "Alarms wait there.", "sum by (site) (ovenward_courier_failing"+here+")"))
	b.put(24, 8, panel("state-timeline", "What each post amounts to", "1 for everything that is so.", "none",
		`ovenward_post_regard{site=~"$site",post=~"$post"} == 1`, "{{post}}: {{regard}}"))
	b.put(12, 9, panel("timeseries", "Value to limit", "1 is the limit. A gap was not seen, or was over range.", "percentunit",
		`ovenward_limit_ratio{site=~"$site",post=~"$post"}`, "{{post}}"))
	b.put(12, 9, panel("timeseries", "The most in a minute", "10 W/m² are 1 mW/cm².", "suffix: W/m²",
		`ovenward_power_density_max_watts_per_square_meter{site=~"$site",post=~"$post"}`, "{{post}}"))
	group := metrics.Group("")
	for _, m := range metrics.List() {
		if m.Group != group {
			group = m.Group
			b.row(strings.ToUpper(string(group[:1])) + string(group[1:]))
		}
		unit, expr := shown(m)
		b.put(8, 7, panel("timeseries", strings.TrimPrefix(m.Name, "ovenward_"), m.Help, unit, expr, legend(m)))
	}
	out, err := json.MarshalIndent(obj{
		"__inputs": []obj{}, "title": "Ovenward", "uid": "ovenward", "schemaVersion": 39, "version": 1, "editable": true, "refresh": "10s",
		"time": obj{"from": "now-1h", "to": "now"}, "timezone": "utc", "tags": []string{"ovenward"}, "panels": b.panels,
		"description": "Made by go test ./metrics/rules -update from the list of metrics. It advises; it is no safety interlock.",
		"templating": obj{"list": []obj{
			{"name": "source", "label": "source", "type": "datasource", "query": "prometheus"},
			variable("site", "label_values(ovenward_simulated, site)"),
			variable("post", `label_values(ovenward_post_blind{site=~"$site"}, post)`),
		}},
	}, "", " ")
	return string(out) + "\n", err
}

func variable(name, query string) obj {
	return obj{"name": name, "label": name, "type": "query", "datasource": source(), "query": query, "refresh": 2,
		"multi": true, "includeAll": true, "allValue": ".*"}
}

// shown is how a metric is drawn: its unit and the expression.
func shown(m metrics.Metric) (unit, expr string) {
	expr = m.Name + selector(m)
	base := strings.TrimSuffix(m.Name, "_total")
	switch {
	case m.Histogram:
		return "suffix: W/m²", "histogram_quantile(0.99, sum by (site, post, le) (rate(" + m.Name + "_bucket" + selector(m) + "[5m])))"
	case strings.HasSuffix(base, "_timestamp_seconds"):
		return "s", "time() - " + expr
	case strings.HasSuffix(base, "watts_per_square_meter"):
		unit = "suffix: W/m²"
	case strings.HasSuffix(base, "joules_per_square_meter"):
		unit = "suffix: J/m²"
	case strings.HasSuffix(base, "_seconds"):
		unit = "s"
	case strings.HasSuffix(base, "_bytes"):
		unit = "bytes"
	case strings.HasSuffix(base, "_celsius"):
		unit = "celsius"
	case strings.HasSuffix(base, "_volts"):
		unit = "volt"
	case strings.HasSuffix(base, "_ratio"):
		unit = "percentunit"
	default:
		unit = "none"
	}
	if m.Counter() && !foundAtStart(m) {
		expr = "increase(" + expr + "[5m])"
	}
	return unit, expr
}

// foundAtStart says whether a counter tells of what a start finds, before any scrape:
// it is drawn as it is, since no increase would show that.
func foundAtStart(m metrics.Metric) bool {
	return m.Name == "ovenward_record_damaged_stretches_total" || m.Name == "ovenward_record_salvaged_commits_total"
}

// selector picks by the dashboard's variables, where a metric has their labels.
func selector(m metrics.Metric) string {
	var by []string
	for _, l := range []string{"site", "post"} {
		if m.Has(l) {
			by = append(by, l+`=~"$`+l+`"`)
		}
	}
	if len(by) == 0 {
		return ""
	}
	return "{" + strings.Join(by, ",") + "}"
}

// legend names a series by its labels, but those that follow from the post.
func legend(m metrics.Metric) string {
	var by []string
	for _, l := range m.Labels {
		if l != "oven" && l != "probe" && (l != "site" || !m.Has("post")) && !m.Histogram || l == "post" {
			by = append(by, "{{"+l+"}}")
		}
	}
	return strings.Join(by, " ")
}
