package web

import (
	"errors"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/labstack/echo/v4"
	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// command has a field of every type that commands use.
type command struct {
	Facts
	Title    string            `json:"title" validate:"required,max=40"`
	Note     *string           `json:"note"`
	Count    int               `json:"count"`
	Minutes  *int              `json:"minutes"`
	GapMM    *float64          `json:"gap_mm"`
	MassKG   *decimal.Decimal  `json:"mass_kg"`
	Agreed   bool              `json:"agreed"`
	At       *time.Time        `json:"at"`
	ObjectID domain.ID         `json:"object_id"`
	Photo    *domain.ID        `json:"photo_id"`
	Roles    []domain.Role     `json:"roles"`
	Parts    []domain.ID       `json:"component_ids"`
	Methods  []method          `json:"methods" validate:"dive"`
	Scope    *scope            `json:"scope"`
	Kept     string            `json:"-"`
	Tags     map[string]string `json:"tags"`
}

// Facts is exported so that it can be embedded as commands embed theirs.
type Facts struct {
	Number string `json:"number"`
}

type method struct {
	Note  string   `json:"note" validate:"max=20"`
	Hours float64  `json:"hours"`
	With  []string `json:"with"`
}

type scope struct {
	Materials []struct {
		Key string `json:"key"`
	} `json:"materials"`
}

// send decodes a form into c as a browser would send it.
func send(t testing.TB, c any, target string, form url.Values) (int64, url.Values, error) {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Paris")
	if err != nil {
		t.Fatal(err)
	}
	s := &Server{Services: Services{Site: domain.Site{Zone: zone}}}
	r := httptest.NewRequest(http.MethodPost, target, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", echo.MIMEApplicationForm)
	return s.decode(echo.New().NewContext(r, httptest.NewRecorder()), c)
}

func TestDecodeEveryType(t *testing.T) {
	id, part := domain.NewID(), domain.NewID()
	var c command
	version, typed, err := send(t, &c, "/x", url.Values{
		"csrf": {"token"}, "version": {"7"}, "number": {" 1987.14.3 "}, "title": {"One\r\nTwo"}, "note": {"n"}, "count": {"3"}, "minutes": {"0"},
		"gap_mm": {"2,5"}, "mass_kg": {"31.40"}, "agreed": {"true"}, "at": {"2026-07-01T09:30"}, "object_id": {id.String()}, "photo_id": {""},
		"roles": {"curator", "registrar"}, "component_ids": {part.String()},
		"methods.0.note": {"ease"}, "methods.0.hours": {"1.5"}, "methods.0.with": {"water", "ethanol"},
		"scope.materials.0.key": {"starch_paste"},
	})
	if err != nil {
		t.Fatal(err)
	}
	note, zero, gap, mass, at := "n", 0, 2.5, decimal.RequireFromString("31.40"), time.Date(2026, 7, 1, 7, 30, 0, 0, time.UTC)
	switch {
	case version != 7:
		t.Errorf("version %d", version)
	case typed.Has("csrf") || typed.Get("methods.0.note") != "ease":
		t.Errorf("typed %v", typed)
	case c.Number != "1987.14.3" || c.Title != "One\nTwo" || *c.Note != note || c.Count != 3 || *c.Minutes != zero || !c.Agreed:
		t.Errorf("plain values: %+v", c)
	case *c.GapMM != gap || !c.MassKG.Equal(mass) || !c.At.Equal(at):
		t.Errorf("figures and time: %v %v %v", *c.GapMM, c.MassKG, c.At)
	case c.ObjectID != id || c.Photo != nil || !slices.Equal(c.Parts, []domain.ID{part}):
		t.Errorf("identifiers: %+v", c)
	case !slices.Equal(c.Roles, []domain.Role{domain.Curator, domain.Registrar}):
		t.Errorf("roles %v", c.Roles)
	case !reflect.DeepEqual(c.Methods, []method{{Note: "ease", Hours: 1.5, With: []string{"water", "ethanol"}}}):
		t.Errorf("methods %+v", c.Methods)
	case c.Scope == nil || c.Scope.Materials[0].Key != "starch_paste":
		t.Errorf("scope %+v", c.Scope)
	}
}

func TestDecodeLeavesWhatWasNotTyped(t *testing.T) {
	var c command
	_, _, err := send(t, &c, "/x", url.Values{"note": {" "}, "minutes": {""}, "gap_mm": {""}, "mass_kg": {""}, "at": {""}, "object_id": {""},
		"component_ids": {"", ""}, "methods.0.note": {""}, "methods.1.hours": {" "}, "scope.materials.0.key": {""}, "count": {""}})
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(c, command{}) {
		t.Errorf("nothing was typed, yet %+v", c)
	}
}

// Empty rows are dropped, and what comes back is counted as the command counts it, so that a fault of
// the service's validation stands beside the row that it is about.
func TestDecodeRowsMoveUp(t *testing.T) {
	var c command
	_, typed, err := send(t, &c, "/x", url.Values{"methods.0.note": {""}, "methods.2.note": {"second"}, "methods.10.note": {"third, and far too long"}, "methods.1.note": {"first"}, "methods.3.hours": {" "}})
	if err != nil {
		t.Fatal(err)
	}
	var notes []string
	for _, m := range c.Methods {
		notes = append(notes, m.Note)
	}
	if !slices.Equal(notes, []string{"first", "second", "third, and far too long"}) {
		t.Fatalf("rows %q", notes)
	}
	c.Title = "t"
	fault := domain.Validate(c)
	form := &Form{Fields: []Field{{Kind: "text", Name: "methods.0.note"}, {Kind: "text", Name: "methods.1.note"}, {Kind: "text", Name: "methods.2.note"}, {Kind: "text", Name: "methods.3.note"}}}
	name(form.Fields, "f-")
	if err := form.refused(typed, fault); err != nil {
		t.Fatal(err)
	}
	if third := form.Fields[2]; third.Value != "third, and far too long" || third.Fault == "" {
		t.Errorf("the fault is not beside its row: %+v", form.Fields)
	}
	if form.Fields[0].Fault != "" || form.Fields[3].Value != "" || len(form.Fault.Links) != 1 || form.Fault.Links[0].ID != "f-methods-2-note" {
		t.Errorf("faults: %+v, %+v", form.Fields, form.Fault)
	}
}

func TestDecodeRefuses(t *testing.T) {
	for name, test := range map[string]struct {
		form    url.Values
		pointer string
		rule    string
	}{
		"a name that is not known":        {url.Values{"titel": {"x"}}, "/titel", "unknown"},
		"a name that is not known, below": {url.Values{"methods.0.notes": {"x"}}, "/methods/0/notes", "unknown"},
		"a field that is kept apart":      {url.Values{"Kept": {"x"}}, "/Kept", "unknown"},
		"a name below plain text":         {url.Values{"title.x": {"y"}}, "/title", "unknown"},
		"a name below a time":             {url.Values{"at.x": {"y"}}, "/at", "unknown"},
		"a value for a group":             {url.Values{"scope": {"x"}}, "/scope", "unknown"},
		"a value for a row":               {url.Values{"methods": {"x"}}, "/methods/0", "unknown"},
		"rows that are not numbers":       {url.Values{"methods.first.note": {"x"}}, "/methods", "unknown"},
		"a row before the first":          {url.Values{"methods.-1.note": {"x"}}, "/methods", "unknown"},
		"too many rows":                   {url.Values{"methods.1000.note": {"x"}}, "/methods", "unknown"},
		"words for a whole number":        {url.Values{"count": {"three"}}, "/count", "type"},
		"a fraction for a whole number":   {url.Values{"count": {"3.5"}}, "/count", "type"},
		"more than a number holds":        {url.Values{"count": {"99999999999999999999"}}, "/count", "type"},
		"not a number":                    {url.Values{"gap_mm": {"NaN"}}, "/gap_mm", "type"},
		"no end":                          {url.Values{"gap_mm": {"Inf"}}, "/gap_mm", "type"},
		"two commas":                      {url.Values{"gap_mm": {"1,234,5"}}, "/gap_mm", "type"},
		"words for a decimal":             {url.Values{"mass_kg": {"heavy"}}, "/mass_kg", "type"},
		"words for a time":                {url.Values{"at": {"noon"}}, "/at", "time"},
		"a day that is none":              {url.Values{"at": {"2026-02-30"}}, "/at", "time"},
		"words for an identifier":         {url.Values{"object_id": {"x"}}, "/object_id", "type"},
		"words for one of several":        {url.Values{"component_ids": {domain.NewID().String(), "x"}}, "/component_ids/1", "type"},
		"a type that no form can send":    {url.Values{"tags": {"x"}}, "/tags", "type"},
	} {
		t.Run(name, func(t *testing.T) {
			var c command
			_, _, err := send(t, &c, "/x", test.form)
			var e *domain.Error
			if !errors.As(err, &e) || e.Kind != domain.KindInvalid || len(e.Fields) != 1 {
				t.Fatalf("want one fault, have %v", err)
			}
			if f := e.Fields[0]; f.Pointer != test.pointer || f.Rule != test.rule || f.Message == "" {
				t.Errorf("fault %+v, want %s %s", f, test.pointer, test.rule)
			}
		})
	}
}

func TestDecodeGivesAllFaultsAtOnce(t *testing.T) {
	var c command
	_, typed, err := send(t, &c, "/x", url.Values{"count": {"x"}, "at": {"y"}, "methods.0.hours": {"z"}, "nothing": {"w"}})
	var e *domain.Error
	if !errors.As(err, &e) || len(e.Fields) != 4 {
		t.Fatalf("want four faults, have %v", err)
	}
	if typed.Get("at") != "y" {
		t.Errorf("what was typed is lost: %v", typed)
	}
}

// The address names the thing; a field that only the address gives is not a field of the form.
func TestDecodeReadsNothingOfTheAddress(t *testing.T) {
	var c command
	if _, _, err := send(t, &c, "/x?title=from+the+address&nothing=1&version=9", url.Values{"title": {"typed"}}); err != nil {
		t.Fatal(err)
	}
	if c.Title != "typed" {
		t.Errorf("title %q", c.Title)
	}
	var d command
	version, _, err := send(t, &d, "/x?title=from+the+address&version=9", url.Values{"note": {"n"}})
	if err != nil || d.Title != "" || version != 0 {
		t.Errorf("title %q and version %d come from the address (%v)", d.Title, version, err)
	}
}

func TestDecodeVersion(t *testing.T) {
	var c command
	if _, _, err := send(t, &c, "/x", url.Values{"version": {"new"}}); !errors.Is(err, domain.ErrStale) {
		t.Errorf("a version that is no number: %v", err)
	}
}

func TestDecodeBoundsTheForm(t *testing.T) {
	many := url.Values{}
	for i := range formNames + 1 {
		many.Set("n"+string(rune('a'+i%26))+strings.Repeat("x", i%97)+time.Duration(i).String(), "1")
	}
	for name, form := range map[string]url.Values{
		"deep": {"a" + strings.Repeat(".a", 100_000): {"1"}},
		"wide": many,
	} {
		var c command
		if _, _, err := send(t, &c, "/x", form); domain.KindOf(err) != domain.KindUnparseable {
			t.Errorf("a %s form: %v", name, err)
		}
	}
}

func TestDecodeUnreadable(t *testing.T) {
	s := &Server{Services: Services{Site: domain.Site{Zone: time.UTC}}}
	r := httptest.NewRequest(http.MethodPost, "/x", strings.NewReader("title=%zz"))
	r.Header.Set("Content-Type", echo.MIMEApplicationForm)
	var c command
	if _, _, err := s.decode(echo.New().NewContext(r, httptest.NewRecorder()), &c); domain.KindOf(err) != domain.KindUnparseable {
		t.Errorf("a body that is no form: %v", err)
	}
}

// Dirty text passes the door, as any text does, and is refused by the service's validation; it comes
// back with the fault beside its field.
func TestDirtyTextIsRefusedByTheService(t *testing.T) {
	for _, dirty := range []string{"a\x00b", "a\x07b", "a\u202eb", "\xff\xfe"} {
		var c command
		_, typed, err := send(t, &c, "/x", url.Values{"title": {dirty}})
		if err != nil {
			t.Fatal(err)
		}
		form := &Form{Fields: []Field{{Kind: "text", Name: "title", Label: "Title"}}}
		name(form.Fields, "f-")
		if err := form.refused(typed, domain.Validate(c)); err != nil {
			t.Fatalf("%q is accepted: %v", dirty, err)
		}
		if form.Fields[0].Fault == "" {
			t.Errorf("%q: no fault beside the field", dirty)
		}
	}
}

func TestRefusedPutsBackWhatWasTyped(t *testing.T) {
	form := &Form{Fields: []Field{
		{Kind: "text", Name: "title", Value: "before", Label: "Title"},
		{Kind: "password", Name: "password", Label: "Password"},
		{Kind: "checkbox", Name: "agreed", Value: "true"},
		{Kind: "radio", Name: "purpose", Options: options("move", "move", "loan")},
		{Kind: "checks", Name: "roles", Options: options("", domain.Roles...)},
		{Kind: "group", Label: "Rows", Fields: []Field{{Kind: "text", Name: "rows.0.note", Label: "Note"}}},
		{Kind: "text", Name: "untouched", Value: "as it was"},
	}}
	name(form.Fields, "f-")
	refusal := &domain.Error{Kind: domain.KindRefused, Code: "T7", Message: "Not yet.", Missing: []string{"a photograph after"}, Fields: []domain.Field{
		{Pointer: "/title", Rule: "max", Message: "Shorter."}, {Pointer: "/rows/0/note", Rule: "max", Message: "Shorter still."}, {Pointer: "/elsewhere", Rule: "x", Message: "Nowhere to show."}}}
	typed := url.Values{"title": {"after"}, "password": {"secret"}, "purpose": {"loan"}, "roles": {"curator", "reader"}, "rows.0.note": {"n"}}
	if err := form.refused(typed, refusal); err != nil {
		t.Fatal(err)
	}
	f := form.Fields
	if f[0].Value != "after" || f[0].Fault != "Shorter." || f[1].Value != "" || f[2].Value != "" || f[6].Value != "as it was" {
		t.Errorf("fields: %+v", f)
	}
	if f[3].Options[0].Chosen || !f[3].Options[1].Chosen || !f[4].Options[1].Chosen || f[4].Options[0].Chosen || f[5].Fields[0].Fault != "Shorter still." {
		t.Errorf("choices and rows: %+v", f)
	}
	if form.Fault.Rule != "T7" || !slices.Equal(form.Fault.Missing, refusal.Missing) || len(form.Fault.Links) != 3 || form.Fault.Links[2].ID != "" {
		t.Errorf("summary: %+v", form.Fault)
	}
}

func TestRefusedPassesOnWhatNoFormCanShow(t *testing.T) {
	for _, err := range []error{
		errors.New("a fault"), domain.NotFound("x"), &domain.Error{Kind: domain.KindUnavailable}, &domain.Error{Kind: domain.KindUnauthenticated},
	} {
		if got := (&Form{}).refused(nil, err); !errors.Is(got, err) {
			t.Errorf("%v becomes %v", err, got)
		}
	}
}

func TestParseTime(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Paris")
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]string{
		"2026-02-06T16:00":          "2026-02-06T15:00:00Z",
		"2026-07-06T16:00:30":       "2026-07-06T14:00:30Z",
		"2026-07-06":                "2026-07-05T22:00:00Z",
		"2026-07-06T16:00:00-05:00": "2026-07-06T21:00:00Z",
	} {
		got, err := parseTime(text, zone)
		if err != nil || got.UTC().Format(time.RFC3339) != want {
			t.Errorf("%s is %v (%v), want %s", text, got.UTC(), err, want)
		}
	}
}

// FuzzParseTime: a time that is read from a form is within the years that can be written, and is read
// again as the same.
func FuzzParseTime(f *testing.F) {
	for _, text := range []string{"2026-02-06T16:00", "2026-02-06T16:00:59", "2026-02-06", "2026-02-06T16:00:00-05:00", "2026-03-29T02:30", "2026-10-25T02:30", "2026-02-30", "9999-12-31T23:59:59Z", "0000-01-01", "+1000000-01-01", "٢٠٢٦-02-06", "2026-02-06T24:00", "2026-02-06T16:00:00.999999999999Z"} {
		f.Add(text)
	}
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text string) {
		at, err := parseTime(text, zone)
		if err != nil {
			return
		}
		if again, err := parseTime(at.UTC().Format(time.RFC3339Nano), zone); err != nil || !again.Equal(at) {
			t.Errorf("%q is read as %v, and that as %v, %v", text, at, again, err)
		}
		if !domain.TimeKept(at) {
			t.Errorf("%q is of the year %d", text, at.Year())
		}
	})
}

