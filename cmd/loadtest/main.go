// Command loadtest measures the program on an invented collection of any size: seed fills a database, plans
// asks how the database carries out every statement, run sends what forty people would send at a fixed
// rate, saturate sends as fast as answers come, compare puts each endpoint beside the bare SQL of the same
// read and beside an empty handler of the same router.
//
// It sends to the loopback only, and only to databases that it filled itself.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"syscall"
)

// command is one word after the program's name.
type command struct {
	name, does string
	run        func(ctx context.Context, args []string) error
}

func commands() []command {
	return []command{
		{"seed", "fill an empty database with an invented collection", runSeed},
		{"plans", "look whether any statement reads a large table whole", runPlans},
		{"run", "send what people would send, at a fixed rate, and measure the answers", runRun},
		{"saturate", "send as fast as answers come", runSaturate},
		{"compare", "put endpoints beside the bare SQL of the same read and an empty handler", runCompare},
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop) // the second signal ends the program at once
	if len(os.Args) > 1 {
		for _, c := range commands() {
			if c.name != os.Args[1] {
				continue
			}
			err := c.run(ctx, os.Args[2:])
			switch {
			case errors.Is(err, flag.ErrHelp):
				return
			case err != nil:
				fmt.Fprintln(os.Stderr, "loadtest "+c.name+": "+err.Error())
				stop()
				os.Exit(1)
			}
			return
		}
	}
	fmt.Fprintln(os.Stderr, "loadtest measures the program on an invented collection.\n\nCommands (loadtest COMMAND -h lists its flags):")
	for _, c := range commands() {
		fmt.Fprintf(os.Stderr, "  loadtest %-9s %s\n", c.name, c.does)
	}
	os.Exit(2)
}
