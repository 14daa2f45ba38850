package web

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/photo"
)

func (s *Server) photoRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:number/photos", photo.Look, s.photosPage)
	s.route(g, http.MethodPost, "/objects/:number/photos", photo.Keep, s.addPhotos)
	s.uploads["/objects/:number/photos"] = 0 // the pictures have their bounds
	s.route(g, http.MethodGet, "/photos/:id", photo.Look, s.photoPage)
	s.route(g, http.MethodPost, "/photos/:id", photo.Keep, s.describePhoto)
	s.route(g, http.MethodGet, "/photos/:id/alignments/:after", photo.Look, s.alignmentPage)
	s.route(g, http.MethodPost, "/photos/:id/alignments/:after", photo.Keep, s.align)
	for _, size := range []photo.Size{photo.OriginalSize, photo.ScreenSize, photo.ThumbnailSize} {
		s.route(g, http.MethodGet, "/files/photos/:id/"+string(size), photo.Look, func(c echo.Context) error { return s.picture(c, size) })
	}
}

// photoTile is one photograph of a grid; the template "photo-grid" shows a list of them.
type photoTile struct {
	Path      string
	Image     string // path of the thumbnail; "" when there is none (yet)
	NoImage   string // why
	Says      string // what it shows, in words
	Caption   string
	When      string
	WidthPX   int
	HeightPX  int
	IsFace    bool
	Component string
}

// photoTiles are photographs as a grid shows them.
func (s *Server) photoTiles(of *photo.Subject, photos []photo.Photo) []photoTile {
	tiles := make([]photoTile, len(photos))
	for i, p := range photos {
		t := photoTile{Path: "/photos/" + p.ID.String(), Says: photoWords(&p), Caption: p.Caption, When: s.photoTaken(&p),
			Component: strings.Join(of.Called(p.Components), ", "), IsFace: of.FacePhotoID != nil && *of.FacePhotoID == p.ID}
		switch {
		case p.Preview.Thumbnail != nil:
			t.Image, t.WidthPX, t.HeightPX = "/files/photos/"+p.ID.String()+"/thumbnail", p.Preview.Thumbnail.WidthPX, p.Preview.Thumbnail.HeightPX
		case p.Preview.State == photo.Waiting:
			t.NoImage = "The picture is being made."
		default:
			t.NoImage = "There is only the original."
		}
		tiles[i] = t
	}
	return tiles
}

// photoWords says what a photograph shows: "front, raking light, before treatment".
func photoWords(p *photo.Photo) string {
	light := p.Light.Words() + " light"
	switch p.Light {
	case photo.XRay, photo.Microscope, photo.UV, photo.Infrared:
		light = p.Light.Words()
	}
	return p.View.Words() + ", " + light + ", " + p.Stage.Words()
}

// photoTaken is the time by the camera's clock, else the day of the upload, which is said.
func (s *Server) photoTaken(p *photo.Photo) string {
	if p.TakenAt == nil {
		return "added " + s.day(p.UploadedAt)
	}
	if at, ok := p.TakenAt.Instant(); ok {
		return s.moment(at)
	}
	return p.TakenAt.Clock.Format("2 January 2006, 15:04")
}

// photosOfObject is the part of an object's sheet about photographs.
type photosOfObject struct {
	Tiles            []photoTile
	AllPath, AddPath string // AddPath is empty: not for this person
}

// photoSection shows the latest photographs of an object.
func (s *Server) photoSection(c echo.Context, w *collection.Whole) (section, error) {
	a, o := actor(c), &w.Object
	var latest domain.Page[photo.Photo]
	if w.Held.Photographs {
		var err error
		if latest, err = s.Photo.List(c.Request().Context(), a, o.ID, photo.Filter{}, domain.PageQuery{Limit: 4}); err != nil {
			return section{}, err
		}
	}
	of := &photo.Subject{ObjectID: o.ID, Number: o.Number, Title: o.Title, FacePhotoID: o.FacePhotoID}
	for _, part := range w.Components {
		of.Parts = append(of.Parts, photo.Part{ID: part.ID, Label: part.Label, Name: part.Name})
	}
	d := photosOfObject{Tiles: s.photoTiles(of, latest.Items), AllPath: photosPath(o.Number)}
	if a.May(photo.Keep) == nil {
		d.AddPath = d.AllPath + "#add"
	}
	return section{ID: "photographs", Heading: "Photographs", Template: "photo/_photographs", Data: d}, nil
}

