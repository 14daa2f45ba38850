package collection

import (
	"context"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/material"
)

// Part names an object by itself or by something of it.
type Part struct {
	Of PartOf
	ID domain.ID
}

// PartOf says what the ID of a Part names.
type PartOf string

// What a Part can name.
const (
	ByObject    PartOf = "object"
	ByComponent PartOf = "component"
	ByJoint     PartOf = "joint"
	ByHazard    PartOf = "hazard"
)

// Store keeps objects and their make-up. Every write keeps the words of the search current.
type Store interface {
	// Add writes new objects, all or none.
	Add(ctx context.Context, objects ...*Object) error
	// NumbersTaken says which of the numbers objects have, by their keys.
	NumbersTaken(ctx context.Context, numbers []Number) (map[string]bool, error)
	// Update changes the object under lock.
	Update(ctx context.Context, id domain.ID, version int64, change func(*Object) error) (*Object, error)
	// Delete takes the record back when allowed says so; it knows whether anything was signed.
	Delete(ctx context.Context, id domain.ID, version int64, by domain.Actor, at time.Time, allowed func(s *Sheet, signed bool) error) error
	// MakeUp locks the object, reads its sheet, lets decide judge, and writes the change, all in one
	// transaction. It gives the sheet as it is afterwards.
	MakeUp(ctx context.Context, of Part, decide func(*Sheet) (Change, error)) (*Sheet, error)

	Object(ctx context.Context, id domain.ID) (*Object, error)
	// Objects reads objects without their make-up, in the order of the IDs; those that are gone are left out.
	Objects(ctx context.Context, ids []domain.ID) ([]Object, error)
	Sheet(ctx context.Context, of Part) (*Sheet, error)
	Whole(ctx context.Context, id domain.ID) (*Whole, error)
	WholeByNumber(ctx context.Context, n Number) (*Whole, error)
	Search(ctx context.Context, q Query, p domain.PageQuery) (Found, error)
	Filters(ctx context.Context) (Filters, error)
	Attributions(ctx context.Context, componentID domain.ID) ([]AttributionLine, error)
	// Identifications are all of a component, superseded ones too, the newest first.
	Identifications(ctx context.Context, componentID domain.ID) ([]ComponentMaterial, error)
}

// Service knows the objects.
type Service struct {
	store    Store
	cautions map[string]material.Caution
	now      func() time.Time
}

// NewService makes the service; now is the clock. It fails when the list of cautions in the program is
// damaged.
func NewService(store Store, now func() time.Time) (*Service, error) {
	list, err := material.Cautions()
	if err != nil {
		return nil, err
	}
	s := &Service{store: store, cautions: map[string]material.Caution{}, now: now}
	for _, c := range list {
		s.cautions[c.ID] = c
	}
	return s, nil
}

// Caution is the usual caution of a kind of hazard. Of an unknown kind it is an empty one of class
// control, because what is unknown is not harmless.
func (s *Service) Caution(kind string) material.Caution {
	if c, ok := s.cautions[kind]; ok {
		return c
	}
	return material.Caution{ID: kind, Hazard: kind, Class: material.Control}
}

// Sheet is an object with its make-up, unfiltered, for other areas to judge by.
func (s *Service) Sheet(ctx context.Context, objectID domain.ID) (*Sheet, error) {
	return s.store.Sheet(ctx, Part{ByObject, objectID})
}

// SheetOf is the sheet of the object that something belongs to, unfiltered.
func (s *Service) SheetOf(ctx context.Context, of Part) (*Sheet, error) {
	return s.store.Sheet(ctx, of)
}

// Object is an object without its make-up, as the actor may see it.
func (s *Service) Object(ctx context.Context, by domain.Actor, id domain.ID) (*Object, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	o, err := s.store.Object(ctx, id)
	if err != nil {
		return nil, err
	}
	o.hide(by)
	return o, nil
}

// hide leaves out what the actor may not see: whose the object is (P3).
func (o *Object) hide(by domain.Actor) {
	if !by.MaySeeValues(o.Department) {
		o.Owner = ""
	}
}

// Show is an object with its make-up and its history, as the actor may see it.
func (s *Service) Show(ctx context.Context, by domain.Actor, id domain.ID) (*Whole, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	w, err := s.store.Whole(ctx, id)
	if err != nil {
		return nil, err
	}
	w.Object.hide(by)
	return w, nil
}

// ShowNumber is Show for a number as people write it, in capitals or not. A number that no object has
// is KindNotFound and says so.
func (s *Service) ShowNumber(ctx context.Context, by domain.Actor, number string) (*Whole, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	n, err := ParseNumber(number)
	if err != nil {
		return nil, noSuchNumber(number)
	}
	w, err := s.store.WholeByNumber(ctx, n)
	if domain.KindOf(err) == domain.KindNotFound {
		return nil, noSuchNumber(number)
	}
	if err != nil {
		return nil, err
	}
	w.Object.hide(by)
	return w, nil
}

