package investigation

import (
	"errors"
	"strconv"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// File is a file that a finding rests on, kept elsewhere, by its hash.
type File struct {
	Name   string `json:"name" validate:"required,max=300"`
	SHA256 string `json:"sha256" validate:"required,len=64,hexadecimal"`
	Where  string `json:"where" validate:"max=300"`
}

// Finding is what was found by a technique. It is never changed; a later one corrects it.
type Finding struct {
	ID               domain.ID   `json:"id"`
	Technique        string      `json:"technique"`
	ComponentID      *domain.ID  `json:"component_id,omitempty"`
	Component        string      `json:"component,omitempty"`
	SampleID         *domain.ID  `json:"sample_id,omitempty"`
	Found            string      `json:"found"`
	Proves           string      `json:"proves"`
	Limits           string      `json:"limits"`
	Instrument       string      `json:"instrument"`
	Settings         string      `json:"settings"`
	DoneOn           string      `json:"done_on"`
	DoneBy           string      `json:"done_by"`
	PhotoIDs         []domain.ID `json:"photo_ids"`
	Files            []File      `json:"files"`
	ConsentID        *domain.ID  `json:"consent_id,omitempty"`
	Explanation      string      `json:"explanation"`
	IdentificationID *domain.ID  `json:"identification_id,omitempty"` // what it said of a material (I2)
	Identified       string      `json:"identified,omitempty"`        // as the library names it
	RecordedAt       time.Time   `json:"recorded_at"`
	RecordedBy       Named       `json:"recorded_by"`
}

// Identification says of what a component is made, as a finding shows it (I2).
type Identification struct {
	MaterialKey  *string          `json:"material_key" validate:"omitempty,min=1,max=100"` // nil: none that is known
	Role         string           `json:"role" validate:"required,oneof=body coating adhesive thread filler plating residue"`
	Confidence   string           `json:"confidence" validate:"required,oneof=certain probable possible"`
	SharePercent *decimal.Decimal `json:"share_percent" validate:"omitempty,gt=0,lte=100"`
	Supersedes   []domain.ID      `json:"supersedes" validate:"max=20,unique"`
}

// NewFinding records what was found.
type NewFinding struct {
	Technique   string          `json:"technique" validate:"required,max=60"`
	ComponentID *domain.ID      `json:"component_id"`
	SampleID    *domain.ID      `json:"sample_id"` // of this investigation: then nothing more was taken
	Found       string          `json:"found" validate:"required,max=8000"`
	Proves      string          `json:"proves" validate:"required,max=4000"` // 'nothing' is an answer
	Limits      string          `json:"limits" validate:"max=4000"`
	Instrument  string          `json:"instrument" validate:"max=500"`
	Settings    string          `json:"settings" validate:"max=4000"`
	DoneOn      string          `json:"done_on" validate:"required,datetime=2006-01-02"`
	DoneBy      string          `json:"done_by" validate:"required,max=300"`
	PhotoIDs    []domain.ID     `json:"photo_ids" validate:"max=100,unique"`
	Files       []File          `json:"files" validate:"max=50,dive"`
	Explanation string          `json:"explanation" validate:"max=2000"` // why it was done without consent
	Identifies  *Identification `json:"identifies"`
}

// Record keeps a finding. What takes a sample rests on a sample of this investigation; what leaves a trace
// needs a consent, or an explanation (I1).
func (i *Investigation) Record(by domain.Actor, n NewFinding, sheet *collection.Sheet, at time.Time) (*Finding, error) {
	if err := i.open(); err != nil {
		return nil, err
	}
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	t, ok := technique(n.Technique)
	if !ok {
		return nil, domain.Invalid("/technique", "known", "There is no such technique in the list.")
	}
	if err := pastDay("/done_on", n.DoneOn, at); err != nil {
		return nil, err
	}
	f := Finding{ID: domain.NewID(), Technique: n.Technique, ComponentID: n.ComponentID, SampleID: n.SampleID, Found: strings.TrimSpace(n.Found), Proves: strings.TrimSpace(n.Proves),
		Limits: strings.TrimSpace(n.Limits), Instrument: strings.TrimSpace(n.Instrument), Settings: strings.TrimSpace(n.Settings), DoneOn: n.DoneOn, DoneBy: strings.TrimSpace(n.DoneBy),
		PhotoIDs: append([]domain.ID{}, n.PhotoIDs...), Files: append([]File{}, n.Files...), Explanation: strings.TrimSpace(n.Explanation), RecordedAt: at, RecordedBy: Named{by.ID, by.Name}}
	for k := range f.Files {
		f.Files[k].SHA256 = strings.ToLower(f.Files[k].SHA256)
	}
	if err := i.restsOn(&f, t, sheet); err != nil {
		return nil, err
	}
	if n.Identifies != nil && f.ComponentID == nil {
		return nil, domain.Invalid("/component_id", "I2", "Say which component it identifies (rule I2).")
	}
	i.Findings = append(i.Findings, f)
	if i.State == Asked {
		i.State = Planned // it is under way
	}
	i.raise(by, "found", n, at)
	return &i.Findings[len(i.Findings)-1], nil
}

// restsOn checks what a finding rests on: a sample, a component, a consent.
func (i *Investigation) restsOn(f *Finding, t Technique, sheet *collection.Sheet) error {
	if f.SampleID != nil {
		s := i.sample(*f.SampleID)
		switch {
		case s == nil:
			return domain.Invalid("/sample_id", "known", "This is not a sample of this question.")
		case f.ComponentID == nil:
			f.ComponentID = &s.ComponentID
		case *f.ComponentID != s.ComponentID:
			return domain.Invalid("/component_id", "sample", "The sample "+s.Called+" was taken from another component.")
		}
	}
	if f.ComponentID != nil && sheet.Component(*f.ComponentID) == nil {
		return notOf("/component_id", sheet)
	}
	switch {
	case !t.NeedsConsent() || f.SampleID != nil:
		return nil
	case t.Effect == Samples:
		return domain.Invalid("/sample_id", "I1", t.Name+" takes a sample: record the sample first (rule I1).")
	case f.ComponentID == nil:
		return domain.Invalid("/component_id", "I1", t.Name+" may leave a trace: say on which component (rule I1).")
	}
	var err error
	f.ConsentID, err = i.authorised(t.Key, *f.ComponentID, f.DoneOn, f.Explanation)
	return err
}

func (i *Investigation) sample(id domain.ID) *Sample {
	for k := range i.Samples {
		if i.Samples[k].ID == id {
			return &i.Samples[k]
		}
	}
	return nil
}

// Evidence is what the identification of a component cites (C3).
func (i *Investigation) Evidence(f *Finding) string {
	text := capital(i.Called()) + ", " + TechniqueName(f.Technique) + " on " + f.DoneOn + " by " + f.DoneBy + ": " + f.Proves
	if s := i.sampleCalled(f.SampleID); s != "" {
		text = strings.Replace(text, ": "+f.Proves, " of sample "+s+": "+f.Proves, 1)
	}
	return domain.Cut(text, 3900)
}

func (i *Investigation) sampleCalled(id *domain.ID) string {
	if id == nil {
		return ""
	}
	if s := i.sample(*id); s != nil {
		return s.Called
	}
	return ""
}

func capital(text string) string { return strings.ToUpper(text[:1]) + text[1:] }

// unauthorised tells of what was done without consent, in a sentence for a notice.
func (i *Investigation) unauthorised(by domain.Actor, key, explanation string) string {
	return by.Name + " recorded " + TechniqueName(key) + " without consent on " + i.ObjectNumber + " (" + strconv.Itoa(i.Number) + "): " + explanation
}

// below puts the pointers of an error below a member of a command.
func below(prefix string, err error) error {
	var known *domain.Error
	if !errors.As(err, &known) || len(known.Fields) == 0 {
		return err
	}
	copied := *known
	copied.Fields = make([]domain.Field, len(known.Fields))
	for i, f := range known.Fields {
		f.Pointer = prefix + f.Pointer
		copied.Fields[i] = f
	}
	return &copied
}
