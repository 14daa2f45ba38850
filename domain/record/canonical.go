package record

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"unicode/utf16"
)

// Canonical is the one text form of a document: members sorted by UTF-16 code units, no space, the
// shortest escapes, UTF-8. Numbers are kept as encoding/json writes them; documents that are sealed
// hold integers and decimals as text, never floats that were computed.
//
// source: RFC 8785, JSON Canonicalization Scheme, sections 3.2.1–3.2.3.
func Canonical(document any) ([]byte, error) {
	var raw bytes.Buffer
	enc := json.NewEncoder(&raw)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(document); err != nil {
		return nil, fmt.Errorf("encode document: %w", err)
	}
	dec := json.NewDecoder(&raw)
	dec.UseNumber()
	var tree any
	if err := dec.Decode(&tree); err != nil {
		return nil, fmt.Errorf("decode document: %w", err)
	}
	var out bytes.Buffer
	if err := write(&out, tree); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

func write(out *bytes.Buffer, node any) error {
	switch v := node.(type) {
	case nil:
		out.WriteString("null")
	case bool:
		fmt.Fprintf(out, "%t", v)
	case json.Number:
		out.WriteString(v.String())
	case string:
		writeText(out, v)
	case []any:
		out.WriteByte('[')
		for i, item := range v {
			if i > 0 {
				out.WriteByte(',')
			}
			if err := write(out, item); err != nil {
				return err
			}
		}
		out.WriteByte(']')
	case map[string]any:
		names := make([]string, 0, len(v))
		for name := range v {
			names = append(names, name)
		}
		slices.SortFunc(names, func(a, b string) int {
			return slices.CompareFunc(utf16.Encode([]rune(a)), utf16.Encode([]rune(b)), cmp.Compare[uint16])
		})
		out.WriteByte('{')
		for i, name := range names {
			if i > 0 {
				out.WriteByte(',')
			}
			writeText(out, name)
			out.WriteByte(':')
			if err := write(out, v[name]); err != nil {
				return err
			}
		}
		out.WriteByte('}')
	default:
		return fmt.Errorf("canonical form of %T", node)
	}
	return nil
}

func writeText(out *bytes.Buffer, s string) {
	out.WriteByte('"')
	for _, r := range s {
		switch r {
		case '"', '\\':
			out.WriteByte('\\')
			out.WriteRune(r)
		case '\b':
			out.WriteString(`\b`)
		case '\f':
			out.WriteString(`\f`)
		case '\n':
			out.WriteString(`\n`)
		case '\r':
			out.WriteString(`\r`)
		case '\t':
			out.WriteString(`\t`)
		default:
			if r < 0x20 {
				out.WriteString(`\u00` + strings.ToLower(fmt.Sprintf("%02X", r)))
				continue
			}
			out.WriteRune(r)
		}
	}
	out.WriteByte('"')
}
