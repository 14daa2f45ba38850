package domain

import (
	"fmt"
	"log/slog"
)

// Secret is what only its reader may see: a password, a code. It is taken exactly as it was sent,
// with its spaces, and no log, message or record shows it.
type Secret string

const hidden = "[secret]"

// Format prints a mark in place of the secret, with every verb.
func (Secret) Format(f fmt.State, _ rune) { _, _ = fmt.Fprint(f, hidden) }

// LogValue logs a mark in place of the secret.
func (Secret) LogValue() slog.Value { return slog.StringValue(hidden) }

// MarshalText writes a mark in place of the secret, so that no event holds one.
func (Secret) MarshalText() ([]byte, error) { return []byte(hidden), nil }
