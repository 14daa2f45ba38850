package pgtest

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"farthingale/postgres/local"
)

// private starts a server in a temporary folder. The kernel ends it with this program; the
// folder is removed by the next start, because nothing runs in a program that was killed.
func private(fetch bool) (*server, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Minute)
	defer cancel()
	prefix := fmt.Sprintf("farthingale-test-%d-", os.Geteuid())
	home := roomy()
	old, err := filepath.Glob(filepath.Join(home, prefix+"*"))
	if err != nil {
		return nil, fmt.Errorf("look for old test servers: %w", err)
	}
	for _, dir := range old {
		local.Discard(dir) // unless its test binary still runs
	}
	dir, err := os.MkdirTemp(home, prefix)
	if err != nil {
		return nil, fmt.Errorf("make a folder for the test server: %w", err)
	}
	// Without a kept cluster the start makes one from nothing; it only takes longer.
	_ = unpackKept(ctx, keptIn(), dir, fetch)
	cluster, err := local.Start(ctx, local.Options{DataDir: dir, Fast: true, NoFetch: !fetch})
	if err != nil {
		local.Discard(dir)
		return nil, err
	}
	return serverOf(ctx, cluster)
}
