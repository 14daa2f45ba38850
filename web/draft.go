package web

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"net/http"
	"net/url"
	"sort"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
)

// A draft is written in several forms of one page. Each form says in a hidden field what it was made from;
// so two people, or two pages of one person, may write in different forms of one draft at once, and where
// they wrote in the same one both texts are shown. A module (static/draft.js) sends such a form while one
// writes; it sends what the button sends, with a header, and is answered with data.

const (
	draftHeader = "X-Draft" // the module sends it
	baseKey     = "base"    // what the form was made from
)

// module says whether a form was sent by the module and not by its button.
func module(c echo.Context) bool { return c.Request().Header.Get(draftHeader) != "" }

// saved makes a form one that is kept while one writes.
func (f *Form) saved() *Form {
	f.Draft = "save"
	f.Fields = append(f.Fields, Field{Kind: "hidden", Name: baseKey, Value: f.tag()})
	return f
}

// tag is short for everything that the form holds.
func (f *Form) tag() string {
	h := sha256.New()
	eachField(f.Fields, func(f *Field) {
		for _, v := range f.holds() {
			h.Write([]byte(f.Name + "\x00" + v + "\x00"))
		}
	})
	return hex.EncodeToString(h.Sum(nil)[:9])
}

// eachField goes through the fields that hold something.
func eachField(fields []Field, do func(*Field)) {
	for i := range fields {
		f := &fields[i]
		if f.Name != "" && f.Name != baseKey {
			do(f)
		}
		eachField(f.Fields, do)
	}
}

// holds are the values that a field sends.
func (f *Field) holds() []string {
	switch f.Kind {
	case "select", "radio", "checks":
		var all []string
		for _, o := range f.Options {
			if o.Chosen {
				all = append(all, o.Value)
			}
		}
		return all
	case "group", "abreast", "folded", "more", "file", "password":
		return nil
	}
	if f.Value == "" {
		return nil
	}
	return []string{f.Value}
}

// words are what a field holds as a person reads it.
func (f *Field) words() string {
	switch f.Kind {
	case "select", "radio", "checks":
		var all []string
		for _, o := range f.Options {
			if o.Chosen {
				all = append(all, o.Label)
			}
		}
		if len(all) == 0 {
			return "nothing chosen"
		}
		return strings.Join(all, ", ")
	case "checkbox":
		if f.Value == "" {
			return "not ticked"
		}
		return "ticked"
	}
	if f.Value == "" {
		return "nothing"
	}
	return f.Value
}

// holding are the values of all fields by name.
func (f *Form) holding() map[string][]string {
	all := map[string][]string{}
	eachField(f.Fields, func(f *Field) {
		all[f.Name] = append([]string{}, f.holds()...)
	})
	return all
}

// theirs says beside each field that was typed otherwise what stands there now, and makes the form one of
// the present text, so that it can be sent again.
func (f *Form) theirs(typed url.Values) {
	eachField(f.Fields, func(f *Field) {
		if f.Kind == "hidden" {
			return
		}
		was, now := append([]string{}, typed[f.Name]...), append([]string{}, f.holds()...)
		sort.Strings(was)
		sort.Strings(now)
		if strings.TrimSpace(strings.Join(was, "\x00")) != strings.Join(now, "\x00") {
			f.Theirs = f.words()
		}
	})
}

// draftAnswer is what the module is answered.
type draftAnswer struct {
	Base    string              `json:"base,omitempty"`    // what the form is made from now
	Said    string              `json:"said,omitempty"`    // "Kept at 14:05."
	Missing []string            `json:"missing,omitempty"` // what still stands against signing
	Goto    string              `json:"goto,omitempty"`    // where what was done can be seen
	Present map[string][]string `json:"present,omitempty"` // somebody else has kept this meanwhile
	Words   map[string]string   `json:"words,omitempty"`   // the same, as a person reads it
	Message string              `json:"message,omitempty"` // a refusal
	Faults  map[string]string   `json:"faults,omitempty"`  // by field
}

// clash answers a form that was written on an old text: nothing is written over, and both texts are shown.
func (s *Server) clash(c echo.Context, present *Form, typed url.Values, name string, data framed) error {
	if module(c) {
		a := draftAnswer{Base: present.tag(), Present: present.holding(), Words: map[string]string{}, Message: domain.ErrStale.Message}
		eachField(present.Fields, func(f *Field) { a.Words[f.Name] = f.words() })
		return c.JSON(http.StatusPreconditionFailed, a)
	}
	typed.Del(baseKey)
	present.theirs(typed)
	both := *domain.ErrStale
	both.Message = "Somebody else wrote here in the meantime. Nothing was lost: yours stands in the fields, theirs beside them. Put together what is right, and keep it."
	return s.answer(c, present, typed, &both, name, data)
}

// refusedDraft answers a form that was refused.
func (s *Server) refusedDraft(c echo.Context, f *Form, typed url.Values, err error, name string, data framed) error {
	if !module(c) {
		return s.answer(c, f, typed, err, name, data)
	}
	var e *domain.Error
	if !errors.As(err, &e) {
		return err
	}
	s.noteRefusal(c, e)
	a := draftAnswer{Message: e.Message, Missing: e.Missing, Faults: map[string]string{}}
	for _, field := range e.Fields {
		a.Faults[strings.ReplaceAll(strings.TrimPrefix(field.Pointer, "/"), "/", ".")] = field.Message
	}
	return c.JSON(statuses[e.Kind], a)
}
