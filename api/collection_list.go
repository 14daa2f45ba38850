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
