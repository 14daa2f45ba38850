package collection

import (
	"slices"
	"strings"
	"time"
	"unicode"

	"farthingale/domain"
	"farthingale/domain/material"
)

// Hazard is a danger to people on an object or one of its components. It stays for ever; ruling it
// out or removing it is recorded beside it, with who says so. 'Possible' is shown as loudly as
// 'certain' until it is ruled out.
//
// source: AIC Conservation Wiki, Collection Hazards: hazards are identified, labelled, recorded and
// mitigated; common practice.
type Hazard struct {
	ID           domain.ID  `json:"id"`
	ObjectID     domain.ID  `json:"object_id"`
	ComponentID  *domain.ID `json:"component_id,omitempty"` // nil: the whole object
	Kind         string     `json:"kind"`                   // a caution of the material library: "radium"
	Certainty    string     `json:"certainty"`              // certain, probable, possible, ruled_out
	KnownBy      string     `json:"known_by"`               // record, label, sight, test
	Where        string     `json:"where"`
	State        string     `json:"state"` // intact, damaged, loose, sealed, removed
	Controls     string     `json:"controls"`
	AssessedBy   string     `json:"assessed_by"` // the competent person: name and by what competent
	Document     string     `json:"document"`    // certificate or report, as it is filed
	Note         string     `json:"note"`
	AuthorID     domain.ID  `json:"author_id"` // who recorded it first, at At
	AuthorName   string     `json:"author_name"`
	At           time.Time  `json:"at"`
	JudgedByID   domain.ID  `json:"judged_by_id"` // who said last how it stands, at JudgedAt
	JudgedByName string     `json:"judged_by_name"`
	JudgedAt     time.Time  `json:"judged_at"`
	ReviewOn     string     `json:"review_on,omitempty"` // a day, as 2027-01-31; empty: not set
	Version      int64      `json:"version"`

	domain.Raised `json:"-" db:"-"`
}

// How certain a hazard is, how it is known and in what state it is, in the order in which they are
// shown.
var (
	Certainties  = []string{"certain", "probable", "possible", "ruled_out"}
	KnownBys     = []string{"record", "label", "sight", "test"}
	HazardStates = []string{"intact", "damaged", "loose", "sealed", "removed"}
)

// Stands says whether the hazard is to be reckoned with: neither ruled out nor removed.
func (h *Hazard) Stands() bool { return h.Certainty != "ruled_out" && h.State != "removed" }

// HazardFacts are what a person says about a hazard.
type HazardFacts struct {
	ComponentID *domain.ID `json:"component_id"`
	Kind        string     `json:"kind" validate:"required,max=60"`
	Certainty   string     `json:"certainty" validate:"required,oneof=certain probable possible ruled_out"`
	KnownBy     string     `json:"known_by" validate:"required,oneof=record label sight test"`
	Where       string     `json:"where" validate:"max=500"`
	State       string     `json:"state" validate:"required,oneof=intact damaged loose sealed removed"`
	Controls    string     `json:"controls" validate:"max=4000"`
	AssessedBy  string     `json:"assessed_by" validate:"max=300"`
	Document    string     `json:"document" validate:"max=500"`
	Note        string     `json:"note" validate:"max=4000"`
	ReviewOn    string     `json:"review_on" validate:"omitempty,datetime=2006-01-02"`
}

// NewHazard asks for the record of a hazard.
type NewHazard struct{ HazardFacts }

// Facts are the hazard as its facts are sent.
func (h *Hazard) Facts() HazardFacts {
	return HazardFacts{
		ComponentID: h.ComponentID, Kind: h.Kind, Certainty: h.Certainty, KnownBy: h.KnownBy, Where: h.Where, State: h.State,
		Controls: h.Controls, AssessedBy: h.AssessedBy, Document: h.Document, Note: h.Note, ReviewOn: h.ReviewOn,
	}
}

// Hazard finds a hazard of the sheet by its ID; nil when it is not of this object.
func (s *Sheet) Hazard(id domain.ID) *Hazard {
	for i := range s.Hazards {
		if s.Hazards[i].ID == id {
			return &s.Hazards[i]
		}
	}
	return nil
}

