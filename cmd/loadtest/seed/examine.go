package seed

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/domain/treatment"
)

// examinedEach says that every so many-th object was examined; half of these twice.
const examinedEach = 3

// signature is what signing writes into an examination.
type signature struct {
	id         domain.ID
	at         time.Time
	as         []domain.Role
	identified *examination.Identified
	alarm      string
	open       *time.Time
}

// examine has the object examined, and signed; of one in twenty the last draft is not signed yet. One that is
// treated was examined before that.
func (t *thing) examine() error {
	if t.number%examinedEach != 2 || len(t.sheet.Components) == 0 || t.treated != "" {
		return nil
	}
	looks := 1 + t.IntN(2)
	room := t.Until.Sub(t.at) / time.Duration(looks+1)
	var last *examination.Examination
	for i := range looks {
		at := t.at.Add(room * time.Duration(i+1)).Truncate(time.Microsecond)
		e, err := t.look(at, last, examination.PeriodicCheck, !t.often(50))
		if err != nil {
			return fmt.Errorf("examination of %s: %w", t.sheet.Object.Number, err)
		}
		if e.State == examination.Draft {
			return nil
		}
		last = e
	}
	return nil
}

// look is one examination, signed or not.
func (t *thing) look(at time.Time, last *examination.Examination, occasion examination.Occasion, signed bool) (*examination.Examination, error) {
	by := t.somebody(t.dice, domain.Conservator)
	actor := by.Actor()
	e, err := examination.Begin(actor, examination.NewExamination{Occasion: occasion, ExaminedOn: at.UTC().Format(time.DateOnly)}, &t.sheet, last, time.UTC, at)
	if err != nil {
		return nil, err
	}
	e.ID = t.id(at)
	sortKey := func(id domain.ID) string { return collection.Label(t.sheet.Component(id).Label).SortKey() }
	slices.SortFunc(e.Components, func(a, b examination.Seen) int { // as they are read
		return cmp.Or(strings.Compare(sortKey(a.ComponentID), sortKey(b.ComponentID)), bytes.Compare(a.ComponentID[:], b.ComponentID[:]))
	})
	for i := range e.Observations { // as they were
		e.Observations[i].ID, e.Observations[i].Status = t.id(at), examination.Confirmed
	}
	c, no, yes := e.Circumstances, false, true
	c.Place, c.Light, c.Technique, c.Handles = "laboratory", []string{"normal", "raking"}, "by eye and with a loupe", &no
	looked := e.Looks()
	for i := range looked {
		looked[i].Seen = &yes
	}
	j := examination.Judgement{Overall: examination.Grades[t.weighted([]int{30, 45, 20, 5})], OverallReason: "Seen as a whole.", Priority: pick(t.dice, examination.Priorities),
		NextCheckOn: at.AddDate(0, t.between(3, 36), 0).Format(time.DateOnly), Risk: "It goes on.", Recommendation: "Keep it dry at the " + pick(t.dice, places) + "."}
	if err := e.Change(actor, examination.Changes{Circumstances: &c, Components: &looked, Judgement: &j}, &t.sheet, time.UTC, at); err != nil {
		return nil, err
	}
	for range t.between(1, 4) {
		id, part := t.id(at), pick(t.dice, t.sheet.Components).ID
		f := examination.Finding{Term: pick(t.dice, t.terms.All).Key, Severity: 1 + t.weighted([]int{50, 35, 14, 1}), Activity: pick(t.dice, examination.Activities), Note: "At the " + pick(t.dice, places) + "."}
		if t.often(300) {
			f.Extent = &examination.Extent{Kind: examination.Percent, Value: decimal.NewFromInt(int64(t.between(1, 60))), Of: "visible surface", Basis: "estimated by eye"}
		}
		if _, err := e.Add(actor, examination.NewFinding{ID: &id, ComponentID: &part, Finding: f}, t.terms, &t.sheet, at); err != nil {
			return nil, err
		}
	}
	if signed {
		var lastID *domain.ID
		if last != nil {
			lastID = &last.ID
		}
		if err := e.Sign(actor, &t.sheet, lastID, time.UTC, at); err != nil {
			return nil, err
		}
	}
	return e, t.keep(e, by.ID)
}

