package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"text/tabwriter"

	"farthingale/cmd/farthingale/licences"
)

// runLicences lists the modules of this very build with their licences, or prints the texts of one of
// them, or of all.
func runLicences(_ context.Context, _ *settings, rest []string) error {
	build, ok := debug.ReadBuildInfo()
	if !ok {
		return errors.New("this program was built without a list of its modules")
	}
	known, err := licences.Known()
	if err != nil {
		return err
	}
	switch all := known.Of(build); {
	case len(rest) == 0:
		return listLicences(os.Stdout, all)
	case len(rest) == 1:
		return printLicences(os.Stdout, known, all, rest[0])
	}
	return errors.New("say: farthingale licences [module | all]")
}

func listLicences(w io.Writer, all []licences.Module) error {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, m := range all {
		if m.Licence == "" {
			m.Licence = "not known"
		}
		if _, err := fmt.Fprintf(table, "%s\t%s\t%s\n", m.Path, m.Version, m.Licence); err != nil {
			return err
		}
	}
	return table.Flush()
}

func printLicences(w io.Writer, known *licences.List, all []licences.Module, wanted string) error {
	found := false
	for _, m := range all {
		if wanted != "all" && wanted != m.Path {
			continue
		}
		found = true
		if _, err := fmt.Fprintf(w, "== %s %s: %s\n\n%s", m.Path, m.Version, m.Licence, known.Text(m)); err != nil {
			return err
		}
	}
	if !found {
		return fmt.Errorf("the program is not built from a module %s; 'farthingale licences' lists them", wanted)
	}
	return nil
}
