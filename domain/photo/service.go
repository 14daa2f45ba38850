package photo

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// The acts of this area.
var (
	Look = domain.Act{Area: "photo", Name: "look at photographs", Roles: domain.Readers}
	Keep = domain.Act{Area: "photo", Name: "add or describe photographs", Write: true, Roles: domain.Staff}
)

// DeriveTask is the job that makes the pictures for the pages; its subject is a photograph.
const DeriveTask = "photo.derive"

// Store keeps photographs.
type Store interface {
	Alignments
	Marks
	Tiles
	// Belong checks that the object exists (else KindNotFound) and that the components are its own
	// (else KindInvalid, each fault pointing into /components).
	Belong(ctx context.Context, objectID domain.ID, components []domain.ID) error
	// Add writes a photograph whose file is kept, its events, and the job that makes its pictures,
	// all in one transaction. The same original on the same object is a conflict that says so.
	Add(ctx context.Context, p *Photo) error
	Update(ctx context.Context, id domain.ID, version int64, change func(*Photo) error) (*Photo, error)
	// SetPreview writes what Derive came to. It is no edit: the version stays.
	SetPreview(ctx context.Context, id domain.ID, p Preview) error
	One(ctx context.Context, id domain.ID) (*Photo, error)
	// Some reads those of these photographs that exist, in no order.
	Some(ctx context.Context, ids []domain.ID) ([]Photo, error)
	List(ctx context.Context, objectID domain.ID, f Filter, q domain.PageQuery) (domain.Page[Photo], error)
	// Subject reads what a photograph can show: the object and its components, in the order of their
	// labels. SubjectByNumber is the same for a number's key.
	Subject(ctx context.Context, objectID domain.ID) (*Subject, error)
	SubjectByNumber(ctx context.Context, key string) (*Subject, error)
	// Overdue lists photographs whose pictures have been waited for since before a time.
	Overdue(ctx context.Context, before time.Time) ([]domain.ID, error)
	// Again asks for the pictures of a photograph once more.
	Again(ctx context.Context, id domain.ID) error
	// Found writes what a check of a kept file found, and what follows: events for an original
	// (F1), new pictures for a made one.
	Found(ctx context.Context, f Fixity) error
}

// Files keeps files by their content.
type Files interface {
	Stage(ctx context.Context, r io.Reader, most int64) (Staged, error)
	// Keep puts a staged file under its SHA-256 for ever, and its row with it.
	Keep(ctx context.Context, s Staged, mediaType string, at time.Time) error
	Open(ctx context.Context, sha256 string) (File, error)
	// Fetch is Open for a reader that jumps about.
	Fetch(ctx context.Context, sha256 string) (File, error)
	// Due lists files that were not checked since before a time, those never checked first.
	Due(ctx context.Context, before time.Time, limit int) ([]string, error)
	// All lists the names of kept files after one, in their order.
	All(ctx context.Context, after string, limit int) ([]string, error)
	// Check says whether a file is there and has its hash. It changes nothing.
	Check(ctx context.Context, sha256 string) (Finding, error)
	// SetAside takes a changed file from its name and leaves it for inspection, so that the right
	// bytes can take its place when they come again.
	SetAside(ctx context.Context, sha256 string) error
	// Sweep takes away what arrived before a time and belongs to no record.
	Sweep(ctx context.Context, before time.Time) (int, error)
}

// Staged is a file that has arrived and is not kept.
type Staged interface {
	io.ReaderAt
	SHA256() string
	Size() int64
	Discard() error
}

// File is a kept file, open for reading.
type File interface {
	io.ReadSeekCloser
	io.ReaderAt
	Size() int64
}

// Subject is an object as a photograph's page needs it.
type Subject struct {
	ObjectID    domain.ID
	Number      string
	Title       string
	FacePhotoID *domain.ID
	Parts       []Part
}

// Part is a component of a Subject.
type Part struct {
	ID    domain.ID
	Label string
	Name  string
}

