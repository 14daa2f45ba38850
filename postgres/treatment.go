package postgres

import (
	"context"
	"encoding/json"
	"fmt"
	"reflect"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/people"
	"farthingale/domain/treatment"
)

// Treatments keeps treatments and emergencies; it implements treatment.Store.
type Treatments struct{ db *DB }

// NewTreatments makes the store.
func NewTreatments(db *DB) *Treatments { return &Treatments{db: db} }

var (
	_ treatment.Store  = (*Treatments)(nil)
	_ treatment.Photos = (*Treatments)(nil)
)

// mark is how much of a treatment was read, so that only what an act added is written.
type mark struct {
	versions     []treatment.Version
	amendments   []treatment.Amendment
	conditions   []treatment.Condition
	designations []treatment.Designation
	parties      int
	decisions    int
	steps        int
	departures   int
	addenda      int
}

func marked(t *treatment.Treatment) mark {
	return mark{
		versions: append([]treatment.Version{}, t.Versions...), amendments: append([]treatment.Amendment{}, t.Amendments...),
		conditions: append([]treatment.Condition{}, t.Conditions...), designations: append([]treatment.Designation{}, t.Designations...),
		parties: len(t.Parties), decisions: len(t.Decisions), steps: len(t.Steps), departures: len(t.Departures), addenda: len(t.Addenda),
	}
}

// Add writes a new treatment under the next number of its object.
func (s *Treatments) Add(ctx context.Context, t *treatment.Treatment) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		// Two people may begin a treatment of one object at the same moment.
		if _, err := tx.Exec(ctx, `select pg_advisory_xact_lock(hashtextextended('treatment ' || $1::text, 0))`, t.ObjectID); err != nil {
			return fault(err, "number a treatment of %s", t.ObjectID)
		}
		err := tx.QueryRow(ctx, `
			insert into treatment (id, object_id, number, title, state, in_charge_id, in_charge_name, proposal, standing, movers, version, created_at, changed_at)
			select @id, @object_id, coalesce(max(number), 0) + 1, @title, @state, @in_charge_id, @in_charge_name, @proposal, @standing, @movers, @version, @created_at, @created_at
			from treatment where object_id = @object_id
			returning number`, pgx.NamedArgs{
			"id": t.ID, "object_id": t.ObjectID, "title": t.Proposal.Title, "state": t.State, "in_charge_id": t.InCharge.ID, "in_charge_name": t.InCharge.Name,
			"proposal": t.Proposal, "standing": t.Standing, "movers": movers(t), "version": t.Version, "created_at": t.CreatedAt,
		}).Scan(&t.Number)
		if err != nil {
			return fault(err, "add treatment %s", t.ID)
		}
		b := &pgx.Batch{}
		writeParties(b, t, 0)
		if err := fault(tx.SendBatch(ctx, b).Close(), "add parties of treatment %s", t.ID); err != nil {
			return err
		}
		return s.db.addEvents(ctx, t.Events()...)
	})
}

func movers(t *treatment.Treatment) []string {
	all := []string{}
	for _, m := range t.NextMoves {
		all = append(all, string(m.Who))
	}
	return all
}

// Update changes a treatment under lock.
func (s *Treatments) Update(ctx context.Context, id domain.ID, version int64, change func(ctx context.Context, t *treatment.Treatment) error) (*treatment.Treatment, error) {
	var t *treatment.Treatment
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if t, err = s.read(ctx, id, true); err != nil {
			return err
		}
		if version != treatment.AnyVersion && t.Version != version {
			return domain.ErrStale
		}
		before := marked(t)
		if err := change(ctx, t); err != nil {
			return err
		}
		t.Version++
		if err := s.save(ctx, tx, before, t); err != nil {
			return err
		}
		return s.db.addEvents(ctx, t.Events()...)
	})
	if err != nil {
		return nil, err
	}
	return t, nil
}

