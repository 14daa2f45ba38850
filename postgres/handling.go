package postgres

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/handling"
)

var handlingWords = map[string]*domain.Error{
	"handling_append_only":               {Kind: domain.KindRefused, Code: "R2", Message: "A logged handling is never changed or deleted; write an addendum."},
	"handling_person_append_only":        {Kind: domain.KindRefused, Code: "R2", Message: "A logged handling is never changed or deleted; write an addendum."},
	"handling_component_append_only":     {Kind: domain.KindRefused, Code: "R2", Message: "A logged handling is never changed or deleted; write an addendum."},
	"handling_flex_append_only":          {Kind: domain.KindRefused, Code: "R2", Message: "A logged handling is never changed or deleted; write an addendum."},
	"handling_addendum_append_only":      {Kind: domain.KindRefused, Code: "R2", Message: "An addendum is never changed or deleted; write another."},
	"stop_append_only":                   {Kind: domain.KindRefused, Code: "H3", Message: "A stop is never changed or deleted; a conservator releases it."},
	"stop_component_append_only":         {Kind: domain.KindRefused, Code: "H3", Message: "A stop is never changed or deleted; a conservator releases it."},
	"stop_note_append_only":              {Kind: domain.KindRefused, Code: "H3", Message: "A note on a stop is never changed or deleted; write another."},
	"stop_release_append_only":           {Kind: domain.KindRefused, Code: "H3", Message: "The release of a stop is never changed or deleted."},
	"hazard_assessment_append_only":      {Kind: domain.KindRefused, Code: "R2", Message: "An assessment is never changed or deleted; record a later one."},
	"stop_release_pkey":                  {Kind: domain.KindConflict, Code: "H3", Message: "This stop was released already."},
	"handling_object_fkey":               {Kind: domain.KindNotFound, Code: "not_found", Message: "There is no such object."},
	"handling_person_person_fkey":        {Kind: domain.KindInvalid, Code: "invalid", Message: "One of the handlers has no account here; write the name under other handlers."},
	"handling_person_pkey":               {Kind: domain.KindInvalid, Code: "invalid", Message: "Name each handler once."},
	"handling_component_component_fkey":  {Kind: domain.KindInvalid, Code: "invalid", Message: "One of the components is not of this object."},
	"handling_component_pkey":            {Kind: domain.KindInvalid, Code: "invalid", Message: "Name each component once."},
	"handling_minutes_sane":              {Kind: domain.KindInvalid, Code: "invalid", Message: "A handling takes 1 to 1440 minutes."},
	"handling_lifts_sane":                {Kind: domain.KindInvalid, Code: "invalid", Message: "Count 0 to 999 lifts."},
	"handling_not_before_begun":          {Kind: domain.KindInvalid, Code: "invalid", Message: "A handling is logged when it has begun, not before."},
	"handling_purpose_known":             {Kind: domain.KindInvalid, Code: "invalid", Message: "Choose one of the known purposes."},
	"handling_noticed_filled":            {Kind: domain.KindInvalid, Code: "invalid", Message: "Choose 'nothing' or what was noticed, not both."},
	"handling_turn_is_a_lift":            {Kind: domain.KindInvalid, Code: "invalid", Message: "A change of position is at least one lift."},
	"handling_controls_known":            {Kind: domain.KindInvalid, Code: "invalid", Message: "Say whether the usual controls were kept."},
	"handling_hazards_answered":          {Kind: domain.KindInvalid, Code: "invalid", Message: "Say whether the usual controls for the hazards were kept."},
	"handling_evacuation_known":          {Kind: domain.KindInvalid, Code: "invalid", Message: "An evacuation is from fire, flood or a threat to life."},
	"handling_flex_joint_known":          {Kind: domain.KindInvalid, Code: "invalid", Message: "Choose one of the known joints."},
	"handling_flex_side_known":           {Kind: domain.KindInvalid, Code: "invalid", Message: "A side is left, right or none."},
	"handling_flex_degrees_sane":         {Kind: domain.KindInvalid, Code: "invalid", Message: "An angle is 0 to 360 degrees."},
	"handling_flex_times_sane":           {Kind: domain.KindInvalid, Code: "invalid", Message: "A joint is moved 1 to 999 times."},
	"handling_addendum_filled":           {Kind: domain.KindInvalid, Code: "invalid", Message: "Write the addendum."},
	"stop_object_fkey":                   {Kind: domain.KindNotFound, Code: "not_found", Message: "There is no such object."},
	"stop_component_component_fkey":      {Kind: domain.KindInvalid, Code: "invalid", Message: "One of the components is not of this object."},
	"stop_has_a_cause":                   {Kind: domain.KindInvalid, Code: "invalid", Message: "Say why it is stopped."},
	"stop_note_filled":                   {Kind: domain.KindInvalid, Code: "invalid", Message: "Write the note."},
	"stop_release_filled":                {Kind: domain.KindInvalid, Code: "invalid", Message: "Give the reason, what was found and the new limits."},
	"hazard_assessment_component_fkey":   {Kind: domain.KindInvalid, Code: "invalid", Message: "This is not a component of the object."},
	"hazard_assessment_assessor_fkey":    {Kind: domain.KindInvalid, Code: "invalid", Message: "The assessor has no account here; write only the name."},
	"hazard_assessment_object_fkey":      {Kind: domain.KindNotFound, Code: "not_found", Message: "There is no such object."},
	"hazard_assessment_filled":           {Kind: domain.KindInvalid, Code: "invalid", Message: "Name the hazard, the assessor, the competence and what was found."},
	"hazard_assessment_has_controls":     {Kind: domain.KindInvalid, Code: "invalid", Message: "Say with which controls it may be handled."},
	"hazard_assessment_valid_later":      {Kind: domain.KindInvalid, Code: "invalid", Message: "It holds at least on the day on which it was made."},
	"handling_photo_append_only":         {Kind: domain.KindRefused, Code: "R2", Message: "A logged handling is never changed or deleted; write an addendum."},
	"handling_photo_photo_fkey":          {Kind: domain.KindInvalid, Code: "invalid", Message: "This is not a photograph of the object."},
	"handling_photo_pkey":                {Kind: domain.KindConflict, Code: "photo_attached", Message: "This photograph belongs to the handling already."},
	"handling_photo_position_unique":     {Kind: domain.KindStale, Code: "stale", Message: "Somebody else added a photograph at the same moment. Add yours again."},
	"handling_photo_handling_fkey":       refusedByDatabase("There is no such handling."),
	"handling_pkey":                      refusedByDatabase("This handling exists already."),
	"handling_object_unique":             refusedByDatabase("This handling exists already."),
	"handling_recorded_by_fkey":          refusedByDatabase("There is no such person."),
	"handling_person_position_unique":    refusedByDatabase("Two handlers have one place in the list."),
	"handling_person_handling_fkey":      refusedByDatabase("There is no such handling."),
	"handling_component_handling_fkey":   refusedByDatabase("There is no such handling."),
	"handling_flex_pkey":                 refusedByDatabase("Two flexes have one place in the list."),
	"handling_flex_handling_fkey":        refusedByDatabase("There is no such handling."),
	"handling_addendum_pkey":             {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote an addendum at the same moment. Send yours again."},
	"handling_addendum_handling_fkey":    refusedByDatabase("There is no such handling."),
	"handling_addendum_author_fkey":      refusedByDatabase("There is no such person."),
	"stop_pkey":                          refusedByDatabase("This stop exists already."),
	"stop_object_unique":                 refusedByDatabase("This stop exists already."),
	"stop_handling_unique":               refusedByDatabase("One handling raises one stop."),
	"stop_handling_fkey":                 refusedByDatabase("There is no such handling of this object."),
	"stop_raised_by_fkey":                refusedByDatabase("There is no such person."),
	"stop_component_pkey":                refusedByDatabase("A stop names each component once."),
	"stop_component_position_unique":     refusedByDatabase("Two components have one place in the list."),
	"stop_component_stop_fkey":           refusedByDatabase("There is no such stop."),
	"stop_note_pkey":                     {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote a note at the same moment. Send yours again."},
	"stop_note_stop_fkey":                refusedByDatabase("There is no such stop."),
	"stop_note_author_fkey":              refusedByDatabase("There is no such person."),
	"stop_release_stop_fkey":             refusedByDatabase("There is no such stop."),
	"stop_release_released_by_fkey":      refusedByDatabase("There is no such person."),
	"hazard_assessment_pkey":             refusedByDatabase("This assessment exists already."),
	"hazard_assessment_recorded_by_fkey": refusedByDatabase("There is no such person."),
}

// Handling keeps handlings, stops and assessments; it implements handling.Store.
type Handling struct{ db *DB }

// NewHandling makes the store.
func NewHandling(db *DB) *Handling { return &Handling{db: db} }

var _ handling.Store = (*Handling)(nil)

// handsLock is the space of advisory locks that make acts with hands on one object follow one
// another, so that no planned act slips past a stop that is being raised.
const handsLock = 0x4a5d

// Lock waits for other acts with hands on the object, and holds until the transaction ends.
func (s *Handling) Lock(ctx context.Context, objectID domain.ID) error {
	_, err := s.db.q(ctx).Exec(ctx, `select pg_advisory_xact_lock($1, hashtext($2::text))`, handsLock, objectID)
	return fault(err, "lock the hands on %s", objectID)
}

const handlingColumns = `h.id, h.object_id, o.number as object_number, h.started_at, h.minutes, h.recorded_at,
	jsonb_build_object('id', r.id, 'name', r.name) as recorded_by,
	(select jsonb_agg(jsonb_build_object('id', p.id, 'name', p.name) order by hp.position)
		from handling_person hp join person p on p.id = hp.person_id where hp.handling_id = h.id) as handlers,
	h.other_handlers, h.purpose,
	coalesce((select jsonb_agg(jsonb_build_object('id', c.id, 'name', o.number || '.' || c.label || ' ' || c.name) order by c.sort_key, c.id)
		from handling_component hc join component c on c.id = hc.component_id where hc.handling_id = h.id), '[]') as components,
	h.from_position as "from", h.to_position as "to", h.lifts,
	coalesce((select jsonb_agg(jsonb_build_object('joint', f.joint, 'side', f.side, 'movement', f.movement, 'degrees', f.degrees, 'times', f.times) order by f.position)
		from handling_flex f where f.handling_id = h.id), '[]') as flexes,
	h.support, h.gloves, h.noticed, h.note, h.controls, h.hazards, h.unassessed, h.evacuation, h.under_stop,
	(select s.id from stop s where s.handling_id = h.id) as stop_id,
	array(select x.photo_id from handling_photo x where x.handling_id = h.id order by x.position) as photo_ids,
	coalesce((select jsonb_agg(jsonb_build_object('at', a.at, 'author_id', a.author_id, 'author_name', p.name, 'text', a.text) order by a.position)
		from handling_addendum a join person p on p.id = a.author_id where a.handling_id = h.id), '[]') as addenda`

const handlingTables = ` from handling h join object o on o.id = h.object_id join person r on r.id = h.recorded_by`

// Add writes an event and the stop that it raised.
func (s *Handling) Add(ctx context.Context, e *handling.Event, stop *handling.Stop) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		batch := &pgx.Batch{}
		batch.Queue(`
			insert into handling (id, object_id, started_at, minutes, recorded_at, recorded_by, other_handlers, purpose, from_position, to_position,
				lifts, support, gloves, noticed, note, controls, hazards, unassessed, evacuation, under_stop)
			values (@id, @object, @started, @minutes, @recorded, @by, @others, @purpose, @from, @to,
				@lifts, @support, @gloves, @noticed, @note, @controls, @hazards, @unassessed, @evacuation, @under)`,
			pgx.NamedArgs{"id": e.ID, "object": e.ObjectID, "started": e.StartedAt, "minutes": e.Minutes, "recorded": e.RecordedAt, "by": e.RecordedBy.ID,
				"others": e.OtherHandlers, "purpose": e.Purpose, "from": e.From, "to": e.To, "lifts": e.Lifts, "support": e.Support, "gloves": e.Gloves,
				"noticed": e.Noticed, "note": e.Note, "controls": e.Controls, "hazards": e.Hazards, "unassessed": e.Unassessed,
				"evacuation": e.Evacuation, "under": e.UnderStop})
		batch.Queue(`insert into handling_person (handling_id, person_id, position) select $1, x.id, x.n from unnest($2::uuid[]) with ordinality as x (id, n)`,
			e.ID, ids(e.Handlers))
		batch.Queue(`insert into handling_component (handling_id, object_id, component_id) select $1, $2, unnest($3::uuid[])`, e.ID, e.ObjectID, ids(e.Components))
		for i, f := range e.Flexes {
			batch.Queue(`insert into handling_flex (handling_id, position, joint, side, movement, degrees, times) values ($1, $2, $3, $4, $5, $6, $7)`,
				e.ID, i+1, f.Joint, f.Side, f.Movement, f.Degrees, f.Times)
		}
		if err := tx.SendBatch(ctx, batch).Close(); err != nil {
			return fault(err, "log handling %s", e.ID)
		}
		if stop != nil {
			if err := s.AddStop(ctx, stop); err != nil {
				return err
			}
		}
		return s.db.addEvents(ctx, e.Events()...)
	})
}