// Called names components as people do: "1968.14.2.3b cuff"; in the order of their labels.
func (s *Subject) Called(components []domain.ID) []string {
	names := []string{}
	for _, p := range s.Parts {
		if slices.Contains(components, p.ID) {
			names = append(names, s.Number+"."+p.Label+" "+p.Name)
		}
	}
	return names
}

// Filter narrows a list. Empty fields narrow nothing.
type Filter struct {
	Component *domain.ID `json:"component,omitempty"` // only those that name it
	View      View       `json:"view,omitempty"`
	Light     Light      `json:"light,omitempty"`
	Stage     Stage      `json:"stage,omitempty"`
}

// Service keeps the photographs of objects.
type Service struct {
	store   Store
	files   Files
	limits  Limits
	scanner Scanner // nil: files are not scanned for viruses
	now     func() time.Time
	room    *darkroom
}

// NewService makes the service; without a scanner files are not scanned for viruses. now is the clock.
func NewService(store Store, files Files, limits Limits, scanner Scanner, now func() time.Time) *Service {
	return &Service{store: store, files: files, limits: limits, scanner: scanner, now: now, room: newDarkroom()}
}

// Limits are the most that a file may have.
func (s *Service) Limits() Limits { return s.limits }

// AtOnceMost is how many files one request may bring.
const AtOnceMost = 100

// TooMany says that a request brings more; what came before is kept. At is the JSON pointer of the files.
func TooMany(at string) error {
	return domain.Invalid(at, "max", fmt.Sprintf("At most %d files at a time. The first %d are kept.", AtOnceMost, AtOnceMost))
}

// Upload takes one picture file for an object. fileName is what the sender calls it. Whatever is
// refused leaves nothing behind: the file is only staged until it has been looked at (F2).
func (s *Service) Upload(ctx context.Context, by domain.Actor, objectID domain.ID, d Description, fileName string, r io.Reader) (*Photo, error) {
	if err := s.MayUpload(ctx, by, objectID, d); err != nil {
		return nil, err
	}
	staged, err := s.files.Stage(ctx, r, s.limits.Bytes)
	if err != nil {
		return nil, err
	}
	p, err := s.take(ctx, by, objectID, d, fileName, staged)
	if err := errors.Join(err, staged.Discard()); err != nil {
		return nil, err
	}
	return p, nil
}

// MayUpload says beforehand whether Upload would refuse for another reason than the file, so that
// nobody sends half a gigabyte for nothing.
func (s *Service) MayUpload(ctx context.Context, by domain.Actor, objectID domain.ID, d Description) error {
	if err := by.May(Keep); err != nil {
		return err
	}
	if err := domain.Validate(d); err != nil {
		return err
	}
	return s.store.Belong(ctx, objectID, d.Components)
}

func (s *Service) take(ctx context.Context, by domain.Actor, objectID domain.ID, d Description, fileName string, staged Staged) (*Photo, error) {
	got, err := Read(ctx, staged, staged.Size(), s.limits)
	if err != nil {
		return nil, err
	}
	if err := s.scan(ctx, staged); err != nil {
		return nil, err
	}
	at := s.now()
	if err := s.files.Keep(ctx, staged, string(got.MediaType), at); err != nil {
		return nil, err
	}
	p := &Photo{
		ID: domain.NewID(), ObjectID: objectID, TakenAt: got.TakenAt, Camera: got.Camera,
		Original: Original{
			SHA256: staged.SHA256(), Bytes: staged.Size(), MediaType: got.MediaType, FileName: tidyName(fileName),
			WidthPX: got.WidthPX, HeightPX: got.HeightPX, Orientation: got.Orientation, HoldsPosition: got.HoldsPosition,
		},
		Preview: Preview{State: Waiting}, UploadedBy: by.ID, UploadedByName: by.Name, UploadedAt: at, Version: 1,
	}
	if got.NoPreview != "" {
		p.NotMade(got.NoPreview)
	}
	p.say(d)
	p.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "photo", Subject: p.ID, Object: &p.ObjectID, Kind: "added",
		Change: map[string]any{"sha256": p.Original.SHA256, "file_name": p.Original.FileName, "shows": p.Description()}})
	return p, s.store.Add(ctx, p)
}

