package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"farthingale/domain/people"
)

// TestKey: made once, for its owner only, the same for all who ask at the same moment; one that is
// named or broken is never replaced.
func TestKey(t *testing.T) {
	t.Parallel()
	data := filepath.Join(t.TempDir(), "new", "data")
	s := &settings{data: data}
	keys := make([][]byte, 8)
	var wg sync.WaitGroup
	for i := range keys {
		wg.Go(func() {
			key, err := s.key()
			if err != nil {
				t.Error(err)
			}
			keys[i] = key
		})
	}
	wg.Wait()
	for _, key := range keys {
		if len(key) != people.KeyBytes || !bytes.Equal(key, keys[0]) || bytes.Equal(key, make([]byte, people.KeyBytes)) {
			t.Fatalf("keys differ or are no keys: %d bytes", len(key))
		}
	}
	entries, err := os.ReadDir(data)
	if err != nil || len(entries) != 1 {
		t.Fatalf("the folder holds %v, %v", entries, err)
	}
	info, err := entries[0].Info()
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the key's file has mode %v, %v", info.Mode(), err)
	}
	for name, text := range map[string]string{"empty": "", "short": "00ff", "words": strings.Repeat("zz", people.KeyBytes)} {
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if key, err := (&settings{data: data, keyFile: path}).key(); err == nil || key != nil {
			t.Errorf("%s file: %x", name, key)
		}
		if kept, err := os.ReadFile(path); err != nil || string(kept) != text {
			t.Errorf("%s file was changed", name)
		}
	}
	if _, err := (&settings{data: data, keyFile: filepath.Join(data, "none")}).key(); err == nil {
		t.Error("a named file that is not there was made")
	}
}

// TestRolesOf: words or names, and no others.
func TestRolesOf(t *testing.T) {
	t.Parallel()
	if roles, err := rolesOf("steward, mount maker,reader"); err != nil || len(roles) != 3 || roles[1] != "mount_maker" {
		t.Errorf("%v, %v", roles, err)
	}
	if _, err := rolesOf("steward,king"); err == nil || !strings.Contains(err.Error(), "king") {
		t.Errorf("a king: %v", err)
	}
}