func noSuchNumber(number string) error {
	return domain.NotFound("No object has the number " + strings.TrimSpace(number) + ".")
}

// Search finds objects.
func (s *Service) Search(ctx context.Context, by domain.Actor, q Query, p domain.PageQuery) (Found, error) {
	if err := by.May(Read); err != nil {
		return Found{}, err
	}
	if err := q.check(); err != nil {
		return Found{}, err
	}
	return s.store.Search(ctx, q, p)
}

// Filters are the values that a list can be narrowed by.
func (s *Service) Filters(ctx context.Context, by domain.Actor) (Filters, error) {
	if err := by.May(Read); err != nil {
		return Filters{}, err
	}
	return s.store.Filters(ctx)
}

// Create records an object.
func (s *Service) Create(ctx context.Context, by domain.Actor, n NewObject) (*Object, error) {
	if err := by.May(Describe); err != nil {
		return nil, err
	}
	o, err := NewObjectOf(by, n, s.now())
	if err != nil {
		return nil, err
	}
	if err := s.store.Add(ctx, o); err != nil {
		return nil, err
	}
	o.hide(by)
	return o, nil
}

// Change sets the facts of an object.
func (s *Service) Change(ctx context.Context, by domain.Actor, id domain.ID, version int64, f ObjectFacts) (*Object, error) {
	return s.update(ctx, by, id, version, func(o *Object) error { return o.Change(by, f, s.now()) })
}

// SetFace chooses the photograph that stands for the object. It must be one of the object: the
// database refuses any other.
func (s *Service) SetFace(ctx context.Context, by domain.Actor, id domain.ID, version int64, choice FaceChoice) (*Object, error) {
	return s.update(ctx, by, id, version, func(o *Object) error {
		o.ChooseFace(by, choice, s.now())
		return nil
	})
}

func (s *Service) update(ctx context.Context, by domain.Actor, id domain.ID, version int64, change func(*Object) error) (*Object, error) {
	if err := by.May(Describe); err != nil {
		return nil, err
	}
	o, err := s.store.Update(ctx, id, version, change)
	if err != nil {
		return nil, err
	}
	o.hide(by)
	return o, nil
}

// Delete takes back a record that was made by mistake (C4).
func (s *Service) Delete(ctx context.Context, by domain.Actor, id domain.ID, version int64) error {
	if err := by.May(Withdraw); err != nil {
		return err
	}
	return s.store.Delete(ctx, id, version, by, s.now(), (*Sheet).Deletable)
}

// Component is a component with the sheet of its object.
func (s *Service) Component(ctx context.Context, by domain.Actor, id domain.ID) (*Component, *Sheet, error) {
	if err := by.May(Read); err != nil {
		return nil, nil, err
	}
	sheet, err := s.store.Sheet(ctx, Part{ByComponent, id})
	if err != nil {
		return nil, nil, err
	}
	sheet.Object.hide(by)
	return sheet.Component(id), sheet, nil
}

// Of is the sheet of the object that something belongs to, as the actor may see it.
func (s *Service) Of(ctx context.Context, by domain.Actor, of Part) (*Sheet, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	sheet, err := s.store.Sheet(ctx, of)
	if err != nil {
		return nil, err
	}
	sheet.Object.hide(by)
	return sheet, nil
}

// Attributions are all that was said of a component's belonging to the first make, the newest first.
func (s *Service) Attributions(ctx context.Context, by domain.Actor, componentID domain.ID) ([]AttributionLine, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.store.Attributions(ctx, componentID)
}

// Identifications are all that was said of a component's materials, the newest first.
func (s *Service) Identifications(ctx context.Context, by domain.Actor, componentID domain.ID) ([]ComponentMaterial, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.store.Identifications(ctx, componentID)
}

// makeUp runs a pure rule of the sheet.
func (s *Service) makeUp(ctx context.Context, by domain.Actor, act domain.Act, of Part, decide func(sheet *Sheet, at time.Time) (Change, error)) (Change, *Sheet, error) {
	if err := by.May(act); err != nil {
		return Change{}, nil, err
	}
	var change Change
	at := s.now()
	sheet, err := s.store.MakeUp(ctx, of, func(sheet *Sheet) (Change, error) {
		var err error
		change, err = decide(sheet, at)
		return change, err
	})
	return change, sheet, err
}

