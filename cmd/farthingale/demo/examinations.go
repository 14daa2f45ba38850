package demo

import (
	"bytes"
	"fmt"
	"math"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/photo"
	"farthingale/domain/photo/align"
	"farthingale/domain/photo/mark"
)

// harm is a damage that grows on an exhibit: where it is drawn, if it is, and how it looks at the first and at the
// second examination.
type harm struct {
	label, term, note, later, cause string
	spot                            int     // of exhibit.drawn.marks; -1: it is not drawn
	mmAcross                        float64 // width of the detail that shows it
	severity, then                  int     // at the first and the second examination
	activity, lately                examination.Activity
	percent                         int // of the visible surface, estimated, where it is not measured
}

// verdict is what the examinations of an exhibit conclude.
type verdict struct {
	first, second  examination.Grade
	priority, risk string
	advice         string
	months         int // until the next check
	unseen, why    string
	harms          []harm
}

const (
	active  = examination.Active
	stable  = examination.Stable
	unknown = examination.UnknownActivity
)

// verdicts are what the two surveys of the demonstration found. The aired glove and the trainee's suit are sound.
var verdicts = map[string]verdict{
	"1968.14.2": {first: examination.Poor, second: examination.Poor, priority: "high", months: 6, unseen: "1c", why: "covered by the corselet, which is not taken off",
		risk: "The cuff loses more at every handling.", advice: "Two people, on a board; arms beside the body. Consolidate the cuff.",
		harms: []harm{
			{label: "1a", term: "fold_cracking", spot: -1, severity: 3, then: 3, activity: unknown, lately: stable, percent: 30, note: "Hard, cracked across the fold; crumbs below.", later: "Edge holds since the treatment.", cause: "ozone and flexing of aged rubber"},
			{label: "2", term: "corrosion", spot: 2, mmAcross: 240, severity: 2, then: 2, activity: unknown, lately: active, note: "Green, waxy, at the rim beside the gasket.", later: "Larger; bright green at the edge.", cause: "fatty acids of the leather dressing"},
			{label: "1", term: "bloom", spot: 3, mmAcross: 300, severity: 1, then: 1, activity: unknown, lately: unknown, note: "Pale film above the knee; wipes off with a finger.", later: "Larger."}}},
	"1984.3.1": {first: examination.Fair, second: examination.Poor, priority: "high", months: 6, unseen: "4", why: "the inside of the right glove cannot be reached: its ring is seized",
		risk: "Acid from the closed glove attacks its ring.", advice: "Open the right glove under extraction.",
		harms: []harm{
			{label: "1b", term: "white_corrosion", spot: 0, mmAcross: 180, severity: 2, then: 3, activity: unknown, lately: active, note: "White bloom at the rim of the ring.", later: "Larger, and lifting at the edge.", cause: "acid vapour in the glove"},
			{label: "1", term: "fold_cracking", spot: -1, severity: 2, then: 2, activity: unknown, lately: stable, percent: 5, note: "Fine cracks across the right thigh.", later: "As before."}}},
	"1979.22.1": {first: examination.Poor, second: examination.Unacceptable, priority: "urgent", months: 3,
		risk: "The foam falls to crumbs and soils what lies beside it.", advice: "Lay flat on film; do not fold.",
		harms: []harm{
			{label: "1", term: "crumbling", spot: 1, mmAcross: 460, severity: 3, then: 4, activity: active, lately: active, note: "Foam crumbles at the seat.", later: "Much larger; crumbs work through the lining.", cause: "hydrolysis of ester polyurethane"},
			{label: "2a", term: "corrosion", spot: 0, mmAcross: 180, severity: 1, then: 2, activity: unknown, lately: active, note: "Green at the slider.", later: "Along three teeth more."}}},
	"1971.8.1": {first: examination.Fair, second: examination.Poor, priority: "medium", months: 12, unseen: "3", why: "the canister stays closed: its charge is caustic",
		risk: "The fold opens under its own weight.", advice: "Support the fold.",
		harms: []harm{
			{label: "1", term: "sulfur_bloom", spot: 0, mmAcross: 260, severity: 1, then: 2, activity: unknown, lately: active, note: "Grey-white film.", later: "Larger."},
			{label: "1a", term: "tarnish", spot: 1, mmAcross: 110, severity: 2, then: 2, activity: unknown, lately: active, note: "Black sulfide on the silver.", later: "As dark, and larger.", cause: "sulfur of the vulcanised rubber"}}},
	"1968.14.5": {first: examination.Fair, second: examination.Poor, priority: "medium", months: 12, risk: "The covers stick and hold dust.", advice: "Keep dust away; silicone paper between the lobes.",
		harms: []harm{{label: "2", term: "liquid_exudate", spot: 0, mmAcross: 300, severity: 2, then: 3, activity: active, lately: active, note: "Sticky drops on the left lobe.", later: "A film.", cause: "migrating plasticiser"}}},
	"1968.14.6": {first: examination.Fair, second: examination.Poor, priority: "high", months: 6, risk: "Lead dust when it is handled.", advice: "Gloves, mask, own tray.",
		harms: []harm{{label: "2", term: "white_corrosion", spot: 1, mmAcross: 170, severity: 2, then: 3, activity: active, lately: active, note: "White powder on the fourth weight.", later: "Larger, powders at a touch.", cause: "acetic acid of its shelf"}}},
	"1968.14.7": {first: examination.Poor, second: examination.Poor, priority: "high", months: 3, risk: "The lens decays and gives off acid.", advice: "Own aired box; away from everything else.",
		harms: []harm{{label: "2", term: "yellowing", spot: 0, mmAcross: 90, severity: 2, then: 3, activity: active, lately: active, note: "Yellow on the wearer's right.", later: "Darker and larger.", cause: "decay of cellulose nitrate"},
			{label: "1", term: "crack", spot: -1, severity: 1, then: 1, activity: unknown, lately: stable, percent: 2, note: "Hair cracks at the lower rim.", later: "As before."}}},
	"1968.14.8": {first: examination.Good, second: examination.Good, priority: "low", months: 24, risk: "None while the glass is sound.", advice: "Short time; do not open.", unseen: "1a", why: "the dial lies behind its glass and is not opened: possible radium",
		harms: []harm{{label: "1", term: "corrosion", spot: 0, mmAcross: 60, severity: 1, then: 1, activity: unknown, lately: stable, note: "Green spot below the bezel.", later: "As before."}}},
	"1991.5.3": {first: examination.Poor, second: examination.Unacceptable, priority: "urgent", months: 3, risk: "Loss of the cuffs.", advice: "Lie on film; no handling.",
		harms: []harm{{label: "1", term: "crumbling", spot: 0, mmAcross: 160, severity: 3, then: 4, activity: active, lately: active, note: "Left cuff falls to crumbs.", later: "The cuff comes away.", cause: "oxidation of latex"},
			{label: "2", term: "crumbling", spot: 1, mmAcross: 190, severity: 3, then: 3, activity: active, lately: active, note: "Right cuff brittle and crumbling.", later: "Larger."}}},
	"1968.14.9": {first: examination.Fair, second: examination.Fair, priority: "low", months: 12, risk: "The spot grows in damp air.", advice: "Below 45 % RH.",
		harms: []harm{{label: "1", term: "rust", spot: 0, mmAcross: 90, severity: 2, then: 2, activity: unknown, lately: active, note: "One rust spot near the middle.", later: "It has grown."}}},
	"1975.1.4": {first: examination.Fair, second: examination.Fair, priority: "low", months: 24, risk: "Red dust soils whatever lies beside it.", advice: "In its own box.",
		harms: []harm{{label: "1", term: "red_rot", spot: 0, mmAcross: 200, severity: 2, then: 2, activity: unknown, lately: active, note: "Red powder at the lower corner.", later: "Larger."}}},
	"1969.2.1": {first: examination.Good, second: examination.Good, priority: "none", months: 24, risk: "None on display as it is.", advice: "Gloves.",
		harms: []harm{{label: "1", term: "dent", spot: -1, severity: 1, then: 1, activity: stable, lately: stable, percent: 2, note: "Above the left window, old.", later: "As before."}}},
	"1975.1.9": {first: examination.Fair, second: examination.Poor, priority: "high", months: 6, risk: "The lead is eaten where the box is tight.", advice: "Keep the lid open by 3 mm, or another box.",
		harms: []harm{{label: "1", term: "white_corrosion", spot: 1, mmAcross: 110, severity: 2, then: 3, activity: active, lately: active, note: "White bloom at the hollow.", later: "Larger.", cause: "acetic acid of the oak"}}},
	"2003.7.1": {first: examination.Good, second: examination.Good, priority: "none", months: 24, risk: "None as it is kept.", advice: "As before."},
	"1984.3.2": {first: examination.Good, second: examination.Good, priority: "none", months: 24, risk: "None while it is aired.", advice: "Leave the spacers in."},
}

