package pgtest

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/testcontainers/testcontainers-go"
	containers "github.com/testcontainers/testcontainers-go/modules/postgres"

	"farthingale/postgres"
)

// image is what a container runs: a release that we also run outside of containers.
const image = "postgres:17-alpine"

// container starts a server where a container engine answers within three seconds. The
// library ends it some seconds after this program.
func container(ctx context.Context) (*server, error) {
	if err := engineAnswers(ctx, 3*time.Second); err != nil {
		return nil, err
	}
	c, err := containers.Run(ctx, image,
		containers.WithUsername(postgres.OwnerRole), containers.WithPassword("test"), containers.WithDatabase("postgres"),
		testcontainers.WithCmdArgs("-c", "synchronous_commit=off", "-c", "full_page_writes=off", "-c", "max_connections=300"),
		containers.BasicWaitStrategies())
	if err != nil {
		return nil, errors.Join(err, testcontainers.TerminateContainer(c))
	}
	given, err := c.ConnectionString(ctx, "sslmode=disable")
	if err != nil {
		return nil, err
	}
	return external(given)
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
