package drive

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"farthingale/domain"
)

// Patience is how long an answer is waited for.
const Patience = 10 * time.Second

// House is the server that is measured.
type House struct {
	base      *url.URL
	transport *http.Transport
	Record    *Record
	keys      atomic.Int64
	run       string // tells the Idempotency-Keys of this run from those of others
}

// NewHouse is the server at an address of the loopback; any other is refused.
func NewHouse(address string) (*House, error) {
	base, err := url.Parse(address)
	if err != nil {
		return nil, fmt.Errorf("read the server's address: %w", err)
	}
	if ip := net.ParseIP(base.Hostname()); base.Scheme != "http" || ip == nil || !ip.IsLoopback() {
		return nil, fmt.Errorf("%s is not the loopback: load is only sent to http://127.0.0.1 or http://[::1]", address)
	}
	return &House{base: base, Record: NewRecord(), run: domain.NewID().String(),
		transport: &http.Transport{MaxIdleConnsPerHost: 256, MaxConnsPerHost: 1024, DisableCompression: true, IdleConnTimeout: time.Minute}}, nil
}

// Close ends the connections.
func (h *House) Close() { h.transport.CloseIdleConnections() }

// Person is somebody who is signed in on the pages and has a token for the API.
type Person struct {
	house *House
	pages *http.Client
	api   *http.Client
	token string

	SignInName string
	Role       domain.Role
	Department string // of a curator
	ID         domain.ID
}

var (
	csrfField   = regexp.MustCompile(`name="csrf" value="([^"]+)"`)
	secretField = regexp.MustCompile(`<code class="secret">([^<]+)</code>`)
)

// SignIn signs somebody in by the form and makes a token on their account page.
func (h *House) SignIn(ctx context.Context, name, password string) (*Person, error) {
	jar, err := cookiejar.New(nil)
	if err != nil {
		return nil, err
	}
	p := &Person{house: h, SignInName: name,
		pages: &http.Client{Transport: h.transport, Jar: jar, Timeout: Patience, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }},
		api:   &http.Client{Transport: h.transport, Timeout: Patience}}
	form, err := p.page(ctx, "/sign-in")
	if err != nil {
		return nil, err
	}
	status, _, err := p.post(ctx, "/sign-in", form, url.Values{"sign_in_name": {name}, "password": {password}})
	if err != nil {
		return nil, err
	}
	if status != http.StatusSeeOther {
		return nil, fmt.Errorf("sign in as %s: status %d", name, status)
	}
	if form, err = p.page(ctx, "/account"); err != nil {
		return nil, err
	}
	status, body, err := p.post(ctx, "/account/tokens", form, url.Values{"name": {"load test"}, "scopes": {"all"}, "days": {"1"}})
	if err != nil {
		return nil, err
	}
	found := secretField.FindSubmatch(body)
	if status != http.StatusCreated || found == nil {
		return nil, fmt.Errorf("make a token for %s: status %d", name, status)
	}
	p.token = string(found[1])
	var me struct {
		ID          domain.ID     `json:"id"`
		Roles       []domain.Role `json:"roles"`
		Departments []string      `json:"departments"`
	}
	a := p.ask(ctx, request{method: http.MethodGet, path: "/api/v1/me"})
	if a.kind != "" {
		return nil, fmt.Errorf("use the token of %s: %s", name, a.kind)
	}
	if err := json.Unmarshal(a.text(), &me); err != nil || len(me.Roles) == 0 {
		return nil, fmt.Errorf("read who %s is: %w", name, err)
	}
	p.ID, p.Role = me.ID, me.Roles[0]
	if len(me.Departments) > 0 {
		p.Department = me.Departments[0]
	}
	return p, nil
}

// page gets a page and gives the form token in it.
func (p *Person) page(ctx context.Context, path string) (csrf string, err error) {
	a := p.ask(ctx, request{method: http.MethodGet, path: path, page: true})
	if a.kind != "" {
		return "", fmt.Errorf("get %s: %s", path, a.kind)
	}
	found := csrfField.FindSubmatch(a.text())
	if found == nil {
		return "", fmt.Errorf("%s has no form", path)
	}
	return string(found[1]), nil
}

