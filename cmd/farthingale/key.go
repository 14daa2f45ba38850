package main

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"farthingale/domain"
	"farthingale/domain/people"
)

// key reads the key under which secrets are kept, and makes one in the data folder at the first start.
// A file that is named must be there: a second key would open nothing that the first one keeps.
func (s *settings) key() ([]byte, error) {
	path := s.keyFile
	if path == "" {
		path = filepath.Join(s.data, "second-factor.key")
	}
	text, err := os.ReadFile(path) // #nosec G304 G703 -- the person at the machine names the file
	if errors.Is(err, fs.ErrNotExist) && s.keyFile == "" {
		if err := makeKey(path); err != nil {
			return nil, fmt.Errorf("make the key for secrets: %w (name a file that holds one with --key-file)", err)
		}
		text, err = os.ReadFile(path) // #nosec G304 G703 -- as above
	}
	if err != nil {
		return nil, fmt.Errorf("read the key for secrets: %w", err)
	}
	key, err := hex.DecodeString(strings.TrimSpace(string(text)))
	if err != nil || len(key) != people.KeyBytes {
		return nil, fmt.Errorf("%s does not hold a key of %d hexadecimal digits", path, 2*people.KeyBytes)
	}
	return key, nil
}

// makeKey writes a new key that only its owner may read. It is whole before it has its name, and where
// another copy of the program was quicker, that copy's key stays.
func makeKey(path string) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil { // #nosec G703 -- the person at the machine names the folder
		return err
	}
	key := make([]byte, people.KeyBytes)
	if _, err := rand.Read(key); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".key-*") // made with 0600
	if err != nil {
		return err
	}
	_, err = f.WriteString(hex.EncodeToString(key) + "\n")
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		if err = os.Link(f.Name(), path); errors.Is(err, fs.ErrExist) {
			err = nil
		}
	}
	return errors.Join(err, os.Remove(f.Name())) // #nosec G703 -- the file made above
}

// rolesOf reads roles separated by commas.
func rolesOf(text string) ([]domain.Role, error) {
	var roles []domain.Role
	for _, w := range words(text) {
		r := domain.Role(strings.ReplaceAll(w, " ", "_"))
		if !slices.Contains(domain.Roles, r) {
			return nil, fmt.Errorf("there is no role %q", w)
		}
		roles = append(roles, r)
	}
	return roles, nil
}