func ids(named []handling.Named) []domain.ID {
	all := make([]domain.ID, len(named))
	for i, n := range named {
		all[i] = n.ID
	}
	return all
}

// One reads a handling.
func (s *Handling) One(ctx context.Context, id domain.ID) (*handling.Event, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+handlingColumns+handlingTables+` where h.id = $1`, id)
	e, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[handling.Event])
	return e, fault(err, "read handling %s", id)
}

// List lists handlings, the latest first.
func (s *Handling) List(ctx context.Context, f handling.Filter, q domain.PageQuery) (domain.Page[handling.Event], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[handling.Event]{}, err
	}
	list := []any{"handlings", f}
	at, id, err := timeAndID(q, list)
	if err != nil {
		return domain.Page[handling.Event]{}, err
	}
	rows, _ := s.db.q(ctx).Query(ctx, `select `+handlingColumns+handlingTables+where(
		given(at != nil, `(h.started_at, h.id) < (@at, @id)`),
		whichHandlings(f.ObjectID, f.ComponentID, f.PersonID, f.Purpose, f.From, f.Until),
		given(f.Sign != "", `(@sign = '' or @sign = any (h.noticed))`))+`
		order by h.started_at desc, h.id desc limit @limit`,
		pgx.NamedArgs{"at": at, "id": id, "object": f.ObjectID, "component": f.ComponentID, "person": f.PersonID, "purpose": f.Purpose,
			"sign": f.Sign, "from": f.From, "until": f.Until, "limit": limit})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[handling.Event])
	if err != nil {
		return domain.Page[handling.Event]{}, fault(err, "list handlings")
	}
	return domain.NextPage(q, list, all, func(e handling.Event) []string {
		return []string{e.StartedAt.UTC().Format(time.RFC3339Nano), e.ID.String()}
	}), nil
}

