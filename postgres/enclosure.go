package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/enclosure"
)

var enclosureWords = map[string]*domain.Error{
	"enclosure_filled":                                 {Kind: domain.KindInvalid, Code: "invalid", Message: "Give the enclosure a name."},
	"enclosure_kind_known":                             {Kind: domain.KindInvalid, Code: "invalid", Message: "Choose one of the known kinds of enclosure."},
	"enclosure_place_fkey":                             {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such place."},
	"enclosure_never_deleted":                          {Kind: domain.KindRefused, Code: "enclosure_stays", Message: "An enclosure is closed, never deleted."},
	"enclosure_space_exchange_sane":                    {Kind: domain.KindInvalid, Code: "invalid", Message: "This exchange of air is beyond what can be kept. Look at its unit: it is air changes per day."},
	"enclosure_space_rh_sane":                          {Kind: domain.KindInvalid, Code: "invalid", Message: "A relative humidity is 0 to 100 %."},
	"enclosure_member_unique":                          {Kind: domain.KindInvalid, Code: "invalid", Message: "Name each object or part once in a space."},
	"enclosure_member_object_fkey":                     {Kind: domain.KindInvalid, Code: "invalid", Message: "One of the objects does not exist, or is named in an enclosure and cannot be deleted; take it out there first."},
	"enclosure_member_component_fkey":                  {Kind: domain.KindInvalid, Code: "invalid", Message: "One of the parts is not of its object, or is named in an enclosure and cannot be removed; take it out there first."},
	"enclosure_member_space_fkey":                      {Kind: domain.KindInvalid, Code: "invalid", Message: "One of the objects lies in a space that is not there."},
	"enclosure_tracer_append_only":                     {Kind: domain.KindRefused, Code: "R2", Message: "A measurement is never changed or deleted; enter another."},
	"enclosure_recommendation_append_only":             {Kind: domain.KindRefused, Code: "R2", Message: "A recommendation is never changed or deleted; withdraw it and write another."},
	"enclosure_recommendation_end_append_only":         {Kind: domain.KindRefused, Code: "R2", Message: "The end of a recommendation is never changed; write another recommendation."},
	"enclosure_recommendation_filled":                  {Kind: domain.KindInvalid, Code: "invalid", Message: "Write what you recommend."},
	"enclosure_recommendation_object_fkey":             {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such object, or it has recommendations and cannot be deleted."},
	"enclosure_recommendation_end_pkey":                {Kind: domain.KindConflict, Code: "recommendation_ended", Message: "This recommendation was done or withdrawn already."},
	"enclosure_recommendation_end_recommendation_fkey": {Kind: domain.KindNotFound, Code: "not_found", Message: "There is no such recommendation."},
	"enclosure_recommendation_end_has_reason":          {Kind: domain.KindInvalid, Code: "invalid", Message: "Say why it is withdrawn."},
	"enclosure_recommendation_end_known":               {Kind: domain.KindInvalid, Code: "invalid", Message: "A recommendation is done or withdrawn."},
	"enclosure_pkey":                                   refusedByDatabase("This enclosure exists already."),
	"enclosure_created_by_fkey":                        refusedByDatabase("There is no such person."),
	"enclosure_changed_by_fkey":                        refusedByDatabase("There is no such person."),
	"enclosure_closed_by_fkey":                         refusedByDatabase("There is no such person."),
	"enclosure_closed_whole":                           refusedByDatabase("A closed enclosure has a time, a person and a reason."),
	"enclosure_space_pkey":                             refusedByDatabase("Two spaces of one enclosure have one name."),
	"enclosure_space_enclosure_fkey":                   refusedByDatabase("There is no such enclosure."),
	"enclosure_space_filled":                           refusedByDatabase("A space has a name."),
	"enclosure_tracer_pkey":                            refusedByDatabase("This measurement exists already."),
	"enclosure_tracer_enclosure_fkey":                  refusedByDatabase("There is no such enclosure."),
	"enclosure_tracer_recorded_by_fkey":                refusedByDatabase("There is no such person."),
	"enclosure_recommendation_pkey":                    refusedByDatabase("This recommendation exists already."),
	"enclosure_recommendation_enclosure_fkey":          refusedByDatabase("There is no such enclosure."),
	"enclosure_recommendation_made_by_fkey":            refusedByDatabase("There is no such person."),
	"enclosure_recommendation_end_person_fkey":         refusedByDatabase("There is no such person."),
}

// Enclosures keeps enclosures, tracer measurements and recommendations; it implements enclosure.Store.
type Enclosures struct{ db *DB }

// NewEnclosures makes the store.
func NewEnclosures(db *DB) *Enclosures { return &Enclosures{db: db} }

var _ enclosure.Store = (*Enclosures)(nil)

const memberJSON = `jsonb_build_object('space', m.space, 'object_id', m.object_id, 'component_id', m.component_id, 'object_number', o.number, 'object_title', o.title,
	'component_label', coalesce(c.label, ''), 'component_name', coalesce(c.name, ''))`

const keptJSON = `coalesce((select jsonb_agg(jsonb_build_object('name', s.name, 'exchange_per_day', s.exchange_per_day, 'rh_pct', s.rh_pct) order by s.name collate "C")
		from enclosure_space s where s.enclosure_id = e.id), '[]') as spaces`

const enclosureColumns = `e.id, e.label, e.kind, e.note, e.place_id, f.path as place, coalesce(f.sensitive, false) as hidden, e.network, ` + keptJSON + `,
	coalesce((select jsonb_agg(` + memberJSON + ` order by m.space collate "C", o.sort_key, c.sort_key nulls first)
		from enclosure_member m join object o on o.id = m.object_id left join component c on c.id = m.component_id where m.enclosure_id = e.id), '[]') as members,
	(select jsonb_build_object('at', e.closed_at, 'by', jsonb_build_object('id', p.id, 'name', p.name), 'reason', e.closed_reason) from person p where p.id = e.closed_by) as closed,
	e.version, e.created_at, jsonb_build_object('id', mk.id, 'name', mk.name) as created_by, e.changed_at, jsonb_build_object('id', ch.id, 'name', ch.name) as changed_by`

const enclosureTables = ` from enclosure e join person mk on mk.id = e.created_by join person ch on ch.id = e.changed_by
	left join lateral place_facts(e.place_id) f on e.place_id is not null`

// Add writes an enclosure.
func (s *Enclosures) Add(ctx context.Context, e *enclosure.Enclosure) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into enclosure (id, label, kind, note, network, place_id, version, created_at, created_by, changed_at, changed_by)
			values (@id, @label, @kind, @note, @network, @place, @version, @at, @by, @at, @by)`,
			pgx.NamedArgs{"id": e.ID, "label": e.Label, "kind": e.Kind, "note": e.Note, "network": e.Network, "place": e.PlaceID, "version": e.Version, "at": e.CreatedAt, "by": e.CreatedBy.ID})
		if err != nil {
			return fault(err, "add enclosure %s", e.ID)
		}
		if err := s.fill(ctx, tx, e); err != nil {
			return err
		}
		return s.db.addEvents(ctx, e.Events()...)
	})
}

// fill writes the spaces of an enclosure and what lies in them.
func (s *Enclosures) fill(ctx context.Context, tx pgx.Tx, e *enclosure.Enclosure) error {
	names, exchanges, humidities := make([]string, len(e.Spaces)), make([]*float64, len(e.Spaces)), make([]*float64, len(e.Spaces))
	for i, k := range e.Spaces {
		names[i], exchanges[i], humidities[i] = k.Name, k.ExchangePerDay, k.RHPct
	}
	spaces, objects, components := make([]string, len(e.Members)), make([]domain.ID, len(e.Members)), make([]*domain.ID, len(e.Members))
	for i, m := range e.Members {
		spaces[i], objects[i], components[i] = m.Space, m.ObjectID, m.ComponentID
	}
	batch := &pgx.Batch{}
	batch.Queue(`delete from enclosure_member where enclosure_id = $1`, e.ID)
	batch.Queue(`delete from enclosure_space where enclosure_id = $1`, e.ID)
	batch.Queue(`insert into enclosure_space (enclosure_id, name, exchange_per_day, rh_pct) select $1, x.name, x.exchange, x.rh from unnest($2::text[], $3::float8[], $4::float8[]) as x (name, exchange, rh)`,
		e.ID, names, exchanges, humidities)
	batch.Queue(`insert into enclosure_member (enclosure_id, space, object_id, component_id) select $1, x.space, x.object, x.component from unnest($2::text[], $3::uuid[], $4::uuid[]) as x (space, object, component)`,
		e.ID, spaces, objects, components)
	return fault(tx.SendBatch(ctx, batch).Close(), "write the spaces of enclosure %s", e.ID)
}

func (s *Enclosures) one(ctx context.Context, id domain.ID, lock string) (*enclosure.Enclosure, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+enclosureColumns+enclosureTables+` where e.id = $1`+lock, id)
	e, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[enclosure.Enclosure])
	return e, fault(err, "read enclosure %s", id)
}

// One reads an enclosure.
func (s *Enclosures) One(ctx context.Context, id domain.ID) (*enclosure.Enclosure, error) {
	return s.one(ctx, id, "")
}

// Update changes an enclosure under lock.
func (s *Enclosures) Update(ctx context.Context, id domain.ID, version int64, change func(e *enclosure.Enclosure) (*enclosure.Tracer, error)) (*enclosure.Enclosure, error) {
	var e *enclosure.Enclosure
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if e, err = s.one(ctx, id, ` for update of e`); err != nil {
			return err
		}
		if e.Version != version {
			return domain.ErrStale
		}
		t, err := change(e)
		if err != nil {
			return err
		}
		var closedAt *time.Time
		var closedBy *domain.ID
		reason := ""
		if c := e.Closed; c != nil {
			closedAt, closedBy, reason = &c.At, &c.By.ID, c.Reason
		}
		_, err = tx.Exec(ctx, `
			update enclosure set label = @label, kind = @kind, note = @note, network = @network, place_id = @place, closed_at = @closed, closed_by = @closer,
				closed_reason = @reason, changed_at = @at, changed_by = @by, version = version + 1 where id = @id`,
			pgx.NamedArgs{"id": id, "label": e.Label, "kind": e.Kind, "note": e.Note, "network": e.Network, "place": e.PlaceID, "closed": closedAt, "closer": closedBy,
				"reason": reason, "at": e.ChangedAt, "by": e.ChangedBy.ID})
		if err != nil {
			return fault(err, "change enclosure %s", id)
		}
		if err := s.fill(ctx, tx, e); err != nil {
			return err
		}
		if t != nil {
			if err := s.addTracer(ctx, tx, t); err != nil {
				return err
			}
		}
		if err := s.db.addEvents(ctx, e.Events()...); err != nil {
			return err
		}
		e, err = s.One(ctx, id)
		return err
	})
	return e, err
}

func (s *Enclosures) addTracer(ctx context.Context, tx pgx.Tx, t *enclosure.Tracer) error {
	_, err := tx.Exec(ctx, `
		insert into enclosure_tracer (id, enclosure_id, exchange, measured_on, note, decay, result, recorded_at, recorded_by)
		values (@id, @enclosure, @exchange, @on, @note, @decay, @result, @at, @by)`,
		pgx.NamedArgs{"id": t.ID, "enclosure": t.EnclosureID, "exchange": t.Exchange, "on": t.MeasuredOn, "note": t.Note, "decay": t.Decay, "result": t.Result,
			"at": t.RecordedAt, "by": t.RecordedBy.ID})
	return fault(err, "keep tracer measurement %s", t.ID)
}

// Hidden reads whether a place is sensitive.
func (s *Enclosures) Hidden(ctx context.Context, placeID domain.ID) (bool, error) {
	return placeHidden(ctx, s.db, placeID)
}

// placeHidden reads whether a place is sensitive (P3).
func placeHidden(ctx context.Context, db *DB, placeID domain.ID) (bool, error) {
	var hidden bool
	err := db.q(ctx).QueryRow(ctx, `select f.sensitive from place p cross join lateral place_facts(p.id) f where p.id = $1`, placeID).Scan(&hidden)
	return hidden, fault(err, "read place %s", placeID)
}

// List lists enclosures by their label.
func (s *Enclosures) List(ctx context.Context, f enclosure.Filter, hidden bool, q domain.PageQuery) (domain.Page[enclosure.Line], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[enclosure.Line]{}, err
	}
	list := []any{"enclosures", f}
	keys, err := q.Keys(list, 2)
	if err != nil {
		return domain.Page[enclosure.Line]{}, err
	}
	var after *string
	var id domain.ID
	if keys != nil {
		if id, err = domain.ParseID(keys[1]); err != nil {
			return domain.Page[enclosure.Line]{}, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
		}
		after = &keys[0]
	}
	// Each of these narrows the list by an index of its own.
	narrow := ""
	if f.ObjectID != nil {
		narrow += ` and e.id in (select x.enclosure_id from enclosure_member x where x.object_id = @object)`
	}
	if f.PlaceID != nil {
		narrow += ` and e.place_id = @place and (@hidden or not (select sensitive from place_facts(e.place_id)))`
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select e.id, e.label, e.kind, `+keptJSON+`,
			coalesce((select jsonb_agg(x.member) from (
				select `+memberJSON+` as member
				from enclosure_member m join object o on o.id = m.object_id left join component c on c.id = m.component_id
				where m.enclosure_id = e.id order by o.sort_key, c.sort_key nulls first limit 4) x), '[]') as members,
			(select count(*) from enclosure_member m where m.enclosure_id = e.id) as member_count,
			(select count(*) from enclosure_recommendation r where r.enclosure_id = e.id
				and not exists (select from enclosure_recommendation_end x where x.recommendation_id = r.id)) as recommendations,
			e.closed_at, e.changed_at, fold(e.label) as folded
		from enclosure e
		where (@after::text is null or (fold(e.label) collate "C", e.id) > (@after, @id)) and (@closed or e.closed_at is null)
			and (@kind = '' or e.kind = @kind) and (@words = '' or position(fold(@words) in fold(e.label)) > 0)`+narrow+`
		order by fold(e.label) collate "C", e.id limit @limit`,
		pgx.NamedArgs{"after": after, "id": id, "closed": f.Closed, "kind": f.Kind, "words": f.Words, "object": f.ObjectID, "place": f.PlaceID, "hidden": hidden, "limit": limit})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[enclosure.Line])
	if err != nil {
		return domain.Page[enclosure.Line]{}, fault(err, "list enclosures")
	}
	return domain.NextPage(q, list, all, func(l enclosure.Line) []string { return []string{l.Folded, l.ID.String()} }), nil
}

