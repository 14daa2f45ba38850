package people

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha1" // #nosec G505 -- HMAC-SHA-1 is what RFC 6238 and the programs of telephones compute; collisions do not matter in it
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"encoding/binary"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"farthingale/domain"
)

const (
	stepSeconds = 30
	codeDigits  = 6
	seedBytes   = 20
	// KeyBytes is how long the key is under which seeds are kept.
	KeyBytes = 32
)

// hotp is the one-time code of a counter, with this many digits.
//
// source: RFC 4226, 5.3
func hotp(seed []byte, counter uint64, digits int) string {
	mac := hmac.New(sha1.New, seed)
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], counter)
	_, _ = mac.Write(b[:]) // a hash never fails
	sum := mac.Sum(nil)
	offset := sum[len(sum)-1] & 0x0F
	n := binary.BigEndian.Uint32(sum[offset:]) & 0x7FFFFFFF
	modulus := uint32(1)
	for range digits {
		modulus *= 10
	}
	return fmt.Sprintf("%0*d", digits, n%modulus)
}

// step counts the time steps since 1970.
//
// source: RFC 6238, 4.2
func step(at time.Time) int64 { return at.Unix() / stepSeconds }

// stepOf finds the step whose code this is: the present one, or one before or after it, for clocks that
// differ and for slow fingers (RFC 6238, 5.2).
func stepOf(seed []byte, code string, at time.Time) (int64, bool) {
	found, ok := int64(0), false
	for _, n := range []int64{step(at) - 1, step(at), step(at) + 1} {
		if n >= 0 && subtle.ConstantTimeCompare([]byte(hotp(seed, uint64(n), codeDigits)), []byte(code)) == 1 { // #nosec G115 -- not negative
			found, ok = n, true
		}
	}
	return found, ok
}

// bare is a code without the spaces and hyphens that people type into it, in lower case.
func bare(code domain.Secret) string {
	return strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' || r == '\u00a0' {
			return -1
		}
		return r
	}, strings.ToLower(string(code)))
}

var base32Text = base32.StdEncoding.WithPadding(base32.NoPadding)

// newEnrolment is a seed as a person takes it into the program that shows codes.
//
// source: "Key URI Format" as the programs of telephones read it (common practice)
func newEnrolment(seed []byte, site, signIn string) Enrolment {
	secret := base32Text.EncodeToString(seed)
	values := url.Values{"secret": {secret}, "issuer": {site}, "algorithm": {"SHA1"}, "digits": {fmt.Sprint(codeDigits)}, "period": {fmt.Sprint(stepSeconds)}}
	query := strings.ReplaceAll(values.Encode(), "+", "%20") // some read a plus as a plus
	return Enrolment{Secret: secret, URI: "otpauth://totp/" + url.PathEscape(site) + ":" + url.PathEscape(signIn) + "?" + query}
}

// recoveryCodes is how many codes a person gets that stand in for the second factor.
const recoveryCodes = 10

// newRecoveryCodes makes codes of 120 random bits, so that a plain hash of them keeps them.
//
// source: OWASP ASVS 5.0, 6.5.2: at least 112 bits, or a slow hash (from memory)
func newRecoveryCodes() (codes []string, hashes [][]byte, err error) {
	for range recoveryCodes {
		b := make([]byte, 15)
		if _, err := rand.Read(b); err != nil {
			return nil, nil, fmt.Errorf("recovery code: %w", err)
		}
		text := strings.ToLower(base32Text.EncodeToString(b))
		hashes = append(hashes, recoveryHash(text))
		parts := make([]string, 0, 6)
		for i := 0; i < len(text); i += 4 {
			parts = append(parts, text[i:i+4])
		}
		codes = append(codes, strings.Join(parts, "-"))
	}
	return codes, hashes, nil
}

func recoveryHash(bare string) []byte {
	sum := sha256.Sum256([]byte(bare))
	return sum[:]
}

// sealSeed encrypts a seed under the site's key with AES-256-GCM; it opens for this person only.
//
// source: NIST SP 800-38D
func sealSeed(key []byte, personID domain.ID, seed []byte) ([]byte, error) {
	gcm, err := gcmOf(key)
	if err != nil {
		return nil, err
	}
	nonce := make([]byte, gcm.NonceSize())
	if _, err := rand.Read(nonce); err != nil {
		return nil, fmt.Errorf("nonce of a seed: %w", err)
	}
	return gcm.Seal(nonce, nonce, seed, personID[:]), nil
}

func openSeed(key []byte, personID domain.ID, sealed []byte) ([]byte, error) {
	gcm, err := gcmOf(key)
	if err != nil {
		return nil, err
	}
	if len(sealed) < gcm.NonceSize() {
		return nil, errors.New("a sealed seed is too short")
	}
	seed, err := gcm.Open(nil, sealed[:gcm.NonceSize()], sealed[gcm.NonceSize():], personID[:])
	if err != nil {
		return nil, fmt.Errorf("the seed of %s does not open with the key of this site: %w", personID, err)
	}
	return seed, nil
}

func gcmOf(key []byte) (cipher.AEAD, error) {
	if len(key) != KeyBytes {
		return nil, domain.Conflict("no_key", "This site keeps no key for second factors. Whoever keeps the program sets one.")
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, err
	}
	return cipher.NewGCM(block)
}