func (s *Treatments) save(ctx context.Context, tx pgx.Tx, before mark, t *treatment.Treatment) error {
	b := &pgx.Batch{}
	changed := t.CreatedAt
	for _, e := range t.Events() {
		changed = e.At
	}
	b.Queue(`
		update treatment set title = @title, state = @state, hold = @hold, in_charge_id = @in_charge_id, in_charge_name = @in_charge_name, proposal = @proposal,
			approved_at = @approved_at, term_ends_at = @term_ends_at, completion = @completion, completed = @completed, signed = @signed, withdrawn = @withdrawn,
			lapsed_at = @lapsed_at, standing = @standing, movers = @movers, version = @version, changed_at = greatest(changed_at, @changed_at)
		where id = @id`, pgx.NamedArgs{
		"id": t.ID, "title": t.Proposal.Title, "state": t.State, "hold": t.Hold, "in_charge_id": t.InCharge.ID, "in_charge_name": t.InCharge.Name,
		"proposal": t.Proposal, "approved_at": t.ApprovedAt, "term_ends_at": t.TermEndsAt, "completion": t.Completion, "completed": t.CompletedBy,
		"signed": t.SignedBy, "withdrawn": t.WithdrawnBy, "lapsed_at": t.LapsedAt, "standing": t.Standing, "movers": movers(t), "version": t.Version, "changed_at": changed,
	})
	writeParties(b, t, before.parties)
	writeVersions(b, t, before.versions)
	writeAmendments(b, t, before.amendments)
	writeDecisions(b, t, before)
	for _, w := range t.Steps[before.steps:] {
		writeWork(b, w)
	}
	for _, w := range t.Departures[before.departures:] {
		writeWork(b, w)
	}
	writeDesignations(b, t, before.designations)
	for _, a := range t.Addenda[before.addenda:] {
		b.Queue(`
			insert into treatment_addendum (id, treatment_id, number, record, record_id, field, old_statement, new_statement, reason, by_id, by_name, by_roles, at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`, a.ID, t.ID, a.Number, a.Record, a.RecordID, a.Field, a.Old, a.New, a.Reason,
			a.Signature.By.ID, a.Signature.By.Name, a.Signature.Roles, a.Signature.At)
	}
	return fault(tx.SendBatch(ctx, b).Close(), "change treatment %s", t.ID)
}

func writeParties(b *pgx.Batch, t *treatment.Treatment, from int) {
	for _, p := range t.Parties[from:] {
		b.Queue(`
			insert into treatment_party (treatment_id, person_id, name, side, why, at) values ($1, $2, $3, $4, $5, $6)
			on conflict (treatment_id, person_id, side) do nothing`, t.ID, p.ID, p.Name, p.Side, p.Why, p.At)
	}
}

func writeVersions(b *pgx.Batch, t *treatment.Treatment, before []treatment.Version) {
	for i, v := range t.Versions {
		if i < len(before) {
			if v.Voided != nil && before[i].Voided == nil {
				b.Queue(`update treatment_version set voided = $2 where id = $1`, v.ID, v.Voided)
			}
			continue
		}
		b.Queue(`
			insert into treatment_version (id, treatment_id, amendment, number, text, legend, sha256, submitted_by_id, submitted_by_name, submitted_at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`, v.ID, t.ID, v.Amendment, v.Number, v.Text, v.Legend, v.SHA256,
			v.SubmittedBy.ID, v.SubmittedBy.Name, v.SubmittedAt)
		for n, l := range v.Text.Scope {
			keys := []string{}
			for _, m := range l.Materials {
				keys = append(keys, m.MaterialKey)
			}
			b.Queue(`
				insert into treatment_scope (version_id, line, component_id, and_its_parts, method_key, material_keys) values ($1, $2, $3, $4, $5, $6)`,
				v.ID, n+1, l.ComponentID, l.AndItsParts, treatment.Fold(l.Method), keys)
		}
	}
}

func writeAmendments(b *pgx.Batch, t *treatment.Treatment, before []treatment.Amendment) {
	for i, a := range t.Amendments {
		switch {
		case i >= len(before):
			b.Queue(`
				insert into treatment_amendment (treatment_id, number, state, text, created_by_id, created_by_name, created_at)
				values ($1, $2, $3, $4, $5, $6, $7)`, t.ID, a.Number, a.State, a.Text, a.CreatedBy.ID, a.CreatedBy.Name, a.CreatedAt)
		case !reflect.DeepEqual(a, before[i]):
			b.Queue(`update treatment_amendment set state = $3, text = $4, withdrawn = $5 where treatment_id = $1 and number = $2`,
				t.ID, a.Number, a.State, a.Text, a.WithdrawnBy)
		}
	}
}

