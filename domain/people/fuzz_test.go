package people

import (
	"bytes"
	"strings"
	"testing"
)

// FuzzReadSecret: a secret that is read is written in the one way in which secrets are made, and no two
// that are read have one hash.
func FuzzReadSecret(f *testing.F) {
	secret, err := newSecret()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(secret, secret+"=")
	f.Add(secret, strings.ToUpper(secret))
	f.Add(tokenPrefix, tokenPrefix+strings.Repeat("A", 42)+"B")
	f.Fuzz(func(t *testing.T, a, b string) {
		one, okA := readSecret(a)
		two, okB := readSecret(b)
		for text, ok := range map[string]bool{a: okA, b: okB} {
			if ok && (len(text) != len(secret) || strings.Trim(strings.TrimPrefix(text, tokenPrefix), "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_") != "") {
				t.Errorf("%q is read as a secret", text)
			}
		}
		if okA && okB && a != b && bytes.Equal(one, two) {
			t.Errorf("%q and %q have one hash", a, b)
		}
	})
}

// TestMadeSecretsAreRead: what is given to a person opens the door, and with one letter less it does not.
func TestMadeSecretsAreRead(t *testing.T) {
	t.Parallel()
	for range 100 {
		secret, err := newSecret()
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := readSecret(secret); !ok {
			t.Fatalf("%s is not read", secret)
		}
		if _, ok := readSecret(secret[:len(secret)-1]); ok {
			t.Fatalf("%s is read without its end", secret)
		}
	}
}
