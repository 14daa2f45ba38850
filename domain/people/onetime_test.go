package people

import (
	"bytes"
	"net/url"
	"testing"
	"time"

	"farthingale/domain"
)

// TestHOTP holds one-time codes against the published ones.
//
// source: RFC 4226, Appendix D (codes of the counters 0 to 9)
func TestHOTP(t *testing.T) {
	t.Parallel()
	seed := []byte("12345678901234567890")
	for n, want := range []string{"755224", "287082", "359152", "969429", "338314", "254676", "287922", "162583", "399871", "520489"} {
		if got := hotp(seed, uint64(n), 6); got != want {
			t.Errorf("counter %d: %s, want %s", n, got, want)
		}
	}
}

// TestTOTP holds codes of times against the published ones.
//
// source: RFC 6238, Appendix B (SHA1, 8 digits)
func TestTOTP(t *testing.T) {
	t.Parallel()
	seed := []byte("12345678901234567890")
	for at, want := range map[int64]string{59: "94287082", 1111111109: "07081804", 1111111111: "14050471", 1234567890: "89005924", 2000000000: "69279037", 20000000000: "65353130"} {
		if got := hotp(seed, uint64(step(time.Unix(at, 0))), 8); got != want {
			t.Errorf("second %d: %s, want %s", at, got, want)
		}
	}
}

// TestStepOf: the code of the present step, of one before and of one after, and no other (RFC 6238, 5.2).
func TestStepOf(t *testing.T) {
	t.Parallel()
	seed, at := []byte("12345678901234567890"), time.Unix(1234567890, 0)
	for away := int64(-3); away <= 3; away++ {
		n, ok := stepOf(seed, hotp(seed, uint64(step(at)+away), 6), at)
		if want := away >= -1 && away <= 1; ok != want || ok && n != step(at)+away {
			t.Errorf("%d steps away: %t, step %d", away, ok, n)
		}
	}
	for _, code := range []string{"", "000000", "89005924", "05924", "abcdef"} {
		if _, ok := stepOf(seed, code, at); ok {
			t.Errorf("%q is a code", code)
		}
	}
	if _, ok := stepOf(seed, "755224", time.Unix(3, 0)); !ok {
		t.Error("the first step of all has no code")
	}
}

// TestSeedsAreSealed: a seed opens with its key and for its person only, and two sealings differ.
func TestSeedsAreSealed(t *testing.T) {
	t.Parallel()
	key, other := bytes.Repeat([]byte{1}, KeyBytes), bytes.Repeat([]byte{2}, KeyBytes)
	ines, hugo := domain.NewID(), domain.NewID()
	seed := []byte("12345678901234567890")
	sealed, err := sealSeed(key, ines, seed)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := openSeed(key, ines, sealed); err != nil || !bytes.Equal(got, seed) {
		t.Errorf("opened: %x, %v", got, err)
	}
	if bytes.Contains(sealed, seed) {
		t.Error("the seed stands in what is kept")
	}
	again, err := sealSeed(key, ines, seed)
	if err != nil || bytes.Equal(again, sealed) {
		t.Errorf("two sealings are equal, %v", err)
	}
	changed := bytes.Clone(sealed)
	changed[len(changed)-1] ^= 1
	for name, open := range map[string]func() ([]byte, error){
		"another key":    func() ([]byte, error) { return openSeed(other, ines, sealed) },
		"another person": func() ([]byte, error) { return openSeed(key, hugo, sealed) },
		"a changed text": func() ([]byte, error) { return openSeed(key, ines, changed) },
		"too short":      func() ([]byte, error) { return openSeed(key, ines, sealed[:8]) },
		"no key":         func() ([]byte, error) { return openSeed(nil, ines, sealed) },
	} {
		if seed, err := open(); err == nil || seed != nil {
			t.Errorf("%s opens it: %x", name, seed)
		}
	}
	if _, err := sealSeed(nil, ines, seed); domain.KindOf(err) != domain.KindConflict {
		t.Errorf("without a key: %v", err)
	}
}

// TestEnrolmentAddress: what the QR code holds is read back whole, whatever the names are.
func TestEnrolmentAddress(t *testing.T) {
	t.Parallel()
	n := newEnrolment([]byte("12345678901234567890"), "Museum of the Tide & Sons", "ines@tide:1")
	if n.Secret != "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ" {
		t.Errorf("secret %s", n.Secret)
	}
	u, err := url.Parse(n.URI)
	if err != nil || u.Scheme != "otpauth" || u.Host != "totp" || u.Path != "/Museum of the Tide & Sons:ines@tide:1" {
		t.Fatalf("%s: %v, %v", n.URI, u, err)
	}
	if q := u.Query(); q.Get("secret") != n.Secret || q.Get("issuer") != "Museum of the Tide & Sons" || q.Get("period") != "30" || q.Get("digits") != "6" || q.Get("algorithm") != "SHA1" {
		t.Errorf("%v", q)
	}
}

// TestRecoveryCodes: ten different ones, kept as hashes, read with or without hyphens.
func TestRecoveryCodes(t *testing.T) {
	t.Parallel()
	codes, hashes, err := newRecoveryCodes()
	if err != nil || len(codes) != 10 || len(hashes) != 10 {
		t.Fatalf("%d codes, %d hashes, %v", len(codes), len(hashes), err)
	}
	seen := map[string]bool{}
	for i, code := range codes {
		seen[code] = true
		if len(code) != 29 || len(bare(domain.Secret(code))) != 24 || !bytes.Equal(recoveryHash(bare(domain.Secret(" "+code+" "))), hashes[i]) {
			t.Errorf("code %q", code)
		}
	}
	if len(seen) != 10 {
		t.Errorf("only %d are different", len(seen))
	}
}