type photosPage struct {
	Frame
	Number, ObjectTitle, ObjectPath string
	Filters                         []photoFilter
	Tiles                           []photoTile
	Waiting                         bool
	More                            string
	Kept                            []photoTile    // by the upload that was just refused in part
	Refused                         []photoRefusal // of it
	Form                            *Form
	Limits                          string
}

type photoFilter struct {
	Name  string
	Links []Link
}

type photoRefusal struct{ FileName, Why string }

// descriptionFields are the fields of photo.Description.
func descriptionFields(of *photo.Subject, d photo.Description) []Field {
	chosen := map[domain.ID]bool{}
	for _, id := range d.Components {
		chosen[id] = true
	}
	parts := make([]Option, len(of.Parts))
	for i, p := range of.Parts {
		parts[i] = Option{Value: p.ID.String(), Label: p.Label + " " + p.Name, Chosen: chosen[p.ID]}
	}
	ticked := func(yes bool) string {
		if yes {
			return "true"
		}
		return ""
	}
	fields := []Field{
		{Kind: "select", Name: "view", Label: "View", Required: true, Options: wordOptions(d.View, photo.Views), Help: "The same word before and after treatment lets the two be compared. Left and right are the wearer's."},
		{Kind: "select", Name: "light", Label: "Light", Required: true, Options: wordOptions(d.Light, photo.Lights)},
		{Kind: "select", Name: "stage", Label: "Stage", Required: true, Options: wordOptions(d.Stage, photo.Stages)},
		{Kind: "checkbox", Name: "scale_present", Label: "A scale is in the picture", Value: ticked(d.ScalePresent)},
		{Kind: "checkbox", Name: "colour_target_present", Label: "A colour target is in the picture", Value: ticked(d.ColourTargetPresent)},
		{Kind: "folded", Label: "Caption and photographer", Value: d.Caption + d.Photographer, Fields: []Field{
			{Kind: "textarea", Name: "caption", Label: "Caption", Max: 2000, Rows: 2, Value: d.Caption},
			{Kind: "text", Name: "photographer", Label: "Photographer", Max: 200, Value: d.Photographer}}},
	}
	if len(parts) > 0 {
		fields = append(fields, Field{Kind: "checks", Name: "components", Label: "Components", Options: parts, Help: "None chosen: the whole object."})
	}
	return fields
}

// wordOptions makes choices from words of the trade that have their own way of being shown.
func wordOptions[T interface {
	~string
	Words() string
}](chosen T, all []T) []Option {
	options := make([]Option, len(all))
	for i, w := range all {
		options[i] = Option{Value: string(w), Label: w.Words(), Chosen: w == chosen}
	}
	return options
}

const acceptedPictures = "image/jpeg,image/png,image/tiff"

// uploadForm is the form to add photographs. The files come last, so that what they show is known when
// the first of them arrives; the token stands in the address, so that nothing is read before it.
func (s *Server) uploadForm(c echo.Context, of *photo.Subject, d photo.Description) *Form {
	token, _ := c.Get(csrfKey).(string)
	limits := s.Photo.Limits()
	return (&Form{
		Action: photosPath(of.Number) + "?csrf=" + url.QueryEscape(token), Multipart: true, Legend: "Add photographs", Submit: "Add the photographs",
		Fields: append(descriptionFields(of, d), Field{Kind: "file", Name: "files", Label: "Pictures", Required: true, Multiple: true, Accept: acceptedPictures,
			Help: fmt.Sprintf("JPEG, PNG or TIFF, several at once; a tablet offers its camera. At most %d MB and %d megapixels each. The files are kept exactly as they come.",
				limits.Bytes/1_000_000, limits.Pixels/1_000_000)}),
	}).ready(c)
}

