//go:build unix && !linux

package local

import (
	"context"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
)

var userNamespace func() *syscall.SysProcAttr

// dieWithParent does nothing here: a server whose program was killed stays, and the next
// start ends it.
func dieWithParent(*exec.Cmd, bool) {}

// isServer tells whether process pid is a living server of the cluster in data.
func isServer(pid int, data string) bool {
	said, err := output(context.Background(), "ps", "-o", "stat=", "-o", "command=", "-p", strconv.Itoa(pid))
	if err != nil || strings.HasPrefix(said, "Z") {
		return false
	}
	return strings.Contains(said, "postgres") && strings.Contains(said, data)
}

// memoryMB is how much memory this machine has; 0: it is not known here.
func memoryMB() int { return 0 }
