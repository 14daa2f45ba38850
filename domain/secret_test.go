package domain

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"testing"
)

// TestSecretIsNotShown: whatever prints, logs or encodes a command, its secrets stay out.
func TestSecretIsNotShown(t *testing.T) {
	t.Parallel()
	type command struct {
		Name     string
		Password Secret
		Codes    []Secret
	}
	c := command{"ines", "under the thimble", []Secret{"4711-0815"}}
	var log bytes.Buffer
	for _, h := range []slog.Handler{slog.NewTextHandler(&log, nil), slog.NewJSONHandler(&log, nil)} {
		slog.New(h).Info("command", "all", c, "pointer", &c, "one", c.Password, "error", fmt.Errorf("refused: %v", c))
	}
	encoded, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	said := log.String() + string(encoded)
	for _, verb := range []string{"%v", "%+v", "%#v", "%s", "%q", "%x", "%d"} {
		said += fmt.Sprintf(verb, c) + fmt.Sprintf(verb, c.Password) + fmt.Sprintf(verb, &c)
	}
	for _, secret := range []string{"thimble", "4711", fmt.Sprintf("%x", "thimble")} {
		if strings.Contains(said, secret) {
			t.Errorf("%s is shown: %s", secret, said)
		}
	}
	if !strings.Contains(said, "ines") {
		t.Error("nothing is shown at all")
	}
}
