package demo

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/cmd/farthingale/serve"
	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/people"
	"farthingale/domain/photo"
)

// loader fills a house by the same services and rules as anybody, on a clock of its own that runs
// through three years up to the present.
type loader struct {
	ctx     context.Context
	h       *serve.House
	clock   time.Time
	present time.Time
	people  map[string]domain.Actor
	objects map[string]*loaded
	places  map[string]domain.ID
	turn    int // of the visits
	spots   map[string]domain.ID
	vest    lent // to come back
}

// loaded is an object of the house with its components by label.
type loaded struct {
	id        domain.ID
	exhibit   exhibit
	component map[string]domain.ID
	whole     *domain.ID // its present placement
	shown     float64    // how far the drawn damage has grown
	before    domain.ID  // its photograph before treatment
	details   map[harm][]shot
}

// Load fills an empty database. A database in which anybody has an account is left as it is. settings
// are those of the house that will serve it.
func Load(ctx context.Context, pool *pgxpool.Pool, settings serve.Settings, log *slog.Logger) error {
	l := &loader{ctx: ctx, people: map[string]domain.Actor{}, objects: map[string]*loaded{}, places: map[string]domain.ID{}}
	l.present = time.Now().In(settings.Site.Zone)
	l.clock = l.present.AddDate(-3, 0, 0)
	settings.Now = func() time.Time {
		l.clock = l.clock.Add(time.Second) // no two acts at the same moment
		return l.clock
	}
	house, err := serve.New(ctx, pool, settings)
	if err != nil {
		return err
	}
	l.h = house
	any, err := house.People.Any(ctx)
	if err == nil && !any {
		begun := time.Now()
		// One transaction: a start that is broken off leaves nothing half told.
		err = house.DB.Do(ctx, func(ctx context.Context) error {
			l.ctx = ctx
			for _, tell := range []func() error{l.staff, l.rooms, l.collect, l.findings, l.history, l.findings} {
				if err := tell(); err != nil {
					return err
				}
			}
			return nil
		})
		log.InfoContext(ctx, "the demonstration is loaded", "objects", len(l.objects), "took", time.Since(begun).Round(time.Millisecond).String())
	}
	if closing := house.Close(ctx); err == nil {
		err = closing
	}
	return err
}

// on sets the clock to an hour of a day so many days before the present. Time never runs backwards.
func (l *loader) on(daysAgo, hour int) {
	day := l.present.AddDate(0, 0, -daysAgo)
	at := time.Date(day.Year(), day.Month(), day.Day(), hour, 7*daysAgo%60, 0, 0, day.Location())
	if at.After(l.clock) {
		l.clock = at
	}
}

func (l *loader) staff() error {
	for _, facts := range cast {
		p, err := l.h.People.AddByHand(l.ctx, domain.Actor{}, people.NewPerson{Facts: facts, Password: Password})
		if err != nil {
			return fmt.Errorf("account of %s: %w", facts.Name, err)
		}
		l.people[facts.SignInName] = p.Actor()
	}
	return nil
}

func (l *loader) collect() error {
	for i, e := range exhibits {
		l.on(1080-i, 9)
		o, err := l.h.Collection.Create(l.ctx, l.people["rosa"], collection.NewObject{ObjectFacts: e.facts})
		if err != nil {
			return fmt.Errorf("object %s: %w", e.facts.Number, err)
		}
		obj := &loaded{id: o.ID, exhibit: e, component: map[string]domain.ID{}}
		l.objects[e.facts.Number] = obj
		for _, p := range e.parts {
			if err := l.piece(obj, p, nil); err != nil {
				return fmt.Errorf("object %s: %w", e.facts.Number, err)
			}
		}
		if err := l.joinsAndDangers(obj); err != nil {
			return fmt.Errorf("object %s: %w", e.facts.Number, err)
		}
		if err := l.assess(obj); err != nil {
			return fmt.Errorf("object %s: %w", e.facts.Number, err)
		}
		face, err := l.photograph(obj, nil, photo.Front, photo.General, false)
		if err != nil {
			return err
		}
		if _, err := l.h.Collection.SetFace(l.ctx, l.people["rosa"], o.ID, o.Version, collection.FaceChoice{PhotoID: &face}); err != nil {
			return fmt.Errorf("face of %s: %w", e.facts.Number, err)
		}
		if err := l.home(obj); err != nil {
			return fmt.Errorf("place of %s: %w", e.facts.Number, err)
		}
	}
	return nil
}

// findings computes what is due, as the program's job does every few seconds.
func (l *loader) findings() error {
	if _, err := l.h.Finding.Compute(l.ctx, 1, l.clock.AddDate(1, 0, 0)); err != nil {
		return fmt.Errorf("findings: %w", err)
	}
	return nil
}

