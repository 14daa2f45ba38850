package api

import (
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json"
	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/loan"
	"farthingale/domain/movement"
	"farthingale/domain/photo"
	"farthingale/domain/treatment"
)

// asked is a request as a handler sees it.
func asked(query, header, value string) echo.Context {
	r := httptest.NewRequest(http.MethodGet, "/", nil)
	r.URL.RawQuery = query
	r.Header.Set(header, value)
	return echo.New().NewContext(r, httptest.NewRecorder())
}

// words fails the test unless err is one that a person may read, of one of the kinds.
func words(t *testing.T, err error, kinds ...domain.Kind) {
	t.Helper()
	var known *domain.Error
	if !errors.As(err, &known) {
		t.Fatalf("no words for a person: %v", err)
	}
	for _, k := range kinds {
		if known.Kind == k {
			return
		}
	}
	t.Fatalf("a refusal of another kind: %v", err)
}

// FuzzIfMatch: a version is read from the one tag that the API gives for it, plain or compressed.
func FuzzIfMatch(f *testing.F) {
	for _, tag := range []string{`"v1"`, `"v12-gzip"`, `W/"v1"`, "*", `"v01"`, `"v+1"`, `"v1", "v2"`, `"v99999999999999999999"`, `"v-1"`, `v1`, `"v1`, `"v1-gzip-gzip"`, "\"v1\x00\"", `"v١"`} {
		f.Add(tag)
	}
	f.Fuzz(func(t *testing.T, tag string) {
		version, err := ifMatch(asked("", "If-Match", tag))
		if err != nil {
			words(t, err, domain.KindNoVersion, domain.KindStale)
			return
		}
		if own := fmt.Sprintf(`"v%d"`, version); version < 1 || strings.TrimSpace(tag) != own && strings.TrimSpace(tag) != strings.TrimSuffix(own, `"`)+zipped+`"` {
			t.Errorf("%q is read as version %d", tag, version)
		}
	})
}

// FuzzIdempotencyKey: a key that is taken is short and clean.
func FuzzIdempotencyKey(f *testing.F) {
	for _, key := range []string{"01890a5d-ac96-774b-bcce-b302099a8057", strings.Repeat("k", 201), "a\x00", "a\xff", "\u202e", "'; drop table kept_answer; --", "ä", " "} {
		f.Add(key)
	}
	f.Fuzz(func(t *testing.T, key string) {
		if err := checkKey(key); err != nil {
			words(t, err, domain.KindUnparseable)
		} else if key == "" || len(key) > 200 || !domain.CleanText(key) {
			t.Errorf("%q is taken", key)
		}
	})
}

// FuzzQuery: a query that is taken holds documented parameters, each once and clean; limits, flags,
// numbers and times are read in the one way in which they are written.
func FuzzQuery(f *testing.F) {
	for _, query := range []string{"limit=5&cursor=x", "limit=+5", "limit=05", "limit=%zz", "limit=1;limit=2", "limit=1&limit=2", "closed=TRUE", "closed=", "from=2026-02-30", "until=%2B1000000-01-01T00:00:00Z", "q=%00", "q=%ff", "q=%E2%80%AE", "=x", "no_such=1"} {
		f.Add(query)
	}
	f.Fuzz(func(t *testing.T, query string) {
		c := asked(query, "X", "")
		if err := checkQuery(c, "GET /people"); err != nil {
			words(t, err, domain.KindUnparseable, domain.KindInvalid)
		} else if values, err := url.ParseQuery(query); err != nil {
			t.Errorf("%q cannot be read and is taken", query)
		} else {
			for name, all := range values {
				if name != "limit" && name != "cursor" && name != "closed" || len(all) != 1 || !domain.CleanText(all[0]) {
					t.Errorf("%q is taken", query)
				}
			}
		}
		if q, err := page(c); err != nil {
			words(t, err, domain.KindInvalid)
		} else if text := c.QueryParam("limit"); text != "" && text != fmt.Sprint(q.Limit) || q.Limit < 0 || q.Limit > domain.PageMost {
			t.Errorf("limit %q is read as %d", text, q.Limit)
		}
		if yes, err := queryBool(c, "closed"); err != nil {
			words(t, err, domain.KindInvalid)
		} else if yes && c.QueryParam("closed") != "true" {
			t.Errorf("closed %q is yes", c.QueryParam("closed"))
		}
		if at, err := queryTime(c, "from"); err != nil {
			words(t, err, domain.KindInvalid)
		} else if at != nil {
			if again, err := time.Parse(time.RFC3339Nano, at.Format(time.RFC3339Nano)); err != nil || !again.Equal(*at) {
				t.Errorf("from %q is %v", c.QueryParam("from"), at)
			}
		}
		if id, err := queryID(c, "object_id"); err != nil {
			words(t, err, domain.KindInvalid)
		} else if id != nil && !strings.EqualFold(id.String(), c.QueryParam("object_id")) {
			t.Errorf("object_id %q is %v", c.QueryParam("object_id"), id)
		}
	})
}