// Find finds objects and components by number and label, in any case.
func (s *Enclosures) Find(ctx context.Context, called []enclosure.Called) (map[enclosure.Called]enclosure.Member, error) {
	numbers, keys, labels := make([]string, len(called)), make([]string, len(called)), make([]string, len(called))
	for i, c := range called {
		numbers[i], labels[i] = c.Number, c.Label
		if n, err := collection.ParseNumber(c.Number); err == nil {
			keys[i] = n.Key()
		}
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select a.number, a.label, o.id, c.id, o.number, o.title, coalesce(c.label, ''), coalesce(c.name, '')
		from (select distinct number, key, label from unnest($1::text[], $2::text[], $3::text[]) as x (number, key, label)) a
		join object o on o.number_key = a.key
		left join component c on a.label <> '' and c.object_id = o.id and lower(c.label) = lower(a.label)
		where a.label = '' or c.id is not null`, numbers, keys, labels)
	found := map[enclosure.Called]enclosure.Member{}
	var k enclosure.Called
	var m enclosure.Member
	_, err := pgx.ForEachRow(rows, []any{&k.Number, &k.Label, &m.ObjectID, &m.ComponentID, &m.ObjectNumber, &m.ObjectTitle, &m.Label, &m.Component}, func() error {
		found[k] = m
		m = enclosure.Member{}
		return nil
	})
	return found, fault(err, "find objects by number")
}

// Tracers reads the measurements of an enclosure, the latest first.
func (s *Enclosures) Tracers(ctx context.Context, enclosureID domain.ID) ([]enclosure.Tracer, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select t.id, t.enclosure_id, t.exchange, to_char(t.measured_on, 'YYYY-MM-DD') as measured_on, t.note, t.decay, t.result, t.recorded_at,
			jsonb_build_object('id', p.id, 'name', p.name) as recorded_by
		from enclosure_tracer t join person p on p.id = t.recorded_by
		where t.enclosure_id = $1 order by t.measured_on desc, t.id desc limit 100`, enclosureID)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[enclosure.Tracer])
	return all, fault(err, "read tracer measurements of %s", enclosureID)
}

