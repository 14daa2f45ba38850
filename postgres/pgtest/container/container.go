// Command container keeps a Postgres in a container for one test binary. It prints the URL of the server, and ends
// the container when its standard input ends, which it does with the test binary at the latest.
//
// It is a program of its own because the library of containers is larger than what is tested with it: package
// pgtest runs it only where there is no other Postgres.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/testcontainers/testcontainers-go"
	containers "github.com/testcontainers/testcontainers-go/modules/postgres"

	"farthingale/postgres"
)

// image is what a container runs: a release that we also run outside of containers.
const image = "postgres:17-alpine"

func main() {
	if err := keep(context.Background()); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// keep starts a server where a container engine answers within three seconds.
func keep(ctx context.Context) error {
	if err := engineAnswers(ctx, 3*time.Second); err != nil {
		return err
	}
	c, err := containers.Run(ctx, image,
		containers.WithUsername(postgres.OwnerRole), containers.WithPassword("test"), containers.WithDatabase("postgres"),
		testcontainers.WithCmdArgs("-c", "synchronous_commit=off", "-c", "full_page_writes=off", "-c", "max_connections=300"),
		containers.BasicWaitStrategies())
	if err != nil {
		return errors.Join(err, testcontainers.TerminateContainer(c))
	}
	url, err := c.ConnectionString(ctx, "sslmode=disable")
	if err == nil {
		fmt.Println(url)
		_, err = io.Copy(io.Discard, os.Stdin)
	}
	return errors.Join(err, testcontainers.TerminateContainer(c))
}

// engineAnswers asks the engine for its health, aside: the library panics without any
// engine, and a half-dead engine never answers.
func engineAnswers(ctx context.Context, patience time.Duration) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	answer := make(chan error, 1)
	go func() {
		defer func() {
			if p := recover(); p != nil {
				answer <- fmt.Errorf("no container engine: %v", p)
			}
		}()
		provider, err := testcontainers.NewDockerProvider()
		if err != nil {
			answer <- err
			return
		}
		defer provider.Close()
		answer <- provider.Health(ctx)
	}()
	select {
	case err := <-answer:
		return err
	case <-ctx.Done():
		return fmt.Errorf("the container engine does not answer: %w", ctx.Err())
	}
}
