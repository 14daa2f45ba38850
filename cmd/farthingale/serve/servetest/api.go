package servetest

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve/servetest/contract"
	"farthingale/openapi"
)

// Client speaks to the API as somebody. Every answer must be as the contract describes it, and so
// must every request that is accepted.
type Client struct {
	h   *House
	who Someone
}

// API is a client for a person; the zero Someone has no token.
func (h *House) API(who Someone) *Client { return &Client{h: h, who: who} }

// Answer is what the API answered.
type Answer struct {
	t      testing.TB
	Status int
	Header http.Header
	Body   []byte
}

// Header is a request header to send.
type Header struct{ Name, Value string }

// IfMatch names the version that a write is meant for.
func IfMatch(tag string) Header { return Header{"If-Match", tag} }

// Do sends a request. path is below the API's prefix; body is a value to send as JSON, a []byte or
// io.Reader to send as it is, or nil.
func (c *Client) Do(method, path string, body any, headers ...Header) *Answer {
	c.h.t.Helper()
	var raw []byte
	kind := ""
	switch b := body.(type) {
	case nil:
	case []byte:
		raw, kind = b, "application/json"
	case io.Reader:
		var err error
		if raw, err = io.ReadAll(b); err != nil {
			c.h.t.Fatal(err)
		}
		kind = "application/json"
	default:
		var err error
		if raw, err = json.Marshal(b); err != nil {
			c.h.t.Fatal(err)
		}
		kind = "application/json"
	}
	r := httptest.NewRequest(method, api.Prefix+path, bytes.NewReader(raw)).WithContext(c.h.t.Context())
	if kind != "" {
		r.Header.Set("Content-Type", kind)
	}
	if c.who.Token != "" {
		r.Header.Set("Authorization", "Bearer "+c.who.Token)
	}
	for _, h := range headers {
		r.Header.Set(h.Name, h.Value)
	}
	return c.Send(r, raw)
}

// Send sends a ready request with the given body and holds the exchange against the contract.
func (c *Client) Send(r *http.Request, raw []byte) *Answer {
	c.h.t.Helper()
	w := c.h.record(r)
	a := &Answer{t: c.h.t, Status: w.Code, Header: w.Header(), Body: w.Body.Bytes()}
	again := r.Clone(r.Context())
	again.Body = io.NopCloser(bytes.NewReader(raw))
	hold(c.h.t, again, w.Result())
	return a
}

// Get reads.
func (c *Client) Get(path string, headers ...Header) *Answer {
	c.h.t.Helper()
	return c.Do(http.MethodGet, path, nil, headers...)
}

// Post makes or acts.
func (c *Client) Post(path string, body any, headers ...Header) *Answer {
	c.h.t.Helper()
	return c.Do(http.MethodPost, path, body, headers...)
}

// Put changes.
func (c *Client) Put(path string, body any, headers ...Header) *Answer {
	c.h.t.Helper()
	return c.Do(http.MethodPut, path, body, headers...)
}

// Must fails the test unless the status is as wanted, and returns the answer.
func (a *Answer) Must(status int) *Answer {
	a.t.Helper()
	if a.Status != status {
		a.t.Fatalf("status %d, want %d: %s", a.Status, status, a.Body)
	}
	return a
}

// Refused fails the test unless the answer is a problem of this status and code.
func (a *Answer) Refused(status int, code string) api.Problem {
	a.t.Helper()
	p := JSON[api.Problem](a)
	if a.Status != status || p.Code != code {
		a.t.Fatalf("answer %d %s, want %d %s: %s", a.Status, p.Code, status, code, a.Body)
	}
	return p
}

// Tag is the ETag of the answer, for the next If-Match.
func (a *Answer) Tag() Header { return IfMatch(a.Header.Get("ETag")) }

// JSON reads the answer's body.
func JSON[T any](a *Answer) T {
	a.t.Helper()
	var v T
	if err := json.Unmarshal(a.Body, &v); err != nil {
		a.t.Fatalf("read answer: %v: %s", err, a.Body)
	}
	return v
}

var theContract = sync.OnceValues(func() (*contract.Contract, error) {
	b, err := openapi.Document()
	if err != nil {
		return nil, err
	}
	return contract.New(b)
})

// hold fails the test when the exchange is not as the contract says.
func hold(t testing.TB, r *http.Request, answer *http.Response) {
	t.Helper()
	k, err := theContract()
	if err != nil {
		t.Fatalf("read the contract: %v", err)
	}
	for _, fault := range k.Hold(r, answer) {
		t.Error(fault)
	}
}

// Operations lists every documented operation as "GET /people/{id}", sorted.
func Operations() ([]string, error) {
	k, err := theContract()
	if err != nil {
		return nil, err
	}
	return k.Operations(), nil
}

// Covered lists the operations that were answered with success in this test binary, sorted.
func Covered() []string {
	k, err := theContract()
	if err != nil {
		return nil
	}
	return k.Covered()
}