// whichHandlings narrows handlings to what is given.
func whichHandlings(object, component, person *domain.ID, purpose string, from, until *time.Time) string {
	return both(
		given(object != nil, `h.object_id = @object`),
		given(component != nil, `exists (select from handling_component x where x.handling_id = h.id and x.component_id = @component)`),
		given(person != nil, `exists (select from handling_person x where x.handling_id = h.id and x.person_id = @person)`),
		given(purpose != "", `(@purpose = '' or h.purpose = @purpose)`),
		given(from != nil, `(@from::timestamptz is null or h.started_at >= @from)`),
		given(until != nil, `(@until::timestamptz is null or h.started_at < @until)`))
}

// timeAndID reads the cursor of a list that runs back in time; nil and nil on the first page.
func timeAndID(q domain.PageQuery, list any) (*time.Time, *domain.ID, error) {
	keys, err := q.Keys(list, 2)
	if err != nil || keys == nil {
		return nil, nil, err
	}
	at, timeErr := time.Parse(time.RFC3339Nano, keys[0])
	id, idErr := domain.ParseID(keys[1])
	if timeErr != nil || idErr != nil {
		return nil, nil, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
	}
	return &at, &id, nil
}

// dayAndID reads the keys of a list that runs back over days.
func dayAndID(keys []string) (string, domain.ID, error) {
	_, dayErr := time.Parse(time.DateOnly, keys[0])
	id, idErr := domain.ParseID(keys[1])
	if dayErr != nil || idErr != nil {
		return "", id, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
	}
	return keys[0], id, nil
}

