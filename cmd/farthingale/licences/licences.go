// Package licences knows under which licences the modules stand that the program is built from, with
// their texts. The list is made from the modules themselves by the package's test (-update), which
// fails when it is not that of the present build.
package licences

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"runtime/debug"
	"slices"
	"strings"
)

//go:embed licences.json
var list []byte

// Module is one module of the program.
type Module struct {
	Path    string   `json:"path"`
	Version string   `json:"version"`
	Licence string   `json:"licence"` // its name in the SPDX list; several joined by " AND "
	Texts   []string `json:"texts"`   // keys of the texts: licences and notices
}

// List is all that is known.
type List struct {
	Modules []Module          `json:"modules"`
	Texts   map[string]string `json:"texts"`
}

// Standard is the path under which Go's own library stands in the list.
const Standard = "std"

// Known reads the list.
func Known() (*List, error) {
	var l List
	if err := json.Unmarshal(list, &l); err != nil {
		return nil, fmt.Errorf("read the list of licences: %w", err)
	}
	return &l, nil
}

// Of is the modules of a build, sorted, with Go's own library. A module that the list does not have, or
// has in another version, stands there without a licence: nothing is said of it that is not known.
func (l *List) Of(build *debug.BuildInfo) []Module {
	all := []Module{{Path: Standard, Version: build.GoVersion}}
	for _, d := range build.Deps {
		if d.Replace != nil {
			d = d.Replace
		}
		all = append(all, Module{Path: d.Path, Version: d.Version})
	}
	for i := range all {
		if known, ok := l.one(all[i].Path); ok && (known.Version == all[i].Version || known.Path == Standard) {
			all[i].Licence, all[i].Texts = known.Licence, known.Texts
		}
	}
	slices.SortFunc(all, func(a, b Module) int { return strings.Compare(a.Path, b.Path) })
	return all
}

func (l *List) one(path string) (Module, bool) {
	i := slices.IndexFunc(l.Modules, func(m Module) bool { return m.Path == path })
	if i < 0 {
		return Module{}, false
	}
	return l.Modules[i], true
}

// Text is what a module's licences and notices say.
func (l *List) Text(m Module) string {
	var b strings.Builder
	for _, key := range m.Texts {
		b.WriteString(strings.TrimRight(l.Texts[key], "\n") + "\n\n")
	}
	return b.String()
}
