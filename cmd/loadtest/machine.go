package main

import (
	"context"
	"fmt"
	"os"
	"runtime"
	"strings"

	"github.com/jackc/pgx/v5"
)

// machine names the machine and how busy it is: other work on it makes every figure worse.
func machine() string {
	model := "unknown processor"
	if b, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for line := range strings.Lines(string(b)) {
			if name, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(name) == "model name" {
				model = strings.TrimSpace(value)
				break
			}
		}
	}
	load := ""
	if b, err := os.ReadFile("/proc/loadavg"); err == nil {
		load = ", load " + strings.Join(strings.Fields(string(b))[:3], " ")
	}
	return fmt.Sprintf("%s, %d cores, %s/%s, %s%s", model, runtime.NumCPU(), runtime.GOOS, runtime.GOARCH, runtime.Version(), load)
}

// unhurried lets a private server write its log to the disk in large pieces while it is filled. It gives
// back what undoes that; a server whose settings are not ours is left as it is.
func unhurried(ctx context.Context, ownerURL string) (restore func()) {
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return func() {}
	}
	ctx = context.WithoutCancel(ctx)
	defer func() { _ = conn.Close(ctx) }()
	settings := []string{"max_wal_size = '2GB'", "checkpoint_timeout = '15min'", "maintenance_work_mem = '512MB'", "autovacuum_naptime = '10min'"}
	for _, s := range settings {
		if _, err := conn.Exec(ctx, "alter system set "+s); err != nil {
			return func() {}
		}
	}
	_, _ = conn.Exec(ctx, "select pg_reload_conf()")
	return func() {
		conn, err := pgx.Connect(ctx, ownerURL)
		if err != nil {
			return
		}
		defer func() { _ = conn.Close(ctx) }()
		for _, s := range settings {
			name, _, _ := strings.Cut(s, " ")
			_, _ = conn.Exec(ctx, "alter system reset "+name)
		}
		_, _ = conn.Exec(ctx, "select pg_reload_conf()")
		_, _ = conn.Exec(ctx, "checkpoint")
	}
}