// judge checks what is said of a hazard. Ruling out needs the competent person and a note; 'removed'
// needs the certificate or report. Both are for those who record the make-up.
func (s *Sheet) judge(by domain.Actor, f HazardFacts, cautions map[string]material.Caution, validated error) error {
	var fields []domain.Field
	need := func(pointer, text, message string) {
		if strings.TrimSpace(text) == "" {
			fields = append(fields, domain.Field{Pointer: pointer, Rule: "required", Message: message})
		}
	}
	if _, known := cautions[f.Kind]; !known && f.Kind != "" {
		fields = append(fields, domain.Field{Pointer: "/kind", Rule: "oneof", Message: "This is not a hazard of the list of cautions."})
	}
	if f.ComponentID != nil && s.Component(*f.ComponentID) == nil {
		fields = append(fields, domain.Field{Pointer: "/component_id", Rule: "component", Message: "This is not a component of " + s.Object.Number + "."})
	}
	if f.Certainty == "ruled_out" {
		need("/assessed_by", f.AssessedBy, "Name the competent person who rules it out.")
		need("/note", f.Note, "Say why it is ruled out.")
	}
	if f.State == "removed" {
		need("/document", f.Document, "Name the certificate or report of the removal.")
	}
	if err := together(validated, domain.InvalidFields(fields)); err != nil {
		return err
	}
	if f.Certainty == "ruled_out" || f.State == "removed" {
		return by.May(domain.Act{Area: MakeUp.Area, Name: "rule a hazard out or call it removed", Write: true, Roles: MakeUp.Roles})
	}
	return nil
}

func (h *Hazard) set(by domain.Actor, f HazardFacts, at time.Time) {
	h.ComponentID, h.Kind, h.Certainty, h.KnownBy, h.Where, h.State = f.ComponentID, f.Kind, f.Certainty, f.KnownBy, strings.TrimSpace(f.Where), f.State
	h.Controls, h.AssessedBy, h.Document, h.Note = strings.TrimSpace(f.Controls), strings.TrimSpace(f.AssessedBy), strings.TrimSpace(f.Document), strings.TrimSpace(f.Note)
	h.ReviewOn = f.ReviewOn
	h.JudgedByID, h.JudgedByName, h.JudgedAt = by.ID, by.Name, at
}

// AddHazard records a danger. cautions are the known kinds.
func (s *Sheet) AddHazard(by domain.Actor, n NewHazard, cautions map[string]material.Caution, at time.Time) (Change, error) {
	if err := s.judge(by, n.HazardFacts, cautions, domain.Validate(n)); err != nil {
		return Change{}, err
	}
	h := &Hazard{ID: domain.NewID(), ObjectID: s.Object.ID, AuthorID: by.ID, AuthorName: by.Name, At: at, Version: 1}
	h.set(by, n.HazardFacts, at)
	return Change{NewHazard: h, Events: []domain.Event{s.event(by, h.ID, "hazard_added", n, at)}}, nil
}

// ChangeHazard says anew how it stands with a danger. Its kind stays: another kind is another hazard,
// and a hazard stays on record for ever.
func (s *Sheet) ChangeHazard(by domain.Actor, id domain.ID, version int64, f HazardFacts, cautions map[string]material.Caution, at time.Time) (Change, error) {
	h := s.Hazard(id)
	switch {
	case h == nil:
		return Change{}, domain.NotFound("There is no such hazard.")
	case h.Version != version:
		return Change{}, domain.ErrStale
	}
	if err := s.judge(by, f, cautions, domain.Validate(f)); err != nil {
		return Change{}, err
	}
	if f.Kind != h.Kind {
		return Change{}, domain.Invalid("/kind", "stays", "The kind of a hazard stays. Rule this one out with its reason, and record the other beside it.")
	}
	after := *h
	after.set(by, f, at)
	changed := differences(h.Facts(), after.Facts())
	if len(changed) == 0 {
		return Change{}, nil
	}
	after.Version++
	return Change{Hazard: &after, Events: []domain.Event{s.event(by, id, "hazard_changed", changed, at)}}, nil
}

