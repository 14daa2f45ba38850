//go:build unix

package local

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
)

// account is who runs the Postgres programs. Postgres refuses root, so root lowers itself:
// into a user namespace of its own, where the files stay root's and no parent folder is in
// the way; or, where that is forbidden, to the account postgres or nobody, which then must
// own the files.
type account struct {
	uid, gid int // who owns the files, as root sees it
	attr     func() *syscall.SysProcAttr
}

// accountFor finds out which account may run the programs found.
func accountFor(found programs) (account, error) {
	if os.Geteuid() != 0 {
		return account{os.Geteuid(), os.Getegid(), func() *syscall.SysProcAttr { return &syscall.SysProcAttr{} }}, nil
	}
	if userNamespace != nil {
		who := account{0, 0, userNamespace}
		try := exec.Command(found.path("postgres"), "--version") // #nosec G204 -- the program was found in the known folders
		who.apply(try)
		if try.Run() == nil {
			return who, nil
		}
	}
	return lowerAccount()
}

// lowerAccount is postgres, or nobody.
func lowerAccount() (account, error) {
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.Atoi(u.Uid)
		gid, err2 := strconv.Atoi(u.Gid)
		if err1 != nil || err2 != nil || uid == 0 {
			continue
		}
		return account{uid, gid, func() *syscall.SysProcAttr {
			return &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}} // #nosec G115 -- identifiers of the system have 32 bits
		}}, nil
	}
	return account{}, errors.New("Postgres does not run as root, and there is no account postgres or nobody to run it; start this program as a plain user")
}

// apply lets cmd run as the account, in a folder and with an environment that hold no surprise.
func (a account) apply(cmd *exec.Cmd) {
	cmd.SysProcAttr = a.attr()
	cmd.Dir = "/" // the account may be unable to enter the present folder
	for _, v := range os.Environ() {
		if !strings.HasPrefix(v, "PG") && !strings.HasPrefix(v, "LC_") && !strings.HasPrefix(v, "LANG") {
			cmd.Env = append(cmd.Env, v)
		}
	}
	cmd.Env = append(cmd.Env, "LC_ALL=C") // messages are read by this package
}

// prepare makes the folders usable by the account.
func (a account) prepare(found programs, at layout, socket string) error {
	if os.Geteuid() != 0 {
		if owner, ok := ownerOf(at.data); ok && owner != a.uid {
			return fmt.Errorf("%s belongs to the account with number %d; start this program as that account", at.data, owner)
		}
		return nil
	}
	if err := os.Chown(at.root, a.uid, a.gid); err != nil {
		return err
	}
	for _, path := range []string{at.data, socket} {
		if err := a.handOver(path); err != nil {
			return err
		}
	}
	if a.uid == 0 {
		return nil
	}
	for _, path := range []string{at.root, socket, found.dir} {
		if err := a.canEnter(path); err != nil {
			return err
		}
	}
	return nil
}

// handOver gives path and all below it to the account, when they are not its own already.
func (a account) handOver(path string) error {
	owner, ok := ownerOf(path)
	if !ok || owner == a.uid || os.Geteuid() != 0 {
		return nil
	}
	return filepath.WalkDir(path, func(name string, _ fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return os.Lchown(name, a.uid, a.gid) // #nosec G122 -- the folder is ours alone, mode 0700
	})
}

// canEnter names the folder above path that keeps the account out.
func (a account) canEnter(path string) error {
	for dir := path; ; dir = filepath.Dir(dir) {
		s, err := os.Stat(dir)
		if err != nil {
			return err
		}
		mode, owner := s.Mode().Perm(), s.Sys().(*syscall.Stat_t)
		may := mode & 0o001
		switch {
		case int(owner.Uid) == a.uid:
			may = mode & 0o100
		case int(owner.Gid) == a.gid:
			may = mode & 0o010
		}
		if may == 0 {
			return fmt.Errorf("Postgres does not run as root, and the account with number %d that would run it cannot enter %s; "+
				"choose a data folder elsewhere, or start this program as a plain user", a.uid, dir)
		}
		if dir == filepath.Dir(dir) {
			return nil
		}
	}
}

func ownerOf(path string) (int, bool) {
	s, err := os.Lstat(path)
	if err != nil {
		return 0, false
	}
	return int(s.Sys().(*syscall.Stat_t).Uid), true
}