// keptCondition is a condition as its decision's row keeps it.
type keptCondition struct {
	ID     domain.ID       `json:"id"`
	Number int             `json:"number"`
	Binds  treatment.Binds `json:"binds"`
	Text   string          `json:"text"`
}

func writeDecisions(b *pgx.Batch, t *treatment.Treatment, before mark) {
	for _, d := range t.Decisions[before.decisions:] {
		conditions := []keptCondition{}
		for _, c := range t.Conditions {
			if c.DecisionID == d.ID {
				conditions = append(conditions, keptCondition{c.ID, c.Number, c.Binds, c.Text})
			}
		}
		b.Queue(`
			insert into treatment_decision (id, treatment_id, amendment, version_number, sha256, outcome, owner_consent, conditions, by_id, by_name, by_roles, statement, at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`, d.ID, t.ID, d.Amendment, d.VersionNumber, d.SHA256, d.Outcome, d.OwnerConsent, conditions,
			d.Signature.By.ID, d.Signature.By.Name, d.Signature.Roles, d.Signature.Statement, d.Signature.At)
	}
	for i, c := range t.Conditions {
		switch {
		case i >= len(before.conditions):
			b.Queue(`
				insert into treatment_condition (id, treatment_id, decision_id, amendment, number, binds, text) values ($1, $2, $3, $4, $5, $6, $7)`,
				c.ID, t.ID, c.DecisionID, c.Amendment, c.Number, c.Binds, c.Text)
		case c != before.conditions[i]:
			b.Queue(`update treatment_condition set acknowledged = $2, fulfilment = $3, set_aside_by = $4 where id = $1`,
				c.ID, c.Acknowledged, c.Fulfilment, c.SetAsideBy)
		}
	}
}

func writeDesignations(b *pgx.Batch, t *treatment.Treatment, before []treatment.Designation) {
	for i, d := range t.Designations {
		switch {
		case i >= len(before):
			b.Queue(`
				insert into treatment_designation (id, treatment_id, number, component_id, called, designation, by_id, by_name, by_roles, reason, at)
				values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`, d.ID, t.ID, d.Number, d.ComponentID, d.Called, d.Designation,
				d.Signature.By.ID, d.Signature.By.Name, d.Signature.Roles, d.Signature.Statement, d.Signature.At)
		case d.Second != before[i].Second:
			b.Queue(`update treatment_designation set second = $2 where id = $1`, d.ID, d.Second)
		}
	}
}

// One reads a treatment.
func (s *Treatments) One(ctx context.Context, id domain.ID) (*treatment.Treatment, error) {
	return s.read(ctx, id, false)
}

// holders name, for each kind of seal, the table that its subject is a row of.
var holders = map[string]string{
	treatment.SealDecision: "treatment_decision", treatment.SealAddendum: "treatment_addendum",
	treatment.SealDesignation: "treatment_designation", treatment.SealDisposal: "treatment_designation",
}

// Holding reads the treatment that holds the subject of a seal.
func (s *Treatments) Holding(ctx context.Context, kind string, subject domain.ID) (*treatment.Treatment, error) {
	id := subject
	if table, ok := holders[kind]; ok {
		if err := s.db.q(ctx).QueryRow(ctx, `select treatment_id from `+table+` where id = $1`, subject).Scan(&id); err != nil {
			return nil, fault(err, "look for %s %s", kind, subject)
		}
	}
	return s.read(ctx, id, false)
}

type treatmentRow struct {
	ID, ObjectID                      domain.ID
	ObjectNumber, ObjectTitle         string
	Department                        string
	Number                            int
	State                             treatment.State
	Hold                              treatment.Hold
	InChargeID                        domain.ID
	InChargeName                      string
	Proposal                          treatment.Proposal
	ApprovedAt, TermEndsAt, LapsedAt  *time.Time
	Completion                        json.RawMessage
	Completed, Signed, WithdrawnByWho *treatment.Signature
	Version                           int64
	CreatedAt                         time.Time
}

