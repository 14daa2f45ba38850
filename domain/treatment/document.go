package treatment

import (
	"encoding/json"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
)

// The kinds of seal of this area.
const (
	SealDecision     = "treatment_decision"
	SealWhole        = "treatment"
	SealAddendum     = "treatment_addendum"
	SealDesignation  = "treatment_designation"
	SealDisposal     = "treatment_disposal"
	SealEmergency    = "treatment_emergency"
	SealRatification = "treatment_ratification"
)

// SealKinds lists them.
var SealKinds = []string{SealDecision, SealWhole, SealAddendum, SealDesignation, SealDisposal, SealEmergency, SealRatification}

// The documents below are what is sealed (R1). They hold only what never changes in the rows that
// they are made from, and names as they were. Their form never changes either: an old seal must
// still be made anew from its rows. What is to be sealed otherwise gets another format number.

const format = 1

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

type sealedSignature struct {
	By        Who           `json:"by"`
	Roles     []domain.Role `json:"roles"`
	Meaning   string        `json:"meaning"`
	At        string        `json:"at"`
	Statement string        `json:"statement"`
}

func sealed(s *Signature) *sealedSignature {
	if s == nil {
		return nil
	}
	return &sealedSignature{s.By, nonNil(s.Roles), s.Meaning, stamp(s.At), s.Statement}
}

type sealedVersion struct {
	ID          domain.ID        `json:"id"`
	Amendment   int              `json:"amendment"`
	Number      int              `json:"number"`
	Content     json.RawMessage  `json:"content"`
	SHA256      string           `json:"sha256"`
	SubmittedBy Who              `json:"submitted_by"`
	SubmittedAt string           `json:"submitted_at"`
	Voided      *sealedSignature `json:"voided"`
}

func (v Version) sealed() sealedVersion {
	return sealedVersion{v.ID, v.Amendment, v.Number, v.Frozen, v.SHA256, v.SubmittedBy, stamp(v.SubmittedAt), sealed(v.Voided)}
}

type sealedCondition struct {
	ID     domain.ID `json:"id"`
	Number int       `json:"number"`
	Binds  Binds     `json:"binds"`
	Text   string    `json:"text"`
}

type sealedDecision struct {
	ID           domain.ID         `json:"id"`
	Amendment    int               `json:"amendment"`
	Version      int               `json:"version"`
	SHA256       string            `json:"sha256"`
	Outcome      Outcome           `json:"outcome"`
	OwnerConsent string            `json:"owner_consent"`
	Conditions   []sealedCondition `json:"conditions"`
	Signature    *sealedSignature  `json:"signature"`
}

func (t *Treatment) sealedDecision(d Decision) sealedDecision {
	s := sealedDecision{d.ID, d.Amendment, d.VersionNumber, d.SHA256, d.Outcome, d.OwnerConsent, []sealedCondition{}, sealed(&d.Signature)}
	for _, c := range t.Conditions {
		if c.DecisionID == d.ID {
			s.Conditions = append(s.Conditions, sealedCondition{c.ID, c.Number, c.Binds, c.Text})
		}
	}
	return s
}

// head names the treatment that a document belongs to.
type head struct {
	Format      int       `json:"format"`
	TreatmentID domain.ID `json:"treatment_id"`
	ObjectID    domain.ID `json:"object_id"`
	Number      int       `json:"number"`
}

func (t *Treatment) head() head { return head{format, t.ID, t.ObjectID, t.Number} }

// DecisionDocument is a decision with exactly the text that it is on (T4).
func (t *Treatment) DecisionDocument(id domain.ID) (any, error) {
	for _, d := range t.Decisions {
		if d.ID != id {
			continue
		}
		for _, v := range t.Versions {
			if v.Amendment == d.Amendment && v.Number == d.VersionNumber {
				text := v.sealed()
				text.Voided = nil // a decided text is never taken back
				return struct {
					head
					Text     sealedVersion  `json:"text"`
					Decision sealedDecision `json:"decision"`
				}{t.head(), text, t.sealedDecision(d)}, nil
			}
		}
	}
	return nil, domain.NotFound("There is no such decision.")
}

