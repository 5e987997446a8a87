package main

import (
	"fmt"
	"maps"
	"os"
	"slices"

	"go.yaml.in/yaml/v2"
)

// usersOf returns the names of the users whom a web configuration, which
// exporter-toolkit has found good, asks for their passwords; none where it asks
// nobody. The toolkit reads the file anew for every request, and so must who asks.
func usersOf(path string) ([]string, error) {
	if path == "" {
		return nil, nil
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("reading --web.config.file: %w", err)
	}
	var c struct {
		Users map[string]string `yaml:"basic_auth_users"`
	}
	if err := yaml.Unmarshal(data, &c); err != nil {
		return nil, fmt.Errorf("reading the users of --web.config.file=%s: %w", path, err)
	}
	return slices.Sorted(maps.Keys(c.Users)), nil
}
