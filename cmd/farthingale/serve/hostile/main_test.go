package hostile_test

import (
	"os"
	"runtime/debug"
	"testing"
)

// TestMain lets the collector of garbage wait longer: bodies of megabytes come by the hundred.
func TestMain(m *testing.M) {
	debug.SetGCPercent(400)
	os.Exit(m.Run())
}