type sealedUse struct {
	MaterialKey   string           `json:"material_key"`
	Auxiliary     string           `json:"auxiliary"`
	Name          string           `json:"name"`
	Product       string           `json:"product"`
	Batch         string           `json:"batch"`
	Concentration *decimal.Decimal `json:"concentration"`
	Unit          string           `json:"unit"`
	Solvent       string           `json:"solvent"`
	Amount        string           `json:"amount"`
}

type sealedPhoto struct {
	ID     domain.ID `json:"id"`
	View   string    `json:"view"`
	Stage  string    `json:"stage"`
	SHA256 string    `json:"sha256"`
}

type sealedFragment struct {
	FromID  domain.ID `json:"from_component_id"`
	Name    string    `json:"name"`
	Where   string    `json:"where_it_lay"`
	Belongs string    `json:"belongs_there"`
	KeptAt  string    `json:"kept_at"`
	Part    Part      `json:"part"`
}

type sealedWork struct {
	ID              domain.ID        `json:"id"`
	Kind            Kind             `json:"kind"`
	HappenedAt      string           `json:"happened_at"`
	RecordedAt      string           `json:"recorded_at"`
	RecordedBy      Who              `json:"recorded_by"`
	Hands           []Who            `json:"hands"`
	Under           *Who             `json:"under"`
	Components      []Part           `json:"components"`
	Method          string           `json:"method"`
	Materials       []sealedUse      `json:"materials"`
	Tool            string           `json:"tool"`
	TemperatureC    *decimal.Decimal `json:"temperature_c"`
	HumidityPercent *decimal.Decimal `json:"humidity_percent"`
	Before          string           `json:"observed_before"`
	After           string           `json:"observed_after"`
	Removed         string           `json:"removed"`
	RemovedTo       string           `json:"removed_to"`
	Minutes         int              `json:"minutes"`
	Photographs     []sealedPhoto    `json:"photographs"`
	Gloves          string           `json:"gloves"`
	Noticed         []string         `json:"noticed"`
	Controls        string           `json:"controls"`
	CameAway        []sealedFragment `json:"came_away"`
	Note            string           `json:"note"`
	What            string           `json:"what"`
	Why             string           `json:"why"`
	Against         []string         `json:"against"`
}

func (w Work) sealed() sealedWork {
	s := sealedWork{w.ID, w.Kind, stamp(w.HappenedAt), stamp(w.RecordedAt), w.RecordedBy, nonNil(w.Hands), w.Under, nonNil(w.Components), w.Method, []sealedUse{}, w.Tool,
		w.TemperatureC, w.HumidityPercent, w.Before, w.After, w.Removed, w.RemovedTo, w.Minutes, []sealedPhoto{}, w.Gloves, nonNil(w.Noticed), w.Controls,
		[]sealedFragment{}, w.Note, w.What, w.Why, nonNil(w.Against)}
	for _, m := range w.Materials {
		s.Materials = append(s.Materials, sealedUse{m.MaterialKey, m.Auxiliary, m.Name, m.Product, m.Batch, m.Concentration, m.Unit, m.Solvent, m.Amount})
	}
	for _, p := range w.Photographs {
		s.Photographs = append(s.Photographs, sealedPhoto{p.ID, p.View, p.Stage, p.SHA256})
	}
	for _, c := range w.CameAway {
		s.CameAway = append(s.CameAway, sealedFragment{c.FromID, c.Name, c.Where, c.Belongs, c.KeptAt, c.Part})
	}
	return s
}

func sealedWorks(all []Work) []sealedWork {
	list := []sealedWork{}
	for _, w := range all {
		list = append(list, w.sealed())
	}
	return list
}

type sealedFate struct {
	ID           domain.ID        `json:"id"`
	Acknowledged *sealedSignature `json:"acknowledged"`
	Fulfilled    *bool            `json:"fulfilled"`
	Fulfilment   *sealedSignature `json:"fulfilment"`
	SetAsideBy   *domain.ID       `json:"set_aside_by"`
}

