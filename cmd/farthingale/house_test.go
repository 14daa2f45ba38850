package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// mayImport says which of the house's packages a folder may import; longer folders come first. A
// package may always import packages below its own folder.
var mayImport = []struct {
	folder string
	others []string
}{
	{"cmd/", []string{"cmd/", "api", "domain", "openapi", "postgres", "migrations", "web"}},
	{"api", []string{"domain", "openapi"}},
	{"web", []string{"domain", "openapi"}},
	{"postgres", []string{"domain", "migrations"}},
	{"migrations", nil},
	{"openapi", nil},
}

// areaMayImport says which areas know others, as the trade has it. Everybody knows people and record.
var areaMayImport = map[string][]string{
	"agenda":        {},
	"collection":    {"material"},
	"enclosure":     {},
	"examination":   {"collection", "agenda", "handling"},
	"finding":       {"material"},
	"handling":      {"collection", "material", "agenda"},
	"loan":          {"collection", "material", "agenda", "handling", "movement", "photo"},
	"material":      {},
	"incident":      {"agenda"},
	"investigation": {"collection", "agenda"},
	"measurement":   {"collection", "handling"},
	"movement":      {"collection", "agenda", "handling"},
	"people":        {},
	"photo":         {"collection"},
	"record":        {},
	"survey":        {"examination"},
	"treatment":     {"collection", "material", "agenda", "photo"},
}

// onlyIn are libraries that one place keeps for all. Spreadsheets are written by web/document, which
// lets no text become a formula; the kernel reads the program's own tables; a list of objects, which lets none
// become one either, must come back as it was written.
var onlyIn = map[string][]string{
	"encoding/csv":                {"web/document", "domain", "domain/collection"},
	"github.com/xuri/excelize/v2": {"web/document"},
}

// TestImports walks the import graph: doors know only the domain, never each other or postgres.
func TestImports(t *testing.T) {
	root := filepath.Join("..", "..")
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		rel = filepath.ToSlash(rel)
		if d.IsDir() && strings.HasPrefix(d.Name(), ".") && rel != "." {
			return filepath.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(rel, ".go") || strings.HasSuffix(rel, "_test.go") {
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, imported := range file.Imports {
			target, ours := strings.CutPrefix(strings.Trim(imported.Path.Value, `"`), "farthingale/")
			if ours && !allowed(filepath.ToSlash(filepath.Dir(rel)), target) {
				t.Errorf("%s may not import %s", rel, target)
			}
			if rooms, kept := onlyIn[strings.Trim(imported.Path.Value, `"`)]; kept && !slices.Contains(rooms, filepath.ToSlash(filepath.Dir(rel))) {
				t.Errorf("%s may not import %s: that is for %s", rel, imported.Path.Value, strings.Join(rooms, " and "))
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

func allowed(from, target string) bool {
	if strings.HasPrefix(target, from+"/") {
		return from != "domain" // the kernel knows no area
	}
	if area, ok := strings.CutPrefix(from, "domain/"); ok {
		if target == "domain" || target == "domain/people" || target == "domain/record" {
			return true
		}
		own := strings.Split(area, "/")[0]
		known, ok := areaMayImport[own]
		other, isArea := strings.CutPrefix(target, "domain/")
		if isArea && strings.HasPrefix(other, own+"/") {
			return true // computations of one area may build on each other
		}
		return ok && isArea && slices.Contains(known, strings.Split(other, "/")[0])
	}
	for _, rule := range mayImport {
		if from == rule.folder || strings.HasPrefix(from, strings.TrimSuffix(rule.folder, "/")+"/") {
			return slices.ContainsFunc(rule.others, func(o string) bool {
				return target == strings.TrimSuffix(o, "/") || strings.HasPrefix(target, strings.TrimSuffix(o, "/")+"/")
			}) || strings.HasPrefix(target, rule.folder)
		}
	}
	return false
}

// exception is a finding of a checker that is set aside, with its reason on the same line.
var exception = regexp.MustCompile(`// #nosec( G\d{3})+ -- \S.*|//lint:ignore \S+ \S.*`)

// TestExceptionsAreExplained: where gosec or staticcheck are told to look away, the line says which
// finding and why.
func TestExceptionsAreExplained(t *testing.T) {
	root, found := filepath.Join("..", ".."), 0
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") {
			return err
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for i, line := range strings.Split(string(b), "\n") {
			marked := strings.Contains(line, "// #"+"nosec") || strings.Contains(line, "//"+"lint:") || strings.Contains(line, "//"+"nolint")
			if !marked {
				continue
			}
			found++
			if !exception.MatchString(line) {
				t.Errorf("%s:%d does not say what is set aside and why: %s", path, i+1, strings.TrimSpace(line))
			}
		}
		return nil
	})
	if err != nil || found < 20 {
		t.Fatalf("%d exceptions, %v", found, err)
	}
}

// TestTopLevel keeps the house to its fixed rooms.
func TestTopLevel(t *testing.T) {
	rooms := []string{"cmd", "api", "domain", "postgres", "migrations", "openapi", "web", "testdata",
		"docker-compose.yml", "go.mod", "go.sum", "README.md", "DEVELOPERS.md"}
	entries, err := os.ReadDir(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") && !slices.Contains(rooms, e.Name()) {
			t.Errorf("%s is not a room of the house", e.Name())
		}
	}
}
