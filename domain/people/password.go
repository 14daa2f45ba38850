package people

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"strings"

	"golang.org/x/crypto/argon2"

	"farthingale/domain"
)

// Strength of new password hashes: argon2id with 2 passes, 19 MiB, one lane.
//
// source: OWASP, Password Storage Cheat Sheet, argon2id (m=19456, t=2, p=1).
const (
	passes    = 2
	memoryKiB = 19 * 1024
	lanes     = 1
	saltBytes = 16
	keyBytes  = 32
)

// HashPassword makes the standard text form of an argon2id hash
// ("$argon2id$v=19$m=19456,t=2,p=1$salt$key").
func HashPassword(password domain.Secret) (string, error) {
	salt := make([]byte, saltBytes)
	if _, err := rand.Read(salt); err != nil {
		return "", fmt.Errorf("salt for a password: %w", err)
	}
	key := argon2.IDKey([]byte(password), salt, passes, memoryKiB, lanes, keyBytes)
	return fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, memoryKiB, passes, lanes,
		base64.RawStdEncoding.EncodeToString(salt), base64.RawStdEncoding.EncodeToString(key)), nil
}

// CheckPassword says whether the password belongs to the hash. A hash that cannot be read belongs to
// no password.
func CheckPassword(hash string, password domain.Secret) bool {
	h, ok := readHash(hash)
	if !ok {
		return false
	}
	got := argon2.IDKey([]byte(password), h.salt, h.passes, h.memoryKiB, h.lanes, uint32(len(h.key))) // #nosec G115 -- at most 128
	return subtle.ConstantTimeCompare(got, h.key) == 1
}

// readableHash is a hash in its parts.
type readableHash struct {
	passes, memoryKiB uint32
	lanes             uint8
	salt, key         []byte
}

func readHash(hash string) (h readableHash, ok bool) {
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[1] != "argon2id" {
		return h, false
	}
	var version int
	if _, err := fmt.Sscanf(parts[2], "v=%d", &version); err != nil || version != argon2.Version {
		return h, false
	}
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &h.memoryKiB, &h.passes, &h.lanes); err != nil || h.memoryKiB > 1<<20 || h.passes > 64 || h.lanes == 0 || h.passes == 0 {
		return h, false
	}
	var err error
	if h.salt, err = base64.RawStdEncoding.DecodeString(parts[4]); err != nil {
		return h, false
	}
	if h.key, err = base64.RawStdEncoding.DecodeString(parts[5]); err != nil || len(h.key) < 16 || len(h.key) > 128 {
		return h, false
	}
	return h, true
}

// nobodysHash takes the time of a check when there is no such person, so that the answer's delay
// does not tell who has an account.
const nobodysHash = "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"

// tokenPrefix marks a personal token, so that one left in a file is recognised.
const tokenPrefix = "farthingale_"

// secretBytes is the size of what is secret in a token.
const secretBytes = 32

func newSecret() (string, error) {
	b := make([]byte, secretBytes)
	if _, err := rand.Read(b); err != nil {
		return "", fmt.Errorf("secret of a token: %w", err)
	}
	return tokenPrefix + base64.RawURLEncoding.EncodeToString(b), nil
}

// readSecret gives the hash of a token's secret; false when no token is written so.
func readSecret(secret string) (hash []byte, ok bool) {
	text, ok := strings.CutPrefix(secret, tokenPrefix)
	if !ok || len(text) != base64.RawURLEncoding.EncodedLen(secretBytes) || strings.ContainsAny(text, "\r\n") {
		return nil, false
	}
	if _, err := base64.RawURLEncoding.Strict().DecodeString(text); err != nil {
		return nil, false
	}
	return secretHash(secret), true
}

func secretHash(secret string) []byte {
	sum := sha256.Sum256([]byte(secret))
	return sum[:]
}