// WholeDocument is everything about a signed treatment (T8): every submitted text, decisions, what
// became of conditions, steps and departures with the hashes of their photographs, the completion.
// Addenda and designations, which may follow, are sealed one by one.
func (t *Treatment) WholeDocument() (any, error) {
	if t.State != Signed || t.Completion == nil {
		return nil, domain.NotFound("This treatment is not signed.")
	}
	versions, decisions, fates := []sealedVersion{}, []sealedDecision{}, []sealedFate{}
	for _, v := range t.Versions {
		versions = append(versions, v.sealed())
	}
	for _, d := range t.Decisions {
		decisions = append(decisions, t.sealedDecision(d))
	}
	for _, c := range t.Conditions {
		f := sealedFate{ID: c.ID, Acknowledged: sealed(c.Acknowledged), SetAsideBy: c.SetAsideBy}
		if c.Fulfilment != nil {
			f.Fulfilled, f.Fulfilment = &c.Fulfilment.Fulfilled, sealed(&c.Fulfilment.Signature)
		}
		fates = append(fates, f)
	}
	return struct {
		head
		InCharge   Who              `json:"in_charge"`
		Versions   []sealedVersion  `json:"versions"`
		Decisions  []sealedDecision `json:"decisions"`
		Conditions []sealedFate     `json:"conditions"`
		Steps      []sealedWork     `json:"steps"`
		Departures []sealedWork     `json:"departures"`
		Completion json.RawMessage  `json:"completion"`
		Completed  *sealedSignature `json:"completed"`
		Signed     *sealedSignature `json:"signed"`
	}{t.head(), t.InCharge, versions, decisions, fates, sealedWorks(t.Steps), sealedWorks(t.Departures), t.Completion.Frozen, sealed(t.CompletedBy), sealed(t.SignedBy)}, nil
}

// AddendumDocument is one addendum.
func (t *Treatment) AddendumDocument(id domain.ID) (any, error) {
	for _, a := range t.Addenda {
		if a.ID == id {
			return struct {
				head
				ID        domain.ID        `json:"id"`
				Addendum  int              `json:"addendum"`
				Record    string           `json:"record"`
				RecordID  domain.ID        `json:"record_id"`
				Field     string           `json:"field"`
				Old       string           `json:"old_statement"`
				New       string           `json:"new_statement"`
				Reason    string           `json:"reason"`
				Signature *sealedSignature `json:"signature"`
			}{t.head(), a.ID, a.Number, a.Record, a.RecordID, a.Field, a.Old, a.New, a.Reason, sealed(&a.Signature)}, nil
		}
	}
	return nil, domain.NotFound("There is no such addendum.")
}

// DesignationDocument is one decision on a fragment; with its second authorisation when second.
func (t *Treatment) DesignationDocument(id domain.ID, second bool) (any, error) {
	for _, d := range t.Designations {
		if d.ID == id && (!second || d.Second != nil) {
			s := struct {
				head
				ID          domain.ID        `json:"id"`
				Component   Part             `json:"component"`
				Designation string           `json:"designation"`
				Signature   *sealedSignature `json:"signature"`
				Second      *sealedSignature `json:"second_authorisation"`
			}{t.head(), d.ID, Part{d.ComponentID, d.Called}, d.Designation, sealed(&d.Signature), nil}
			if second {
				s.Second = sealed(d.Second)
			}
			return s, nil
		}
	}
	return nil, domain.NotFound("There is no such designation.")
}

// Document is an emergency as it was recorded; with its ratification when ratified.
func (e *Stabilisation) Document(ratified bool) (any, error) {
	if ratified && e.Ratification == nil {
		return nil, domain.NotFound("This emergency is not decided on.")
	}
	s := struct {
		Format       int              `json:"format"`
		ObjectID     domain.ID        `json:"object_id"`
		TreatmentID  *domain.ID       `json:"treatment_id"`
		Work         sealedWork       `json:"work"`
		Imminent     string           `json:"imminent"`
		NoticedAt    string           `json:"noticed_at"`
		Methods      []string         `json:"methods"`
		LeftUndone   string           `json:"left_undone"`
		DueAt        string           `json:"due_at"`
		Outcome      RatifyOutcome    `json:"outcome"`
		Conditions   []string         `json:"conditions"`
		Ratification *sealedSignature `json:"ratification"`
	}{format, e.ObjectID, e.TreatmentID, e.Work.sealed(), e.Imminent, stamp(e.NoticedAt), e.Methods, e.LeftUndone, stamp(e.DueAt), "", []string{}, nil}
	if ratified {
		s.Outcome, s.Conditions, s.Ratification = e.Outcome, nonNil(e.Conditions), sealed(e.Ratification)
	}
	return s, nil
}