func (p *Person) post(ctx context.Context, path, csrf string, values url.Values) (int, []byte, error) {
	values.Set("csrf", csrf)
	a := p.ask(ctx, request{method: http.MethodPost, path: path, page: true, body: []byte(values.Encode()), kind: "application/x-www-form-urlencoded", want: 0})
	if a.status == 0 {
		return 0, nil, errors.New(a.kind)
	}
	return a.status, a.text(), nil
}

// request is what is asked.
type request struct {
	method, path string
	page         bool   // of the pages, with the session; else of the API, with the token
	body         []byte // as it is sent
	kind         string // of the body
	version      string // for If-Match
	key          bool   // with an Idempotency-Key
	plain        bool   // no compression asked for
	want         int    // the status; 0: any below 400
}

// answer is what came. kind says how it failed, or nothing.
type answer struct {
	status int
	body   []byte
	bytes  int64 // as they were sent
	tag    string
	kind   string
	zipped bool
}

// text is the body as it was before it was compressed; nothing when it is broken.
func (a answer) text() []byte {
	if !a.zipped {
		return a.body
	}
	r, err := gzip.NewReader(bytes.NewReader(a.body))
	if err != nil {
		return nil
	}
	text, err := io.ReadAll(r)
	if err != nil {
		return nil
	}
	return text
}

// built is the request as it is sent, and whose client sends it.
func (p *Person) built(ctx context.Context, r request) (*http.Request, *http.Client, error) {
	to, err := p.house.base.Parse(r.path)
	if err != nil {
		return nil, nil, fmt.Errorf("address %w", err)
	}
	q, err := http.NewRequestWithContext(ctx, r.method, to.String(), bytes.NewReader(r.body))
	if err != nil {
		return nil, nil, fmt.Errorf("request %w", err)
	}
	if r.kind != "" {
		q.Header.Set("Content-Type", r.kind)
	}
	client := p.pages
	if r.page {
		q.Header.Set("Accept", "text/html")
		q.Header.Set("Referer", p.house.base.String()+r.path)
	} else {
		client = p.api
		q.Header.Set("Authorization", "Bearer "+p.token)
	}
	if r.version != "" {
		q.Header.Set("If-Match", r.version)
	}
	if r.key {
		q.Header.Set("Idempotency-Key", p.house.run+"-"+strconv.FormatInt(p.house.keys.Add(1), 36))
	}
	if r.method == http.MethodGet && !r.plain {
		q.Header.Set("Accept-Encoding", "gzip")
	}
	return q, client, nil
}

// ask sends a request and reads the whole answer. Compressed answers are asked for, as browsers do; they
// are taken apart only where somebody looks into them, by text.
func (p *Person) ask(ctx context.Context, r request) (a answer) {
	q, client, err := p.built(ctx, r)
	if err != nil {
		return answer{kind: err.Error()}
	}
	got, err := client.Do(q)
	if err != nil {
		return answer{kind: failure(err)}
	}
	defer func() { _ = got.Body.Close() }()
	a.status, a.tag = got.StatusCode, got.Header.Get("ETag")
	body, err := io.ReadAll(got.Body)
	if err != nil {
		return answer{status: a.status, kind: failure(err)}
	}
	a.bytes = int64(len(body))
	a.body, a.zipped = body, got.Header.Get("Content-Encoding") == "gzip"
	if r.want != 0 && a.status != r.want || r.want == 0 && a.status >= http.StatusBadRequest {
		a.kind = strconv.Itoa(a.status) + " " + code(a.text())
	}
	return a
}

// code is what a problem document or a page says it is.
func code(body []byte) string {
	var problem struct{ Code, Detail string }
	if json.Unmarshal(body, &problem) == nil && problem.Code != "" {
		return problem.Code + " " + problem.Detail[:min(len(problem.Detail), 120)]
	}
	return ""
}

// failure is a kind of failure without what differs from one to the next.
func failure(err error) string {
	var timeout interface{ Timeout() bool }
	switch {
	case errors.As(err, &timeout) && timeout.Timeout():
		return "no answer within " + Patience.String()
	case strings.Contains(err.Error(), "connection refused"):
		return "connection refused"
	case strings.Contains(err.Error(), "reset by peer"), errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return "connection broken"
	}
	return err.Error()
}