// tidyName is the last part of a path that a browser or a camera may send, as text that can be
// kept, at most 200 characters.
func tidyName(name string) string {
	name = path.Base(strings.ReplaceAll(strings.ToValidUTF8(name, ""), `\`, "/"))
	name = strings.Map(func(r rune) rune {
		if !domain.CleanText(string(r)) || r == '\n' || r == '\r' || r == '\t' {
			return -1
		}
		return r
	}, name)
	if name == "." || name == "/" {
		return ""
	}
	for utf8.RuneCountInString(name) > 200 {
		_, n := utf8.DecodeRuneInString(name)
		name = name[n:]
	}
	return name
}

// Describe changes what a photograph says it shows (F3).
func (s *Service) Describe(ctx context.Context, by domain.Actor, id domain.ID, version int64, d Description) (*Photo, error) {
	if err := by.May(Keep); err != nil {
		return nil, err
	}
	if err := domain.Validate(d); err != nil {
		return nil, err
	}
	p, err := s.store.One(ctx, id)
	if err != nil {
		return nil, err
	}
	if err := s.store.Belong(ctx, p.ObjectID, d.Components); err != nil {
		return nil, err
	}
	return s.store.Update(ctx, id, version, func(p *Photo) error { return p.Describe(by, d, s.now()) })
}

// One reads a photograph.
func (s *Service) One(ctx context.Context, by domain.Actor, id domain.ID) (*Photo, error) {
	if err := by.May(Look); err != nil {
		return nil, err
	}
	return s.store.One(ctx, id)
}

// Some reads those of these photographs that exist, in the order of their IDs here.
func (s *Service) Some(ctx context.Context, by domain.Actor, ids []domain.ID) ([]Photo, error) {
	if err := by.May(Look); err != nil {
		return nil, err
	}
	found, err := s.store.Some(ctx, ids)
	slices.SortFunc(found, func(a, b Photo) int { return slices.Index(ids, a.ID) - slices.Index(ids, b.ID) })
	return found, err
}

// List lists an object's photographs, the newest first.
func (s *Service) List(ctx context.Context, by domain.Actor, objectID domain.ID, f Filter, q domain.PageQuery) (domain.Page[Photo], error) {
	if err := by.May(Look); err != nil {
		return domain.Page[Photo]{}, err
	}
	switch {
	case f.View != "" && !f.View.Valid():
		return domain.Page[Photo]{}, domain.Invalid("/view", "oneof", "There is no such view.")
	case f.Light != "" && !f.Light.Valid():
		return domain.Page[Photo]{}, domain.Invalid("/light", "oneof", "There is no such light.")
	case f.Stage != "" && !f.Stage.Valid():
		return domain.Page[Photo]{}, domain.Invalid("/stage", "oneof", "There is no such stage.")
	}
	return s.store.List(ctx, objectID, f, q)
}

// Subject is an object that photographs show, by its number as people write it.
func (s *Service) Subject(ctx context.Context, by domain.Actor, number string) (*Subject, error) {
	if err := by.May(Look); err != nil {
		return nil, err
	}
	n, err := collection.ParseNumber(number)
	if err != nil {
		return nil, domain.NotFound("No object has this number.")
	}
	return s.store.SubjectByNumber(ctx, n.Key())
}

// SubjectOf is the object that a photograph shows.
func (s *Service) SubjectOf(ctx context.Context, by domain.Actor, p *Photo) (*Subject, error) {
	if err := by.May(Look); err != nil {
		return nil, err
	}
	return s.store.Subject(ctx, p.ObjectID)
}

// Size is one of the three pictures of a photograph.
type Size string

// The sizes.
const (
	OriginalSize  Size = "original"
	ScreenSize    Size = "screen"
	ThumbnailSize Size = "thumbnail"
)

// Content is a picture to send: its bytes and what a receiver must know about them.
type Content struct {
	File
	SHA256    string
	MediaType Kind
	FileName  string // to save it as
	KeptAt    time.Time
}

// Open opens a picture of a photograph; the caller closes it. A made picture that does not exist is
// KindNotFound with the reason, and KindConflict while it is waited for.
func (s *Service) Open(ctx context.Context, by domain.Actor, id domain.ID, size Size) (*Content, error) {
	p, err := s.One(ctx, by, id)
	if err != nil {
		return nil, err
	}
	c := &Content{SHA256: p.Original.SHA256, MediaType: p.Original.MediaType, FileName: p.Original.FileName, KeptAt: p.UploadedAt}
	if c.FileName == "" {
		c.FileName = p.ID.String()
	}
	c.FileName = p.Original.MediaType.SavedAs(c.FileName)
	if size != OriginalSize {
		made := p.Preview.Screen
		if size == ThumbnailSize {
			made = p.Preview.Thumbnail
		}
		switch {
		case p.Preview.State == Waiting:
			return nil, &domain.Error{Kind: domain.KindConflict, Code: "preview_waiting", RetryAfterSeconds: 2,
				Message: "This picture is being made. Ask again in a moment, or take the original."}
		case made == nil:
			return nil, &domain.Error{Kind: domain.KindNotFound, Code: "no_preview", Message: p.Preview.Reason}
		}
		c.SHA256, c.MediaType, c.FileName = made.SHA256, JPEG, p.ID.String()+"_"+string(size)+".jpg"
	}
	if c.File, err = s.files.Open(ctx, c.SHA256); err != nil {
		return nil, err
	}
	return c, nil
}

// Derive makes the two pictures of a photograph and keeps them. It is a job; done twice it does no
// harm.
func (s *Service) Derive(ctx context.Context, id domain.ID) error {
	p, err := s.store.One(ctx, id)
	if err != nil {
		return err
	}
	if p.Preview.State != Waiting {
		return nil
	}
	original, err := s.files.Fetch(ctx, p.Original.SHA256)
	if err != nil {
		return err
	}
	d, err := Derive(ctx, original, original.Size(), s.limits)
	if err := original.Close(); err != nil {
		return fmt.Errorf("close original of photo %s: %w", id, err)
	}
	var not *NotDrawn
	var refused *domain.Error
	switch {
	case errors.As(err, &not):
		p.NotMade(not.Reason)
		return s.store.SetPreview(ctx, id, p.Preview)
	case errors.As(err, &refused) && refused.Code == "F2":
		// It was accepted once: the limits have become narrower, or the file has changed, which the
		// check of hashes tells.
		p.NotMade(refused.Message)
		return s.store.SetPreview(ctx, id, p.Preview)
	case err != nil:
		return err
	}
	var made [2]Picture
	for i, m := range []JPEGPicture{d.Screen, d.Thumbnail} {
		if made[i], err = s.keepMade(ctx, m); err != nil {
			return err
		}
	}
	p.Made(made[0], made[1])
	return s.store.SetPreview(ctx, id, p.Preview)
}

func (s *Service) keepMade(ctx context.Context, m JPEGPicture) (Picture, error) {
	staged, err := s.files.Stage(ctx, bytes.NewReader(m.Bytes), int64(len(m.Bytes)))
	if err != nil {
		return Picture{}, err
	}
	err = s.files.Keep(ctx, staged, string(JPEG), s.now())
	if err := errors.Join(err, staged.Discard()); err != nil {
		return Picture{}, err
	}
	return Picture{SHA256: staged.SHA256(), Bytes: staged.Size(), WidthPX: m.WidthPX, HeightPX: m.HeightPX}, nil
}
