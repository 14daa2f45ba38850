package web

import (
	"bytes"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
)

const (
	importPath  = "/objects/import"
	columnsPath = importPath + "/columns.csv"
	// ListPath is where the list of objects is written out.
	ListPath = "/objects/list.csv"
	// importMost is the most bytes of a form with a list. It is more than a list may have, so that a list
	// that is too large is answered with words.
	importMost = 64 << 20
	// listShown is how many rows of a list are shown before it is brought in, and cellShown how many characters
	// of a cell.
	listShown = 20
	cellShown = 120
)

func (s *Server) importRoutes(g *echo.Group) {
	s.uploads[importPath] = importMost
	s.route(g, http.MethodGet, importPath, collection.Describe, s.importPage)
	s.route(g, http.MethodPost, importPath, collection.Describe, s.importList)
	s.route(g, http.MethodGet, ListPath, collection.Read, s.exportList)
	s.route(g, http.MethodGet, columnsPath, collection.Describe, s.listColumns)
}

type importPage struct {
	Frame
	Form      *Form
	Most      string
	Columns   []collection.ListColumn
	EmptyPath string
	Check     *listCheck // nil: no list was looked at yet, or it is faulty
	Faults    *listFaults
}

// listCheck is a list that can be brought in.
type listCheck struct {
	Said    string
	Caption string
	Columns []string // of those that hold anything
	Rows    []listRow
	Form    *Form
}

type listRow struct {
	Number string
	Cells  []string
}

// listFaults is why a list cannot be brought in.
type listFaults struct {
	Said string
	Rows []collection.RowFault
	More string
}

func (s *Server) importData(c echo.Context) *importPage {
	p := &importPage{Columns: collection.ListColumns(), EmptyPath: columnsPath,
		Most: fmt.Sprintf("At most %d rows and %d MB at a time.", collection.ListRowsMost, collection.ListBytesMost>>20)}
	p.Title, p.Here = "Bring in a list of objects", "/objects"
	p.Form = (&Form{Action: importAction(c), Multipart: true, Submit: "Check the list", Help: "Nothing is written yet: first you see how the list is read.",
		Fields: []Field{{Kind: "file", Name: "list", Label: "The list", Required: true, Accept: ".csv,.ndjson,text/csv,application/x-ndjson", Help: "CSV with commas, in UTF-8, or a JSON object a line."}}}).ready(c)
	return p
}

// importAction has the token in the address, so that nothing is read before it.
func importAction(c echo.Context) string {
	token, _ := c.Get(csrfKey).(string)
	return importPath + "?csrf=" + url.QueryEscape(token)
}

// importPage serves GET /objects/import.
func (s *Server) importPage(c echo.Context) error {
	return s.render(c, http.StatusOK, "collection/import", s.importData(c))
}

// importList serves POST /objects/import. With a file it is checked, and comes back hidden in a form; with that
// form the objects are made. Whatever comes is judged anew, and again when it is brought in.
func (s *Server) importList(c echo.Context) error {
	list, kept, err := sentList(c)
	var done *collection.Import
	if err == nil {
		done, err = s.Collection.Import(c.Request().Context(), actor(c), formOf(list), list, !kept)
	}
	p := s.importData(c)
	switch f := collection.ListRefused(err); {
	case f != nil:
		p.Faults = faultsShown(f)
		return s.render(c, http.StatusUnprocessableEntity, "collection/import", p)
	case err != nil:
		return s.answer(c, p.Form, nil, ofTheList(err), "collection/import", p)
	case kept:
		return s.done(c, "The list is brought in: "+count(done.Made, "object")+", "+done.First+" to "+done.Last+".", "/objects?sort=newest")
	}
	p.Check = s.listChecked(c, done, list)
	return s.render(c, http.StatusOK, "collection/import", p)
}

// sentList is the list that a form brings: as a file, or as it was kept in the form since it was checked.
func sentList(c echo.Context) (list []byte, kept bool, err error) {
	form, err := c.MultipartForm()
	if err != nil {
		return nil, false, unreadableForm(err)
	}
	defer func() { _ = form.RemoveAll() }()
	if text := form.Value["kept"]; len(text) > 0 {
		if list, err = base64.StdEncoding.DecodeString(text[0]); err != nil {
			return nil, true, unreadableForm(err)
		}
		return list, true, nil
	}
	if len(form.File["list"]) == 0 {
		return nil, false, domain.Invalid("/list", "required", "Choose the file that holds the list.")
	}
	f, err := form.File["list"][0].Open()
	if err != nil {
		return nil, false, fmt.Errorf("open a list that was sent: %w", err)
	}
	defer func() { _ = f.Close() }()
	if list, err = io.ReadAll(f); err != nil {
		return nil, false, fmt.Errorf("read a list that was sent: %w", err)
	}
	return list, false, nil
}

