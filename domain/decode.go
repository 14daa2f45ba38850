package domain

import (
	"errors"
	"reflect"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/shopspring/decimal"
)

// DecodeJSON reads one JSON value into a command, strictly: unknown members, members given twice, bytes that
// are not UTF-8, null for the whole and anything after the value are refused in words.
func DecodeJSON(b []byte, command any) error { return decodeWith(b, command, strict) }

// JSONReader is DecodeJSON that reads further types, which only an area knows, in their own way.
func JSONReader(more ...*json.Unmarshalers) func(b []byte, command any) error {
	all := json.JoinUnmarshalers(append(more, strict)...) // once: it remembers what it has read
	return func(b []byte, command any) error { return decodeWith(b, command, all) }
}

func decodeWith(b []byte, command any, all *json.Unmarshalers) error {
	if strings.TrimSpace(string(b)) == "null" {
		return &Error{Kind: KindUnparseable, Code: "body", Message: "The body is null; send a JSON object."}
	}
	return wrong(json.Unmarshal(b, command, json.RejectUnknownMembers(true), json.WithUnmarshalers(all)))
}

// strict refuses what the decoder would take with a shrug: null for what is never absent, numbers and
// exponents for decimals, and other spellings of an identifier.
var strict = json.JoinUnmarshalers(
	json.UnmarshalFromFunc(func(d *jsontext.Decoder, v *decimal.Decimal) error {
		text, err := stringOf(d)
		if err != nil {
			return err
		}
		if *v, err = ParseDecimal(text); err != nil {
			return ErrForm
		}
		return nil
	}),
	json.UnmarshalFromFunc(func(d *jsontext.Decoder, v *ID) error {
		text, err := stringOf(d)
		if err != nil {
			return err
		}
		if *v, err = ParseID(text); err != nil {
			return ErrForm
		}
		return nil
	}),
	json.UnmarshalFromFunc(func(d *jsontext.Decoder, v any) error {
		if d.PeekKind() == 'n' {
			switch reflect.TypeOf(v).Elem().Kind() {
			case reflect.Pointer, reflect.Slice, reflect.Map, reflect.Interface:
			default:
				return ErrForm
			}
		}
		return json.SkipFunc
	}),
)

// ErrForm is what a reader of a type says of a value of another form; the words come from its type.
var ErrForm = errors.New("another form is wanted")

// stringOf reads the next value, which must be a string.
func stringOf(d *jsontext.Decoder) (string, error) {
	if k := d.PeekKind(); k != '"' && k != 0 { // an invalid one is a body that breaks off
		return "", ErrForm
	}
	token, err := d.ReadToken()
	if err != nil {
		return "", err
	}
	return token.String(), nil
}

// wrong turns a decoder's error into words.
func wrong(err error) error {
	if err == nil {
		return nil
	}
	var known *Error
	if errors.As(err, &known) {
		return known
	}
	var syntax *jsontext.SyntacticError
	if errors.As(err, &syntax) {
		message := "The body is not JSON that can be read."
		if errors.Is(err, jsontext.ErrDuplicateName) {
			message = "A member is given twice."
		}
		if pointer := string(syntax.JSONPointer); pointer != "" {
			message += " Look at " + pointer + "."
		}
		return &Error{Kind: KindUnparseable, Code: "body", Message: message}
	}
	var meaning *json.SemanticError
	if errors.As(err, &meaning) {
		pointer := string(meaning.JSONPointer)
		if errors.Is(err, json.ErrUnknownName) {
			return Invalid(pointer, "unknown", "There is no such member. Look for a typing error.")
		}
		return Invalid(pointer, "type", "This should be "+wanted(meaning.GoType)+".")
	}
	return &Error{Kind: KindUnparseable, Code: "body", Message: "The body is not JSON that can be read.", Err: err}
}

func wanted(t reflect.Type) string {
	if t == nil {
		return "of another kind"
	}
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	switch t.String() {
	case "uuid.UUID":
		return "an identifier (36 characters)"
	case "time.Time":
		return "a time such as 2026-02-06T16:00:00Z"
	case "enclosure.Quantity":
		return `a figure with its value: {"value": 2, "basis": "assumed"}`
	case "decimal.Decimal":
		return "a decimal number, as text: \"2.50\""
	}
	switch t.Kind() {
	case reflect.String:
		return "text"
	case reflect.Bool:
		return "true or false"
	case reflect.Slice, reflect.Array:
		return "a list"
	case reflect.Struct, reflect.Map:
		return "an object"
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return "a whole number that fits"
	}
	return "a number that fits"
}
