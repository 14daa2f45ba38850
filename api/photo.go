package api

import (
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/photo"
)

func (s *Server) photoRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:id/photos", photo.Look, s.photos)
	s.route(g, http.MethodPost, "/objects/:id/photos", photo.Keep, s.addPhotos)
	s.route(g, http.MethodGet, "/photos/:id", photo.Look, s.photo)
	s.route(g, http.MethodPut, "/photos/:id", photo.Keep, s.describePhoto)
	s.route(g, http.MethodPost, "/photos/:id/alignments", photo.Keep, s.align)
	s.route(g, http.MethodGet, "/photos/:id/alignments/:after_id", photo.Look, s.alignment)
	for _, size := range []photo.Size{photo.OriginalSize, photo.ScreenSize, photo.ThumbnailSize} {
		s.route(g, http.MethodGet, "/photos/:id/"+string(size), photo.Look, func(c echo.Context) error { return s.picture(c, size) })
	}
}

// photos serves GET /objects/{id}/photos.
func (s *Server) photos(c echo.Context) error {
	id, err := s.known(c)
	if err != nil {
		return err
	}
	q, err := page(c)
	if err != nil {
		return err
	}
	component, err := queryID(c, "component")
	if err != nil {
		return err
	}
	f := photo.Filter{Component: component, View: photo.View(c.QueryParam("view")), Light: photo.Light(c.QueryParam("light")), Stage: photo.Stage(c.QueryParam("stage"))}
	all, err := s.Photo.List(c.Request().Context(), actor(c), id, f, q)
	if err != nil {
		return err
	}
	return list(c, all)
}

// photo serves GET /photos/{id}.
func (s *Server) photo(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	p, err := s.Photo.One(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, p.Version, p)
}

// describePhoto serves PUT /photos/{id}.
func (s *Server) describePhoto(c echo.Context) error {
	var d photo.Description
	id, version, err := target(c, &d)
	if err != nil {
		return err
	}
	p, err := s.Photo.Describe(c.Request().Context(), actor(c), id, version, d)
	if err != nil {
		return err
	}
	return one(c, http.StatusOK, p.Version, p)
}

// addPhotos serves POST /objects/{id}/photos: one picture as the body, or several as parts of a form.
// What the content is counts, not what the sender calls it.
func (s *Server) addPhotos(c echo.Context) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	kind, _, err := mime.ParseMediaType(c.Request().Header.Get("Content-Type"))
	if err == nil && kind == "multipart/form-data" {
		return s.addPhotoParts(c, id)
	}
	if err != nil || !strings.HasPrefix(kind, "image/") && kind != "application/octet-stream" {
		return &domain.Error{Kind: domain.KindUnsupported, Code: "media_type",
			Message: "Send one picture as the body (image/jpeg, image/png, image/tiff, application/octet-stream), or several as multipart/form-data."}
	}
	d, name, err := queryDescription(c)
	if err != nil {
		return err
	}
	p, err := s.Photo.Upload(c.Request().Context(), actor(c), id, d, name, c.Request().Body)
	if err != nil {
		return err
	}
	return created(c, "/photos/"+p.ID.String(), p.Version, p)
}

// queryDescription reads what a picture that is the body shows.
func queryDescription(c echo.Context) (d photo.Description, name string, err error) {
	for i, text := range strings.FieldsFunc(c.QueryParam("components"), func(r rune) bool { return r == ',' }) {
		component, err := domain.ParseID(text)
		if err != nil {
			return d, "", domain.Invalid(fmt.Sprintf("/components/%d", i), "uuid", "This is not an identifier.")
		}
		d.Components = append(d.Components, component)
	}
	if d.ScalePresent, err = queryBool(c, "scale_present"); err != nil {
		return d, "", err
	}
	if d.ColourTargetPresent, err = queryBool(c, "colour_target_present"); err != nil {
		return d, "", err
	}
	d.View, d.Light, d.Stage = photo.View(c.QueryParam("view")), photo.Light(c.QueryParam("light")), photo.Stage(c.QueryParam("stage"))
	d.Caption, d.Photographer = c.QueryParam("caption"), c.QueryParam("photographer")
	return d, c.QueryParam("file_name"), nil
}

// photoResult is what became of one file of several: a photograph or a problem.
type photoResult struct {
	FileName string       `json:"file_name"`
	Photo    *photo.Photo `json:"photo,omitempty"`
	Problem  *Problem     `json:"problem,omitempty"`

	err error
}

