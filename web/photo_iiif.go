package web

import (
	"encoding/json"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/photo"
	"farthingale/domain/photo/iiif"
)

// IIIFPrefix is where photographs are served by the IIIF interfaces.
const IIIFPrefix = "/iiif/"

// IsIIIF says whether a request is for one of the IIIF interfaces: its errors are problems, no pages.
func IsIIIF(c echo.Context) bool { return strings.HasPrefix(c.Request().URL.Path, IIIFPrefix) }

func (s *Server) iiifRoutes(g *echo.Group) {
	s.iiifRoute(g, "/iiif/objects/:number/manifest", s.manifest)
	s.iiifRoute(g, "/iiif/:id", s.imageBase)
	s.iiifRoute(g, "/iiif/:id/info.json", s.imageInfo)
	s.iiifRoute(g, "/iiif/:id/marks", s.canvasMarks)
	s.iiifRoute(g, "/iiif/:id/:region/:size/:rotation/:file", s.imageRequest)
}

// iiifRoute adds a route for pages with a session and for programs with a token alike. Whoever may look
// at photographs may; nobody else is shown anything.
func (s *Server) iiifRoute(g *echo.Group, path string, h echo.HandlerFunc) {
	s.acts[http.MethodGet+" "+path] = photo.Look
	checked := func(c echo.Context) error {
		if secret, ok := strings.CutPrefix(c.Request().Header.Get("Authorization"), "Bearer "); ok {
			a, err := s.People.ByToken(c.Request().Context(), strings.TrimSpace(secret))
			if err != nil {
				return err
			}
			c.Set(actorKey, a)
		}
		if err := actor(c).May(photo.Look); err != nil {
			if domain.KindOf(err) == domain.KindUnauthenticated {
				c.Response().Header().Set("WWW-Authenticate", `Bearer realm="farthingale"`)
			}
			return err
		}
		return h(c)
	}
	g.GET(path, checked)
	g.HEAD(path, checked)
}

// shared lets programs in browsers of other sites read the IIIF interfaces (CORS). They come without
// the session's cookie, so only with a token of their own.
// source: Image API 3.0, 7.1; WHATWG Fetch, 3.2 (CORS protocol)
func shared(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if !IsIIIF(c) {
			return next(c)
		}
		h := c.Response().Header()
		h.Set("Access-Control-Allow-Origin", "*")
		if c.Request().Method != http.MethodOptions {
			h.Set("Access-Control-Expose-Headers", "Link, ETag")
			return next(c)
		}
		h.Set("Access-Control-Allow-Methods", "GET, HEAD, OPTIONS")
		h.Set("Access-Control-Allow-Headers", "Authorization, Accept, If-None-Match")
		h.Set("Access-Control-Max-Age", "600")
		return c.NoContent(http.StatusNoContent)
	}
}

// origin is how the reader of an answer addresses this house. Only that reader's own request says it,
// and the answer is kept by nobody else.
func origin(c echo.Context) string { return c.Scheme() + "://" + c.Request().Host }

func iiifBase(c echo.Context, id domain.ID) string { return origin(c) + IIIFPrefix + id.String() }

// iiifSend writes a description: as JSON-LD to whoever asks for it, else as JSON.
// source: Image API 3.0, 5.1; Presentation API 3.0, 6.2
func iiifSend(c echo.Context, profile string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("encode description: %w", err)
	}
	c.Response().Header().Set("Vary", "Accept")
	if strings.Contains(c.Request().Header.Get("Accept"), "application/ld+json") {
		return c.Blob(http.StatusOK, profile, b)
	}
	return c.Blob(http.StatusOK, "application/json", b)
}

// imageBase serves GET /iiif/{id}.
// source: Image API 3.0, 2.1: the base leads to the description
func (s *Server) imageBase(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	if _, err := s.Photo.Drawable(c.Request().Context(), actor(c), id); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, IIIFPrefix+id.String()+"/info.json")
}