// firstSurvey and secondSurvey look at every exhibit, a year and more apart.
func (l *loader) firstSurvey() error {
	l.on(731, 11)
	return l.surveyAll(func(obj *loaded, v verdict) (*examination.Examination, error) {
		return l.examine("ines", obj, look{occasion: examination.Survey, overall: v.first, of: v, photos: []domain.ID{}, found: v.harms})
	})
}

func (l *loader) secondSurvey() error {
	l.on(306, 10)
	return l.surveyAll(func(obj *loaded, v verdict) (*examination.Examination, error) {
		return l.examine("tomas", obj, look{occasion: examination.PeriodicCheck, overall: v.second, of: v, grown: true})
	})
}

func (l *loader) surveyAll(each func(obj *loaded, v verdict) (*examination.Examination, error)) error {
	for _, e := range exhibits {
		v, ok := verdicts[e.facts.Number]
		if !ok {
			return fmt.Errorf("%s has no verdict", e.facts.Number)
		}
		if _, err := each(l.objects[e.facts.Number], v); err != nil {
			return fmt.Errorf("examination of %s: %w", e.facts.Number, err)
		}
	}
	return nil
}

// look is an examination of the demonstration in short.
type look struct {
	occasion        examination.Occasion
	overall         examination.Grade
	of              verdict
	loan, treatment *domain.ID
	photos          []domain.ID
	found           []harm
	grown           bool                                                    // what was found before has grown
	answer          func(o examination.Observation, f *examination.Finding) // else all is as it was
}

