package hostile_test

import (
	"os"
	"runtime/debug"
	"testing"
)

// TestMain lets the collector of garbage wait until there is much: bodies of megabytes come by the hundred.
func TestMain(m *testing.M) {
	debug.SetGCPercent(1000)
	debug.SetMemoryLimit(1 << 30)
	os.Exit(m.Run())
}