func photosPath(number string) string { return "/objects/" + url.PathEscape(number) + "/photos" }

func (s *Server) photosData(c echo.Context, of *photo.Subject, d photo.Description) (*photosPage, error) {
	f := photo.Filter{View: photo.View(c.QueryParam("view")), Light: photo.Light(c.QueryParam("light")), Stage: photo.Stage(c.QueryParam("stage"))}
	all, err := s.Photo.List(c.Request().Context(), actor(c), of.ObjectID, f, page(c))
	if err != nil {
		return nil, err
	}
	p := &photosPage{Number: of.Number, ObjectTitle: of.Title, ObjectPath: "/objects/" + url.PathEscape(of.Number),
		Tiles: s.photoTiles(of, all.Items), More: more(c, all.Next)}
	p.Title, p.Here = "Photographs of "+of.Number, "/objects"
	p.Filters = []photoFilter{
		photoLinks(c, "view", f.View, photo.Views), photoLinks(c, "light", f.Light, photo.Lights), photoLinks(c, "stage", f.Stage, photo.Stages),
	}
	for _, one := range all.Items {
		p.Waiting = p.Waiting || one.Preview.State == photo.Waiting
	}
	if actor(c).May(photo.Keep) == nil {
		p.Form = s.uploadForm(c, of, d)
	}
	return p, nil
}

// photoLinks are the choices of one filter, the first of which is all.
func photoLinks[T interface {
	~string
	Words() string
}](c echo.Context, name string, chosen T, all []T) photoFilter {
	f := photoFilter{Name: plain(name)}
	link := func(value, words string) {
		q := c.QueryParams()
		own := url.Values{}
		for _, other := range []string{"view", "light", "stage"} {
			if other != name && q.Get(other) != "" {
				own.Set(other, q.Get(other))
			}
		}
		if value != "" {
			own.Set(name, value)
		}
		path := c.Request().URL.EscapedPath()
		if len(own) > 0 {
			path += "?" + own.Encode()
		}
		f.Links = append(f.Links, Link{Path: path, Words: words, Present: string(chosen) == value})
	}
	link("", "all")
	for _, w := range all {
		link(string(w), w.Words())
	}
	return f
}

// newDescription is what the form begins with: what the list was narrowed to, so that further
// photographs of a series need not be described anew.
func newDescription(c echo.Context) photo.Description {
	return photo.Description{
		View:  cmp.Or(photo.View(c.QueryParam("view")), photo.Front),
		Light: cmp.Or(photo.Light(c.QueryParam("light")), photo.Normal),
		Stage: cmp.Or(photo.Stage(c.QueryParam("stage")), photo.General),
	}
}

// photosPage serves GET /objects/{number}/photos.
func (s *Server) photosPage(c echo.Context) error {
	of, err := s.Photo.Subject(c.Request().Context(), actor(c), c.Param("number"))
	if err != nil {
		return err
	}
	p, err := s.photosData(c, of, newDescription(c))
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "photo/photos", p)
}

// upload is what came of a form with files.
type upload struct {
	typed   url.Values
	kept    []photo.Photo
	refused []photoRefusal
	err     error // of the description, or of a single file
}

// addPhotos serves POST /objects/{number}/photos. Each file has a result of its own.
func (s *Server) addPhotos(c echo.Context) error {
	of, err := s.Photo.Subject(c.Request().Context(), actor(c), c.Param("number"))
	if err != nil {
		return err
	}
	parts, err := c.Request().MultipartReader()
	if err != nil {
		return unreadableForm(err)
	}
	u, err := s.takePhotos(c, of, parts)
	if err != nil {
		return err
	}
	// A browser shows an answer only when all that it sends was taken.
	_, _ = io.Copy(io.Discard, io.LimitReader(c.Request().Body, 1<<30))
	if u.err == nil && len(u.refused) == 0 {
		return s.done(c, count(len(u.kept), "photograph")+" added.", photosPath(of.Number)+"?stage="+url.QueryEscape(string(u.kept[0].Stage)))
	}
	p, err := s.photosData(c, of, newDescription(c))
	if err != nil {
		return err
	}
	p.Kept, p.Refused = s.photoTiles(of, u.kept), u.refused
	if u.err == nil {
		u.err = domain.Invalid("/files", "refused", "Not every file was kept. The reasons stand above.")
	}
	return s.answer(c, p.Form, u.typed, u.err, "photo/photos", p)
}