// examine writes and signs an examination. What is drawn is photographed, marked and measured.
func (l *loader) examine(by string, obj *loaded, k look) (*examination.Examination, error) {
	actor := l.people[by]
	e, err := l.h.Examination.Begin(l.ctx, actor, obj.id, examination.NewExamination{Occasion: k.occasion, LoanID: k.loan, TreatmentID: k.treatment})
	if err != nil {
		return nil, err
	}
	if e, err = l.circumstances(actor, obj, e, k); err != nil {
		return nil, err
	}
	for i, h := range k.found {
		part := obj.component[h.label]
		f := examination.Finding{Term: h.term, Severity: h.severity, Activity: h.activity, Status: examination.New, Note: h.note, Cause: h.cause}
		var o *examination.Observation
		if e, o, err = l.h.Examination.Add(l.ctx, actor, e.ID, e.Version, examination.NewFinding{ComponentID: &part, Finding: f}); err != nil {
			return nil, err
		}
		if e, err = l.measure(actor, obj, e, o.ID, h, f, &k.photos); err != nil {
			return nil, fmt.Errorf("damage %d: %w", i, err)
		}
	}
	for _, o := range e.Observations {
		if o.Status != examination.Unanswered {
			continue
		}
		f := o.Finding
		f.Status = examination.Confirmed
		h, drawn := k.of.harmOf(obj, o)
		drawn = drawn && h.spot >= 0
		switch {
		case k.answer != nil:
			k.answer(o, &f)
		case k.grown && drawn:
			f.Status, f.Severity, f.Activity, f.Note, f.Reason = examination.Changed, h.then, h.lately, h.later, h.later
		}
		if k.grown && drawn {
			e, err = l.measure(actor, obj, e, o.ID, h, f, &k.photos)
		} else {
			e, err = l.h.Examination.Set(l.ctx, actor, e.ID, e.Version, o.ID, f)
		}
		if err != nil {
			return nil, err
		}
	}
	if e, err = l.h.Examination.Change(l.ctx, actor, e.ID, e.Version, examination.Changes{PhotoIDs: &k.photos}); err != nil {
		return nil, err
	}
	return l.h.Examination.Sign(l.ctx, actor, e.ID, e.Version)
}

