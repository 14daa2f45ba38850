package postgres

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/examination"
)

// Examinations keeps examinations and the words for damage; it implements examination.Store.
type Examinations struct{ db *DB }

// NewExaminations makes the store.
func NewExaminations(db *DB) *Examinations { return &Examinations{db: db} }

var _ examination.Store = (*Examinations)(nil)

// signingLock is the space of advisory locks that make signings of one object follow one another.
const signingLock = 0x4a5e

// Lock waits for other signings of the object, and holds until the transaction ends.
func (s *Examinations) Lock(ctx context.Context, objectID domain.ID) error {
	_, err := s.db.q(ctx).Exec(ctx, `select pg_advisory_xact_lock($1, hashtext($2::text))`, signingLock, objectID)
	return fault(err, "lock the examinations of %s", objectID)
}

// damageJSON is an observation as the record has it, without what it belongs to.
func damageJSON(x string) string {
	return fmt.Sprintf(`jsonb_build_object('term', %[1]s.term, 'severity', coalesce(%[1]s.severity, 0), 'activity', %[1]s.activity,
		'extent', case when %[1]s.extent_kind <> '' then jsonb_build_object('kind', %[1]s.extent_kind, 'value', %[1]s.extent_value,
			'uncertainty', %[1]s.extent_uncertainty, 'of', %[1]s.extent_of, 'basis', %[1]s.extent_basis) end,
		'status', %[1]s.status, 'reason', %[1]s.reason, 'note', %[1]s.note, 'cause', %[1]s.cause)`, x)
}

var examinationColumns = `e.id, e.object_id, o.number as object_number, e.state, e.follows_id,
	coalesce((select to_char(f.examined_on, 'YYYY-MM-DD') from examination f where f.id = e.follows_id), '') as follows_on, e.loan_id, e.treatment_id,
	jsonb_build_object('id', e.examiner_id, 'name', e.examiner_name) as examiner, e.occasion, to_char(e.examined_on, 'YYYY-MM-DD') as examined_on,
	e.asked_by, e.assisted_by, e.place_id, e.place, e.light, e.technique, e.conditions, e.handles, e.handling_id, e.description,
	e.overall, e.overall_reason, e.priority, coalesce(to_char(e.next_check_on, 'YYYY-MM-DD'), '') as next_check_on, e.risk, e.recommendation,
	coalesce((select jsonb_agg(jsonb_build_object('component_id', x.component_id, 'seen', x.seen, 'reason', x.reason,
			'called', case when e.state = 'signed' then x.called else o.number || '.' || c.label || ' ' || c.name end) order by c.sort_key, c.id)
		from examination_component x join component c on c.id = x.component_id where x.examination_id = e.id), '[]') as components,
	coalesce((select jsonb_agg(jsonb_build_object('id', x.id, 'component_id', x.component_id, 'continues_id', x.continues_id,
			'called', case when e.state = 'signed' then x.called else o.number || coalesce('.' || c.label || ' ' || c.name, '') end,
			'term_name', case when e.state = 'signed' then x.term_name else t.name end,
			'before', (select ` + damageJSON("b") + ` from examination_observation b where b.id = x.continues_id)) || ` + damageJSON("x") + ` order by x.position, x.id)
		from examination_observation x join damage_term t on t.key = x.term left join component c on c.id = x.component_id
		where x.examination_id = e.id), '[]') as observations,
	coalesce((select jsonb_agg(jsonb_build_object('id', p.id, 'sha256', p.original_sha256) order by x.position)
		from examination_photo x join photo p on p.id = x.photo_id where x.examination_id = e.id), '[]') as photos,
	e.created_at, e.created_by, e.changed_at, (select jsonb_build_object('id', p.id, 'name', p.name) from person p where p.id = e.changed_by) as changed_by,
	e.signed_at, e.signed_as, e.identified, e.alarm, e.open_since,
	(select jsonb_build_object('kind', a.kind, 'treatment_id', a.treatment_id, 'reason', a.reason, 'by', jsonb_build_object('id', a.by_id, 'name', a.by_name), 'at', a.at)
		from examination_answer a where a.examination_id = e.id) as answer,
	coalesce((select jsonb_agg(jsonb_build_object('id', a.id, 'number', a.number, 'field', a.field, 'old_statement', a.old_statement, 'new_statement', a.new_statement,
			'reason', a.reason, 'by', jsonb_build_object('id', a.by_id, 'name', a.by_name), 'roles', a.by_roles, 'at', a.at) order by a.number)
		from examination_addendum a where a.examination_id = e.id), '[]') as addenda,
	e.version, f.path as place_path, coalesce(f.sensitive, false) as hidden`

