package pgtest

import (
	"os"
	"syscall"
)

// roomy is where the test server lives: in memory when there is plenty of it, because
// copying a database makes 300 files, and some disks take a millisecond for each.
func roomy() string {
	const memory, plenty = "/dev/shm", 1 << 30
	var s syscall.Statfs_t
	const tmpfs = 0x01021994
	if syscall.Statfs(memory, &s) != nil || s.Type != tmpfs || s.Bavail*uint64(s.Bsize) < plenty { // #nosec G115 -- a block size is positive
		return os.TempDir()
	}
	probe, err := os.MkdirTemp(memory, "farthingale-")
	if err != nil {
		return os.TempDir()
	}
	_ = os.Remove(probe)
	return memory
}
