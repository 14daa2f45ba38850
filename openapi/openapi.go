// Package openapi holds the contract of the API: openapi.yaml and, for each area, its paths under
// paths/ and its schemas under schemas/. References inside are always of the form
// #/components/schemas/Name, so that the one document is a plain union of the files.
package openapi

import (
	"embed"
	"encoding/json"
	"fmt"
	"io/fs"

	"go.yaml.in/yaml/v3"
)

//go:embed openapi.yaml paths/*.yaml schemas/*.yaml
var files embed.FS

// Document is the whole contract as one JSON document. It fails when a file cannot be read or when
// two areas claim the same path or schema.
func Document() ([]byte, error) {
	root := map[string]any{}
	if err := read("openapi.yaml", &root); err != nil {
		return nil, err
	}
	components, ok := root["components"].(map[string]any)
	if !ok {
		return nil, fmt.Errorf("openapi.yaml has no components")
	}
	schemas := map[string]any{}
	paths := map[string]any{}
	if err := union("paths/*.yaml", paths); err != nil {
		return nil, err
	}
	if err := union("schemas/*.yaml", schemas); err != nil {
		return nil, err
	}
	components["schemas"] = schemas
	root["paths"] = paths
	return json.Marshal(root)
}

func union(pattern string, into map[string]any) error {
	names, err := fs.Glob(files, pattern)
	if err != nil {
		return err
	}
	for _, name := range names {
		part := map[string]any{}
		if err := read(name, &part); err != nil {
			return err
		}
		for key, value := range part {
			if _, taken := into[key]; taken {
				return fmt.Errorf("%s: %s is described twice", name, key)
			}
			into[key] = value
		}
	}
	return nil
}

func read(name string, into *map[string]any) error {
	b, err := files.ReadFile(name)
	if err != nil {
		return err
	}
	if err := yaml.Unmarshal(b, into); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}