const examinationTables = ` from examination e join object o on o.id = e.object_id left join lateral place_facts(e.place_id) f on e.place_id is not null`

func (s *Examinations) one(ctx context.Context, where string, arg any) (*examination.Examination, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+examinationColumns+examinationTables+where, arg)
	e, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[examination.Examination])
	return e, fault(err, "read examination %v", arg)
}

// One reads an examination.
func (s *Examinations) One(ctx context.Context, id domain.ID) (*examination.Examination, error) {
	return s.one(ctx, ` where e.id = $1`, id)
}

// Some reads several examinations; one that is not there is left out.
func (s *Examinations) Some(ctx context.Context, ids []domain.ID) (map[domain.ID]*examination.Examination, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+examinationColumns+examinationTables+` where e.id = any ($1)`, ids)
	read, err := pgx.CollectRows(rows, pgx.RowToAddrOfStructByName[examination.Examination])
	all := make(map[domain.ID]*examination.Examination, len(read))
	for _, e := range read {
		all[e.ID] = e
	}
	return all, fault(err, "read %d examinations", len(ids))
}

// OfAddendum reads the examination that an addendum stands beside.
func (s *Examinations) OfAddendum(ctx context.Context, addendumID domain.ID) (*examination.Examination, error) {
	return s.one(ctx, ` where e.id = (select a.examination_id from examination_addendum a where a.id = $1)`, addendumID)
}

// Last reads the last signed examination of an object; nil when there is none.
func (s *Examinations) Last(ctx context.Context, objectID domain.ID) (*examination.Examination, error) {
	e, err := s.one(ctx, ` where e.id = (select c.examination_id from object_condition c where c.object_id = $1)`, objectID)
	if domain.KindOf(err) == domain.KindNotFound {
		return nil, nil // said so in the interface: an object need not have been examined
	}
	return e, err
}