// Bounds of the fields before the files.
const (
	photoFields     = 1000
	photoFieldBytes = 64 << 10
)

func (s *Server) takePhotos(c echo.Context, of *photo.Subject, parts *multipart.Reader) (*upload, error) {
	u := &upload{typed: url.Values{}}
	var d photo.Description
	read, fields, files := false, 0, 0
	for {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, unreadableForm(err)
		}
		if part.FormName() != "files" {
			b, err := io.ReadAll(io.LimitReader(part, photoFieldBytes+1))
			if fields++; err != nil || len(b) > photoFieldBytes || fields > photoFields {
				return nil, unreadableForm(errors.Join(err, errors.New("a field is too long, or there are too many")))
			}
			u.typed.Add(part.FormName(), string(b))
			continue
		}
		if part.FileName() == "" { // a browser sends an empty part when nothing was chosen
			continue
		}
		if !read {
			read = true
			if _, u.typed, err = s.read(u.typed, &d); err == nil {
				err = s.Photo.MayUpload(c.Request().Context(), actor(c), of.ObjectID, d)
			}
			if err != nil {
				u.err = err
				return u, nil
			}
		}
		if files++; files > photo.AtOnceMost {
			u.err = photo.TooMany("/files")
			return u, nil
		}
		p, err := s.Photo.Upload(c.Request().Context(), actor(c), of.ObjectID, d, part.FileName(), part)
		switch {
		case err == nil:
			u.kept = append(u.kept, *p)
		case lost(err):
			return nil, err // a fault, or the rest of the form is lost too
		default:
			var refusal *domain.Error
			errors.As(err, &refusal)
			u.refused = append(u.refused, photoRefusal{FileName: part.FileName(), Why: refusal.Message})
			s.noteRefusal(c, refusal)
		}
	}
	if files == 0 {
		var err error
		if _, u.typed, err = s.read(u.typed, &d); err == nil {
			err = domain.Invalid("/files", "required", "Choose at least one picture.")
		}
		u.err = err
	}
	return u, nil
}

// lost says that an error concerns more than the file at which it was met: a fault, or the rest of the
// form is lost too.
func lost(err error) bool {
	var e *domain.Error
	return !errors.As(err, &e) || e.Kind == domain.KindUnparseable || e.Kind == domain.KindUnavailable && e.Code != photo.NotScanned
}

type photoPage struct {
	Frame
	Number, ObjectTitle, ObjectPath, PhotosPath string
	Says, Caption                               string
	Image                                       string
	WidthPX, HeightPX                           int
	NoImage                                     string
	Components                                  []string
	Target, Photographer, Taken, Camera         string
	Original                                    string // path
	OriginalWords, FileName, SHA256             string
	HoldsPosition                               bool
	Added                                       string
	IsFace                                      bool
	MarksPath, MarksWords                       string
	FaceForm                                    *Form // nil: not for this person, or it stands for the object already
	Form                                        *Form
}