// Proposal is a hazard that the make-up, the kind, the age or the marks of an object suggest. It is shown as
// loudly as a recorded one until somebody records it or rules it out; the program never rules out.
type Proposal struct {
	Kind        string     `json:"kind"`
	ComponentID *domain.ID `json:"component_id,omitempty"` // nil: the whole object
	Certainty   string     `json:"certainty"`              // probable or possible
	Because     string     `json:"because"`
}

// suspicion proposes hazards for what bears one of the words in its name or kind, or one of the marks in
// what is written on it, or is of one of the families of material, and was made in the years From up to but not including Before (0: no bound).
// An unknown date is inside.
type suspicion struct {
	words, families []string
	marks           []string // whole words of an inscription
	from, before    int
	because         string
	hazards         [][2]string // kind, certainty
}

// suspicions are rough: dates and habits of makers differ by country.
//
// source: common practice; AIC Conservation Wiki, Collection Hazards; CCI Notes 15/3 (cellulose
// nitrate was for some fifty years nearly the only clear plastic).
var suspicions = []suspicion{
	{words: []string{"respirator", "gas mask", "canister"}, before: 1990, because: "a respirator or canister of before about 1990",
		hazards: [][2]string{{"asbestos", "possible"}, {"chromate", "possible"}}},
	{words: []string{"foundry", "fire-fighting", "fire-protective", "fire suit", "heat-protective", "heat protective"}, before: 1990, because: "heat- or fire-protective cloth of before about 1990",
		hazards: [][2]string{{"asbestos", "probable"}}},
	{words: []string{"luminous"}, before: 1970, because: "a luminous dial or marker of before about 1970", hazards: [][2]string{{"radium", "probable"}}},
	{words: []string{"luminous"}, from: 1970, before: 2000, because: "a luminous dial or marker of 1970 to 2000", hazards: [][2]string{{"radium", "possible"}}},
	{words: []string{"rebreather", "mine rescue", "mine-rescue", "oxygen breathing"}, because: "a rebreather or rescue set, whose charge may be in it",
		hazards: [][2]string{{"soda-lime", "probable"}, {"chemical-oxygen", "possible"}, {"compressed-gas", "possible"}}},
	{words: []string{"inflatable", "inflator"}, because: "something inflatable, whose cartridge may be in it", hazards: [][2]string{{"compressed-gas", "probable"}, {"energetic", "possible"}}},
	{words: []string{"goggles", "lens", "eyepiece", "window"}, families: []string{"plastic-unspecified"}, before: 1940, because: "clear plastic of before about 1940",
		hazards: [][2]string{{"cellulose-nitrate", "probable"}}},
	{families: []string{"magnesium"}, from: 1945, before: 1990, because: "a magnesium alloy of 1945 to 1990", hazards: [][2]string{{"thorium-uranium", "possible"}}},
	{marks: []string{"asbestos", "amiante", "asbest"}, because: "what is written on it: asbestos", hazards: [][2]string{{"asbestos", "probable"}}},
	{marks: []string{"radium", "radioactive"}, because: "what is written on it: radium or radioactive", hazards: [][2]string{{"radium", "probable"}}},
	{marks: []string{"thorium", "thoriated", "uranium"}, because: "what is written on it: thorium or uranium", hazards: [][2]string{{"thorium-uranium", "probable"}}},
	{marks: []string{"mercury", "quicksilver"}, because: "what is written on it: mercury", hazards: [][2]string{{"mercury", "possible"}}},
	{marks: []string{"celluloid", "nitrate", "xylonite", "pyroxylin"}, because: "what is written on it: celluloid or nitrate", hazards: [][2]string{{"cellulose-nitrate", "probable"}}},
	{marks: []string{"ddt", "arsenic", "naphthalene", "mothproofed", "eulanised"}, because: "what is written on it: a treatment against insects", hazards: [][2]string{{"pesticide", "probable"}}},
	{marks: []string{"oxygen", "o2"}, because: "what is written on it: oxygen", hazards: [][2]string{{"oxygen-fouled", "possible"}}},
	{marks: []string{"explosive", "squib", "detonator", "cartridge"}, because: "what is written on it: a charge", hazards: [][2]string{{"energetic", "possible"}}},
	{words: []string{"capacitor"}, before: 1985, because: "a capacitor of before about 1985", hazards: [][2]string{{"pcb", "possible"}}},
}