// Add writes a draft.
func (s *Examinations) Add(ctx context.Context, e *examination.Examination) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into examination (id, object_id, state, occasion, examiner_id, examiner_name, examined_on, follows_id, loan_id, treatment_id,
				created_at, created_by, changed_at, changed_by)
			values (@id, @object, 'draft', @occasion, @examiner, @name, @on::text::date, @follows, @loan, @treatment, @at, @by, @at, @by)`,
			pgx.NamedArgs{"id": e.ID, "object": e.ObjectID, "occasion": e.Occasion, "examiner": e.Examiner.ID, "name": e.Examiner.Name, "on": e.ExaminedOn,
				"follows": e.FollowsID, "loan": e.LoanID, "treatment": e.TreatmentID, "at": e.CreatedAt, "by": e.CreatedBy})
		if err != nil {
			return fault(err, "add examination %s", e.ID)
		}
		if err := s.fill(ctx, tx, e, nil); err != nil {
			return err
		}
		return s.db.addEvents(ctx, e.Events()...)
	})
}

// Update changes an examination under lock.
func (s *Examinations) Update(ctx context.Context, id domain.ID, version int64, change func(ctx context.Context, e *examination.Examination) error) (*examination.Examination, error) {
	var e *examination.Examination
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if e, err = s.one(ctx, ` where e.id = $1 for update of e`, id); err != nil {
			return err
		}
		if e.Version != version {
			return domain.ErrStale
		}
		was, addenda, answered := e.State, len(e.Addenda), e.Answer != nil
		kept, err := observed(e)
		if err != nil {
			return err
		}
		if err := change(ctx, e); err != nil {
			return err
		}
		if was == examination.Signed {
			err = s.beside(ctx, tx, e, addenda, answered)
		} else {
			err = s.save(ctx, tx, e, kept)
		}
		if err != nil {
			return err
		}
		if err := s.db.addEvents(ctx, e.Events()...); err != nil {
			return err
		}
		e, err = s.One(ctx, id)
		return err
	})
	return e, err
}

// save writes a draft, and signs it when it has been signed: what belongs to it first, since nothing of a
// signed one is written any more.
func (s *Examinations) save(ctx context.Context, tx pgx.Tx, e *examination.Examination, kept map[domain.ID]string) error {
	if err := s.fill(ctx, tx, e, kept); err != nil {
		return err
	}
	_, err := tx.Exec(ctx, `
		update examination set state = @state, occasion = @occasion, examiner_id = @examiner, examiner_name = @name, examined_on = @on::text::date, asked_by = @asked,
			assisted_by = @assisted, place_id = @place_id, place = @place, light = @light, technique = @technique, conditions = @conditions, handles = @handles,
			handling_id = @handling, description = @description, overall = @overall, overall_reason = @overall_reason, priority = @priority,
			next_check_on = nullif(@next::text, '')::date, risk = @risk, recommendation = @recommendation, follows_id = @follows, changed_at = @at, changed_by = @by,
			signed_at = @signed, signed_as = @signed_as, identified = @identified, alarm = @alarm, open_since = @open, version = version + 1
		where id = @id`,
		pgx.NamedArgs{"id": e.ID, "state": e.State, "occasion": e.Occasion, "examiner": e.Examiner.ID, "name": e.Examiner.Name, "on": e.ExaminedOn, "asked": e.AskedBy,
			"assisted": e.AssistedBy, "place_id": e.PlaceID, "place": e.Place, "light": e.Light, "technique": e.Technique, "conditions": e.Conditions, "handles": e.Handles,
			"handling": e.HandlingID, "description": e.Description, "overall": e.Overall, "overall_reason": e.OverallReason, "priority": e.Priority, "next": e.NextCheckOn,
			"risk": e.Risk, "recommendation": e.Recommendation, "follows": e.FollowsID, "at": e.ChangedAt, "by": e.ChangedBy.ID, "signed": e.SignedAt,
			"signed_as": e.SignedAs, "identified": e.Identified, "alarm": e.Alarm, "open": e.OpenSince})
	return fault(err, "change examination %s", e.ID)
}

// observed is each observation as text with its place in the list, to tell which were changed.
func observed(e *examination.Examination) (map[domain.ID]string, error) {
	all := make(map[domain.ID]string, len(e.Observations))
	for i := range e.Observations {
		text, err := json.Marshal(&e.Observations[i])
		if err != nil {
			return nil, err
		}
		all[e.Observations[i].ID] = strconv.Itoa(i) + " " + string(text)
	}
	return all, nil
}

// fill writes what belongs to a draft. Rows that stay keep their ids, since marks point at them. An observation that is
// as it is kept already is not written again.
func (s *Examinations) fill(ctx context.Context, tx pgx.Tx, e *examination.Examination, kept map[domain.ID]string) error {
	now, err := observed(e)
	if err != nil {
		return err
	}
	batch := &pgx.Batch{}
	components, seen, reasons, called := make([]domain.ID, len(e.Components)), make([]*bool, len(e.Components)), make([]string, len(e.Components)), make([]string, len(e.Components))
	for i, c := range e.Components {
		components[i], seen[i], reasons[i], called[i] = c.ComponentID, c.Seen, c.Reason, c.Called
	}
	batch.Queue(`delete from examination_component where examination_id = $1 and component_id <> all ($2)`, e.ID, components)
	batch.Queue(`
		insert into examination_component as old (examination_id, object_id, component_id, seen, reason, called)
		select $1, $2, x.* from unnest($3::uuid[], $4::bool[], $5::text[], $6::text[]) as x
		on conflict (examination_id, component_id) do update set seen = excluded.seen, reason = excluded.reason, called = excluded.called
		where (old.seen, old.reason, old.called) is distinct from (excluded.seen, excluded.reason, excluded.called)`,
		e.ID, e.ObjectID, components, seen, reasons, called)
	observationIDs := make([]domain.ID, len(e.Observations))
	for i, o := range e.Observations {
		observationIDs[i] = o.ID
	}
	batch.Queue(`delete from examination_observation where examination_id = $1 and id <> all ($2)`, e.ID, observationIDs)
	for i, o := range e.Observations {
		if kept[o.ID] == now[o.ID] {
			continue
		}
		x := extentOf(o.Extent)
		batch.Queue(`
			insert into examination_observation as old (id, examination_id, object_id, position, component_id, called, term, term_name, severity, activity,
				extent_kind, extent_value, extent_uncertainty, extent_of, extent_basis, status, reason, continues_id, note, cause)
			values (@id, @examination, @object, @position, @component, @called, @term, @term_name, nullif(@severity::int, 0), @activity,
				@kind, @value, @uncertainty, @of, @basis, @status, @reason, @continues, @note, @cause)
			on conflict (id) do update set position = excluded.position, called = excluded.called, term = excluded.term, term_name = excluded.term_name,
				severity = excluded.severity, activity = excluded.activity, extent_kind = excluded.extent_kind, extent_value = excluded.extent_value,
				extent_uncertainty = excluded.extent_uncertainty, extent_of = excluded.extent_of, extent_basis = excluded.extent_basis, status = excluded.status,
				reason = excluded.reason, continues_id = excluded.continues_id, note = excluded.note, cause = excluded.cause
			where old is distinct from excluded`,
			pgx.NamedArgs{"id": o.ID, "examination": e.ID, "object": e.ObjectID, "position": i + 1, "component": o.ComponentID, "called": o.Called, "term": o.Term,
				"term_name": o.TermName, "severity": o.Severity, "activity": o.Activity, "kind": x.kind, "value": x.value, "uncertainty": x.uncertainty, "of": x.of,
				"basis": x.basis, "status": o.Status, "reason": o.Reason, "continues": o.ContinuesID, "note": o.Note, "cause": o.Cause})
	}
	batch.Queue(`delete from examination_photo where examination_id = $1`, e.ID)
	batch.Queue(`insert into examination_photo (examination_id, object_id, photo_id, position) select $1, $2, x.id, x.n from unnest($3::uuid[]) with ordinality as x (id, n)`,
		e.ID, e.ObjectID, e.PhotoIDs())
	return fault(tx.SendBatch(ctx, batch).Close(), "write examination %s", e.ID)
}

type extentRow struct {
	kind, of, basis    string
	value, uncertainty *decimal.Decimal
}

func extentOf(x *examination.Extent) extentRow {
	if x == nil {
		return extentRow{}
	}
	return extentRow{string(x.Kind), x.Of, x.Basis, &x.Value, x.Uncertainty}
}

// beside writes what was added beside a signed examination.
func (s *Examinations) beside(ctx context.Context, tx pgx.Tx, e *examination.Examination, addenda int, answered bool) error {
	batch := &pgx.Batch{}
	for _, a := range e.Addenda[addenda:] {
		batch.Queue(`
			insert into examination_addendum (id, examination_id, number, field, old_statement, new_statement, reason, by_id, by_name, by_roles, at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`, a.ID, e.ID, a.Number, a.Field, a.Old, a.New, a.Reason, a.By.ID, a.By.Name, a.Roles, a.At)
	}
	if a := e.Answer; a != nil && !answered {
		batch.Queue(`insert into examination_answer (examination_id, object_id, kind, treatment_id, reason, by_id, by_name, at) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
			e.ID, e.ObjectID, a.Kind, a.TreatmentID, a.Reason, a.By.ID, a.By.Name, a.At)
	}
	batch.Queue(`update examination set open_since = $2, version = version + 1 where id = $1`, e.ID, e.OpenSince)
	return fault(tx.SendBatch(ctx, batch).Close(), "write beside examination %s", e.ID)
}