func (s *Server) photoData(c echo.Context) (*photoPage, error) {
	ctx := c.Request().Context()
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return nil, err
	}
	one, err := s.Photo.One(ctx, actor(c), id)
	if err != nil {
		return nil, err
	}
	of, err := s.Photo.SubjectOf(ctx, actor(c), one)
	if err != nil {
		return nil, err
	}
	files := "/files/photos/" + one.ID.String()
	p := &photoPage{
		Number: of.Number, ObjectTitle: of.Title, ObjectPath: "/objects/" + url.PathEscape(of.Number), PhotosPath: photosPath(of.Number),
		Says: photoWords(one), Caption: one.Caption, Components: of.Called(one.Components), Photographer: one.Photographer,
		Taken: s.photoTaken(one), Camera: one.Camera.Words(), Original: files + "/original", FileName: one.Original.FileName, SHA256: one.Original.SHA256,
		OriginalWords: fmt.Sprintf("%s, %d × %d pixels, %s", one.Original.MediaType.Words(), one.Original.WidthPX, one.Original.HeightPX, byteWords(one.Original.Bytes)),
		MarksPath:     marksPath(one.ID, domain.ID{}), MarksWords: map[bool]string{true: "Marks and scale", false: "Marks"}[actor(c).May(photo.Keep) == nil],
		HoldsPosition: one.Original.HoldsPosition, Added: s.moment(one.UploadedAt) + ", " + one.UploadedByName,
	}
	switch {
	case one.TakenAt == nil:
		p.Taken = "the file does not say"
	case one.TakenAt.OffsetMinutes == nil:
		p.Taken += " by the camera's clock, which does not say its zone"
	}
	p.Title, p.Here = "Photograph of "+of.Number, "/objects"
	switch {
	case one.ScalePresent && one.ColourTargetPresent:
		p.Target = "a scale and a colour target"
	case one.ScalePresent:
		p.Target = "a scale, no colour target"
	case one.ColourTargetPresent:
		p.Target = "a colour target, no scale"
	default:
		p.Target = "neither scale nor colour target"
	}
	switch {
	case one.Preview.Screen != nil:
		p.Image, p.WidthPX, p.HeightPX = files+"/screen", one.Preview.Screen.WidthPX, one.Preview.Screen.HeightPX
	case one.Preview.State == photo.Waiting:
		p.NoImage = "The picture for this page is being made. Load the page again in a moment."
	default:
		p.NoImage = one.Preview.Reason
	}
	if actor(c).May(photo.Keep) == nil {
		p.Form = (&Form{Action: "/photos/" + one.ID.String(), Legend: "Change what it says", Submit: "Keep the change", Version: one.Version,
			Fields: descriptionFields(of, one.Description())}).ready(c)
	}
	p.IsFace = of.FacePhotoID != nil && *of.FacePhotoID == one.ID
	if !p.IsFace && actor(c).May(collection.Describe) == nil {
		o, err := s.Collection.Object(ctx, actor(c), one.ObjectID)
		if err != nil {
			return nil, err
		}
		p.FaceForm = (&Form{Action: p.ObjectPath + "/face", Version: o.Version, Part: "face", Submit: "Let it stand for the object",
			Fields: []Field{{Kind: "hidden", Name: "photo_id", Value: one.ID.String()}}}).ready(c)
	}
	return p, nil
}

// byteWords shows a size of a file.
func byteWords(bytes int64) string {
	if bytes < 1_000_000 {
		return number(float64(bytes)/1e3, 1) + " kB"
	}
	return number(float64(bytes)/1e6, 1) + " MB"
}

// photoPage serves GET /photos/{id}.
func (s *Server) photoPage(c echo.Context) error {
	p, err := s.photoData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "photo/photo", p)
}

// describePhoto serves POST /photos/{id}.
func (s *Server) describePhoto(c echo.Context) error {
	var d photo.Description
	version, typed, err := s.decode(c, &d)
	var id domain.ID
	if err == nil {
		id, err = domain.ParseID(c.Param("id"))
	}
	if err == nil {
		_, err = s.Photo.Describe(c.Request().Context(), actor(c), id, version, d)
	}
	if err == nil {
		return s.done(c, "The photograph now says what you entered.", "/photos/"+id.String())
	}
	p, fault := s.photoData(c)
	if fault != nil {
		return fault
	}
	return s.answer(c, p.Form, typed, err, "photo/photo", p)
}

// picture serves the files of a photograph, with ranges. Whatever a file holds, a browser is told to
// treat it as a picture and to run nothing.
func (s *Server) picture(c echo.Context, size photo.Size) error {
	id, err := domain.ParseID(c.Param("id"))
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
	http.ServeContent(c.Response(), c.Request(), "", p.KeptAt, p)
	return nil
}
