package api

import (
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// ExportPath is where the objects are written out as a list, below Prefix.
const ExportPath = "/exports/objects"

// importObjects serves POST /imports/objects: a list, all of it or none. It is a dry run unless the query
// says otherwise.
func (s *Server) importObjects(c echo.Context) error {
	form, err := listForm(c.Request().Header.Get("Content-Type"))
	if err != nil {
		return err
	}
	dry := true
	if c.QueryParam("dry_run") != "" {
		if dry, err = queryBool(c, "dry_run"); err != nil {
			return err
		}
	}
	list, err := io.ReadAll(c.Request().Body)
	if err != nil {
		return fmt.Errorf("read a list that is in memory: %w", err)
	}
	done, err := s.Collection.Import(c.Request().Context(), actor(c), form, list, dry)
	if err != nil {
		return err
	}
	if dry {
		return send(c, http.StatusOK, done)
	}
	return send(c, http.StatusCreated, done)
}

// listForm is how a list of a media type is written.
func listForm(mediaType string) (collection.ListForm, error) {
	kind, parameters, err := mime.ParseMediaType(mediaType)
	charset := parameters["charset"]
	form := collection.ListForm(kind)
	if err != nil || form != collection.CSV && form != collection.NDJSON || charset != "" && !strings.EqualFold(charset, "utf-8") {
		return "", &domain.Error{Kind: domain.KindUnsupported, Code: "media_type", Message: "Send a list in UTF-8: Content-Type: text/csv, or application/x-ndjson."}
	}
	return form, nil
}

// listAnswer is an answer that is written while it is read. Its head is made when the first of it is there: what
// is refused before has its own.
type listAnswer struct{ c echo.Context }

func (a listAnswer) Write(b []byte) (int, error) {
	a.begin()
	return a.c.Response().Write(b)
}

func (a listAnswer) begin() {
	if a.c.Response().Committed {
		return
	}
	h := a.c.Response().Header()
	h.Set("Content-Type", "text/csv; charset=utf-8")
	h.Set("Content-Disposition", `attachment; filename="objects.csv"`)
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Cache-Control", "no-store")
	a.c.Response().WriteHeader(http.StatusOK)
}

// exportObjects serves GET /exports/objects: the objects that a search finds as a list. When it breaks off, so
// does the answer, so that no half of a list is taken for the whole.
func (s *Server) exportObjects(c echo.Context) error {
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