// Delete takes a draft away.
func (s *Examinations) Delete(ctx context.Context, e *examination.Examination) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		batch := &pgx.Batch{}
		for _, part := range []string{"examination_photo", "examination_observation", "examination_component"} {
			batch.Queue(`delete from `+part+` where examination_id = $1`, e.ID)
		}
		batch.Queue(`delete from examination where id = $1`, e.ID)
		if err := tx.SendBatch(ctx, batch).Close(); err != nil {
			return fault(err, "discard examination %s", e.ID)
		}
		return s.db.addEvents(ctx, e.Events()...)
	})
}

// List lists the examinations of an object, the newest first.
func (s *Examinations) List(ctx context.Context, objectID domain.ID, q domain.PageQuery) (domain.Page[examination.Line], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[examination.Line]{}, err
	}
	list := []any{"examinations", objectID}
	keys, err := q.Keys(list, 2)
	if err != nil {
		return domain.Page[examination.Line]{}, err
	}
	var on *time.Time
	var id domain.ID
	if keys != nil {
		day, dayErr := time.Parse(time.DateOnly, keys[0])
		var idErr error
		if id, idErr = domain.ParseID(keys[1]); dayErr != nil || idErr != nil {
			return domain.Page[examination.Line]{}, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
		}
		on = &day
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select e.id, e.object_id, o.number as object_number, e.state, e.occasion, to_char(e.examined_on, 'YYYY-MM-DD') as examined_on,
			jsonb_build_object('id', e.examiner_id, 'name', e.examiner_name) as examiner, e.overall, e.priority, coalesce(to_char(e.next_check_on, 'YYYY-MM-DD'), '') as next_check_on,
			(select count(*)::int from examination_observation x where x.examination_id = e.id and x.status <> 'gone') as observations,
			(select count(*)::int from examination_addendum a where a.examination_id = e.id) as addenda, e.changed_at, e.signed_at, e.alarm, e.open_since
		from examination e join object o on o.id = e.object_id`+where(`e.object_id = @object`, given(on != nil, `(e.examined_on, e.id) < (@on::date, @id)`))+`
		order by e.examined_on desc, e.id desc limit @limit`,
		pgx.NamedArgs{"object": objectID, "on": on, "id": id, "limit": limit})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[examination.Line])
	if err != nil {
		return domain.Page[examination.Line]{}, fault(err, "list examinations of %s", objectID)
	}
	return domain.NextPage(q, list, all, func(l examination.Line) []string { return []string{l.ExaminedOn, l.ID.String()} }), nil
}

// Conditions reads the present conditions of objects.
func (s *Examinations) Conditions(ctx context.Context, objectIDs []domain.ID) ([]examination.Condition, error) {
	ofObjects, arg := among("c.object_id", objectIDs)
	rows, _ := s.db.q(ctx).Query(ctx, `
		select c.object_id, c.examination_id, to_char(c.examined_on, 'YYYY-MM-DD') as examined_on, c.overall, c.priority, to_char(c.next_check_on, 'YYYY-MM-DD') as next_check_on
		from object_condition c where `+ofObjects, arg)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[examination.Condition])
	return all, fault(err, "read conditions")
}

// Marks reads the marks of an examination's observations, in the order of their ids.
func (s *Examinations) Marks(ctx context.Context, examinationID domain.ID) ([]examination.Mark, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select m.id, m.photo_id, m.observation_id, m.kind, array_to_string(m.points, ' ') as points, m.precision_px::text, m.note
		from examination_observation o join photo_mark m on m.observation_id = o.id
		where o.examination_id = $1 order by m.id`, examinationID)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[examination.Mark])
	return all, fault(err, "read the marks of examination %s", examinationID)
}