func FuzzDecodeForm(f *testing.F) {
	for _, seed := range []string{
		"title=x&count=3&methods.0.note=a&methods.0.with=b", "methods=x", "methods.00.note=x", "a.b.c.d.e.f.g.h=1", "=x", ".=x", "title.=x",
		"at=2026-02-06T16%3A00&gap_mm=1e400", "mass_kg=1e999999999", "object_id=%00", "version=9&version=x", "scope.materials.1.key=a&scope.materials.x=b", "roles=%FF",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, body string) {
		form, err := url.ParseQuery(body)
		if err != nil {
			return
		}
		var c command
		_, typed, err := send(t, &c, "/x", form)
		if err != nil && domain.KindOf(err) == 0 {
			t.Fatalf("%q: a fault that no person may read: %v", body, err)
		}
		if err != nil {
			return
		}
		if c.GapMM != nil && (math.IsNaN(*c.GapMM) || math.IsInf(*c.GapMM, 0)) {
			t.Fatalf("%q: not a number: %v", body, *c.GapMM)
		}
		// What comes back to the person is read the same way again.
		var again command
		_, _, err = send(t, &again, "/x", typed)
		if err != nil {
			t.Fatalf("%q: what came back is refused: %v", body, err)
		}
		if !reflect.DeepEqual(c, again) {
			t.Fatalf("%q: read as %+v, then as %+v", body, c, again)
		}
	})
}