// read reads a treatment, under lock before all that belongs to it when lock is true.
func (s *Treatments) read(ctx context.Context, id domain.ID, lock bool) (*treatment.Treatment, error) {
	sql := `
		select t.id, t.object_id, o.number as object_number, o.title as object_title, o.department, t.number, t.state, t.hold, t.in_charge_id, t.in_charge_name,
			t.proposal, t.approved_at, t.term_ends_at, t.lapsed_at, t.completion, t.completed, t.signed, t.withdrawn as withdrawn_by_who, t.version, t.created_at
		from treatment t join object o on o.id = t.object_id where t.id = $1`
	if lock {
		sql += ` for no key update of t`
	}
	t := &treatment.Treatment{ID: id}
	b := &pgx.Batch{}
	b.Queue(sql, id).Query(func(rows pgx.Rows) error {
		r, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[treatmentRow])
		if err != nil {
			return err
		}
		return r.into(t)
	})
	if err := s.readParts(ctx, b, t); err != nil {
		return nil, err
	}
	return t, nil
}

// into puts the columns into a treatment.
func (r treatmentRow) into(t *treatment.Treatment) error {
	*t = treatment.Treatment{
		ID: r.ID, ObjectID: r.ObjectID, ObjectNumber: r.ObjectNumber, ObjectTitle: r.ObjectTitle, Department: r.Department, Number: r.Number, State: r.State,
		Hold: r.Hold, InCharge: treatment.Who{ID: r.InChargeID, Name: r.InChargeName}, Proposal: r.Proposal, ApprovedAt: r.ApprovedAt, TermEndsAt: r.TermEndsAt,
		LapsedAt: r.LapsedAt, CompletedBy: r.Completed, SignedBy: r.Signed, WithdrawnBy: r.WithdrawnByWho, Version: r.Version, CreatedAt: r.CreatedAt,
		Steps: []treatment.Work{}, Departures: []treatment.Work{},
	}
	if len(r.Completion) > 0 && string(r.Completion) != "null" {
		t.Completion = &treatment.Completion{}
		if err := json.Unmarshal(r.Completion, t.Completion); err != nil {
			return fmt.Errorf("read completion of treatment %s: %w", r.ID, err)
		}
		t.Completion.Frozen = r.Completion
	}
	return nil
}

type versionRow struct {
	ID                domain.ID
	Amendment, Number int
	Content           json.RawMessage
	SHA256            string `db:"sha256"`
	SubmittedByID     domain.ID
	SubmittedByName   string
	SubmittedAt       time.Time
	Voided            *treatment.Signature
}

type amendmentRow struct {
	Number        int
	State         treatment.State
	Text          treatment.Proposal
	CreatedByID   domain.ID
	CreatedByName string
	CreatedAt     time.Time
	Withdrawn     *treatment.Signature
}

// signedRow is a signature kept in columns.
type signedRow struct {
	ByID      domain.ID
	ByName    string
	ByRoles   []domain.Role
	Statement string
	At        time.Time
}

func (r signedRow) as(meaning string) treatment.Signature {
	return treatment.Signature{By: treatment.Who{ID: r.ByID, Name: r.ByName}, Roles: r.ByRoles, Meaning: meaning, At: r.At, Statement: r.Statement}
}

type decisionRow struct {
	ID                       domain.ID
	Amendment, VersionNumber int
	SHA256                   string `db:"sha256"`
	Outcome                  treatment.Outcome
	OwnerConsent             string
	signedRow
}

type conditionRow struct {
	ID, DecisionID    domain.ID
	Amendment, Number int
	Binds             treatment.Binds
	Text              string
	Acknowledged      *treatment.Signature
	Fulfilment        *treatment.Fulfilment
	SetAsideBy        *domain.ID
}

type designationRow struct {
	ID, ComponentID     domain.ID
	Number              int
	Called, Designation string
	Second              *treatment.Signature
	signedRow
}

type addendumRow struct {
	ID       domain.ID
	Number   int
	Record   string
	RecordID domain.ID
	Field    string
	Old      string `db:"old_statement"`
	New      string `db:"new_statement"`
	Reason   string
	signedRow
}