// imageInfo serves GET /iiif/{id}/info.json.
func (s *Server) imageInfo(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	p, err := s.Photo.Drawable(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return iiifSend(c, iiif.ImageProfile, iiif.InfoOf(iiifBase(c, id), p.Original.WidthPX, p.Original.HeightPX))
}

// imageRequest serves GET /iiif/{id}/{region}/{size}/{rotation}/{quality}.{format}.
func (s *Server) imageRequest(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	words := make([]string, 4)
	for i, name := range []string{"region", "size", "rotation", "file"} {
		if words[i], err = url.PathUnescape(c.Param(name)); err != nil { // ^ and ! may come escaped
			return domain.NotFound("There is nothing under this address.")
		}
	}
	p, plan, err := s.Photo.PlanCrop(ctx, actor(c), id, words[0], words[1], words[2], words[3])
	if err != nil {
		return err
	}
	h := c.Response().Header()
	h.Set("Cache-Control", "private, no-cache") // kept by its reader alone, and asked for again each time
	h.Set("ETag", `"`+photo.CropTag(p, plan)+`"`)
	h.Add("Link", "<"+iiifBase(c, id)+plan.Canonical()+`>;rel="canonical"`)
	h.Add("Link", `<http://iiif.io/api/image/3/level2.json>;rel="profile"`)
	if slices.Contains(strings.Split(strings.ReplaceAll(c.Request().Header.Get("If-None-Match"), " ", ""), ","), h.Get("ETag")) {
		return c.NoContent(http.StatusNotModified)
	}
	crop, err := s.Photo.Crop(ctx, p, plan)
	if err != nil {
		for _, name := range []string{"ETag", "Link", "Cache-Control"} {
			h.Del(name)
		}
		return err
	}
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("Content-Disposition", mime.FormatMediaType("inline", map[string]string{"filename": id.String() + "." + plan.Format}))
	return c.Blob(http.StatusOK, string(crop.MediaType), crop.Bytes)
}

// canvasMarks serves GET /iiif/{id}/marks: the annotations of a canvas.
func (s *Server) canvasMarks(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	p, err := s.Photo.Drawable(ctx, actor(c), id)
	if err != nil {
		return err
	}
	marks, err := s.Photo.MarksOn(ctx, actor(c), []domain.ID{id})
	if err != nil {
		return err
	}
	page := marksPage(c, p, marks[id])
	page.Context = iiif.PresentationContext
	return iiifSend(c, iiif.PresentationProfile, page)
}

// marksPage is the marks of a photograph as annotations of its canvas.
func marksPage(c echo.Context, p *photo.Photo, marks []photo.Mark) iiif.AnnotationPage {
	base := iiifBase(c, p.ID)
	page := iiif.AnnotationPage{ID: base + "/marks", Type: "AnnotationPage", Items: []any{}}
	for _, m := range marks {
		page.Items = append(page.Items, m.Annotation(base+"/marks#"+m.ID.String(), base+"/canvas", p.MarkSize()))
	}
	return page
}

// manifestPhotos is the most photographs of one manifest.
const manifestPhotos = 1000

// manifest serves GET /iiif/objects/{number}/manifest: every photograph of an object that can be shown,
// the newest first, with its marks, and with its scale where one was measured.
func (s *Server) manifest(c echo.Context) error {
	ctx, by := c.Request().Context(), actor(c)
	number, err := url.PathUnescape(c.Param("number"))
	if err != nil {
		return domain.NotFound("There is no object of this number.")
	}
	of, err := s.Photo.Subject(ctx, by, number)
	if err != nil {
		return err
	}
	photos, err := s.shown(c, of.ObjectID)
	if err != nil {
		return err
	}
	if len(photos) == 0 {
		return domain.NotFound("There is no photograph of this object that can be shown.")
	}
	ids := make([]domain.ID, len(photos))
	for i, p := range photos {
		ids[i] = p.ID
	}
	marks, err := s.Photo.MarksOn(ctx, by, ids)
	if err != nil {
		return err
	}
	scales, err := s.Photo.Scales(ctx, by, ids)
	if err != nil {
		return err
	}
	m := iiif.Manifest{
		Context: iiif.PresentationContext, ID: origin(c) + manifestPath(of.Number), Type: "Manifest",
		Label:    iiif.In("en", of.Number+" "+of.Title),
		Metadata: []iiif.Labelled{{Label: iiif.In("en", "Object number"), Value: iiif.In("none", of.Number)}},
		Required: iiif.Labelled{Label: iiif.In("en", "Attribution"), Value: iiif.In("none", s.Site.Name)},
	}
	for _, p := range photos {
		m.Items = append(m.Items, s.canvas(c, &p, marks[p.ID], scales))
	}
	return iiifSend(c, iiif.PresentationProfile, m)
}

func manifestPath(number string) string {
	return IIIFPrefix + "objects/" + url.PathEscape(number) + "/manifest"
}

// shown reads the photographs of an object that can be shown.
func (s *Server) shown(c echo.Context, objectID domain.ID) ([]photo.Photo, error) {
	var all []photo.Photo
	q := domain.PageQuery{Limit: domain.PageMost}
	for read := 0; read < manifestPhotos; read += domain.PageMost {
		page, err := s.Photo.List(c.Request().Context(), actor(c), objectID, photo.Filter{}, q)
		if err != nil {
			return nil, err
		}
		for _, p := range page.Items {
			if p.Preview.State != photo.None {
				all = append(all, p)
			}
		}
		if q.Cursor = page.Next; q.Cursor == "" {
			break
		}
	}
	return all, nil
}

// canvas is a photograph as a canvas.
func (s *Server) canvas(c echo.Context, p *photo.Photo, marks []photo.Mark, scales map[domain.ID]photo.Scale) iiif.Canvas {
	base := iiifBase(c, p.ID)
	canvas := iiif.CanvasOf(base, iiif.In("en", photoWords(p)+", "+s.photoTaken(p)), p.Original.WidthPX, p.Original.HeightPX)
	if p.Caption != "" {
		canvas.Summary = iiif.In("none", htmlText(p.Caption))
	}
	if k, ok := scales[p.ID]; ok {
		factor, _ := k.MMPerPX()
		canvas.Service = []iiif.Physical{iiif.PhysicalOf(base, factor)}
	}
	if len(marks) > 0 {
		canvas.Annotations = []iiif.AnnotationPage{marksPage(c, p, marks)}
	}
	return canvas
}

// htmlText keeps text from being read as HTML, which a summary may hold when it begins with a tag.
// source: Presentation API 3.0, 4.5
func htmlText(text string) string {
	if strings.HasPrefix(strings.TrimSpace(text), "<") {
		return "\u200b" + text
	}
	return text
}
