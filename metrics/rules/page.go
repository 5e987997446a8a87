package rules

import (
	"fmt"
	"slices"
	"strings"

	"ovenward/metrics"
)

// MetricsPage is the guide's tables of metrics and alerts, in Markdown.
func MetricsPage() string {
	var b strings.Builder
	group := metrics.Group("")
	for _, m := range metrics.List() {
		if m.Group != group {
			group = m.Group
			fmt.Fprintf(&b, "\n**%s%s**\n\n| metric | labels | meaning |\n| --- | --- | --- |\n", strings.ToUpper(string(group[:1])), group[1:])
		}
		help := m.Help
		if m.Histogram {
			help = "Histogram, classic and native. " + help
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s |\n", m.Name, labelsOf(m), strings.ReplaceAll(help, "|", "\\|"))
	}
	b.WriteString("\n**Alerts of `metrics/rules/alerting.yml`**\n\n| alert | severity | after | what is so |\n| --- | --- | --- | --- |\n")
	for _, a := range Alerts() {
		after := a.For
		if after == "" {
			after = "at once"
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", a.Name, a.Severity, after, inWords(a.Summary))
	}
	return b.String()
}

// labelsOf lists the labels of a metric; those that every post has in one word.
func labelsOf(m metrics.Metric) string {
	labels := m.Labels
	var out []string
	if own := []string{"site", "post", "oven", "probe"}; len(labels) >= len(own) && slices.Equal(labels[:len(own)], own) {
		out, labels = append(out, "of the post"), labels[len(own):]
	}
	for _, l := range labels {
		out = append(out, "`"+l+"`")
	}
	return strings.Join(out, ", ")
}

// inWords writes labels in a summary as a reader sees them.
func inWords(text string) string {
	return strings.NewReplacer("{{ $labels.", "*", " }}", "*").Replace(text)
}
