package api

import (
	"errors"
	"io"
	"mime"
	"reflect"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"
	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/enclosure"
)

// bodyMost is the most bytes of a JSON body.
const bodyMost = 1 << 20

// decode reads the body as JSON into a command. Unknown members, members given twice, bytes that
// are not UTF-8 and anything after the value are refused.
func decode(c echo.Context, command any) error {
	kind, _, err := mime.ParseMediaType(c.Request().Header.Get("Content-Type"))
	if err != nil || kind != "application/json" {
		return &domain.Error{Kind: domain.KindUnsupported, Code: "media_type", Message: "Send JSON: Content-Type: application/json."}
	}
	b, err := io.ReadAll(io.LimitReader(c.Request().Body, bodyMost+1))
	if err != nil {
		return &domain.Error{Kind: domain.KindUnparseable, Code: "body", Message: "The body ended before it was complete.", Err: err}
	}
	if len(b) > bodyMost {
		return &domain.Error{Kind: domain.KindTooLarge, Code: "body", Message: "The body is too large: at most 1 MiB of JSON."}
	}
	return decodeBytes(b, command)
}

// decodeBytes is decode for JSON that came otherwise than as the body.
func decodeBytes(b []byte, command any) error {
	if strings.TrimSpace(string(b)) == "null" {
		return &domain.Error{Kind: domain.KindUnparseable, Code: "body", Message: "The body is null; send a JSON object."}
	}
	return wrong(json.Unmarshal(b, command, json.RejectUnknownMembers(true), json.WithUnmarshalers(strict)))
}

// strict refuses what the decoder would take with a shrug: null for what is never absent, numbers and
// exponents for decimals, and other spellings of an identifier.
var strict = json.JoinUnmarshalers(
	json.UnmarshalFromFunc(func(d *jsontext.Decoder, v *decimal.Decimal) error {
		text, err := stringOf(d)
		if err != nil {
			return err
		}
		if *v, err = domain.ParseDecimal(text); err != nil {
			return errForm
		}
		return nil
	}),
	json.UnmarshalFromFunc(func(d *jsontext.Decoder, v *domain.ID) error {
		text, err := stringOf(d)
		if err != nil {
			return err
		}
		if *v, err = domain.ParseID(text); err != nil {
			return errForm
		}
		return nil
	}),
	// A figure without its value would be taken as zero.
	json.UnmarshalFromFunc(func(d *jsontext.Decoder, v *enclosure.Quantity) error {
		var q struct {
			Value    given           `json:"value"`
			Least    float64         `json:"least"`
			Greatest float64         `json:"greatest"`
			Basis    enclosure.Basis `json:"basis"`
			Source   string          `json:"source"`
		}
		if d.PeekKind() != '{' {
			return errForm
		}
		if err := json.UnmarshalDecode(d, &q); err != nil {
			return err
		}
		if !q.Value.there && q.Basis != "" {
			return errForm
		}
		*v = enclosure.Quantity{Value: q.Value.number, Least: q.Least, Greatest: q.Greatest, Basis: q.Basis, Source: q.Source}
		return nil
	}),
	json.UnmarshalFromFunc(func(d *jsontext.Decoder, v any) error {
		if d.PeekKind() == 'n' {
			switch reflect.TypeOf(v).Elem().Kind() {
			case reflect.Pointer, reflect.Slice, reflect.Map, reflect.Interface:
			default:
				return errForm
			}
		}
		return json.SkipFunc
	}),
)

// given is a number that knows whether it was there.
type given struct {
	number float64
	there  bool
}

// UnmarshalJSONFrom reads the number.
func (g *given) UnmarshalJSONFrom(d *jsontext.Decoder) error {
	g.there = true
	return json.UnmarshalDecode(d, &g.number)
}

var errForm = errors.New("another form is wanted")

// stringOf reads the next value, which must be a string.
func stringOf(d *jsontext.Decoder) (string, error) {
	if k := d.PeekKind(); k != '"' && k != 0 { // an invalid one is a body that breaks off
		return "", errForm
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
	var known *domain.Error
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
		return &domain.Error{Kind: domain.KindUnparseable, Code: "body", Message: message}
	}
	var meaning *json.SemanticError
	if errors.As(err, &meaning) {
		pointer := string(meaning.JSONPointer)
		if errors.Is(err, json.ErrUnknownName) {
			return domain.Invalid(pointer, "unknown", "There is no such member. Look for a typing error.")
		}
		return domain.Invalid(pointer, "type", "This should be "+wanted(meaning.GoType)+".")
	}
	return &domain.Error{Kind: domain.KindUnparseable, Code: "body", Message: "The body is not JSON that can be read.", Err: err}
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
