package photo

import (
	"context"
	"fmt"
	"slices"
	"time"

	"farthingale/domain"
	"farthingale/domain/photo/mark"
)

// Mark is a place on a photograph that somebody pointed out (F4): what an observation is about, or a
// note by itself.
type Mark struct {
	ID            domain.ID  `json:"id"`
	PhotoID       domain.ID  `json:"photo_id"`
	ObservationID *domain.ID `json:"observation_id"` // nil: a note
	Shape         mark.Shape `json:"shape"`
	PrecisionPX   float64    `json:"precision_px"` // standard uncertainty of the outline
	Note          string     `json:"note"`
	MadeBy        domain.ID  `json:"made_by"`
	MadeByName    string     `json:"made_by_name"`
	MadeAt        time.Time  `json:"made_at"`
	ChangedBy     domain.ID  `json:"changed_by"`
	ChangedAt     time.Time  `json:"changed_at"`
	Frozen        bool       `json:"frozen"` // of a signed examination: it never changes (E1)
	Version       int64      `json:"version"`

	// What the observation says, for legends; empty for a note. It is read, never written.
	TermName string `json:"term_name"`
	Severity int    `json:"severity"`
	Activity string `json:"activity"`

	domain.Raised `json:"-" db:"-"`
}

// Drawing is what a person says when marking.
type Drawing struct {
	ObservationID *domain.ID `json:"observation_id"`
	Shape         mark.Shape `json:"shape" validate:"required"`
	PrecisionPX   float64    `json:"precision_px" validate:"gte=0,lte=500"` // 0: DefaultPrecisionPX
	Note          string     `json:"note" validate:"max=2000"`
}

// DefaultPrecisionPX is how exactly an outline is taken to be drawn when nobody says.
const DefaultPrecisionPX = 2.0

// Scale is what turns the pixels of a photograph into millimetres (E4). The last one counts.
type Scale struct {
	ID      domain.ID `json:"id"`
	PhotoID domain.ID `json:"photo_id"`
	mark.Scale
	By     domain.ID `json:"by"`
	ByName string    `json:"by_name"`
	At     time.Time `json:"at"`

	domain.Raised `json:"-" db:"-"`
}

// NewScale is what a person says about the scale in a picture.
type NewScale struct {
	From     *mark.Point `json:"from" validate:"required"`
	To       *mark.Point `json:"to" validate:"required"`
	LengthMM float64     `json:"length_mm"`
	PlusMM   float64     `json:"plus_mm"`
	ClickPX  float64     `json:"click_px"` // 0: DefaultClickPX
}

// DefaultClickPX is how exactly a point of a scale is taken to be set when nobody says.
const DefaultClickPX = 2.0

// MarkFilter narrows a list of marks.
type MarkFilter struct {
	ObservationID *domain.ID `json:"observation_id,omitempty"`
}

// Marks keeps marks and scales.
type Marks interface {
	// AddMark writes a mark. One of an observation of a signed examination, or of another object, is refused.
	AddMark(ctx context.Context, m *Mark) error
	UpdateMark(ctx context.Context, id domain.ID, version int64, change func(*Mark) error) (*Mark, error)
	DeleteMark(ctx context.Context, id domain.ID, version int64, check func(*Mark) error) error
	Mark(ctx context.Context, id domain.ID) (*Mark, error)
	// Marks lists the marks of a photograph in the order in which they were made.
	Marks(ctx context.Context, photoID domain.ID, f MarkFilter, q domain.PageQuery) (domain.Page[Mark], error)
	// MarksOn reads all marks of photographs, MarksOf all of observations; both in the order in which
	// they were made.
	MarksOn(ctx context.Context, photoIDs []domain.ID) ([]Mark, error)
	MarksOf(ctx context.Context, observationIDs []domain.ID) ([]Mark, error)
	AddScale(ctx context.Context, s *Scale) error
	// Scales reads the last scale of each of these photographs that has one.
	Scales(ctx context.Context, photoIDs []domain.ID) (map[domain.ID]Scale, error)
	// Markable lists the observations of an object that can be marked.
	Markable(ctx context.Context, objectID domain.ID) ([]Markable, error)
	// Sizes reads the size of the upright original of photographs.
	Sizes(ctx context.Context, photoIDs []domain.ID) (map[domain.ID]mark.Size, error)
}

