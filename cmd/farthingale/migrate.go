package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"

	"farthingale/postgres"
)

// runMigrate changes the schema by hand.
func runMigrate(ctx context.Context, s *settings, rest []string) (err error) {
	usage := errors.New("say: farthingale migrate up | down [steps] | status")
	if len(rest) == 0 || len(rest) > 2 || len(rest) == 2 && rest[0] != "down" {
		return usage
	}
	log := logger()
	s.noMigrate = true
	server, err := postgres.Open(ctx, s.database(log))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, server.Close(context.WithoutCancel(ctx))) }()
	switch rest[0] {
	case "up":
		err = postgres.MigrateUp(ctx, server.OwnerURL, log)
	case "down":
		steps := 1
		if len(rest) == 2 {
			if steps, err = strconv.Atoi(rest[1]); err != nil || steps < 1 {
				return usage
			}
		}
		err = postgres.MigrateDown(ctx, server.OwnerURL, steps, log)
	case "status":
	default:
		return usage
	}
	if err != nil {
		return err
	}
	status, err := postgres.MigrateStatus(ctx, server.OwnerURL)
	if err != nil {
		return err
	}
	fmt.Printf("The schema is at step %d of %d.\n", status.Version, status.Latest)
	if status.Dirty {
		fmt.Printf("Step %d was begun and not ended.\n", status.Version)
	}
	for _, step := range status.Pending {
		fmt.Printf("  pending: %06d %s\n", step.Version, step.Name)
	}
	return nil
}
