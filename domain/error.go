package domain

import (
	"errors"
	"strings"
)

// Kind says what sort of refusal an Error is. Each door (api, web) maps a Kind
// to its answer in one table.
type Kind int

// The kinds of refusal, with the HTTP status that the doors give them.
const (
	KindInvalid         Kind = iota + 1 // a field is wrong (422)
	KindRefused                         // a numbered rule refuses (422)
	KindConflict                        // the state does not allow it (409)
	KindUnparseable                     // the request cannot be read at all (400)
	KindUnauthenticated                 // nobody is signed in (401)
	KindForbidden                       // the role may not do this, rule P2 (403)
	KindNotFound                        // no such thing (404)
	KindStale                           // somebody else changed it meanwhile (412)
	KindNoVersion                       // the write does not say which version it changes (428)
	KindTooLarge                        // more bytes or pixels than allowed (413)
	KindUnsupported                     // a kind of content that is not accepted (415)
	KindThrottled                       // too many tries (429)
	KindUnavailable                     // the database or the bucket is away; try again (503)
)

// Field is one fault of the input. Pointer is the RFC 6901 path of the faulty member
// ("/components/0/name"); Rule names the check ("required", "max", "edtf");
// Message is a sentence that says what to do.
type Field struct {
	Pointer string `json:"pointer"`
	Rule    string `json:"rule"`
	Message string `json:"detail"`
}

// Error is the only error that a person may read. Anything else that reaches a door is a
// fault: it is logged whole and shown as a reference number.
type Error struct {
	Kind              Kind
	Code              string   // stable: a rule's number ("T2") or a word ("number_taken")
	Message           string   // a sentence that says what to do
	Fields            []Field  // all faults at once
	Missing           []string // what must exist first, for a refusal that lists (L3, T7)
	Outside           []string // what lies outside an approved scope (T1)
	RetryAfterSeconds int      // for KindThrottled and KindUnavailable
	Err               error    // the cause: logged, never shown
}

func (e *Error) Error() string {
	text := e.Message
	if text == "" {
		text = e.Code
	}
	for _, f := range e.Fields {
		text += " " + f.Pointer + ": " + f.Message
	}
	for _, m := range e.Missing {
		text += " missing: " + m + "."
	}
	for _, o := range e.Outside {
		text += " outside: " + o + "."
	}
	if e.Err != nil {
		text += ": " + e.Err.Error()
	}
	return text
}

func (e *Error) Unwrap() error { return e.Err }

// Rule is the number of the rule that refused ("T2"), or "" when the refusal comes from no
// numbered rule.
func (e *Error) Rule() string {
	if len(e.Code) < 2 || len(e.Code) > 3 || !strings.Contains("PCMEITHVFDLR", e.Code[:1]) {
		return ""
	}
	for _, r := range e.Code[1:] {
		if r < '0' || r > '9' {
			return ""
		}
	}
	return e.Code
}

// Refuse is the answer of a numbered rule that says no.
func Refuse(rule, message string) *Error {
	return &Error{Kind: KindRefused, Code: rule, Message: message}
}

// RefuseState is the answer of a numbered rule when the thing is in a state that does not
// allow the act.
func RefuseState(rule, message string) *Error {
	return &Error{Kind: KindConflict, Code: rule, Message: message}
}

// Conflict is a clash with what is already recorded.
func Conflict(code, message string) *Error {
	return &Error{Kind: KindConflict, Code: code, Message: message}
}

// Forbidden is rule P2: the role does not allow the act.
func Forbidden(message string) *Error {
	return &Error{Kind: KindForbidden, Code: "P2", Message: message}
}

// NotFound is also what a person gets who may not know that a thing exists.
func NotFound(message string) *Error {
	return &Error{Kind: KindNotFound, Code: "not_found", Message: message}
}

// Invalid is one faulty field. pointer is an RFC 6901 path such as "/number".
func Invalid(pointer, rule, message string) *Error {
	return &Error{
		Kind: KindInvalid, Code: "invalid", Message: "Some of what was entered cannot be kept as it is.",
		Fields: []Field{{Pointer: pointer, Rule: rule, Message: message}},
	}
}

// InvalidFields is several faulty fields, or nil when there is none.
func InvalidFields(fields []Field) error {
	if len(fields) == 0 {
		return nil
	}
	e := Invalid("", "", "")
	e.Fields = fields
	return e
}

// ErrStale says that somebody else changed the row since the version that the writer saw.
var ErrStale = &Error{
	Kind: KindStale, Code: "stale",
	Message: "Somebody else changed this in the meantime. Look at the present text, then enter your change again.",
}

// KindOf is the kind of err, or 0 when err is a fault that no person should read.
func KindOf(err error) Kind {
	var e *Error
	if errors.As(err, &e) {
		return e.Kind
	}
	return 0
}