func (l *loader) piece(obj *loaded, p piece, parent *domain.ID) error {
	side := p.side
	if side == "" {
		side = "none"
	}
	removal := p.removal
	if removal == "" {
		removal = collection.ByTwoPeople
	}
	attribution, evidence := p.attribution, p.evidence
	if attribution == "" {
		attribution, evidence = collection.Original, "Construction, wear and stitching agree with the whole."
	}
	n := collection.NewComponent{Label: p.label, Attribution: attribution, Evidence: evidence, ComponentFacts: collection.ComponentFacts{
		ParentID: parent, Name: p.name, Side: side, LayerOrder: p.layer, Function: p.function, JoinedHow: p.joined, Count: max(p.count, 1),
		Removal: removal, RemovalReason: p.never,
	}}
	if p.cameFrom != "" {
		from := obj.component[p.cameFrom]
		n.CameFromID = &from
	}
	ines := l.people["ines"]
	c, err := l.h.Collection.AddComponent(l.ctx, ines, obj.id, n)
	if err != nil {
		return fmt.Errorf("component %s: %w", p.label, err)
	}
	obj.component[p.label] = c.ID
	for _, m := range p.made {
		identification := collection.NewIdentification{Role: m.role, IdentifiedBy: m.by, Confidence: m.confidence}
		if m.key != "" {
			identification.MaterialKey = &m.key
		}
		if m.by == "test" {
			identification.Evidence = "Infrared spectrum of a loose crumb, library search and comparison; in the analysis file."
		}
		if _, err := l.h.Collection.Identify(l.ctx, ines, c.ID, identification); err != nil {
			return fmt.Errorf("material %s of component %s: %w", m.key, p.label, err)
		}
	}
	for _, below := range p.parts {
		if err := l.piece(obj, below, &c.ID); err != nil {
			return err
		}
	}
	return nil
}

func (l *loader) joinsAndDangers(obj *loaded) error {
	ines := l.people["ines"]
	for _, j := range obj.exhibit.joints {
		facts := collection.JointFacts{Meets: j.meets, Contact: j.contact, GasTight: j.gasTight, State: j.state}
		if j.gapMM != "" {
			facts.GapMM = dec(j.gapMM)
		}
		if _, err := l.h.Collection.AddJoint(l.ctx, ines, obj.id, collection.NewJoint{AID: obj.component[j.a], BID: obj.component[j.b], JointFacts: facts}); err != nil {
			return fmt.Errorf("joint of %s and %s: %w", j.a, j.b, err)
		}
	}
	for _, d := range obj.exhibit.hazards {
		facts := collection.HazardFacts{Kind: d.kind, Certainty: d.certainty, KnownBy: d.knownBy, Where: d.where, State: d.state, Controls: d.controls, Note: d.note}
		if d.label != "" {
			id := obj.component[d.label]
			facts.ComponentID = &id
		}
		if _, err := l.h.Collection.AddHazard(l.ctx, ines, obj.id, collection.NewHazard{HazardFacts: facts}); err != nil {
			return fmt.Errorf("hazard %s: %w", d.kind, err)
		}
	}
	return nil
}

// assess records what a competent person from outside found about the gravest hazards.
func (l *loader) assess(obj *loaded) error {
	for _, a := range obj.exhibit.assessed {
		var part *domain.ID // none: of the whole
		if id, ok := obj.component[a.label]; ok {
			part = &id
		}
		_, err := l.h.Handling.Assess(l.ctx, l.people["tomas"], obj.id, handling.NewAssessment{ComponentID: part, Kind: a.kind, AssessorName: "Lena Frisk (invented)", Competence: "occupational hygienist and radiation protection adviser",
			AssessedOn: l.clock, MayBeHandled: true, Found: a.note, Controls: "Nitrile gloves; closed box; short time; wash hands."})
		if err != nil {
			return fmt.Errorf("assessment of %s: %w", a.kind, err)
		}
	}
	return nil
}

// photograph draws an object as it looks now and uploads the picture.
func (l *loader) photograph(obj *loaded, labels []string, view photo.View, stage photo.Stage, raking bool) (domain.ID, error) {
	p := picture{number: obj.exhibit.facts.Number, drawn: obj.exhibit.drawn, taken: l.clock, damage: 0.25 + 0.75*obj.shown, raking: raking}
	b, err := p.jpeg()
	if err != nil {
		return domain.ID{}, err
	}
	d := photo.Description{Components: l.parts(obj, labels...), View: view, Light: photo.Normal, Stage: stage, ScalePresent: true, ColourTargetPresent: true,
		Caption: "Drawn by the program for the demonstration.", Photographer: "Ines Falkenberg"}
	if raking {
		d.Light = photo.Raking
	}
	name := fmt.Sprintf("%s_%s_%s.jpg", obj.exhibit.facts.Number, stage, view)
	made, err := l.h.Photo.Upload(l.ctx, l.people["ines"], obj.id, d, name, bytes.NewReader(b))
	if err != nil {
		return domain.ID{}, fmt.Errorf("photograph of %s: %w", obj.exhibit.facts.Number, err)
	}
	return made.ID, nil
}

// parts are the identifiers of components by their labels.
func (l *loader) parts(obj *loaded, labels ...string) []domain.ID {
	ids := []domain.ID{}
	for _, label := range labels {
		ids = append(ids, obj.component[label])
	}
	return ids
}
