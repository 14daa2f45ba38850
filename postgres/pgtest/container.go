package pgtest

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"strings"
)

// container starts a server in a container where an engine answers. Command container keeps it for as long as this
// program holds its standard input.
func container(ctx context.Context) (*server, error) {
	var said bytes.Buffer
	keeper := exec.Command("go", "run", "farthingale/postgres/pgtest/container")
	keeper.Stderr = &said
	_, err1 := keeper.StdinPipe()
	stdout, err2 := keeper.StdoutPipe()
	if err := errors.Join(err1, err2, keeper.Start()); err != nil {
		return nil, err
	}
	enough := context.AfterFunc(ctx, func() { _ = keeper.Process.Kill() })
	url, err := bufio.NewReader(stdout).ReadString('\n')
	if !enough() || err != nil {
		return nil, fmt.Errorf("%w: %s", errors.Join(err, ctx.Err(), keeper.Wait()), strings.TrimSpace(said.String()))
	}
	s, err := external(strings.TrimSpace(url))
	if err != nil {
		return nil, err
	}
	s.keeper = keeper
	return s, nil
}