// harmOf is the harm that an observation is of.
func (v verdict) harmOf(obj *loaded, o examination.Observation) (harm, bool) {
	for _, h := range v.harms {
		if o.ComponentID != nil && *o.ComponentID == obj.component[h.label] && o.Term == h.term {
			return h, true
		}
	}
	return harm{}, false
}

// circumstances says how the look was taken, what was seen, and what follows.
func (l *loader) circumstances(by domain.Actor, obj *loaded, e *examination.Examination, k look) (*examination.Examination, error) {
	yes, no := true, false
	parts := e.Looks()
	for i := range parts {
		parts[i].Seen = &yes
		if k.of.unseen != "" && parts[i].ComponentID == obj.component[k.of.unseen] {
			parts[i].Seen, parts[i].Reason = &no, k.of.why
		}
	}
	description := obj.exhibit.facts.Description
	if e.Description != "" {
		description = e.Description
	}
	circumstances := examination.Circumstances{Occasion: k.occasion, ExaminedOn: e.ExaminedOn, AskedBy: "the laboratory's plan of checks", Place: "at its place in the store", Light: []string{"normal", "raking"},
		Technique: "By eye, with a lens of ten times; a torch from the side.", Conditions: "On its board, not lifted.", Handles: &no}
	judgement := examination.Judgement{Overall: k.overall, OverallReason: "Seen as a whole; the damage is local.", Priority: k.of.priority, NextCheckOn: l.clock.AddDate(0, max(k.of.months, 1), 0).Format(time.DateOnly),
		Risk: k.of.risk, Recommendation: k.of.advice}
	return l.h.Examination.Change(l.ctx, by, e.ID, e.Version, examination.Changes{Circumstances: &circumstances, Components: &parts, Description: &description, Judgement: &judgement})
}

// measure photographs a damage that is drawn, marks its outline, sets the scale and keeps the area that follows; one
// that is not drawn is estimated.
func (l *loader) measure(by domain.Actor, obj *loaded, e *examination.Examination, observationID domain.ID, h harm, f examination.Finding, photos *[]domain.ID) (*examination.Examination, error) {
	if h.spot < 0 {
		u := decimal.NewFromInt(int64(max(h.percent/5, 1)))
		f.Extent = &examination.Extent{Kind: examination.Percent, Value: decimal.NewFromInt(int64(h.percent)), Uncertainty: &u, Of: "visible surface", Basis: "estimated by eye"}
		return l.h.Examination.Set(l.ctx, by, e.ID, e.Version, observationID, f)
	}
	p, id, err := l.detail(obj, h)
	if err != nil {
		return nil, err
	}
	outline, _ := p.patch(h.spot)
	shape := mark.Shape{Kind: mark.Polygon}
	for _, q := range outline {
		shape.Points = append(shape.Points, mark.Point(q))
	}
	from, to, lengthMM := p.bar()
	if _, err := l.h.Photo.SetScale(l.ctx, by, id, photo.NewScale{From: (*mark.Point)(&from), To: (*mark.Point)(&to), LengthMM: lengthMM, PlusMM: 0.1}); err != nil {
		return nil, err
	}
	if _, err := l.h.Photo.Draw(l.ctx, by, id, photo.Drawing{ObservationID: &observationID, Shape: shape}); err != nil {
		return nil, err
	}
	*photos = append(*photos, id)
	if e, err = l.h.Examination.Set(l.ctx, by, e.ID, e.Version, observationID, f); err != nil {
		return nil, err
	}
	return l.h.Examination.TakeExtent(l.ctx, by, e.ID, e.Version, observationID)
}