// AddAddendum writes the addendum that was added to e last.
func (s *Handling) AddAddendum(ctx context.Context, e *handling.Event, a handling.Addendum) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into handling_addendum (handling_id, position, at, author_id, text) values ($1, $2, $3, $4, $5)`,
			e.ID, len(e.Addenda), a.At, a.AuthorID, a.Text)
		if err != nil {
			return fault(err, "amend handling %s", e.ID)
		}
		return s.db.addEvents(ctx, e.Events()...)
	})
}

// AddPhoto writes the photograph that was added to e last.
func (s *Handling) AddPhoto(ctx context.Context, e *handling.Event, photoID domain.ID) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into handling_photo (handling_id, object_id, photo_id, position) values ($1, $2, $3, $4)`,
			e.ID, e.ObjectID, photoID, len(e.PhotoIDs))
		if err != nil {
			return fault(err, "attach a photograph to handling %s", e.ID)
		}
		return s.db.addEvents(ctx, e.Events()...)
	})
}

// LastPosition reads where the whole object was left.
func (s *Handling) LastPosition(ctx context.Context, objectID domain.ID) (string, error) {
	var last string
	err := s.db.q(ctx).QueryRow(ctx, `
		select coalesce((
			select h.to_position from handling h
			where h.object_id = $1 and h.to_position <> '' and not exists (select from handling_component c where c.handling_id = h.id)
			order by h.started_at desc, h.id desc limit 1), '')`, objectID).Scan(&last)
	return last, fault(err, "read the last position of %s", objectID)
}