// Markable is an observation of an examination that is a draft, so that it can be marked.
type Markable struct {
	ID            domain.ID
	ExaminationID domain.ID
	Called        string // the component as people call it
	TermName      string
	Severity      int // 0: not said yet
}

// Markable lists the observations of an object that can be marked: those of drafts.
func (s *Service) Markable(ctx context.Context, by domain.Actor, objectID domain.ID) ([]Markable, error) {
	if err := by.May(Look); err != nil {
		return nil, err
	}
	return s.store.Markable(ctx, objectID)
}

// MarksMost is the most marks of one photograph. A page with more can neither be read nor drawn on.
const MarksMost = 1000

// MarkSize is the size in which marks are drawn: that of the upright original.
func (p *Photo) MarkSize() mark.Size {
	return mark.Size{Width: float64(p.Original.WidthPX), Height: float64(p.Original.HeightPX)}
}

// Draw marks a photograph (F4).
func (s *Service) Draw(ctx context.Context, by domain.Actor, photoID domain.ID, d Drawing) (*Mark, error) {
	p, err := s.toMark(ctx, by, photoID)
	if err != nil {
		return nil, err
	}
	at := s.now()
	m := &Mark{ID: domain.NewID(), PhotoID: photoID, MadeBy: by.ID, MadeByName: by.Name, MadeAt: at, Version: 1}
	if err := m.draw(by, d, p.MarkSize(), at); err != nil {
		return nil, err
	}
	m.raise(by, p.ObjectID, "marked", m.content(), at)
	if err := s.store.AddMark(ctx, m); err != nil {
		return nil, err
	}
	return s.store.Mark(ctx, m.ID)
}

// toMark reads a photograph that the actor wants to mark.
func (s *Service) toMark(ctx context.Context, by domain.Actor, photoID domain.ID) (*Photo, error) {
	if err := by.May(Keep); err != nil {
		return nil, err
	}
	return s.store.One(ctx, photoID)
}

// draw takes over a drawing, if it can be.
func (m *Mark) draw(by domain.Actor, d Drawing, in mark.Size, at time.Time) error {
	d.Shape = d.Shape.Tidy()
	if err := domain.Validate(d); err != nil && len(d.Shape.Points) <= mark.PointsMost {
		return err
	}
	if err := d.Shape.Check(in); err != nil {
		return err
	}
	if d.PrecisionPX == 0 {
		d.PrecisionPX = DefaultPrecisionPX
	}
	m.ObservationID, m.Shape, m.PrecisionPX, m.Note = d.ObservationID, d.Shape, d.PrecisionPX, d.Note
	m.ChangedBy, m.ChangedAt = by.ID, at
	return nil
}

// content is what an event says of a mark.
func (m *Mark) content() map[string]any {
	return map[string]any{"photo": m.PhotoID, "observation": m.ObservationID, "shape": m.Shape, "precision_px": m.PrecisionPX, "note": m.Note}
}

func (m *Mark) raise(by domain.Actor, objectID domain.ID, kind string, change any, at time.Time) {
	m.Raise(domain.Event{At: at, ActorID: &by.ID, Area: "photo", Subject: m.ID, Object: &objectID, Kind: kind, Change: change})
}

// ErrFrozen is the refusal to change a mark of a signed examination.
var ErrFrozen = domain.RefuseState("E1", "This mark belongs to a signed examination and never changes. Mark the photograph in the next examination, or write an addendum.")