// Hidden reads whether a place is sensitive.
func (s *Examinations) Hidden(ctx context.Context, placeID domain.ID) (bool, error) {
	return placeHidden(ctx, s.db, placeID)
}

const termColumns = `t.key, t.name, t.definition, t.classes, t.active, t.decay, t.aat, t.source, t.basis, t.site, t.added_by, t.added_at`

// Terms reads the words for damage by name.
func (s *Examinations) Terms(ctx context.Context) ([]examination.Term, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+termColumns+` from damage_term t order by fold(t.name)`)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[examination.Term])
	return all, fault(err, "read the words for damage")
}

// AddTerm writes a word of the museum's own.
func (s *Examinations) AddTerm(ctx context.Context, t *examination.Term, event domain.Event) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into damage_term (key, name, definition, classes, active, decay, aat, source, basis, site, added_by, added_at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`, t.Key, t.Name, t.Definition, t.Classes, t.Active, t.Decay, t.AAT, t.Source, t.Basis, t.Site, t.AddedBy, t.AddedAt)
		if err != nil {
			return fault(err, "add the word %s", t.Key)
		}
		return s.db.addEvents(ctx, event)
	})
}

// loadTerms brings the published words for damage into the table, as the owner after the migrations. It is
// done again at every start and changes only what differs; the museum's own words stay.
func loadTerms(ctx context.Context, ownerURL string) error {
	terms, err := examination.Published()
	if err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return fmt.Errorf("connect to the database as its owner: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	batch := &pgx.Batch{}
	for _, t := range terms {
		batch.Queue(`
			insert into damage_term as old (key, name, definition, classes, active, decay, aat, source, basis)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9)
			on conflict (key) do update set name = excluded.name, definition = excluded.definition, classes = excluded.classes, active = excluded.active, decay = excluded.decay,
				aat = excluded.aat, source = excluded.source, basis = excluded.basis
			where not old.site and (old.name, old.definition, old.classes, old.active, old.decay, old.aat, old.source, old.basis)
				is distinct from (excluded.name, excluded.definition, excluded.classes, excluded.active, excluded.decay, excluded.aat, excluded.source, excluded.basis)`,
			t.Key, t.Name, t.Definition, t.Classes, t.Active, t.Decay, t.AAT, t.Source, t.Basis)
	}
	if err := conn.SendBatch(ctx, batch).Close(); err != nil {
		return fmt.Errorf("load the words for damage: %w", err)
	}
	return nil
}
