package main

import (
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// An engine that takes the call and never answers holds nobody up for long.
func TestHalfDeadContainerEngine(t *testing.T) {
	socket := filepath.Join(os.TempDir(), fmt.Sprintf("farthingale-engine-%d.sock", os.Getpid()))
	engine, err := net.Listen("unix", socket)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = engine.Close() })
	t.Setenv("HOME", t.TempDir())
	t.Setenv("DOCKER_HOST", "unix://"+socket)
	began := time.Now()
	if err := keep(t.Context()); err == nil || !strings.Contains(err.Error(), "the container engine does not answer") {
		t.Error(err)
	}
	if took := time.Since(began); took > 15*time.Second {
		t.Errorf("it takes %v", took)
	}
}