// totalsBy are the branches of Totals, one for each dimension. Names are read last: of objects and components
// only those with the most handlings have one.
var totalsBy = map[string]string{
	"all": `select 'all' as by, '' as key, 'all handlings' as label, ` + sumsOfAll + ` from e`,
	"object": `select 'object' as by, o.id::text as key, o.number || ' · ' || o.title as label, t.handlings, t.minutes, t.lifts, t.flexes
		from (select e.object_id as id, ` + sums + ` from e group by e.object_id order by handlings desc, id limit @most) t join object o on o.id = t.id`,
	"component": `select 'component' as by, coalesce(c.id::text, '') as key, coalesce(o.number || '.' || c.label || ' ' || c.name, 'the whole object') as label,
			t.handlings, t.minutes, t.lifts, t.flexes
		from (select hc.component_id as id, ` + sums + ` from e left join handling_component hc on hc.handling_id = e.id
			group by hc.component_id order by handlings desc, id limit @most) t
		left join component c on c.id = t.id left join object o on o.id = c.object_id`,
	"joint": `select 'joint' as by, f.joint || '_' || f.side as key, case f.side when 'none' then '' else f.side || ' ' end || f.joint as label,
			` + sumsOfEvents + `, sum(f.times)::int as flexes
		from e join (select handling_id, joint, side, sum(times) as times from handling_flex where handling_id in (select id from e) group by handling_id, joint, side) f on f.handling_id = e.id
		group by f.joint, f.side`,
	"purpose": `select 'purpose' as by, e.purpose as key, replace(e.purpose, '_', ' ') as label, ` + sums + ` from e group by e.purpose`,
	"person": `select 'person' as by, p.id::text as key, p.name as label, ` + sums + `
		from e join handling_person hp on hp.handling_id = e.id join person p on p.id = hp.person_id group by p.id`,
	"month": `select 'month' as by, to_char(e.local, 'YYYY-MM') as key, to_char(e.local, 'YYYY-MM') as label, ` + sums + ` from e group by to_char(e.local, 'YYYY-MM')`,
	"year":  `select 'year' as by, to_char(e.local, 'YYYY') as key, to_char(e.local, 'YYYY') as label, ` + sums + ` from e group by to_char(e.local, 'YYYY')`,
}

const (
	sumsOfEvents = `count(*)::int as handlings, coalesce(sum(e.minutes), 0)::int as minutes, coalesce(sum(e.lifts), 0)::int as lifts`
	sums         = sumsOfEvents + `, sum(e.flexes)::int as flexes`
	sumsOfAll    = sumsOfEvents + `, coalesce(sum(e.flexes), 0)::int as flexes`
)