const recommendationColumns = `r.id, r.enclosure_id, e.label as enclosure_label, r.enclosure_version, r.object_id, o.number as object_number, r.text, r.changes, r.changed, r.differences,
	r.made_at, jsonb_build_object('id', p.id, 'name', p.name) as made_by,
	(select jsonb_build_object('outcome', x.outcome, 'reason', x.reason, 'at', x.at, 'by', jsonb_build_object('id', y.id, 'name', y.name))
		from enclosure_recommendation_end x join person y on y.id = x.person_id where x.recommendation_id = r.id) as "end"`

const recommendationTables = ` from enclosure_recommendation r join enclosure e on e.id = r.enclosure_id join object o on o.id = r.object_id join person p on p.id = r.made_by`

// AddRecommendation writes a recommendation.
func (s *Enclosures) AddRecommendation(ctx context.Context, r *enclosure.Recommendation) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into enclosure_recommendation (id, enclosure_id, enclosure_version, object_id, text, changes, changed, differences, made_at, made_by)
			values (@id, @enclosure, @version, @object, @text, @changes, @changed, @differences, @at, @by)`,
			pgx.NamedArgs{"id": r.ID, "enclosure": r.EnclosureID, "version": r.EnclosureVersion, "object": r.ObjectID, "text": r.Text, "changes": r.Changes,
				"changed": r.Changed, "differences": r.Differences, "at": r.MadeAt, "by": r.MadeBy.ID})
		if err != nil {
			return fault(err, "add recommendation %s", r.ID)
		}
		return s.db.addEvents(ctx, r.Events()...)
	})
}

// Recommendation reads a recommendation.
func (s *Enclosures) Recommendation(ctx context.Context, id domain.ID) (*enclosure.Recommendation, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+recommendationColumns+recommendationTables+` where r.id = $1`, id)
	r, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[enclosure.Recommendation])
	return r, fault(err, "read recommendation %s", id)
}

// Recommendations lists recommendations, the latest first.
func (s *Enclosures) Recommendations(ctx context.Context, f enclosure.RecommendationFilter, q domain.PageQuery) (domain.Page[enclosure.Recommendation], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[enclosure.Recommendation]{}, err
	}
	list := []any{"recommendations", f}
	at, id, err := timeAndID(q, list)
	if err != nil {
		return domain.Page[enclosure.Recommendation]{}, err
	}
	narrow := ""
	if f.EnclosureID != nil {
		narrow += ` and r.enclosure_id = @enclosure`
	}
	if f.ObjectID != nil {
		narrow += ` and r.object_id = @object`
	}
	rows, _ := s.db.q(ctx).Query(ctx, `select `+recommendationColumns+recommendationTables+`
		where (@at::timestamptz is null or (r.made_at, r.id) < (@at, @id))
			and (@state = '' or @state = coalesce((select x.outcome from enclosure_recommendation_end x where x.recommendation_id = r.id), 'open'))`+narrow+`
		order by r.made_at desc, r.id desc limit @limit`,
		pgx.NamedArgs{"at": at, "id": id, "state": f.State, "enclosure": f.EnclosureID, "object": f.ObjectID, "limit": limit})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[enclosure.Recommendation])
	if err != nil {
		return domain.Page[enclosure.Recommendation]{}, fault(err, "list recommendations")
	}
	return domain.NextPage(q, list, all, func(r enclosure.Recommendation) []string {
		return []string{r.MadeAt.UTC().Format(time.RFC3339Nano), r.ID.String()}
	}), nil
}

// EndRecommendation writes the end of a recommendation. Of two at once the second is refused.
func (s *Enclosures) EndRecommendation(ctx context.Context, r *enclosure.Recommendation) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into enclosure_recommendation_end (recommendation_id, outcome, reason, at, person_id) values ($1, $2, $3, $4, $5)`,
			r.ID, r.End.Outcome, r.End.Reason, r.End.At, r.End.By.ID)
		if err != nil {
			return fault(err, "end recommendation %s", r.ID)
		}
		return s.db.addEvents(ctx, r.Events()...)
	})
}
