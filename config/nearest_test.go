package config

import "testing"

func TestNearest(t *testing.T) {
	keys := []string{"id", "k", "baud", "data_bits", "stop_bits", "terminator", "over_range"}
	for _, c := range []struct{ word, want string }{
		{"buad", "baud"},          // two letters swapped
		{"bauds", "baud"},         // one too many
		{"bud", "baud"},           // one too few
		{"BAUD", "baud"},          // case
		{"Databits", "data_bits"}, // case and one too few
		{"terminater", "terminator"},
		{"overrange", "over_range"},
		{"K", "k"},
		{"3", ""}, // one letter is like any other
		{"speed", ""},
		{"", ""},
	} {
		got, ok := nearest(c.word, keys)
		if got != c.want || ok != (c.want != "") {
			t.Errorf("nearest(%q) = %q, %v, want %q", c.word, got, ok, c.want)
		}
	}
	if got, ok := nearest("x", nil); ok {
		t.Errorf("nearest of nothing is %q", got)
	}
}

func TestListed(t *testing.T) {
	for want, words := range map[string][]string{
		``:                nil,
		`"a"`:             {"a"},
		`"a" or "b"`:      {"a", "b"},
		`"a", "b" or "c"`: {"a", "b", "c"},
	} {
		if got := listed(words, "or"); got != want {
			t.Errorf("listed(%q) = %s, want %s", words, got, want)
		}
	}
}