// formOf tells how a list is written by how it begins: what the file is called does not count.
func formOf(list []byte) collection.ListForm {
	if bytes.HasPrefix(bytes.TrimSpace(bytes.TrimPrefix(list, []byte("\ufeff"))), []byte("{")) {
		return collection.NDJSON
	}
	return collection.CSV
}

// ofTheList puts what is wrong with a list as a whole beside its field.
func ofTheList(err error) error {
	var e *domain.Error
	if !errors.As(err, &e) || e.Kind == domain.KindUnparseable {
		return err
	}
	said := *e
	var messages []string
	for _, f := range e.Fields {
		messages = append(messages, f.Message)
	}
	if len(messages) > 0 {
		said.Message = "This list cannot be read. Nothing was brought in."
		said.Fields = []domain.Field{{Pointer: "/list", Rule: e.Fields[0].Rule, Message: strings.Join(messages, " ")}}
	}
	return &said
}

func (s *Server) listChecked(c echo.Context, done *collection.Import, list []byte) *listCheck {
	check := &listCheck{Said: "The list can be brought in as it is: " + count(done.Rows, "object") + ", " + done.First + " to " + done.Last + ". Nothing is written yet.", Caption: "As the list is read"}
	shown := done.Objects[:min(len(done.Objects), listShown)]
	if len(done.Objects) > len(shown) {
		check.Caption = fmt.Sprintf("As the list is read: the first %d of %d rows", len(shown), len(done.Objects))
	}
	rows := make([][]string, len(shown))
	for i, o := range shown {
		f := o.Facts()
		if words := dateWords(f.DateMade); words != f.DateMade {
			f.DateMade += " (" + words + ")"
		}
		rows[i] = collection.ListCells(&f)
		check.Rows = append(check.Rows, listRow{Number: o.Number})
	}
	for j, column := range collection.ListColumns() {
		if column.Name == "number" || !holdsAny(rows, j) {
			continue
		}
		check.Columns = append(check.Columns, column.Name)
		for i := range rows {
			check.Rows[i].Cells = append(check.Rows[i].Cells, domain.Cut(rows[i][j], cellShown))
		}
	}
	check.Form = (&Form{Action: importAction(c), Multipart: true, Part: "kept", Submit: "Bring in these " + strconv.Itoa(done.Rows) + " objects",
		Help:   "All of them become objects, or, when a number was taken meanwhile, none.",
		Fields: []Field{{Kind: "hidden", Name: "kept", Value: base64.StdEncoding.EncodeToString(list)}}}).ready(c)
	if done.Rows == 1 {
		check.Form.Submit = "Bring in this object"
	}
	return check
}

func holdsAny(rows [][]string, column int) bool {
	for _, r := range rows {
		if r[column] != "" {
			return true
		}
	}
	return false
}

func faultsShown(f *collection.FaultyRows) *listFaults {
	shown := &listFaults{Said: fmt.Sprintf("%d of the %d rows cannot be brought in as they are. Nothing was brought in. Mend the list, then choose it again.", f.Faulty, f.Rows), Rows: f.Faults}
	if f.More > 0 {
		shown.More = fmt.Sprintf("There are %d more faults.", f.More)
	}
	return shown
}

// listColumns serves GET /objects/import/columns.csv: a list without rows, to be filled in.
func (s *Server) listColumns(c echo.Context) error {
	var b bytes.Buffer
	if err := collection.WriteEmptyList(&b); err != nil {
		return err
	}
	fileOf(c, "objects.csv")
	return c.Blob(http.StatusOK, "text/csv; charset=utf-8", b.Bytes())
}

// fileOf makes the answer a CSV to take away, of which a browser runs nothing.
func fileOf(c echo.Context, name string) {
	h := c.Response().Header()
	h.Set("Content-Type", "text/csv; charset=utf-8")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Content-Disposition", `attachment; filename="`+name+`"`)
}

// listAnswer is an answer that is written while it is read. Its head is made when the first of it is there: what
// is refused before is a page.
type listAnswer struct{ c echo.Context }

func (a listAnswer) Write(b []byte) (int, error) {
	a.begin()
	return a.c.Response().Write(b)
}

func (a listAnswer) begin() {
	if !a.c.Response().Committed {
		fileOf(a.c, "objects.csv")
		a.c.Response().WriteHeader(http.StatusOK)
	}
}

// exportList serves GET /objects/list.csv: the objects of the list page, as a list that can be brought in
// again. When it breaks off, so does the answer.
func (s *Server) exportList(c echo.Context) error {
	answer := listAnswer{c}
	if c.Request().Method == http.MethodHead {
		answer.begin()
		return nil
	}
	err := s.Collection.Export(c.Request().Context(), actor(c), objectQuery(c), answer)
	if err != nil && c.Response().Committed {
		s.Log.WarnContext(c.Request().Context(), "a list broke off", "error", err)
		panic(http.ErrAbortHandler)
	}
	return err
}