// readParts reads what belongs to a treatment, in one round trip with what b asks already.
func (s *Treatments) readParts(ctx context.Context, b *pgx.Batch, t *treatment.Treatment) error {
	collect(b, `select person_id, name, side, why, at from treatment_party where treatment_id = $1 order by at, person_id`, t.ID, &t.Parties,
		func(r struct {
			PersonID domain.ID
			Name     string
			Side     treatment.Side
			Why      string
			At       time.Time
		}) treatment.Party {
			return treatment.Party{Who: treatment.Who{ID: r.PersonID, Name: r.Name}, Side: r.Side, Why: r.Why, At: r.At}
		})
	collect(b, `
		select id, amendment, number, jsonb_build_object('text', text, 'legend', legend) as content, sha256, submitted_by_id, submitted_by_name, submitted_at, voided
		from treatment_version where treatment_id = $1 order by submitted_at, amendment, number`, t.ID, &t.Versions, func(r versionRow) treatment.Version {
		return treatment.Version{ID: r.ID, Amendment: r.Amendment, Number: r.Number, SHA256: r.SHA256, SubmittedBy: treatment.Who{ID: r.SubmittedByID, Name: r.SubmittedByName},
			SubmittedAt: r.SubmittedAt, Voided: r.Voided, Frozen: r.Content}
	})
	collect(b, `select number, state, text, created_by_id, created_by_name, created_at, withdrawn from treatment_amendment where treatment_id = $1 order by number`,
		t.ID, &t.Amendments, func(r amendmentRow) treatment.Amendment {
			return treatment.Amendment{Number: r.Number, State: r.State, Text: r.Text, CreatedBy: treatment.Who{ID: r.CreatedByID, Name: r.CreatedByName}, CreatedAt: r.CreatedAt, WithdrawnBy: r.Withdrawn}
		})
	collect(b, `
		select id, amendment, version_number, sha256, outcome, owner_consent, by_id, by_name, by_roles, statement, at
		from treatment_decision where treatment_id = $1 order by at, id`, t.ID, &t.Decisions, func(r decisionRow) treatment.Decision {
		return treatment.Decision{ID: r.ID, Amendment: r.Amendment, VersionNumber: r.VersionNumber, SHA256: r.SHA256, Outcome: r.Outcome, OwnerConsent: r.OwnerConsent, Signature: r.as(string(r.Outcome))}
	})
	collect(b, `
		select id, decision_id, amendment, number, binds, text, acknowledged, fulfilment, set_aside_by
		from treatment_condition where treatment_id = $1 order by number`, t.ID, &t.Conditions, func(r conditionRow) treatment.Condition { return treatment.Condition(r) })
	collect(b, `
		select id, component_id, number, called, designation, second, by_id, by_name, by_roles, reason as statement, at
		from treatment_designation where treatment_id = $1 order by number`, t.ID, &t.Designations, func(r designationRow) treatment.Designation {
		return treatment.Designation{ID: r.ID, Number: r.Number, ComponentID: r.ComponentID, Called: r.Called, Designation: r.Designation, Signature: r.as(r.Designation), Second: r.Second}
	})
	collect(b, `
		select id, number, record, record_id, field, old_statement, new_statement, reason, by_id, by_name, by_roles, '' as statement, at
		from treatment_addendum where treatment_id = $1 order by number`, t.ID, &t.Addenda, func(r addendumRow) treatment.Addendum {
		return treatment.Addendum{ID: r.ID, Number: r.Number, Record: r.Record, RecordID: r.RecordID, Field: r.Field, Old: r.Old, New: r.New, Reason: r.Reason, Signature: r.as("prepared")}
	})
	var works []treatment.Work
	collect(b, `select `+workColumns+` from work w where w.treatment_id = $1 and w.kind <> 'emergency' order by w.happened_at, w.id`, t.ID, &works, workRow.work)
	if err := s.db.q(ctx).SendBatch(ctx, b).Close(); err != nil {
		return fault(err, "read treatment %s", t.ID)
	}
	for i := range t.Versions {
		if err := json.Unmarshal(t.Versions[i].Frozen, &t.Versions[i]); err != nil { // text and legend
			return fmt.Errorf("read version %d of treatment %s: %w", t.Versions[i].Number, t.ID, err)
		}
	}
	for _, w := range works {
		if w.Kind == treatment.Step {
			t.Steps = append(t.Steps, w)
		} else {
			t.Departures = append(t.Departures, w)
		}
	}
	return nil
}

// collect queues a query whose rows become the items of a list, which is never nil.
func collect[R, T any](b *pgx.Batch, sql string, arg any, into *[]T, as func(R) T) {
	b.Queue(sql, arg).Query(func(rows pgx.Rows) error {
		all, err := pgx.CollectRows(rows, pgx.RowToStructByName[R])
		*into = make([]T, len(all))
		for i, r := range all {
			(*into)[i] = as(r)
		}
		return err
	})
}