// Totals sums up handlings in one query: one branch for each dimension that is asked for.
func (s *Handling) Totals(ctx context.Context, q handling.TotalsQuery, zone *time.Location) (handling.Totals, error) {
	var branches []string
	for _, by := range handling.Dimensions {
		if slices.Contains(q.By, by) {
			branches = append(branches, totalsBy[by])
		}
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		with e as materialized (
			select h.id, h.object_id, h.started_at at time zone @zone as local, h.minutes, h.lifts, h.purpose,
				coalesce((select sum(f.times) from handling_flex f where f.handling_id = h.id), 0)::int as flexes
			from handling h`+where(whichHandlings(q.ObjectID, q.ComponentID, q.PersonID, q.Purpose, q.From, q.Until))+`),
		total as (`+strings.Join(branches, ` union all `)+`),
		placed as (select *, row_number() over (partition by by order by handlings desc, label, key) as place from total)
		select by, key, label, handlings, minutes, lifts, flexes from placed
		where place <= @most
		order by array_position(@dimensions::text[], by), case when by in ('month', 'year') then key end, place`,
		pgx.NamedArgs{"zone": zone.String(), "object": q.ObjectID, "component": q.ComponentID, "person": q.PersonID, "purpose": q.Purpose,
			"from": q.From, "until": q.Until, "most": handling.TotalsMost, "dimensions": handling.Dimensions})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[handling.Total])
	if err != nil {
		return handling.Totals{}, fault(err, "total handlings")
	}
	if all == nil {
		all = []handling.Total{}
	}
	return handling.Totals{Items: all}, nil
}

const stopColumns = `s.id, s.object_id, s.object_number, s.department, s.handling_id,
	coalesce((select jsonb_agg(jsonb_build_object('id', c.component_id, 'name', c.called) order by c.position)
		from stop_component c where c.stop_id = s.id), '[]') as components,
	s.signs, s.note, s.raised_at, jsonb_build_object('id', s.raised_by, 'name', s.raised_by_name) as raised_by, s.handler_ids,
	coalesce((select jsonb_agg(jsonb_build_object('at', n.at, 'author_id', n.author_id, 'author_name', n.author_name, 'text', n.text) order by n.position)
		from stop_note n where n.stop_id = s.id), '[]') as notes,
	(select jsonb_build_object('at', r.at, 'by', jsonb_build_object('id', r.released_by, 'name', r.released_by_name), 'reason', r.reason, 'found', r.found,
			'limits', r.limits, 'curator_note', r.curator_note, 'curator_name', r.curator_name)
		from stop_release r where r.stop_id = s.id) as release`

// AddStop writes a stop.
func (s *Handling) AddStop(ctx context.Context, stop *handling.Stop) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		called := make([]string, len(stop.Components))
		for i, c := range stop.Components {
			called[i] = c.Name
		}
		batch := &pgx.Batch{}
		batch.Queue(`
			insert into stop (id, object_id, object_number, department, handling_id, signs, note, raised_at, raised_by, raised_by_name, handler_ids)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
			stop.ID, stop.ObjectID, stop.ObjectNumber, stop.Department, stop.HandlingID, stop.Signs, stop.Note, stop.RaisedAt,
			stop.RaisedBy.ID, stop.RaisedBy.Name, stop.HandlerIDs)
		batch.Queue(`
			insert into stop_component (stop_id, object_id, component_id, position, called)
			select $1, $2, x.id, x.n, x.called from unnest($3::uuid[], $4::text[]) with ordinality as x (id, called, n)`,
			stop.ID, stop.ObjectID, ids(stop.Components), called)
		if err := tx.SendBatch(ctx, batch).Close(); err != nil {
			return fault(err, "raise stop %s", stop.ID)
		}
		return s.db.addEvents(ctx, stop.Events()...)
	})
}

// Stop reads a stop.
func (s *Handling) Stop(ctx context.Context, id domain.ID) (*handling.Stop, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+stopColumns+` from stop s where s.id = $1`, id)
	stop, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[handling.Stop])
	return stop, fault(err, "read stop %s", id)
}

// Stops lists stops, the latest first.
func (s *Handling) Stops(ctx context.Context, f handling.StopFilter, q domain.PageQuery) (domain.Page[handling.Stop], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[handling.Stop]{}, err
	}
	list := []any{"stops", f}
	at, id, err := timeAndID(q, list)
	if err != nil {
		return domain.Page[handling.Stop]{}, err
	}
	rows, _ := s.db.q(ctx).Query(ctx, `select `+stopColumns+` from stop s`+where(
		given(at != nil, `(s.raised_at, s.id) < (@at, @id)`),
		given(f.ObjectID != nil, `s.object_id = @object`),
		given(f.State != "", `exists (select from stop_release r where r.stop_id = s.id) = (@state = 'released')`))+`
		order by s.raised_at desc, s.id desc limit @limit`,
		pgx.NamedArgs{"at": at, "id": id, "object": f.ObjectID, "state": f.State, "limit": limit})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[handling.Stop])
	if err != nil {
		return domain.Page[handling.Stop]{}, fault(err, "list stops")
	}
	return domain.NextPage(q, list, all, func(stop handling.Stop) []string {
		return []string{stop.RaisedAt.UTC().Format(time.RFC3339Nano), stop.ID.String()}
	}), nil
}

