package domain

import (
	"errors"
	"syscall"
)

// NoRoom words an error of a write for which the disk, a quota or a limit had no room: KindUnavailable,
// so that whoever sent it can send it again when there is room. Any other error is given back as it is.
func NoRoom(err error) error {
	if !errors.Is(err, syscall.ENOSPC) && !errors.Is(err, syscall.EDQUOT) && !errors.Is(err, syscall.EFBIG) {
		return err
	}
	return &Error{Kind: KindUnavailable, Code: "no_room", RetryAfterSeconds: 60, Err: err,
		Message: "There is no room left for files. Nothing was kept. Tell your steward, and send it again when there is room."}
}
