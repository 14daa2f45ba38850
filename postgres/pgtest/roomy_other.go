//go:build !linux

package pgtest

import "os"

// roomy is where the test server lives.
func roomy() string { return os.TempDir() }
