package licences

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "make the list of licences anew")

// systems are those whose builds the list covers.
var systems = []string{"linux", "darwin", "windows"}

// built lists the modules that the program is built from, as "path version" with their folders, on every
// system.
func built(t *testing.T) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, system := range systems {
		c := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{if not .Main}}{{with .Replace}}{{.Path}} {{.Version}} {{.Dir}}{{else}}{{.Path}} {{.Version}} {{.Dir}}{{end}}{{end}}{{end}}", "farthingale/cmd/farthingale")
		c.Env = append(os.Environ(), "GOOS="+system, "CGO_ENABLED=0")
		var said bytes.Buffer
		c.Stderr = &said
		out, err := c.Output()
		if err != nil {
			t.Fatalf("list the modules for %s: %v: %s", system, err, said.String())
		}
		for line := range strings.Lines(string(out)) {
			if f := strings.SplitN(strings.TrimSpace(line), " ", 3); len(f) == 3 {
				all[f[0]+" "+f[1]] = f[2]
			}
		}
	}
	return all
}

// names of files with licences and notices.
var texts = regexp.MustCompile(`(?i)^((un)?licen[cs]e|copying|notice|ofl|copyright)([-._].*)?$`)

// read makes the entry of a module from its folder.
func read(t *testing.T, l *List, m Module, folder string) Module {
	t.Helper()
	entries, err := os.ReadDir(folder)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.IsDir() || !texts.MatchString(e.Name()) || strings.HasSuffix(e.Name(), ".go") {
			continue
		}
		b, err := os.ReadFile(filepath.Join(folder, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		text := strings.TrimSpace(strings.ReplaceAll(strings.ToValidUTF8(string(b), "\uFFFD"), "\r\n", "\n")) + "\n"
		sum := sha256.Sum256([]byte(text))
		key := hex.EncodeToString(sum[:8])
		l.Texts[key] = text
		m.Texts = append(m.Texts, key)
		for _, name := range named(text) {
			if !slices.Contains(strings.Split(m.Licence, " AND "), name) {
				if m.Licence != "" {
					m.Licence += " AND "
				}
				m.Licence += name
			}
		}
	}
	return m
}

// marks are words that stand in one licence only.
//
// source: SPDX License List (from memory)
var marks = []struct{ name, words string }{
	{"Apache-2.0", `Apache License,? Version 2\.0`},
	{"MPL-2.0", `Mozilla Public License,? (Version|v\.) ?2\.0`},
	{"AGPL-3.0", `GNU AFFERO GENERAL PUBLIC LICENSE Version 3, 19 November`},
	{"LGPL", `GNU LESSER GENERAL PUBLIC LICENSE Version (2\.1|3),`},
	{"GPL-3.0", `GNU GENERAL PUBLIC LICENSE Version 3,`},
	{"GPL-2.0", `GNU GENERAL PUBLIC LICENSE Version 2, June`},
	{"OFL-1.1", `SIL OPEN FONT LICENSE Version 1\.1`},
	{"Bitstream-Vera", `Bitstream Vera`},
	{"Unlicense", `This is free and unencumbered software`},
	{"CC0-1.0", `CC0 1\.0 Universal`},
	{"ISC", `Permission to use, copy, modify,? and(/or)? distribute this software for any purpose with or without fee`},
	{"MIT-0", `MIT No Attribution`},
	{"MIT", `Permission is hereby granted, free of charge, to any person obtaining a copy of this software`},
	{"public domain", `(put|placed|is) (in|into) the public domain`},
	{"Zlib", `The origin of this software must not be misrepresented`},
}

// named says which licences a text holds.
func named(text string) (names []string) {
	text = strings.Join(strings.Fields(text), " ")
	for _, mark := range marks {
		if regexp.MustCompile(`(?i)` + mark.words).MatchString(text) {
			names = append(names, mark.name)
		}
	}
	if regexp.MustCompile(`(?i)Redistribution and use in source and binary forms`).MatchString(text) {
		if regexp.MustCompile(`(?i)neither the names? |may not be used to endorse|nor the names of`).MatchString(text) {
			names = append(names, "BSD-3-Clause")
		} else {
			names = append(names, "BSD-2-Clause")
		}
	}
	return names
}

// TestEveryModuleHasALicence: the list is that of the present build, each module with a known licence
// and its text. A new dependency fails here until its licence was looked at.
func TestEveryModuleHasALicence(t *testing.T) {
	folders := built(t)
	if len(folders) < 30 {
		t.Fatalf("only %d modules", len(folders))
	}
	want := &List{Texts: map[string]string{}}
	for name, folder := range folders {
		path, version, _ := strings.Cut(name, " ")
		want.Modules = append(want.Modules, read(t, want, Module{Path: path, Version: version}, folder))
	}
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	want.Modules = append(want.Modules, read(t, want, Module{Path: Standard}, strings.TrimSpace(string(root))))
	slices.SortFunc(want.Modules, func(a, b Module) int { return strings.Compare(a.Path, b.Path) })
	if *update {
		b, err := json.MarshalIndent(want, "", " ")
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile("licences.json", append(b, '\n'), 0o600); err != nil {
			t.Fatal(err)
		}
		t.Log("written; the embedded list is that of the next build")
		return
	}
	known, err := Known()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range want.Modules {
		if m.Licence == "" {
			t.Errorf("%s %s: its licence is not recognised", m.Path, m.Version)
		}
		got, ok := known.one(m.Path)
		if !ok || got.Version != m.Version || got.Licence != m.Licence || m.Path != Standard && !slices.Equal(got.Texts, m.Texts) {
			t.Errorf("the list has %+v, the build has %+v: go test ./cmd/farthingale/licences -update, then read the change", got, m)
		}
		if strings.TrimSpace(known.Text(got)) == "" {
			t.Errorf("%s has no text", m.Path)
		}
		if strings.Contains(m.Licence, "GPL") {
			t.Errorf("%s stands under %s, which would bind the whole program", m.Path, m.Licence)
		}
	}
	if len(known.Modules) != len(want.Modules) {
		t.Errorf("the list has %d modules, the build %d", len(known.Modules), len(want.Modules))
	}
}

// TestOf: of a build's own modules; one that is not known, or in another version, gets no licence.
func TestOf(t *testing.T) {
	t.Parallel()
	l, err := Known()
	if err != nil {
		t.Fatal(err)
	}
	some := l.Modules[0]
	all := l.Of(&debug.BuildInfo{GoVersion: runtime.Version(), Deps: []*debug.Module{
		{Path: some.Path, Version: some.Version}, {Path: "example.test/unknown", Version: "v1.0.0"},
		{Path: "example.test/old", Version: "v1.0.0", Replace: &debug.Module{Path: l.Modules[1].Path, Version: "v0.0.1-other"}}}})
	if len(all) != 4 {
		t.Fatalf("%+v", all)
	}
	for _, m := range all {
		if known := m.Path == some.Path || m.Path == Standard; known != (m.Licence != "") || known != (l.Text(m) != "") {
			t.Errorf("%+v", m)
		}
	}
	if !slices.IsSortedFunc(all, func(a, b Module) int { return strings.Compare(a.Path, b.Path) }) {
		t.Error("not sorted")
	}
}

// TestNamed: a licence is known by its words.
func TestNamed(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"Apache License\n   Version 2.0, January 2004":                                                   "Apache-2.0",
		"Permission is hereby granted, free of charge, to any person\nobtaining a copy of this software": "MIT",
		"Redistribution and use in source and binary forms … Neither the name of Google":                 "BSD-3-Clause",
		"Redistribution and use in source and\nbinary forms, with or without":                            "BSD-2-Clause",
		"Mozilla Public License Version 2.0 … the GNU Affero General Public License, Version 3.0":        "MPL-2.0",
		"GNU AFFERO GENERAL PUBLIC LICENSE\n Version 3, 19 November 2007":                                "AGPL-3.0",
		"All rights reserved.": "",
	} {
		if got := strings.Join(named(text), " AND "); got != want {
			t.Errorf("%q is %q, want %q", text, got, want)
		}
	}
}
