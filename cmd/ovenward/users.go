package main

import (
	"fmt"
	"os"

	"go.yaml.in/yaml/v2"
)

// hasUsers says whether a web configuration, which exporter-toolkit has found
// good, asks everybody for a name and a password.
func hasUsers(path string) (bool, error) {
	if path == "" {
		return false, nil
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return false, fmt.Errorf("reading --web.config.file: %w", err)
	}
	var c struct {
		Users map[string]string `yaml:"basic_auth_users"`
	}
	if err := yaml.Unmarshal(data, &c); err != nil {
		return false, fmt.Errorf("reading the users of --web.config.file=%s: %w", path, err)
	}
	return len(c.Users) > 0, nil
}