// List lists treatments, the last changed first.
func (s *Treatments) List(ctx context.Context, f treatment.Filter, q domain.PageQuery) (domain.Page[treatment.Line], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[treatment.Line]{}, err
	}
	list := []any{"treatments", f}
	at, id, err := timeAndID(q, list)
	if err != nil {
		return domain.Page[treatment.Line]{}, err
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select t.id, t.object_id, o.number as object_number, o.title as object_title, o.department, t.number, t.title, t.state, t.standing, t.movers, t.changed_at,
			t.in_charge_id, t.in_charge_name
		from treatment t join object o on o.id = t.object_id`+where(
		given(f.State != "", `(@state = '' or t.state = @state)`),
		given(f.ObjectID != nil, `t.object_id = @object`),
		given(f.Department != "", `(@department = '' or o.department = @department)`),
		given(f.Move != "", `(@move = '' or @move = any (t.movers))`),
		given(f.InCharge != nil, `(@in_charge::uuid is null or t.in_charge_id = @in_charge)`),
		given(at != nil, `(t.changed_at, t.id) < (@at, @id)`))+`
		order by t.changed_at desc, t.id desc limit @limit`, pgx.NamedArgs{
		"state": f.State, "object": f.ObjectID, "department": f.Department, "move": f.Move, "in_charge": f.InCharge, "at": at, "id": id, "limit": limit,
	})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[struct {
		treatment.Line
		InChargeID   domain.ID
		InChargeName string
	}])
	if err != nil {
		return domain.Page[treatment.Line]{}, fault(err, "list treatments")
	}
	lines := make([]treatment.Line, len(all))
	for i, r := range all {
		lines[i] = r.Line
		lines[i].InCharge = treatment.Who{ID: r.InChargeID, Name: r.InChargeName}
	}
	return domain.NextPage(q, list, lines, func(l treatment.Line) []string {
		return []string{l.ChangedAt.UTC().Format(time.RFC3339Nano), l.ID.String()}
	}), nil
}

// PastTerm lists approvals whose term has ended and that were not begun.
func (s *Treatments) PastTerm(ctx context.Context, at time.Time, limit int) ([]domain.ID, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select id from treatment where state = 'approved' and term_ends_at <= $1 order by term_ends_at, id limit $2`, at, limit)
	ids, err := pgx.CollectRows(rows, pgx.RowTo[domain.ID])
	return ids, fault(err, "look for lapsed approvals")
}

// People reads those persons that exist.
func (s *Treatments) People(ctx context.Context, ids []domain.ID) (map[domain.ID]people.Person, error) {
	known := map[domain.ID]people.Person{}
	if len(ids) == 0 {
		return known, nil
	}
	rows, _ := s.db.q(ctx).Query(ctx, `select `+personColumns+` from person where id = any ($1)`, ids)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[people.Person])
	for _, p := range all {
		known[p.ID] = p
	}
	return known, fault(err, "read people")
}

// Materials reads the names of those library keys that exist.
func (s *Treatments) Materials(ctx context.Context, keys []string) (map[string]string, error) {
	known := map[string]string{}
	if len(keys) == 0 {
		return known, nil
	}
	rows, _ := s.db.q(ctx).Query(ctx, `select key, name from material where key = any ($1)`, keys)
	var key, name string
	_, err := pgx.ForEachRow(rows, []any{&key, &name}, func() error {
		known[key] = name
		return nil
	})
	return known, fault(err, "read materials")
}

// OfObject lists the photographs of an object; it implements treatment.Photos.
func (s *Treatments) OfObject(ctx context.Context, objectID domain.ID) ([]treatment.PhotoRef, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select p.id, p.view, p.stage, p.original_sha256 as sha256,
			(p.taken_clock - make_interval(mins => p.taken_offset_minutes)) at time zone 'UTC' as taken_at,
			array(select c.component_id from photo_component c where c.photo_id = p.id order by c.component_id) as components
		from photo p where p.object_id = $1 order by p.uploaded_at, p.id`, objectID)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[treatment.PhotoRef])
	return all, fault(err, "list photographs of %s", objectID)
}
