package domain

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
)

// Page limits: what a list gives when not asked, and the most it gives.
const (
	PageDefault = 50
	PageMost    = 200
)

// Page is one page of a keyset list. Next is empty on the last page.
type Page[T any] struct {
	Items []T    `json:"items"`
	Next  string `json:"next,omitempty"`
}

// PageQuery asks for a page. Limit 0 means PageDefault; Cursor is a Page.Next or empty.
type PageQuery struct {
	Limit  int
	Cursor string
}

// Rows is how many rows to fetch: one more than asked for, so that a further page is known of.
// It returns an error when Limit lies outside 1…PageMost (0 counts as PageDefault).
func (q PageQuery) Rows() (int, error) {
	switch {
	case q.Limit == 0:
		return PageDefault + 1, nil
	case q.Limit < 1 || q.Limit > PageMost:
		return 0, Invalid("/limit", "range", fmt.Sprintf("Ask for 1 to %d rows.", PageMost))
	}
	return q.Limit + 1, nil
}

type cursor struct {
	Version int      `json:"v"`
	Of      string   `json:"of"` // hash of the list's sort and filters
	Keys    []string `json:"k"`
}

const cursorVersion = 1

func cursorOf(list any) string {
	b, err := json.Marshal(list)
	if err != nil {
		b = []byte(fmt.Sprintf("%#v", list))
	}
	sum := sha256.Sum256(b)
	return base64.RawURLEncoding.EncodeToString(sum[:9])
}

// Keys reads the cursor. list is whatever names the list's sort and filters (any JSON value); the
// same value must be given to NextPage. nil keys mean the first page. A cursor of another list,
// sort or filter is KindUnparseable.
func (q PageQuery) Keys(list any, count int) ([]string, error) {
	if q.Cursor == "" {
		return nil, nil
	}
	bad := &Error{Kind: KindUnparseable, Code: "cursor", Message: "This page mark belongs to another list, sort or filter. Begin again at the first page."}
	if len(q.Cursor) > 2048 {
		return nil, bad
	}
	b, err := base64.RawURLEncoding.DecodeString(q.Cursor)
	if err != nil {
		return nil, bad
	}
	var c cursor
	if json.Unmarshal(b, &c) != nil || c.Version != cursorVersion || c.Of != cursorOf(list) || len(c.Keys) != count {
		return nil, bad
	}
	for _, k := range c.Keys {
		if !CleanText(k) {
			return nil, bad
		}
	}
	return c.Keys, nil
}

// NextPage cuts rows (fetched with PageQuery.Rows) to the page asked for, and makes the cursor of
// the next one from the last row kept. keys gives the sort keys of a row, in order.
func NextPage[T any](q PageQuery, list any, rows []T, keys func(T) []string) Page[T] {
	limit := q.Limit
	if limit == 0 {
		limit = PageDefault
	}
	if rows == nil {
		rows = []T{}
	}
	if len(rows) <= limit {
		return Page[T]{Items: rows}
	}
	rows = rows[:limit]
	b, err := json.Marshal(cursor{Version: cursorVersion, Of: cursorOf(list), Keys: keys(rows[limit-1])})
	if err != nil { // strings always marshal
		return Page[T]{Items: rows}
	}
	return Page[T]{Items: rows, Next: base64.RawURLEncoding.EncodeToString(b)}
}
