// Command farthingale is the working record and the adviser of a museum conservation laboratory.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
)

// version is set when a release is built (-ldflags "-X main.version=1.2.3").
var version = "development"

// command is one word after the program's name.
type command struct {
	name  string
	does  string
	needs string // what follows the name
	run   func(ctx context.Context, s *settings, args []string) error
}

func commands() []command {
	return []command{
		{"serve", "serve the pages and the API", "", runServe},
		{"demo", "serve an invented museum from a data folder of its own (--fresh starts over)", "", runDemo},
		{"migrate", "change the schema of the database", "up | down [steps] | status", runMigrate},
		{"person", "make an account; the first must be a steward", "add --name … --sign-in … --role … [--department …]", runPerson},
		{"token", "make a token for a person and print it", "add --sign-in … --name … [--scope all] [--days 90]", runToken},
		{"verify", "recompute the chain of seals and the hashes of all files, and compare them with the records (--against FILE: with a printed head)", "", runVerify},
		{"licences", "list the modules that the program is built from with their licences, or print the texts of one or of all", "[module | all]", runLicences},
		{"help", "list the commands, the flags and their environment variables", "", nil},
	}
}

// errUsage says that the command line cannot be read; its message was printed.
var errUsage = errors.New("the command line cannot be read")

func main() {
	// The first signal ends the work in good order; the second ends the program.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop)
	switch err := run(ctx, os.Args[1:]); {
	case err == nil:
	case errors.Is(err, errUsage):
		os.Exit(2)
	default:
		fmt.Fprintln(os.Stderr, "farthingale: "+err.Error())
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string) error {
	name := "serve"
	if len(args) > 0 && args[0] != "" && args[0][0] != '-' {
		name, args = args[0], args[1:]
	}
	if name == "help" || len(args) > 0 && (args[0] == "-h" || args[0] == "--help") {
		help(os.Stdout)
		return nil
	}
	for _, c := range commands() {
		if c.name != name {
			continue
		}
		s := newSettings(name)
		rest, err := s.parse(args)
		if err != nil {
			fmt.Fprintln(os.Stderr, "farthingale "+name+": "+err.Error()+"\nSee: farthingale help")
			return errUsage
		}
		return c.run(ctx, s, rest)
	}
	fmt.Fprintf(os.Stderr, "farthingale: there is no command %q\nSee: farthingale help\n", name)
	return errUsage
}

func help(w io.Writer) {
	_, _ = fmt.Fprintln(w, "farthingale keeps the working record of a museum conservation laboratory.\n\nCommands:")
	for _, c := range commands() {
		_, _ = fmt.Fprintf(w, "  farthingale %s %s\n        %s\n", c.name, c.needs, c.does)
	}
	_, _ = fmt.Fprintln(w, "\nFlags (each may be given by the environment variable in brackets):")
	newSettings("help").list(w)
}
