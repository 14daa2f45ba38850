package record

import (
	"encoding/json"
	"testing"
	"time"

	"farthingale/domain"
)

// TestCanonical checks the canonical form.
//
// source: RFC 8785, JSON Canonicalization Scheme, sections 3.2.2 and 3.2.3 (the examples; numbers that
// are integers here, since sealed documents hold no floats).
func TestCanonical(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ in, want string }{
		"literals": {`{"literals":[null,true,false],"numbers":[333333333,4,2],"string":"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/"}`,
			`{"literals":[null,true,false],"numbers":[333333333,4,2],"string":"€$\u000f\nA'B\"\\\\\"/"}`},
		"sorting": {`{"\u20ac":"Euro Sign","\r":"Carriage Return","\ufb33":"Hebrew Letter Dalet With Dagesh","1":"One","\ud83d\ude00":"Emoji: Grinning Face","\u0080":"Control","\u00f6":"Latin Small Letter O With Diaeresis"}`,
			"{\"\\r\":\"Carriage Return\",\"1\":\"One\",\"\u0080\":\"Control\",\"ö\":\"Latin Small Letter O With Diaeresis\",\"€\":\"Euro Sign\",\"\U0001f600\":\"Emoji: Grinning Face\",\"\ufb33\":\"Hebrew Letter Dalet With Dagesh\"}"},
		"no html escapes": {`{"a":"<b>&</b>"}`, `{"a":"<b>&</b>"}`},
		"nested":          {`{"b":{"z":1,"a":[]},"a":{}}`, `{"a":{},"b":{"a":[],"z":1}}`},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := Canonical(json.RawMessage(c.in))
			if err != nil || string(got) != c.want {
				t.Errorf("got  %s %v\nwant %s", got, err, c.want)
			}
			again, err := Canonical(json.RawMessage(got))
			if err != nil || string(again) != string(got) {
				t.Errorf("the canonical form of the canonical form is %s, %v", again, err)
			}
		})
	}
}

// TestSealHash: the document's hash is SHA-256.
//
// source: NIST FIPS 180-4, SHA-256 examples ("abc", the empty message, two blocks).
func TestSealHash(t *testing.T) {
	t.Parallel()
	for document, want := range map[string]string{
		"abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
		"":    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
	} {
		seal := Seal{Document: document, ID: domain.NewID(), At: time.Unix(0, 1_234_567)}
		if err := seal.chained(Head{Hash: make(Hash, 32), Count: 4}); err != nil {
			t.Fatal(err)
		}
		if seal.SHA256.String() != want {
			t.Errorf("hash of %q is %s, want %s", document, seal.SHA256, want)
		}
		if seal.Number != 5 || seal.At.Nanosecond()%1000 != 0 {
			t.Errorf("number %d, time %v", seal.Number, seal.At)
		}
	}
}