// Redraw changes a mark: its shape, its note, what it is about.
func (s *Service) Redraw(ctx context.Context, by domain.Actor, id domain.ID, version int64, d Drawing) (*Mark, error) {
	p, err := s.ofMark(ctx, by, Keep, id)
	if err != nil {
		return nil, err
	}
	m, err := s.store.UpdateMark(ctx, id, version, func(m *Mark) error {
		if m.Frozen {
			return ErrFrozen
		}
		was, at := m.content(), s.now()
		if err := m.draw(by, d, p.MarkSize(), at); err != nil {
			return err
		}
		m.raise(by, p.ObjectID, "mark_changed", map[string]any{"from": was, "to": m.content()}, at)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return s.store.Mark(ctx, m.ID)
}

// Erase takes a mark away. What it was stays in the events.
func (s *Service) Erase(ctx context.Context, by domain.Actor, id domain.ID, version int64) error {
	p, err := s.ofMark(ctx, by, Keep, id)
	if err != nil {
		return err
	}
	return s.store.DeleteMark(ctx, id, version, func(m *Mark) error {
		if m.Frozen {
			return ErrFrozen
		}
		m.raise(by, p.ObjectID, "mark_erased", m.content(), s.now())
		return nil
	})
}

// ofMark reads the photograph that a mark is on.
func (s *Service) ofMark(ctx context.Context, by domain.Actor, act domain.Act, id domain.ID) (*Photo, error) {
	if err := by.May(act); err != nil {
		return nil, err
	}
	m, err := s.store.Mark(ctx, id)
	if err != nil {
		return nil, err
	}
	return s.store.One(ctx, m.PhotoID)
}

// Mark reads one mark.
func (s *Service) Mark(ctx context.Context, by domain.Actor, id domain.ID) (*Mark, error) {
	if err := by.May(Look); err != nil {
		return nil, err
	}
	return s.store.Mark(ctx, id)
}

// Marks lists the marks of a photograph.
func (s *Service) Marks(ctx context.Context, by domain.Actor, photoID domain.ID, f MarkFilter, q domain.PageQuery) (domain.Page[Mark], error) {
	if _, err := s.One(ctx, by, photoID); err != nil {
		return domain.Page[Mark]{}, err
	}
	return s.store.Marks(ctx, photoID, f, q)
}

// MarksOn reads all marks of photographs, by photograph.
func (s *Service) MarksOn(ctx context.Context, by domain.Actor, photoIDs []domain.ID) (map[domain.ID][]Mark, error) {
	if err := by.May(Look); err != nil {
		return nil, err
	}
	all, err := s.store.MarksOn(ctx, photoIDs)
	if err != nil {
		return nil, err
	}
	on := map[domain.ID][]Mark{}
	for _, m := range all {
		on[m.PhotoID] = append(on[m.PhotoID], m)
	}
	return on, nil
}

// MarksOf reads all marks of observations, by observation.
func (s *Service) MarksOf(ctx context.Context, by domain.Actor, observationIDs []domain.ID) (map[domain.ID][]Mark, error) {
	if err := by.May(Look); err != nil {
		return nil, err
	}
	all, err := s.store.MarksOf(ctx, observationIDs)
	if err != nil {
		return nil, err
	}
	of := map[domain.ID][]Mark{}
	for _, m := range all {
		of[*m.ObservationID] = append(of[*m.ObservationID], m)
	}
	return of, nil
}

// SetScale keeps what turns the pixels of a photograph into millimetres (E4).
func (s *Service) SetScale(ctx context.Context, by domain.Actor, photoID domain.ID, n NewScale) (*Scale, error) {
	p, err := s.toMark(ctx, by, photoID)
	if err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	if n.ClickPX == 0 {
		n.ClickPX = DefaultClickPX
	}
	k := &Scale{ID: domain.NewID(), PhotoID: photoID, Scale: mark.Scale{From: *n.From, To: *n.To, LengthMM: n.LengthMM, PlusMM: n.PlusMM, ClickPX: n.ClickPX}, By: by.ID, ByName: by.Name, At: s.now()}
	if err := k.Check(p.MarkSize()); err != nil {
		return nil, err
	}
	k.Raise(domain.Event{At: k.At, ActorID: &by.ID, Area: "photo", Subject: photoID, Object: &p.ObjectID, Kind: "scale_set", Change: k.Scale})
	if err := s.store.AddScale(ctx, k); err != nil {
		return nil, err
	}
	return k, nil
}

// Scale is the last scale of a photograph; KindNotFound when there is none.
func (s *Service) Scale(ctx context.Context, by domain.Actor, photoID domain.ID) (*Scale, error) {
	if _, err := s.One(ctx, by, photoID); err != nil {
		return nil, err
	}
	all, err := s.store.Scales(ctx, []domain.ID{photoID})
	if err != nil {
		return nil, err
	}
	k, ok := all[photoID]
	if !ok {
		return nil, domain.NotFound("No scale has been set on this photograph yet.")
	}
	return &k, nil
}

// Scales are the last scales of these photographs, of those that have one.
func (s *Service) Scales(ctx context.Context, by domain.Actor, photoIDs []domain.ID) (map[domain.ID]Scale, error) {
	if err := by.May(Look); err != nil {
		return nil, err
	}
	return s.store.Scales(ctx, photoIDs)
}

// Measured is what the marks of one observation come to.
type Measured struct {
	ObservationID domain.ID `json:"observation_id"`
	PhotoID       domain.ID `json:"photo_id"` // the photograph that tells most; those of others show the same thing
	Photos        int       `json:"photos"`   // on how many it is marked
	Marks         int       `json:"marks"`    // on PhotoID
	mark.Measure
	// Basis says where the figure comes from, as the extent of an observation keeps it.
	Basis string `json:"basis"`
}

// Measured measures the marks of one observation (E4). Marks on several photographs show the same
// thing, so they are not added up: the photograph that tells most counts. KindNotFound: it has none.
func (s *Service) Measured(ctx context.Context, by domain.Actor, observationID domain.ID) (*Measured, error) {
	all, err := s.MeasuredOf(ctx, by, []domain.ID{observationID})
	if err != nil {
		return nil, err
	}
	m, ok := all[observationID]
	if !ok {
		return nil, domain.NotFound("This observation is not marked on any photograph yet.")
	}
	return &m, nil
}

// MeasuredOf is Measured for several observations; those without marks are left out.
func (s *Service) MeasuredOf(ctx context.Context, by domain.Actor, observationIDs []domain.ID) (map[domain.ID]Measured, error) {
	of, err := s.MarksOf(ctx, by, observationIDs)
	if err != nil || len(of) == 0 {
		return map[domain.ID]Measured{}, err
	}
	var photoIDs []domain.ID
	for _, marks := range of {
		for _, m := range marks {
			photoIDs = append(photoIDs, m.PhotoID)
		}
	}
	slices.SortFunc(photoIDs, func(a, b domain.ID) int { return slices.Compare(a[:], b[:]) })
	photoIDs = slices.Compact(photoIDs)
	scales, err := s.store.Scales(ctx, photoIDs)
	if err != nil {
		return nil, err
	}
	sizes, err := s.store.Sizes(ctx, photoIDs)
	if err != nil {
		return nil, err
	}
	all := map[domain.ID]Measured{}
	for id, marks := range of {
		all[id] = measured(id, marks, sizes, scales)
	}
	return all, nil
}

func measured(id domain.ID, marks []Mark, sizes map[domain.ID]mark.Size, scales map[domain.ID]Scale) Measured {
	on := map[domain.ID][]mark.Drawn{}
	var order []domain.ID
	for _, m := range marks {
		if on[m.PhotoID] == nil {
			order = append(order, m.PhotoID)
		}
		on[m.PhotoID] = append(on[m.PhotoID], m.Drawn())
	}
	best := Measured{ObservationID: id, Photos: len(order)}
	for i, photoID := range order {
		got := Measure(on[photoID], sizes[photoID], scales, photoID)
		if i == 0 || got.Better(best.Measure) {
			best.PhotoID, best.Marks, best.Measure = photoID, len(on[photoID]), got
		}
	}
	best.Basis = "from marks on a photograph"
	if best.MM != nil {
		best.Basis += " with a scale"
	}
	return best
}

// Drawn is a mark as it is measured.
func (m Mark) Drawn() mark.Drawn { return mark.Drawn{Shape: m.Shape, PrecisionPX: m.PrecisionPX} }

// Measure measures shapes on one photograph, by its scale if there is one.
func Measure(shapes []mark.Drawn, in mark.Size, scales map[domain.ID]Scale, photoID domain.ID) mark.Measure {
	if k, ok := scales[photoID]; ok {
		return mark.MeasureOf(shapes, in, &k.Scale)
	}
	return mark.MeasureOf(shapes, in, nil)
}

// Says is what a mark shows in a few words: "tear, severity 3, active", or its note.
func (m Mark) Says() string {
	if m.TermName == "" {
		return m.Note
	}
	said := m.TermName
	if m.Severity > 0 {
		said += fmt.Sprintf(", severity %d", m.Severity)
	}
	if m.Activity != "" && m.Activity != "unknown" {
		said += ", " + m.Activity
	}
	return said
}

// MarkMeasured is a mark with what it comes to by itself.
type MarkMeasured struct {
	Mark
	Measure mark.Measure `json:"measure"`
}

// MarksMeasured is Marks with the measure of each.
func (s *Service) MarksMeasured(ctx context.Context, by domain.Actor, photoID domain.ID, f MarkFilter, q domain.PageQuery) (domain.Page[MarkMeasured], error) {
	var none domain.Page[MarkMeasured]
	p, err := s.One(ctx, by, photoID)
	if err != nil {
		return none, err
	}
	page, err := s.store.Marks(ctx, photoID, f, q)
	if err != nil {
		return none, err
	}
	scales, err := s.store.Scales(ctx, []domain.ID{photoID})
	if err != nil {
		return none, err
	}
	return domain.Page[MarkMeasured]{Items: WithMeasures(page.Items, p.MarkSize(), scales), Next: page.Next}, nil
}

// WithMeasures measures each mark of one photograph by itself.
func WithMeasures(marks []Mark, in mark.Size, scales map[domain.ID]Scale) []MarkMeasured {
	all := make([]MarkMeasured, len(marks))
	for i, m := range marks {
		all[i] = MarkMeasured{m, Measure([]mark.Drawn{m.Drawn()}, in, scales, m.PhotoID)}
	}
	return all
}

// Annotation is a mark as other programs exchange it: under an address, on a canvas of the size of the
// upright original.
func (m Mark) Annotation(id, canvas string, in mark.Size) mark.Annotation {
	a := mark.Annotation{
		ID: id, Type: "Annotation", Motivation: "describing", Created: m.MadeAt.UTC().Format(time.RFC3339),
		Creator: &mark.Creator{Type: "Person", Name: m.MadeByName},
		Target:  mark.SpecificResource{Type: "SpecificResource", Source: canvas, Selector: mark.SelectorOf(m.Shape, in)},
	}
	if m.Version > 1 {
		a.Modified = m.ChangedAt.UTC().Format(time.RFC3339)
	}
	for _, text := range []string{m.Says(), m.Note} {
		if text != "" && (len(a.Body) == 0 || a.Body[0].Value != text) {
			a.Body = append(a.Body, mark.TextualBody{Type: "TextualBody", Purpose: "describing", Value: text, Format: "text/plain"})
		}
	}
	return a
}

// DrawReceived marks a photograph with an annotation from elsewhere. Shape and text are taken over;
// who made it when is the act itself.
func (s *Service) DrawReceived(ctx context.Context, by domain.Actor, photoID domain.ID, r mark.Received) (*Mark, error) {
	p, err := s.toMark(ctx, by, photoID)
	if err != nil {
		return nil, err
	}
	if err := domain.Validate(r); err != nil {
		return nil, err
	}
	shape, note, err := r.Read(p.MarkSize())
	if err != nil {
		return nil, err
	}
	return s.Draw(ctx, by, photoID, Drawing{Shape: shape, Note: note})
}