// A button "more" is no field of the command, and several forms of one page have fields of their own.
func TestFormsApartAndMoreRows(t *testing.T) {
	f := &Form{Part: "decide", Fields: []Field{{Kind: "group", Fields: []Field{{Kind: "text", Name: "conditions.0.text"}, {Kind: "more", Name: "conditions"}}}}}
	f.ready(echo.New().NewContext(nil, nil))
	if id := f.Fields[0].Fields[0].ID; id != "f-decide-conditions-0-text" || !f.More() {
		t.Errorf("ID %q, more %v", id, f.More())
	}
	r := httptest.NewRequest(http.MethodPost, "/", strings.NewReader(url.Values{"more": {"conditions"}, "conditions.0.text": {"kept"}}.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	c := echo.New().NewContext(r, httptest.NewRecorder())
	list, err := moreRows(c)
	if err != nil || list != "conditions" || c.Request().PostForm.Has("more") {
		t.Errorf("%q %v %v", list, err, c.Request().PostForm)
	}
	f.again(c, c.Request().PostForm)
	if v := f.Fields[0].Fields[0].Value; v != "kept" || f.Fault != nil {
		t.Errorf("value %q, fault %v", v, f.Fault)
	}
}

// What is folded away opens when something in it is faulty.
func TestFoldedOpensOnAFault(t *testing.T) {
	f := &Form{Fields: []Field{{Kind: "folded", Label: "More", Fields: []Field{{Kind: "text", Name: "note"}}}, {Kind: "folded", Label: "Rest", Fields: []Field{{Kind: "text", Name: "other"}}}}}
	if err := f.refused(url.Values{"note": {"typed"}}, domain.Invalid("/note", "max", "Too long.")); err != nil {
		t.Fatal(err)
	}
	if f.Fields[0].Value != "open" || f.Fields[1].Value != "" || f.Fields[0].Fields[0].Value != "typed" || f.Fields[0].Fields[0].Fault == "" {
		t.Errorf("%+v", f.Fields)
	}
}