// Standing reads the stops in force on some objects.
func (s *Handling) Standing(ctx context.Context, objectIDs []domain.ID) ([]handling.Stop, error) {
	ofObjects, arg := among("s.object_id", objectIDs)
	rows, _ := s.db.q(ctx).Query(ctx, `select `+stopColumns+` from stop s
		where `+ofObjects+` and not exists (select from stop_release r where r.stop_id = s.id)
		order by s.raised_at, s.id`, arg)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[handling.Stop])
	return all, fault(err, "read standing stops")
}

// Release writes the release of a stop.
func (s *Handling) Release(ctx context.Context, stop *handling.Stop) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		r := stop.Release
		_, err := tx.Exec(ctx, `
			insert into stop_release (stop_id, at, released_by, released_by_name, reason, found, limits, curator_note, curator_name)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			stop.ID, r.At, r.By.ID, r.By.Name, r.Reason, r.Found, r.Limits, r.CuratorNote, r.CuratorName)
		if err != nil {
			return fault(err, "release stop %s", stop.ID)
		}
		return s.db.addEvents(ctx, stop.Events()...)
	})
}

// AddNote writes the note that was added to stop last.
func (s *Handling) AddNote(ctx context.Context, stop *handling.Stop, n handling.Addendum) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into stop_note (stop_id, position, at, author_id, author_name, text) values ($1, $2, $3, $4, $5, $6)`,
			stop.ID, len(stop.Notes), n.At, n.AuthorID, n.AuthorName, n.Text)
		if err != nil {
			return fault(err, "note on stop %s", stop.ID)
		}
		return s.db.addEvents(ctx, stop.Events()...)
	})
}

// OpenConservators counts conservators.
func (s *Handling) OpenConservators(ctx context.Context, without []domain.ID) (int, error) {
	var n int
	err := s.db.q(ctx).QueryRow(ctx, `
		select count(*) from person where closed_at is null and 'conservator' = any (roles) and id <> all ($1)`, without).Scan(&n)
	return n, fault(err, "count conservators")
}

// AddAssessment writes an assessment.
func (s *Handling) AddAssessment(ctx context.Context, a *handling.Assessment) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into hazard_assessment (id, object_id, component_id, kind, assessor_id, assessor_name, competence, assessed_on,
				may_be_handled, found, controls, valid_until, recorded_by, recorded_at)
			values (@id, @object, @component, @kind, @assessor, @name, @competence, @on, @may, @found, @controls, @until, @by, @at)`,
			pgx.NamedArgs{"id": a.ID, "object": a.ObjectID, "component": a.ComponentID, "kind": a.Kind, "assessor": a.AssessorID, "name": a.AssessorName,
				"competence": a.Competence, "on": a.AssessedOn, "may": a.MayBeHandled, "found": a.Found, "controls": a.Controls,
				"until": a.ValidUntil, "by": a.RecordedByID, "at": a.RecordedAt})
		if err != nil {
			return fault(err, "record assessment %s", a.ID)
		}
		return s.db.addEvents(ctx, a.Events()...)
	})
}

// Assessments reads what was assessed about an object, the earliest first.
func (s *Handling) Assessments(ctx context.Context, objectID domain.ID) ([]handling.Assessment, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select a.id, a.object_id, a.component_id, a.kind, a.assessor_id, a.assessor_name, a.competence, a.assessed_on, a.may_be_handled,
			a.found, a.controls, a.valid_until, a.recorded_by as recorded_by_id, p.name as recorded_by_name, a.recorded_at
		from hazard_assessment a join person p on p.id = a.recorded_by
		where a.object_id = $1 order by a.assessed_on, a.recorded_at, a.id limit 500`, objectID)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[handling.Assessment])
	return slices.Clip(all), fault(err, "read assessments of %s", objectID)
}

// MaterialHazards reads what the present materials of an object's components call for.
func (s *Handling) MaterialHazards(ctx context.Context, objectID domain.ID) ([]handling.MaterialHazard, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select c.id as component_id, k.kind, m.name as material_name, cm.confidence
		from component c join component_material cm on cm.component_id = c.id and cm.superseded_at is null
			join material m on m.key = cm.material_key cross join lateral unnest(m.hazard_kinds) as k (kind)
		where c.object_id = $1 order by c.sort_key, c.id, k.kind, m.name`, objectID)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[handling.MaterialHazard])
	return all, fault(err, "read the hazards of the materials of %s", objectID)
}