// Proposals lists the hazards that the sheet suggests and that nobody has recorded yet, in whatever
// certainty, for the component, for what it is part of, or for the whole.
func (s *Sheet) Proposals() []Proposal {
	proposals := []Proposal{}
	propose := func(kind string, on *domain.ID, certainty, because string) {
		same := func(p Proposal) bool { return p.Kind == kind && samePart(p.ComponentID, on) }
		if !s.recorded(kind, on) && !slices.ContainsFunc(proposals, same) {
			proposals = append(proposals, Proposal{Kind: kind, ComponentID: on, Certainty: certainty, Because: because})
		}
	}
	called, written := strings.ToLower(s.Object.Kind+" "+s.Object.Title), writtenWords(s.Object.Marks)
	names := make([]string, len(s.Components))
	for i := range s.Components {
		names[i] = strings.ToLower(s.Components[i].Name)
	}
	for _, suspect := range suspicions {
		if !suspect.inTime(s.Object) {
			continue
		}
		if len(suspect.families) == 0 && suspect.named(called) || suspect.marked(written) {
			for _, h := range suspect.hazards {
				propose(h[0], nil, h[1], suspect.because)
			}
		}
		for i := range s.Components {
			if suspect.fits(s, &s.Components[i], names[i]) {
				for _, h := range suspect.hazards {
					propose(h[0], &s.Components[i].ID, h[1], suspect.because)
				}
			}
		}
	}
	for i, m := range s.Materials {
		for _, kind := range m.HazardKinds {
			propose(kind, &s.Materials[i].ComponentID, "possible", "its material, "+m.MaterialName)
		}
	}
	return proposals
}

func (x suspicion) inTime(o Object) bool {
	if x.before != 0 && o.DateEarliest != nil && o.DateEarliest.Year() >= x.before {
		return false
	}
	return x.from == 0 || o.DateLatest == nil || o.DateLatest.Year() >= x.from
}

// named says whether a text in small letters has one of the words.
func (x suspicion) named(text string) bool {
	return slices.ContainsFunc(x.words, func(w string) bool { return strings.Contains(text, w) })
}

// writtenWords are the words, in small letters, of what is written on the object and of what that means.
func writtenWords(marks []Inscription) []string {
	var words []string
	for _, m := range marks {
		words = append(words, strings.FieldsFunc(strings.ToLower(m.Transcription+" "+m.Meaning), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })...)
	}
	return words
}

// marked says whether one of the marks stands as a whole word in what is written on the object.
func (x suspicion) marked(written []string) bool {
	return slices.ContainsFunc(x.marks, func(mark string) bool { return slices.Contains(written, mark) })
}

// fits says whether a component, whose name is given in small letters, bears one of the words and is of one
// of the families, as far as the suspicion asks for either.
func (x suspicion) fits(s *Sheet, c *Component, name string) bool {
	if len(x.words)+len(x.families) == 0 {
		return false
	}
	if len(x.words) > 0 && !x.named(name) {
		return false
	}
	return len(x.families) == 0 || slices.ContainsFunc(s.Materials, func(m ComponentMaterial) bool {
		return m.ComponentID == c.ID && slices.Contains(x.families, m.Family)
	})
}

// recorded says whether somebody has recorded the kind where it is suspected. Anywhere is enough for a
// suspicion of the whole.
func (s *Sheet) recorded(kind string, on *domain.ID) bool {
	return slices.ContainsFunc(s.Hazards, func(h Hazard) bool {
		if h.Kind != kind {
			return false
		}
		return on == nil || h.ComponentID == nil || (*h.ComponentID == *on || slices.Contains(s.Above(*on), *h.ComponentID))
	})
}

func samePart(a, b *domain.ID) bool { return a == b || a != nil && b != nil && *a == *b }