// examinedFor has the object examined before its treatment, or after it.
func (c *course) examinedFor(occasion examination.Occasion, at time.Time) error {
	e, err := c.look(at, c.last, occasion, true)
	if err != nil {
		return fmt.Errorf("examination %s: %w", occasion, err)
	}
	c.last = e
	x := treatment.Examined{ID: e.ID, Occasion: string(e.Occasion), ExaminedOn: e.ExaminedOn, By: e.Examiner.Name, Overall: string(e.Overall)}
	for _, s := range e.Components {
		x.Seen = append(x.Seen, s.ComponentID)
	}
	c.facts.Examinations = append(c.facts.Examinations, x)
	return nil
}

// keep writes an examination: first as a draft, since nothing is written of a signed one.
func (t *thing) keep(e *examination.Examination, by domain.ID) error {
	on, err := time.Parse(time.DateOnly, e.ExaminedOn)
	if err != nil {
		return err
	}
	next, err := time.Parse(time.DateOnly, e.NextCheckOn)
	if err != nil {
		return err
	}
	t.b.add(examinations, e.ID, e.ObjectID, "draft", string(e.Occasion), by, e.Examiner.Name, on, e.Place, e.Light, e.Technique, e.Handles, string(e.Overall), e.OverallReason, e.Priority, next,
		e.Risk, e.Recommendation, e.FollowsID, e.CreatedAt, by, e.ChangedAt, by, int64(2))
	for _, c := range e.Components {
		t.b.add(examinationComponents, e.ID, e.ObjectID, c.ComponentID, c.Seen, c.Reason, c.Called)
	}
	for i, o := range e.Observations {
		var kind, of, basis string
		var value *float64
		if x := o.Extent; x != nil {
			v := x.Value.InexactFloat64()
			kind, of, basis, value = string(x.Kind), x.Of, x.Basis, &v
		}
		t.b.add(examinationObservations, o.ID, e.ID, e.ObjectID, i+1, o.ComponentID, o.Called, o.Term, o.TermName, o.Severity, string(o.Activity), kind, value, of, basis,
			string(o.Status), o.Reason, o.ContinuesID, o.Note, o.Cause)
	}
	kind := "begun"
	if e.State == examination.Signed {
		kind = "signed"
		s := signature{e.ID, *e.SignedAt, e.SignedAs, e.Identified, e.Alarm, e.OpenSince}
		if e.Alarm != "" && !t.often(100) { // answered the next day
			at := e.SignedAt.AddDate(0, 0, 1)
			s.open = nil
			t.b.add(examinationAnswers, e.ID, e.ObjectID, "noted", "It is boxed; nothing more can be done now.", by, e.Examiner.Name, at)
		}
		t.b.signatures = append(t.b.signatures, s)
		t.b.signed = append(t.b.signed, signed{by, examination.SealKind, e.ID, e.ObjectID, e.Document(nil), *e.SignedAt})
	}
	return t.event(domain.Event{At: e.ChangedAt, ActorID: &by, Area: "examination", Subject: e.ID, Kind: kind})
}

// sign signs the examinations of a batch, and says what condition their objects are in.
func (b *batch) sign(ctx context.Context, tx pgx.Tx) error {
	if len(b.signatures) == 0 {
		return nil
	}
	update := &pgx.Batch{}
	ids := make([]domain.ID, len(b.signatures))
	for i, s := range b.signatures {
		ids[i] = s.id
		update.Queue(`update examination set state = 'signed', signed_at = $2, signed_as = $3, identified = $4, alarm = $5, open_since = $6 where id = $1`,
			s.id, s.at, s.as, s.identified, s.alarm, s.open)
	}
	update.Queue(`
		insert into object_condition (object_id, examination_id, examined_on, signed_at, overall, priority, next_check_on)
		select distinct on (object_id) object_id, id, examined_on, signed_at, overall, priority, next_check_on
		from examination where id = any ($1) order by object_id, examined_on desc, signed_at desc
		on conflict do nothing`, ids)
	if err := tx.SendBatch(ctx, update).Close(); err != nil {
		return fmt.Errorf("sign examinations: %w", err)
	}
	return nil
}