// AddComponent records a component of an object.
func (s *Service) AddComponent(ctx context.Context, by domain.Actor, objectID domain.ID, n NewComponent) (*Component, error) {
	change, sheet, err := s.makeUp(ctx, by, MakeUp, Part{ByObject, objectID}, func(sheet *Sheet, at time.Time) (Change, error) {
		return sheet.AddComponent(by, n, at)
	})
	if err != nil {
		return nil, err
	}
	return sheet.Component(change.NewComponent.ID), nil
}

// ChangeComponent sets the facts of a component, its place in the tree among them.
func (s *Service) ChangeComponent(ctx context.Context, by domain.Actor, id domain.ID, version int64, f ComponentFacts) (*Component, error) {
	_, sheet, err := s.makeUp(ctx, by, MakeUp, Part{ByComponent, id}, func(sheet *Sheet, at time.Time) (Change, error) {
		return sheet.ChangeComponent(by, id, version, f, at)
	})
	if err != nil {
		return nil, err
	}
	return sheet.Component(id), nil
}

// Attribute says anew whether a component belongs to the first make (C3).
func (s *Service) Attribute(ctx context.Context, by domain.Actor, componentID domain.ID, n NewAttribution) (*AttributionLine, error) {
	change, _, err := s.makeUp(ctx, by, MakeUp, Part{ByComponent, componentID}, func(sheet *Sheet, at time.Time) (Change, error) {
		return sheet.Attribute(by, componentID, n, at)
	})
	if err != nil {
		return nil, err
	}
	return change.Attribution, nil
}

// Identify says of what a component is made (C3).
func (s *Service) Identify(ctx context.Context, by domain.Actor, componentID domain.ID, n NewIdentification) (*ComponentMaterial, error) {
	change, sheet, err := s.makeUp(ctx, by, MakeUp, Part{ByComponent, componentID}, func(sheet *Sheet, at time.Time) (Change, error) {
		return sheet.Identify(by, componentID, n, at)
	})
	if err != nil {
		return nil, err
	}
	for i := range sheet.Materials { // as read, with the name that the library gives it
		if sheet.Materials[i].ID == change.Identification.ID {
			return &sheet.Materials[i], nil
		}
	}
	return change.Identification, nil
}

// AddJoint records where two components of an object meet.
func (s *Service) AddJoint(ctx context.Context, by domain.Actor, objectID domain.ID, n NewJoint) (*Joint, error) {
	change, sheet, err := s.makeUp(ctx, by, MakeUp, Part{ByObject, objectID}, func(sheet *Sheet, at time.Time) (Change, error) {
		return sheet.AddJoint(by, n, at)
	})
	if err != nil {
		return nil, err
	}
	return sheet.Joint(change.NewJoint.ID), nil
}

// ChangeJoint sets the facts of a joint, its state among them.
func (s *Service) ChangeJoint(ctx context.Context, by domain.Actor, id domain.ID, version int64, f JointFacts) (*Joint, error) {
	_, sheet, err := s.makeUp(ctx, by, MakeUp, Part{ByJoint, id}, func(sheet *Sheet, at time.Time) (Change, error) {
		return sheet.ChangeJoint(by, id, version, f, at)
	})
	if err != nil {
		return nil, err
	}
	return sheet.Joint(id), nil
}

// RemoveJoint takes back a joint that was recorded by mistake.
func (s *Service) RemoveJoint(ctx context.Context, by domain.Actor, id domain.ID, version int64) error {
	_, _, err := s.makeUp(ctx, by, MakeUp, Part{ByJoint, id}, func(sheet *Sheet, at time.Time) (Change, error) {
		return sheet.RemoveJoint(by, id, version, at)
	})
	return err
}

// AddHazard records a danger to people. Whoever works here may.
func (s *Service) AddHazard(ctx context.Context, by domain.Actor, objectID domain.ID, n NewHazard) (*Hazard, error) {
	change, sheet, err := s.makeUp(ctx, by, Warn, Part{ByObject, objectID}, func(sheet *Sheet, at time.Time) (Change, error) {
		return sheet.AddHazard(by, n, s.cautions, at)
	})
	if err != nil {
		return nil, err
	}
	return sheet.Hazard(change.NewHazard.ID), nil
}

// ChangeHazard says anew how it stands with a danger.
func (s *Service) ChangeHazard(ctx context.Context, by domain.Actor, id domain.ID, version int64, f HazardFacts) (*Hazard, error) {
	_, sheet, err := s.makeUp(ctx, by, MakeUp, Part{ByHazard, id}, func(sheet *Sheet, at time.Time) (Change, error) {
		return sheet.ChangeHazard(by, id, version, f, s.cautions, at)
	})
	if err != nil {
		return nil, err
	}
	return sheet.Hazard(id), nil
}