// FuzzDecode: whatever the body, each command is read or refused with words; a command that is read
// and written is read again as the same.
func FuzzDecode(f *testing.F) {
	for _, body := range []string{
		`{"number":"1968.14.2","title":"Dry suit","legal_status":"accessioned","department":"Diving","mass_kg":"2.5","dimensions":[{"what":"height","mm":"10"}],"makers":null}`,
		`{"title":"Consolidate","scope":[{"component_id":"01890a5d-ac96-774b-bcce-b302099a8057","method":"consolidation","materials":[{"material_key":"a","concentration_min":"2"}]}]}`,
		`{"to_place_id":"01890a5d-ac96-774b-bcce-b302099a8057","reason":"survey","at":"2026-02-06T16:00:00Z","hands":{"minutes":5,"lifts":null}}`,
		`{"borrower":{"name":"a"},"venues":[{"name":"b","from_on":"2026-02-06"}]}`, `{"minutes":5,"purpose":"examination","flexes":[{"joint":"neck","degrees":15}]}`,
		`{"view":"detail","components":["01890a5d-ac96-774b-bcce-b302099a8057"]}`,
		`null`, `[]`, `{"title":"a","title":"b"}`, `{"mass_kg":1e999}`, `{"mass_kg":"1e999999999"}`, `{"minutes":-0}`, `{"minutes":1e-400}`, `{"at":"+1000000-01-01T00:00:00Z"}`, `{"title":"\ud800"}`, "{\"title\":\"\xff\"}", `{"title":null}`, `{}{}`, "\ufeff{}",
		strings.Repeat(`{"a":`, 300), strings.Repeat("[", 20_000), `{"components":["urn:uuid:01890a5d-ac96-774b-bcce-b302099a8057"]}`, `{"Title":"a"}`,
	} {
		f.Add([]byte(body))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		for _, command := range []any{&collection.ObjectFacts{}, &treatment.Proposal{}, &movement.Relocation{}, &loan.Facts{}, &handling.Log{}, &photo.Description{}} {
			if err := decodeBytes(body, command); err != nil {
				words(t, err, domain.KindUnparseable, domain.KindInvalid)
				continue
			}
			if err := domain.Validate(command); err != nil {
				words(t, err, domain.KindInvalid)
				continue
			}
			written, err := json.Marshal(command)
			if err != nil {
				t.Fatalf("%T of %q cannot be written: %v", command, body, err)
			}
			again := reflect.New(reflect.TypeOf(command).Elem()).Interface()
			if err := decodeBytes(written, again); err != nil {
				t.Fatalf("%T of %q, written as %s, is refused: %v", command, body, written, err)
			}
			if twice, err := json.Marshal(again); err != nil || string(twice) != string(written) {
				t.Fatalf("%T of %q is written as %s, then as %s", command, body, written, twice)
			}
		}
	})
}
