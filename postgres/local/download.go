package local

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"time"

	embedded "github.com/fergusstrange/embedded-postgres"
)

// downloadable are the versions that can be fetched, newest first.
var downloadable = []struct {
	major   int
	version embedded.PostgresVersion
}{
	{17, embedded.V17}, {18, embedded.V18}, {16, embedded.V16}, {15, embedded.V15},
}

// download fetches Postgres programs, once, into the cache folder, and gives their folder.
//
// The library is used as a downloader only. It cannot be asked for that alone: it is
// started with a data folder that can never be made, so that it fetches, unpacks, and then
// gives up before it would run initdb (which refuses root) or delete anything of ours.
func (s seeker) download(ctx context.Context, major int) (string, error) {
	if s.cache == "" {
		return "", errors.New("not tried")
	}
	version := downloadable[0].version
	if major != 0 {
		version = ""
		for _, d := range downloadable {
			if d.major == major {
				version = d.version
			}
		}
		if version == "" {
			return "", fmt.Errorf("Postgres %d is not offered for download", major)
		}
	}

	root := filepath.Join(s.cache, "postgres-"+string(version))
	bin := filepath.Join(root, "bin")
	if _, err := examine(ctx, bin); err == nil {
		return bin, nil
	}
	if err := os.MkdirAll(s.cache, 0o755); err != nil { // #nosec G301 -- programs that a plain user must be able to start
		return "", err
	}
	// Unpacked aside and renamed, so that a broken download is never taken for programs.
	work, err := os.MkdirTemp(s.cache, "fetch-")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(work)
	blocker := filepath.Join(work, "no-folder")
	if err := os.WriteFile(blocker, nil, 0o600); err != nil {
		return "", err
	}
	unpacked := filepath.Join(work, "unpacked")
	port, err := freePort()
	if err != nil {
		return "", err
	}
	config := embedded.DefaultConfig().
		Version(version).
		Port(port).
		CachePath(filepath.Join(work, "archive")).
		BinariesPath(unpacked).
		RuntimePath(filepath.Join(work, "runtime")).
		DataPath(filepath.Join(blocker, "data")).
		Logger(io.Discard)
	if s.mirror != "" {
		config = config.BinaryRepositoryURL(s.mirror)
	}

	s.log.Info("no Postgres here; fetching its programs", "version", version, "into", root)
	// The library has no way to be interrupted; it is left behind when it hangs.
	ended := make(chan error, 1)
	go func() { ended <- embedded.NewDatabase(config).Start() }()
	limit := time.NewTimer(5 * time.Minute)
	defer limit.Stop()
	select {
	case err = <-ended:
	case <-ctx.Done():
		return "", ctx.Err()
	case <-limit.C:
		return "", errors.New("no end after five minutes")
	}
	if _, missing := os.Stat(filepath.Join(unpacked, "bin", "initdb"+exeSuffix)); missing != nil {
		if err == nil {
			err = missing
		}
		return "", fmt.Errorf("fetch Postgres %s: %w", version, err)
	}
	if _, err := examine(ctx, bin); err == nil {
		return bin, nil // another copy was quicker
	}
	if err := os.RemoveAll(root); err != nil {
		return "", err
	}
	if err := os.Rename(unpacked, root); err != nil {
		return "", err
	}
	return bin, nil
}

func freePort() (uint32, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return 0, err
	}
	defer l.Close()
	return uint32(l.Addr().(*net.TCPAddr).Port), nil // #nosec G115 -- a port has 16 bits
}
