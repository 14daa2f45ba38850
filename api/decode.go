package api

import (
	"bytes"
	"fmt"
	"io"
	"mime"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"
	"github.com/labstack/echo/v4"

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

// heldBody is a body that is in memory as a whole.
type heldBody struct {
	*bytes.Reader
	bytes []byte
}

func (heldBody) Close() error { return nil }

// whole reads the body before the act begins.
func whole(most int64, next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		b, err := io.ReadAll(io.LimitReader(c.Request().Body, most+1))
		switch {
		case err != nil:
			return &domain.Error{Kind: domain.KindUnparseable, Code: "body", Message: "The body ended before it was complete.", Err: err}
		case int64(len(b)) > most:
			return &domain.Error{Kind: domain.KindTooLarge, Code: "body", Message: fmt.Sprintf("The body is too large: at most %d MiB.", most>>20)}
		}
		c.Request().Body = heldBody{bytes.NewReader(b), b}
		return next(c)
	}
}

// decodeBytes is decode for JSON that came otherwise than as the body.
var decodeBytes = domain.JSONReader(figures)

// figures refuses a figure without its value, which would be taken as zero.
var figures = json.UnmarshalFromFunc(func(d *jsontext.Decoder, v *enclosure.Quantity) error {
	var q struct {
		Value    given           `json:"value"`
		Least    float64         `json:"least"`
		Greatest float64         `json:"greatest"`
		Basis    enclosure.Basis `json:"basis"`
		Source   string          `json:"source"`
	}
	if d.PeekKind() != '{' {
		return domain.ErrForm
	}
	if err := json.UnmarshalDecode(d, &q); err != nil {
		return err
	}
	if !q.Value.there && q.Basis != "" {
		return domain.ErrForm
	}
	*v = enclosure.Quantity{Value: q.Value.number, Least: q.Least, Greatest: q.Greatest, Basis: q.Basis, Source: q.Source}
	return nil
})

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
