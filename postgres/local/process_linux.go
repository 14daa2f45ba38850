package local

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
)

// userNamespace lets root run a program as somebody else whose files are still root's: the
// number 1000 inside is root outside, without any of root's powers.
var userNamespace = func() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{
		Cloneflags:  syscall.CLONE_NEWUSER,
		UidMappings: []syscall.SysProcIDMap{{ContainerID: 1000, HostID: 0, Size: 1}},
		GidMappings: []syscall.SysProcIDMap{{ContainerID: 1000, HostID: 0, Size: 1}},
		Credential:  &syscall.Credential{Uid: 1000, Gid: 1000, NoSetGroups: true},
	}
}

// dieWithParent has the kernel end the server when this program ends, however it ends.
func dieWithParent(cmd *exec.Cmd, fast bool) {
	cmd.SysProcAttr.Pdeathsig = syscall.SIGINT
	if fast {
		cmd.SysProcAttr.Pdeathsig = syscall.SIGQUIT
	}
}

// isServer tells whether process pid is a living server of the cluster in data. A zombie
// does not live, and a number may have been given to another program.
func isServer(pid int, data string) bool {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return false
	}
	_, after, _ := strings.Cut(string(stat), ") ") // the name before it may hold anything
	if strings.HasPrefix(after, "Z") || strings.HasPrefix(after, "X") {
		return false
	}
	line, err := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", pid))
	return err == nil && serves(strings.Split(string(line), "\x00"), data)
}

// serves tells whether a command line is that of a server of the cluster in data.
func serves(args []string, data string) bool {
	if filepath.Base(args[0]) != "postgres" && filepath.Base(args[0]) != "postmaster" {
		return false
	}
	return slices.Contains(args, data)
}

// memoryMB is how much memory this machine has, or 0 when that cannot be read. A container may have less.
func memoryMB() int {
	var info syscall.Sysinfo_t
	if syscall.Sysinfo(&info) != nil {
		return 0
	}
	return int(uint64(info.Totalram) * uint64(info.Unit) >> 20) // #nosec G115 -- megabytes fit
}
