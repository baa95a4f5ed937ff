package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
)

// serverNames are the servers in the order of the report; ours comes first, ratios are to it.
var serverNames = []string{"gatewright", "automerge-repo", "y-websocket", "hocuspocus"}

// target gives a server by its name, or why it cannot run here.
func (b *run) target(name string) (target, error) {
	if name == serverNames[0] {
		return newOurs(b.binary), nil
	}
	if _, err := exec.LookPath("node"); err != nil {
		return nil, fmt.Errorf("Node.js is not installed")
	}
	if _, err := os.Stat(filepath.Join(b.peers, "node_modules", ".package-lock.json")); err != nil {
		return nil, fmt.Errorf("its packages are not installed: %w", err)
	}
	for _, s := range npmServers(b.peers) {
		if s.label == name {
			return s, nil
		}
	}
	return nil, fmt.Errorf("%s is not known", name)
}