// addPhotoParts reads a part "description" (JSON) and then parts "file", each as it comes and each
// with a result of its own. Nothing is held in memory.
func (s *Server) addPhotoParts(c echo.Context, id domain.ID) error {
	if err := knownOnly(c.QueryParams(), nil); err != nil { // the description says it
		return err
	}
	parts, err := c.Request().MultipartReader()
	if err != nil {
		return unreadable(err)
	}
	var d *photo.Description
	var results []photoResult
	refused := 0
	for {
		part, err := parts.NextRawPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return unreadable(err)
		}
		switch name := part.FormName(); {
		case name == "description" && d == nil && len(results) == 0:
			d = &photo.Description{}
			if err := decodePart(part, d); err != nil {
				return err
			}
			if err := s.Photo.MayUpload(c.Request().Context(), actor(c), id, *d); err != nil {
				return err
			}
		case name == "file" && d == nil:
			return domain.Invalid("/description", "required", "Send the part 'description' before the files.")
		case name == "file" && len(results) == photo.AtOnceMost:
			return photo.TooMany("/file")
		case name == "file":
			p, err := s.Photo.Upload(c.Request().Context(), actor(c), id, *d, part.FileName(), part)
			if kind := domain.KindOf(err); err != nil && (kind == 0 || kind == domain.KindUnparseable) {
				return err // a fault, or the rest of the body is lost too
			}
			if err != nil {
				refused++
			}
			results = append(results, photoResult{FileName: part.FileName(), Photo: p, err: err})
		default:
			return domain.Invalid("/"+strings.ReplaceAll(name, "/", ""), "unknown", "The parts are one 'description' and then 'file', as often as there are pictures.")
		}
	}
	switch {
	case len(results) == 0:
		return domain.Invalid("/file", "required", "Send at least one picture as a part 'file'.")
	case len(results) == 1 && refused == 1:
		return results[0].err
	case len(results) == refused:
		return noneKept(results)
	}
	for i, r := range results {
		if r.err != nil {
			problem, _ := s.problem(r.err, c)
			results[i].Problem = &problem
		}
	}
	return send(c, http.StatusCreated, map[string][]photoResult{"items": results})
}

func unreadable(err error) error {
	var known *domain.Error
	if errors.As(err, &known) {
		return err
	}
	return &domain.Error{Kind: domain.KindUnparseable, Code: "body", Message: "The body ended before it was complete, or is no form of parts.", Err: err}
}

func decodePart(part *multipart.Part, d *photo.Description) error {
	b, err := io.ReadAll(io.LimitReader(part, bodyMost+1))
	if err != nil {
		return unreadable(err)
	}
	if len(b) > bodyMost {
		return &domain.Error{Kind: domain.KindTooLarge, Code: "body", Message: "The description is too large: at most 1 MiB of JSON."}
	}
	return decodeBytes(b, d)
}

// noneKept is the problem of a request of whose files each was refused.
func noneKept(results []photoResult) error {
	e := &domain.Error{Kind: domain.KindRefused, Code: "F2", Message: "None of the files was kept; each has its reason."}
	for i, r := range results {
		var known *domain.Error
		if errors.As(r.err, &known) {
			e.Fields = append(e.Fields, domain.Field{Pointer: fmt.Sprintf("/file/%d", i), Rule: known.Code, Message: r.FileName + ": " + known.Message})
		}
	}
	return e
}

// picture serves GET /photos/{id}/original, …/screen and …/thumbnail, with ranges. Whatever the file
// holds, a browser is told to treat it as a picture and to run nothing.
func (s *Server) picture(c echo.Context, size photo.Size) error {
	id, err := idOf(c, "id")
	if err != nil {
		return err
	}
	p, err := s.Photo.Open(c.Request().Context(), actor(c), id, size)
	if err != nil {
		return err
	}
	defer p.Close()
	disposition := "inline"
	if size == photo.OriginalSize {
		disposition = "attachment"
	}
	h := c.Response().Header()
	h.Set("Content-Type", string(p.MediaType))
	h.Set("Content-Disposition", mime.FormatMediaType(disposition, map[string]string{"filename": p.FileName}))
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Cache-Control", "private, no-cache") // kept by its reader alone, and asked for again each time
	h.Set("ETag", `"`+p.SHA256+`"`)
	h.Set("Repr-Digest", digest(p.SHA256))
	if strings.Contains(c.Request().Header.Get("Range"), ",") {
		c.Request().Header.Del("Range") // several ranges at once cost more than they help (RFC 9110, 14.2)
	}
	http.ServeContent(c.Response(), c.Request(), "", p.KeptAt, p)
	return nil
}

// digest is a SHA-256 as RFC 9530 writes it, so that a receiver can check what arrived.
func digest(sha256 string) string {
	b, err := hex.DecodeString(sha256)
	if err != nil {
		return ""
	}
	return "sha-256=:" + base64.StdEncoding.EncodeToString(b) + ":"
}
