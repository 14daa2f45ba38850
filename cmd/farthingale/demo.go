package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"farthingale/cmd/farthingale/demo"
	"farthingale/cmd/farthingale/serve"
)

// runDemo serves the invented museum. Its data stays between starts; --fresh throws it away first.
func runDemo(ctx context.Context, s *settings, rest []string) error {
	if len(rest) > 0 {
		return fmt.Errorf("demo takes no %q", rest[0])
	}
	if err := s.cookies(); err != nil {
		return err
	}
	begun := time.Now()
	if s.fresh {
		if err := throwAway(s.data); err != nil {
			return err
		}
	}
	if s.databaseURL != "" {
		return errors.New("the demonstration has its own database: start it without DATABASE_URL")
	}
	if err := claim(s.data); err != nil {
		return err
	}
	site, err := demo.Site()
	if err != nil {
		return err
	}
	site.Version = version
	o, err := open(ctx, s, site, func(w *serve.Settings) { w.SignIns = demo.SignIns() })
	if err != nil {
		return err
	}
	err = demo.Load(ctx, o.server.Pool, o.wiring, o.log)
	if err == nil {
		err = o.listen(ctx, s.listen, s.metrics, func(address string) {
			var said strings.Builder // printed at once, so that whoever reads the address has the sign-ins too
			fmt.Fprintf(&said, "\n%s – a demonstration; everything is invented.\n\n    http://%s\n\nSign in as one of:\n", site.Name, address)
			for _, h := range demo.SignIns() {
				fmt.Fprintf(&said, "    %-12s %-10s %-26s password: %s\n", h.Role, h.SignInName, h.Name, h.Password)
			}
			fmt.Fprintf(&said, "\nReady in %.1f s. Data in %s; 'demo --fresh' starts over. Stop with Ctrl-C.\n", time.Since(begun).Seconds(), s.data)
			fmt.Print(said.String())
		})
	}
	return errors.Join(err, o.close(ctx))
}

// markFile says that a folder belongs to the demonstration and may be thrown away.
const markFile = "farthingale-demonstration"

// claim marks a new or empty folder as the demonstration's. A folder that holds anything else is not
// touched.
func claim(folder string) error {
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return fmt.Errorf("make the data folder: %w", err)
	}
	entries, err := os.ReadDir(folder)
	if err != nil {
		return fmt.Errorf("read the data folder: %w", err)
	}
	mark := filepath.Join(folder, markFile)
	if _, err := os.Stat(mark); err == nil {
		return nil
	}
	if len(entries) > 0 {
		return fmt.Errorf("%s holds something else than the demonstration; name another folder with --data", folder)
	}
	return os.WriteFile(mark, []byte("This folder holds the demonstration of farthingale. 'farthingale demo --fresh' empties it.\n"), 0o600)
}

// throwAway removes a demonstration's folder, and no other.
func throwAway(folder string) error {
	if _, err := os.Stat(folder); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if _, err := os.Stat(filepath.Join(folder, markFile)); err != nil {
		return fmt.Errorf("%s is not a demonstration's folder; it is not thrown away", folder)
	}
	if strings.Trim(filepath.Clean(folder), "./") == "" {
		return errors.New("the data folder is not thrown away: " + folder)
	}
	return os.RemoveAll(folder)
}
