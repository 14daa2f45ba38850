package domain

import (
	"errors"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/go-playground/validator/v10"
	"github.com/shopspring/decimal"
)

// CleanText says whether s may be kept as text: valid UTF-8, no NUL, no control characters other
// than line feed, carriage return and tab, no invisible marks that reverse the direction of writing.
func CleanText(s string) bool {
	if !utf8.ValidString(s) {
		return false
	}
	for _, r := range s {
		switch {
		case r == '\n' || r == '\r' || r == '\t':
		case unicode.IsControl(r), r >= 0x202A && r <= 0x202E, r >= 0x2066 && r <= 0x2069, r == 0xFEFF:
			return false
		}
	}
	return true
}

// TimeKept says whether a time lies within the years that are written with four digits, in every zone:
// others can be kept but not written down again.
func TimeKept(t time.Time) bool {
	year := t.UTC().Year()
	return year >= 1 && year <= 9998
}

var validate = sync.OnceValue(func() *validator.Validate {
	v := validator.New(validator.WithRequiredStructEnabled())
	v.RegisterTagNameFunc(func(f reflect.StructField) string {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case name == "-":
			return ""
		case name == "" && f.Anonymous:
			return embedded
		}
		return name
	})
	for tag, check := range map[string]validator.Func{
		"edtf":     func(f validator.FieldLevel) bool { _, err := ParseEDTF(f.Field().String()); return err == nil },
		"currency": func(f validator.FieldLevel) bool { return isCurrency(f.Field().String()) },
	} {
		if err := v.RegisterValidation(tag, check); err != nil {
			panic(err) // a tag's name is wrong: a mistake of this file
		}
	}
	v.RegisterCustomTypeFunc(func(f reflect.Value) any {
		d := f.Interface().(decimal.Decimal)
		if e := d.Exponent(); e > 30 || e < -30 { // written out, 1e9999 is long
			return math.Inf(1)
		}
		return d.InexactFloat64() // only to compare with bounds
	}, decimal.Decimal{})
	return v
})

func isCurrency(s string) bool {
	if len(s) != 3 {
		return false
	}
	for _, r := range s {
		if r < 'A' || r > 'Z' {
			return false
		}
	}
	return true
}

// Validate checks a command struct against its `validate` tags, every text in it against CleanText and
// every time against TimeKept. It takes nothing but spaces for no text where one is needed. All faults are
// returned at once as an *Error of KindInvalid; pointers are built from the json names.
func Validate(command any) error {
	var fields []Field
	checkText(reflect.ValueOf(command), "", "", &fields)
	var faults validator.ValidationErrors
	err := validate().Struct(command)
	if err != nil && !errors.As(err, &faults) {
		return err // not a struct: a mistake of the caller
	}
	for _, f := range faults {
		fields = append(fields, Field{Pointer: pointer(f.Namespace()), Rule: f.Tag(), Message: sentence(f)})
	}
	return InvalidFields(fields)
}

// embedded stands for the name of a struct within a struct whose members JSON shows as the outer's own.
const embedded = "(embedded)"

// pointer turns "Proposal.methods[0].note" into "/methods/0/note".
func pointer(namespace string) string {
	_, path, _ := strings.Cut(namespace, ".")
	path = strings.ReplaceAll(path, embedded+".", "")
	return "/" + strings.NewReplacer(".", "/", "[", "/", "]", "").Replace(path)
}

func sentence(f validator.FieldError) string {
	long := f.Kind() == reflect.String
	list := f.Kind() == reflect.Slice
	switch f.Tag() {
	case "required", "required_if", "required_with", "required_without", "required_unless":
		return "This is needed."
	case "max", "lte":
		switch {
		case long:
			return "At most " + f.Param() + " characters."
		case list:
			return "At most " + f.Param() + " of these."
		}
		return "At most " + f.Param() + "."
	case "min", "gte":
		switch {
		case long:
			return "At least " + f.Param() + " characters."
		case list:
			return "At least " + f.Param() + " of these."
		}
		return "At least " + f.Param() + "."
	case "gt":
		return "More than " + f.Param() + "."
	case "lt":
		return "Less than " + f.Param() + "."
	case "oneof":
		return "One of: " + strings.ReplaceAll(strings.ReplaceAll(f.Param(), " ", ", "), "_", " ") + "."
	case "unique":
		return "Each of these only once."
	case "datetime":
		return "A day, such as 2026-02-06."
	case "email":
		return "An e-mail address, such as name@museum.example."
	case "edtf":
		var e *Error
		text, isText := f.Value().(string)
		if _, err := ParseEDTF(text); isText && errors.As(err, &e) {
			return e.Fields[0].Message
		}
	case "currency":
		return "A currency code of three capital letters, such as EUR."
	}
	return "This does not fit (" + f.Tag() + ")."
}

// checkText walks command and notes every text that CleanText refuses, and every one that is needed
// and holds nothing but spaces. An empty one is noted by its own tag. tag is the `validate` tag of v.
func checkText(v reflect.Value, at, tag string, fields *[]Field) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			checkText(v.Elem(), at, tag, fields)
		}
	case reflect.String:
		switch text := v.String(); {
		case !CleanText(text):
			*fields = append(*fields, Field{Pointer: at, Rule: "text",
				Message: "This holds characters that cannot be kept: control characters, marks that reverse the writing, or bytes that are not UTF-8."})
		case text != "" && strings.TrimSpace(text) == "" && needed(tag) && v.Type() != reflect.TypeFor[Secret](): // a secret is taken as it is
			*fields = append(*fields, Field{Pointer: at, Rule: "required", Message: "This is needed."})
		}
	case reflect.Slice, reflect.Array:
		if v.Type().Elem().Kind() == reflect.Uint8 {
			return
		}
		for i := range v.Len() {
			_, each, _ := strings.Cut(tag, "dive,")
			checkText(v.Index(i), at+"/"+strconv.Itoa(i), each, fields)
		}
	case reflect.Map:
		for _, k := range v.MapKeys() {
			checkText(k, at, "", fields)
			checkText(v.MapIndex(k), at+"/"+k.String(), "", fields)
		}
	case reflect.Struct:
		if t, ok := v.Interface().(time.Time); ok {
			if !t.IsZero() && !TimeKept(t) {
				*fields = append(*fields, Field{Pointer: at, Rule: "range", Message: "A time between the years 1 and 9998."})
			}
			return
		}
		for i := range v.NumField() {
			f := v.Type().Field(i)
			if !f.IsExported() {
				continue
			}
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if name == "-" {
				continue
			}
			if f.Anonymous && name == "" {
				checkText(v.Field(i), at, "", fields)
				continue
			}
			checkText(v.Field(i), at+"/"+name, f.Tag.Get("validate"), fields)
		}
	}
}

// needed says whether a `validate` tag wants the value itself, and not its elements, to be there.
func needed(tag string) bool {
	own, _, _ := strings.Cut(tag, "dive")
	return slices.Contains(strings.Split(own, ","), "required")
}