// detail photographs a damage from near, the camera never twice in the same place, and lays the picture over the one
// before.
func (l *loader) detail(obj *loaded, h harm) (picture, domain.ID, error) {
	drawn := obj.exhibit.drawn
	n := len(obj.details[h])
	p := picture{number: obj.exhibit.facts.Number, drawn: drawn, taken: l.clock, damage: min(1, 0.35+0.35*float64(n)), near: &window{drawn.marks[h.spot].at, h.mmAcross},
		turnDegrees: float64(n) * 2.4, shift: point{float64(n) * h.mmAcross * 0.02, -float64(n) * h.mmAcross * 0.015}}
	b, err := p.jpeg()
	if err != nil {
		return p, domain.ID{}, err
	}
	made, err := l.h.Photo.Upload(l.ctx, l.people["ines"], obj.id, photo.Description{Components: l.parts(obj, h.label), View: photo.Detail, Light: photo.Normal, Stage: photo.Condition,
		ScalePresent: true, ColourTargetPresent: true, Caption: "Drawn by the program for the demonstration.", Photographer: "Ines Falkenberg"},
		fmt.Sprintf("%s_%s_detail.jpg", obj.exhibit.facts.Number, h.label), bytes.NewReader(b))
	if err != nil {
		return p, domain.ID{}, err
	}
	if obj.details == nil {
		obj.details = map[harm][]shot{}
	}
	before := obj.details[h]
	obj.details[h] = append(before, shot{made.ID, p})
	if len(before) == 0 {
		return p, made.ID, nil
	}
	return p, made.ID, l.over(before[len(before)-1], shot{made.ID, p})
}

// shot is a photograph with what it was drawn from.
type shot struct {
	id domain.ID
	p  picture
}

// over lays a detail over the one before by three corners of what both show.
func (l *loader) over(before, after shot) error {
	at, reach := before.p.near.at, before.p.near.mmAcross*0.3
	var ties []align.Tie
	for _, turn := range []float64{0.3, 2.4, 4.5} {
		q := point{at.x + reach*math.Cos(turn), at.y + reach*math.Sin(turn)*0.6}
		bx, by := before.p.place(q)
		ax, ay := after.p.place(q)
		ties = append(ties, align.Tie{Before: mark.Point{bx, by}, After: mark.Point{ax, ay}})
	}
	_, err := l.h.Photo.Align(l.ctx, l.people["ines"], before.id, photo.NewAlignment{AfterID: after.id, Kind: align.Similarity, Ties: photo.Entered(ties...)})
	return err
}

// lastExamined is the last signed examination of an object, on which a proposal rests.
func (l *loader) lastExamined(obj *loaded) (domain.ID, error) {
	e, err := l.h.Examination.Latest(l.ctx, l.people["ines"], obj.id)
	if err != nil {
		return domain.ID{}, fmt.Errorf("examination of %s: %w", obj.exhibit.facts.Number, err)
	}
	return e.ID, nil
}

// examineAfter examines what was treated: it holds.
func (l *loader) examineAfter(by string, obj *loaded, treatmentID domain.ID, labels []string, photos []domain.ID) (domain.ID, error) {
	v := verdicts[obj.exhibit.facts.Number]
	v.unseen = ""
	treated := l.parts(obj, labels...)
	e, err := l.examine(by, obj, look{occasion: examination.AfterTreatment, overall: examination.Fair, of: v, treatment: &treatmentID, photos: photos,
		answer: func(o examination.Observation, f *examination.Finding) {
			for _, id := range treated {
				if o.ComponentID != nil && *o.ComponentID == id {
					f.Status, f.Severity, f.Activity, f.Reason, f.Note = examination.Changed, max(1, o.Severity-1), examination.Stable, "Treated.", "Stable; edges hold."
				}
			}
		}})
	if err != nil {
		return domain.ID{}, fmt.Errorf("examination after treatment: %w", err)
	}
	return e.ID, nil
}
