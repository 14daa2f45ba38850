package api_test

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
)

// TestMain runs the tests, then, when all were run, fails if a documented operation was never answered
// with success: each of them must have been held against the contract.
func TestMain(m *testing.M) {
	flag.Parse()
	code := m.Run()
	if code == 0 && flag.Lookup("test.run").Value.String() == "" && flag.Lookup("test.skip").Value.String() == "" &&
		flag.Lookup("test.fuzz").Value.String() == "" && flag.Lookup("test.list").Value.String() == "" {
		all, err := servetest.Operations()
		if err != nil {
			fmt.Println("read the contract:", err)
			os.Exit(1)
		}
		covered := servetest.Covered()
		for _, operation := range all {
			if !slices.Contains(covered, operation) {
				fmt.Println("FAIL: no test answered with success:", operation)
				code = 1
			}
		}
	}
	os.Exit(code)
}
