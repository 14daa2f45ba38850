package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/movement"
)

var movementWords = map[string]*domain.Error{
	"place_code_unique":                 {Kind: domain.KindConflict, Code: "place_code_taken", Message: "Another place has this code. Choose another; it stands on the label."},
	"place_no_cycle":                    {Kind: domain.KindRefused, Code: "place_cycle", Message: "A place cannot stand inside itself."},
	"place_depth":                       {Kind: domain.KindRefused, Code: "place_depth", Message: "Places stand in one another at most twelve deep."},
	"place_order":                       {Kind: domain.KindRefused, Code: "place_order", Message: "This kind of place does not stand in that kind: a site holds buildings, then rooms, units or cases, shelves, crates."},
	"place_parent_fkey":                 {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such place to stand in."},
	"place_kind_known":                  {Kind: domain.KindInvalid, Code: "invalid", Message: "Choose one of the known kinds of place."},
	"place_filled":                      {Kind: domain.KindInvalid, Code: "invalid", Message: "A place needs a name and a code."},
	"place_capacity_positive":           {Kind: domain.KindInvalid, Code: "invalid", Message: "A capacity is 1 or more."},
	"place_outside_is_a_site":           {Kind: domain.KindInvalid, Code: "invalid", Message: "Only a site is outside."},
	"place_stands_somewhere":            {Kind: domain.KindInvalid, Code: "invalid", Message: "Every place but a site stands in another."},
	"place_never_deleted":               {Kind: domain.KindRefused, Code: "V1", Message: "A place is closed, never deleted: the history of things names it."},
	"place_parent_never_deleted":        {Kind: domain.KindRefused, Code: "V1", Message: "The history of places is never rewritten."},
	"place_parent_only_ends":            {Kind: domain.KindRefused, Code: "V1", Message: "The history of places is never rewritten."},
	"place_parent_no_overlap":           {Kind: domain.KindConflict, Code: "V5", Message: "Somebody else moved this place at the same moment. Look where it is."},
	"place_parent_no_gap":               {Kind: domain.KindRefused, Code: "V1", Message: "The history of a place has no gap."},
	"place_parent_in_fkey":              {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such place to stand in."},
	"place_parent_during_sane":          {Kind: domain.KindInvalid, Code: "invalid", Message: "A place stands somewhere from a time on."},
	"place_parent_evacuation_known":     {Kind: domain.KindInvalid, Code: "invalid", Message: "An evacuation is from fire, flood or a threat to life."},
	"placement_never_deleted":           {Kind: domain.KindRefused, Code: "V1", Message: "The history of places is never rewritten."},
	"placement_only_ends":               {Kind: domain.KindRefused, Code: "V1", Message: "The history of places is never rewritten."},
	"placement_mover_append_only":       {Kind: domain.KindRefused, Code: "V1", Message: "The history of places is never rewritten."},
	"placement_handling_append_only":    {Kind: domain.KindRefused, Code: "V1", Message: "The history of places is never rewritten."},
	"placement_no_overlap":              {Kind: domain.KindConflict, Code: "V5", Message: "Somebody else moved it at the same moment. Look where it is, then move it again."},
	"placement_no_gap":                  {Kind: domain.KindRefused, Code: "V1", Message: "The history of places has no gap."},
	"placement_stopped":                 {Kind: domain.KindRefused, Code: "H3", Message: "A stop stands on it. It binds everybody until a conservator releases it."},
	"placement_place_open":              {Kind: domain.KindConflict, Code: "V1", Message: "This place is closed. Choose another."},
	"placement_never_taken_off":         {Kind: domain.KindRefused, Code: "C2", Message: "This part is never taken off."},
	"placement_component_fkey":          {Kind: domain.KindNotFound, Code: "not_found", Message: "There is no such component."},
	"placement_place_fkey":              {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such place."},
	"placement_from_place_fkey":         {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such place."},
	"placement_to_place_fkey":           {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such place."},
	"placement_in_one_place":            {Kind: domain.KindRefused, Code: "V1", Message: "A thing is in one place, or on its way to one with a carrier."},
	"placement_reason_filled":           {Kind: domain.KindInvalid, Code: "invalid", Message: "Every move has a reason."},
	"placement_evacuation_known":        {Kind: domain.KindInvalid, Code: "invalid", Message: "An evacuation is from fire, flood or a threat to life."},
	"placement_during_sane":             {Kind: domain.KindInvalid, Code: "invalid", Message: "A thing is somewhere from a time on."},
	"placement_not_before_done":         {Kind: domain.KindInvalid, Code: "invalid", Message: "A move is recorded when it is made, not before."},
	"placement_mover_person_fkey":       {Kind: domain.KindInvalid, Code: "invalid", Message: "One of the movers has no account here; write the name under other movers."},
	"placement_mover_pkey":              {Kind: domain.KindInvalid, Code: "invalid", Message: "Name each mover once."},
	"placement_authorised_by_fkey":      {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such person to authorise it."},
	"place_parent_authorised_by_fkey":   {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such person to authorise it."},
	"place_pkey":                        refusedByDatabase("This place exists already."),
	"place_created_by_fkey":             refusedByDatabase("There is no such person."),
	"place_parent_pkey":                 refusedByDatabase("This line of history exists already."),
	"place_parent_place_fkey":           refusedByDatabase("There is no such place."),
	"place_parent_recorded_by_fkey":     refusedByDatabase("There is no such person."),
	"placement_pkey":                    refusedByDatabase("This line of history exists already."),
	"placement_object_unique":           refusedByDatabase("This line of history exists already."),
	"placement_object_fkey":             {Kind: domain.KindNotFound, Code: "not_found", Message: "There is no such object."},
	"placement_recorded_by_fkey":        refusedByDatabase("There is no such person."),
	"placement_state_known":             refusedByDatabase("A thing is in place, in transit, or with its whole."),
	"placement_mover_placement_fkey":    refusedByDatabase("There is no such move."),
	"placement_mover_position_unique":   refusedByDatabase("Two movers have one place in the list."),
	"placement_handling_pkey":           refusedByDatabase("A move is one handling."),
	"placement_handling_unique":         refusedByDatabase("A handling belongs to one move."),
	"placement_handling_placement_fkey": refusedByDatabase("There is no such move of this object."),
	"placement_handling_handling_fkey":  refusedByDatabase("There is no such handling of this object."),
}

// Movement keeps places and placements; it implements movement.Store.
type Movement struct{ db *DB }

// NewMovement makes the store.
func NewMovement(db *DB) *Movement { return &Movement{db: db} }

var _ movement.Store = (*Movement)(nil)

const placeColumns = `p.id, p.parent_id, p.kind, p.name, p.code, f.path, p.sensitive, p.outside, p.conditions, p.security_class, p.capacity,
	p.closed_at, p.version, p.created_at, f.sensitive as sensitive_within, f.outside as outside_within, f.building_id`

const placeTables = ` from place p cross join lateral place_facts(p.id) f`

// AddPlace writes a place and where it stands.
func (s *Movement) AddPlace(ctx context.Context, p *movement.Place, stay movement.PlaceStay) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into place (id, parent_id, kind, name, code, sensitive, outside, conditions, security_class, capacity, version, created_at, created_by)
			values (@id, @parent, @kind, @name, @code, @sensitive, @outside, @conditions, @security, @capacity, @version, @at, @by)`,
			pgx.NamedArgs{"id": p.ID, "parent": p.ParentID, "kind": p.Kind, "name": p.Name, "code": p.Code, "sensitive": p.Sensitive, "outside": p.Outside,
				"conditions": p.Conditions, "security": p.SecurityClass, "capacity": p.Capacity, "version": p.Version, "at": p.CreatedAt, "by": stay.RecordedByID})
		if err != nil {
			return fault(err, "add place %s", p.ID)
		}
		if err := s.stay(ctx, tx, stay); err != nil {
			return err
		}
		return s.db.addEvents(ctx, p.Events()...)
	})
}

// stay ends where a place stood and begins where it stands, in one instant.
func (s *Movement) stay(ctx context.Context, tx pgx.Tx, stay movement.PlaceStay) error {
	_, err := tx.Exec(ctx, `update place_parent set during = tstzrange(lower(during), $2, '[)') where place_id = $1 and upper_inf(during)`, stay.PlaceID, stay.From)
	if err != nil {
		return fault(err, "end the stay of place %s", stay.PlaceID)
	}
	_, err = tx.Exec(ctx, `
		insert into place_parent (id, place_id, parent_id, during, reason, authorised_by, recorded_by, recorded_at, evacuation)
		values ($1, $2, $3, tstzrange($4, null, '[)'), $5, $6, $7, $8, $9)`,
		stay.ID, stay.PlaceID, stay.ParentID, stay.From, stay.Reason, stay.AuthorisedByID, stay.RecordedByID, stay.RecordedAt, stay.Evacuation)
	return fault(err, "begin the stay of place %s", stay.PlaceID)
}

// place reads a place; under lock when lock is true.
func (s *Movement) place(ctx context.Context, where string, arg any, lock bool) (*movement.Place, error) {
	query := `select ` + placeColumns + placeTables + ` where ` + where
	if lock {
		query += ` for update of p`
	}
	rows, _ := s.db.q(ctx).Query(ctx, query, arg)
	p, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[movement.Place])
	return p, fault(err, "read place %v", arg)
}

// Place reads a place.
func (s *Movement) Place(ctx context.Context, id domain.ID) (*movement.Place, error) {
	return s.place(ctx, `p.id = $1`, id, false)
}

// PlaceByCode reads the place with a code.
func (s *Movement) PlaceByCode(ctx context.Context, code string) (*movement.Place, error) {
	return s.place(ctx, `lower(p.code) = lower($1)`, code, false)
}

// below lists a place and everything that stands in it.
const below = `with recursive below (id) as (select id from place where id = @place union all select x.id from place x join below b on x.parent_id = b.id)`

// UpdatePlace changes a place under lock.
func (s *Movement) UpdatePlace(ctx context.Context, id domain.ID, version int64, change func(p *movement.Place, things int) error) (*movement.Place, error) {
	var p *movement.Place
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if p, err = s.place(ctx, `p.id = $1`, id, true); err != nil {
			return err
		}
		if p.Version != version {
			return domain.ErrStale
		}
		var things int
		err = tx.QueryRow(ctx, below+`
			select (select count(*) from placement m where upper_inf(m.during) and (m.place_id in (select id from below) or m.to_place_id in (select id from below)))
				+ (select count(*) from place x where x.id in (select id from below) and x.id <> @place and x.closed_at is null)`,
			pgx.NamedArgs{"place": id}).Scan(&things)
		if err != nil {
			return fault(err, "count what is in place %s", id)
		}
		if err := change(p, things); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `
			update place set kind = @kind, name = @name, code = @code, sensitive = @sensitive, outside = @outside, conditions = @conditions,
				security_class = @security, capacity = @capacity, closed_at = @closed, version = version + 1 where id = @id`,
			pgx.NamedArgs{"id": id, "kind": p.Kind, "name": p.Name, "code": p.Code, "sensitive": p.Sensitive, "outside": p.Outside,
				"conditions": p.Conditions, "security": p.SecurityClass, "capacity": p.Capacity, "closed": p.ClosedAt})
		if err != nil {
			return fault(err, "change place %s", id)
		}
		if err := s.db.addEvents(ctx, p.Events()...); err != nil {
			return err
		}
		p, err = s.Place(ctx, id)
		return err
	})
	return p, err
}

// MovePlace puts a place into another under lock.
func (s *Movement) MovePlace(ctx context.Context, id domain.ID, version int64, toID domain.ID, move func(p, from, to *movement.Place, stopped []string, since time.Time) (movement.PlaceStay, error)) (*movement.Place, error) {
	var p *movement.Place
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if p, err = s.place(ctx, `p.id = $1`, id, true); err != nil {
			return err
		}
		if p.Version != version {
			return domain.ErrStale
		}
		to, err := s.Place(ctx, toID)
		if domain.KindOf(err) == domain.KindNotFound {
			return domain.Invalid("/to_place_id", "place", "There is no such place.")
		}
		if err != nil {
			return err
		}
		from := p
		if p.ParentID != nil {
			if from, err = s.Place(ctx, *p.ParentID); err != nil {
				return err
			}
		}
		stopped, err := s.stoppedIn(ctx, tx, id)
		if err != nil {
			return err
		}
		var since time.Time
		if err := tx.QueryRow(ctx, `select lower(during) from place_parent where place_id = $1 and upper_inf(during)`, id).Scan(&since); err != nil {
			return fault(err, "read the stay of place %s", id)
		}
		stay, err := move(p, from, to, stopped, since)
		if err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `update place set parent_id = $2, version = version + 1 where id = $1`, id, p.ParentID); err != nil {
			return fault(err, "move place %s", id)
		}
		if err := s.stay(ctx, tx, stay); err != nil {
			return err
		}
		if err := s.db.addEvents(ctx, p.Events()...); err != nil {
			return err
		}
		p, err = s.Place(ctx, id)
		return err
	})
	return p, err
}

// stoppedIn names what is in a place under a stop, and keeps new stops away until the transaction
// ends.
func (s *Movement) stoppedIn(ctx context.Context, tx pgx.Tx, id domain.ID) ([]string, error) {
	_, err := tx.Exec(ctx, below+`
		select pg_advisory_xact_lock(@space, hashtext(o.object_id::text)) from (
			select distinct m.object_id from placement m join below b on b.id = m.place_id where upper_inf(m.during) order by 1) o`,
		pgx.NamedArgs{"place": id, "space": handsLock})
	if err != nil {
		return nil, fault(err, "lock what is in place %s", id)
	}
	rows, _ := tx.Query(ctx, below+`
		select o.number || coalesce('.' || c.label, '')
		from placement m join below b on b.id = m.place_id join object o on o.id = m.object_id left join component c on c.id = m.component_id
		where upper_inf(m.during) and stopped(m.object_id, m.component_id) order by o.sort_key, c.sort_key nulls first limit 20`, pgx.NamedArgs{"place": id})
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return names, fault(err, "look for stops in place %s", id)
}

// everyPlace is more places than there are.
const everyPlace = 1_000_000_000

// ordered is a place with where it stands in the order of the tree.
type ordered struct {
	movement.Place
	Ordered string
}

// tree walks the tree, or what stands directly in one place. Where there are more than most places, it goes
// no deeper than to rooms.
func (s *Movement) tree(ctx context.Context, f movement.PlaceFilter, see movement.Sight, after string, limit, most int) ([]ordered, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		with recursive whole as materialized (select count(*) <= @most as yes from (select from place limit @most + 1) x),
		tree (id, path, ordered, sensitive, outside, building_id) as (
			(select id, name, lower(code) || E'\t', sensitive, outside, id from place where parent_id is null and @parent::uuid is null
			union all
			select p.id, x.path, lower(p.code) || E'\t', x.sensitive, x.outside, x.building_id from place p cross join lateral place_facts(p.id) x where p.id = @parent)
			union all
			select p.id, t.path || ' › ' || p.name, t.ordered || lower(p.code) || E'\t', t.sensitive or p.sensitive, t.outside or p.outside,
				case p.kind when 'building' then p.id else t.building_id end
			from place p join tree t on p.parent_id = t.id
			where case when @parent::uuid is null then p.kind in ('site', 'building', 'room') or (select yes from whole) else t.id = @parent end)
		select p.id, p.parent_id, p.kind, p.name, p.code, f.path, p.sensitive, p.outside, p.conditions, p.security_class, p.capacity,
			p.closed_at, p.version, p.created_at, f.sensitive as sensitive_within, f.outside as outside_within, f.building_id, f.ordered
		from tree f join place p on p.id = f.id
		where f.ordered collate "C" > @after and (@all or not f.sensitive) and (@closed or p.closed_at is null)
			and (@kind = '' or p.kind = @kind) and (@parent::uuid is null or p.parent_id = @parent)
			and (@text = '' or position(fold(@text) in fold(p.name)) > 0 or position(fold(@text) in fold(p.code)) > 0)
		order by f.ordered collate "C" limit @limit`,
		pgx.NamedArgs{"after": after, "all": see.All, "closed": f.Closed, "kind": f.Kind, "parent": f.ParentID, "text": f.Text, "limit": limit, "most": most})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[ordered])
	return all, fault(err, "list places")
}

func places(all []ordered) []movement.Place {
	list := make([]movement.Place, len(all))
	for i, r := range all {
		list[i] = r.Place
	}
	return list
}

// Tree lists places in the order of the tree. whole: there are not so many that it ends at the rooms.
func (s *Movement) Tree(ctx context.Context, f movement.PlaceFilter, see movement.Sight, most int) (all []movement.Place, whole bool, err error) {
	found, err := s.tree(ctx, f, see, "", most, most)
	if err != nil {
		return nil, false, err
	}
	err = s.db.q(ctx).QueryRow(ctx, `select count(*) <= $1 from (select from place limit $1 + 1) x`, most).Scan(&whole)
	return places(found), whole, fault(err, "count places")
}

// Places lists places in the order of the tree, page by page.
func (s *Movement) Places(ctx context.Context, f movement.PlaceFilter, see movement.Sight, q domain.PageQuery) (domain.Page[movement.Place], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[movement.Place]{}, err
	}
	list := []any{"places", f}
	keys, err := q.Keys(list, 1)
	if err != nil {
		return domain.Page[movement.Place]{}, err
	}
	after := ""
	if keys != nil {
		after = keys[0]
	}
	all, err := s.tree(ctx, f, see, after, limit, everyPlace)
	if err != nil {
		return domain.Page[movement.Place]{}, err
	}
	cut := domain.NextPage(q, list, all, func(r ordered) []string { return []string{r.Ordered} })
	return domain.Page[movement.Place]{Items: places(cut.Items), Next: cut.Next}, nil
}

// Lock waits for other acts with hands on the object, and holds until the transaction ends.
func (s *Movement) Lock(ctx context.Context, objectID domain.ID) error {
	return (&Handling{db: s.db}).Lock(ctx, objectID)
}

// whereColumns are whereabouts.
const whereColumns = `m.id, m.object_id, m.component_id, coalesce(c.label, '') as label, m.state,
	way.here as place, way.gone as "from", way.goes as "to", m.carrier, o.department, coalesce(way.sensitive, false) as hidden`

// placedColumns are a placement with all names.
const placedColumns = whereColumns + `, o.number as object_number, o.title as object_title,
	o.number || coalesce('.' || c.label || ' ' || c.name, '') as item, lower(m.during) as since, upper(m.during) as until, m.reason,
	coalesce((select jsonb_agg(jsonb_build_object('id', x.id, 'name', x.name) order by w.position)
		from placement_mover w join person x on x.id = w.person_id where w.placement_id = m.id), '[]') as movers,
	m.other_movers, jsonb_build_object('id', m.authorised_by, 'name', (select name from person where id = m.authorised_by)) as authorised_by, m.container, m.condition, m.expected_return, m.evacuation,
	(select handling_id from placement_handling where placement_id = m.id) as handling_id,
	jsonb_build_object('id', m.recorded_by, 'name', (select name from person where id = m.recorded_by)) as recorded_by, m.recorded_at,
	m.recorded_at - lower(m.during) > interval '1 hour' as back_dated`

// placed reads columns of the placements of a page, a list of their IDs that is chosen first.
// The ways to all their places are walked at once. The limits keep each step a question of its own place: in a house
// of few places the planner would name all of them first.
func placed(page, columns, order string) string {
	return page + `,
		up (id, role, at, depth, place_id, code, name, sensitive, parent_id) as (
			select m.id, x.role, x.at, 0, p.id, p.code, p.name, p.sensitive, p.above
			from page g join placement m on m.id = g.id
			cross join lateral (values ('here', m.place_id, coalesce(upper(m.during) - interval '1 microsecond', 'infinity')), ('gone', m.from_place_id, 'infinity'),
				('goes', m.to_place_id, 'infinity')) x (role, place_id, at)` + placeStep + ` where p.id = x.place_id limit 1) p
			union all
			select u.id, u.role, u.at, u.depth + 1, u.place_id, u.code, p.name, p.sensitive, p.above from up u` + placeStep + ` where p.id = u.parent_id limit 1) p
			where u.depth < 20),
		ref as (
			select id, role, bool_or(sensitive) as sensitive,
				jsonb_build_object('id', place_id, 'code', code, 'name', min(name) filter (where depth = 0), 'path', string_agg(name, ' › ' order by depth desc)) as place
			from up group by id, role, place_id, code),
		way as (
			select id, bool_or(sensitive) as sensitive, (array_agg(place) filter (where role = 'here'))[1] as here,
				(array_agg(place) filter (where role = 'gone'))[1] as gone, (array_agg(place) filter (where role = 'goes'))[1] as goes
			from ref group by id)
		select ` + columns + placedTables + order
}

// placeStep is one place on the way up and what it stands in: now where at is infinity, else at that time. The
// history of a place has no gap, so it is its latest stay that had begun by then.
const placeStep = ` cross join lateral (
				select p.id, p.code, p.name, p.sensitive, case when at = 'infinity' then p.parent_id
					else (select l.parent_id from place_parent l where l.place_id = p.id and lower(l.during) <= at order by lower(l.during) desc limit 1) end as above from place p`

// placedTables are few: in how many orders they could be joined makes most of the time of planning.
const placedTables = ` from page g join placement m on m.id = g.id join object o on o.id = m.object_id left join component c on c.id = m.component_id
	left join way on way.id = m.id`

// Present reads where objects and their parts are, or were at a time.
func (s *Movement) Present(ctx context.Context, objectIDs []domain.ID, at *time.Time, joined bool) ([]movement.Placement, error) {
	ofObjects, arg := among("m.object_id", objectIDs)
	then, args := `upper_inf(m.during)`, []any{arg}
	if at != nil {
		then, args = `m.during @> $2::timestamptz`, append(args, *at)
	}
	rows, _ := s.db.q(ctx).Query(ctx, placed(`with recursive page as materialized (select m.id from placement m`+where(ofObjects, given(!joined, `m.state <> 'with_whole'`), then)+`)`, placedColumns, `
		order by o.sort_key, o.id, c.sort_key nulls first, c.id nulls first`), args...)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[movement.Placement])
	if err != nil || at == nil {
		return all, fault(err, "read where things are")
	}
	return all, s.pathsAt(ctx, all, *at)
}

// Whereabouts reads where objects and their detached parts are.
func (s *Movement) Whereabouts(ctx context.Context, objectIDs []domain.ID) ([]movement.Whereabouts, error) {
	ofObjects, arg := among("m.object_id", objectIDs)
	rows, _ := s.db.q(ctx).Query(ctx, placed(`with recursive page as materialized (select m.id from placement m`+where(ofObjects, `m.state <> 'with_whole'`, `upper_inf(m.during)`)+`)`, whereColumns, `
		order by c.sort_key nulls first, c.id nulls first`), arg)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[movement.Whereabouts])
	return all, fault(err, "read where things are")
}

// pathsAt puts the paths as they were at a time: a crate may have stood elsewhere.
func (s *Movement) pathsAt(ctx context.Context, all []movement.Placement, at time.Time) error {
	var places []domain.ID
	for _, p := range all {
		if p.Place != nil {
			places = append(places, p.Place.ID)
		}
	}
	if len(places) == 0 {
		return nil
	}
	type path struct {
		ID        domain.ID
		Path      *string
		Sensitive *bool
	}
	rows, _ := s.db.q(ctx).Query(ctx, `select x.id, f.path, f.sensitive from unnest($1::uuid[]) as x (id) cross join lateral place_facts_at(x.id, $2) f`, places, at)
	found, err := pgx.CollectRows(rows, pgx.RowToStructByName[path])
	if err != nil {
		return fault(err, "read where places were")
	}
	for i := range all {
		for _, f := range found {
			if all[i].Place != nil && all[i].Place.ID == f.ID && f.Path != nil {
				all[i].Place.Path = *f.Path
				all[i].Hidden = all[i].Hidden || f.Sensitive != nil && *f.Sensitive
			}
		}
	}
	return nil
}

// Add ends a placement and begins the next in one instant.
func (s *Movement) Add(ctx context.Context, p *movement.Placement, before *movement.Placement, event domain.Event) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		if before != nil {
			tag, err := tx.Exec(ctx, `update placement set during = tstzrange(lower(during), $2, '[)') where id = $1 and upper_inf(during)`, before.ID, p.Since)
			if err != nil {
				return fault(err, "end placement %s", before.ID)
			}
			if tag.RowsAffected() == 0 {
				return movementWords["placement_no_overlap"]
			}
		}
		batch := &pgx.Batch{}
		batch.Queue(`
			insert into placement (id, object_id, component_id, state, place_id, from_place_id, to_place_id, carrier, during, reason, other_movers,
				authorised_by, container, condition, expected_return, evacuation, recorded_by, recorded_at)
			values (@id, @object, @component, @state, @place, @from, @to, @carrier, tstzrange(@since, null, '[)'), @reason, @others,
				@authorised, @container, @condition, @return, @evacuation, @by, @at)`,
			pgx.NamedArgs{"id": p.ID, "object": p.ObjectID, "component": p.ComponentID, "state": p.State, "place": placeID(p.Place), "from": placeID(p.From), "to": placeID(p.To),
				"carrier": p.Carrier, "since": p.Since, "reason": p.Reason, "others": p.OtherMovers, "authorised": p.AuthorisedBy.ID, "container": p.Container,
				"condition": p.Condition, "return": p.ExpectedReturn, "evacuation": p.Evacuation, "by": p.RecordedBy.ID, "at": p.RecordedAt})
		batch.Queue(`insert into placement_mover (placement_id, person_id, position) select $1, x.id, x.n from unnest($2::uuid[]) with ordinality as x (id, n)`, p.ID, ids(p.Movers))
		if err := tx.SendBatch(ctx, batch).Close(); err != nil {
			return fault(err, "begin placement %s", p.ID)
		}
		return s.db.addEvents(ctx, event)
	})
}

func placeID(ref *movement.PlaceRef) *domain.ID {
	if ref == nil {
		return nil
	}
	return &ref.ID
}

// Link says which handling a move was.
func (s *Movement) Link(ctx context.Context, p *movement.Placement, handlingID domain.ID) error {
	_, err := s.db.q(ctx).Exec(ctx, `insert into placement_handling (placement_id, object_id, handling_id) values ($1, $2, $3)`, p.ID, p.ObjectID, handlingID)
	return fault(err, "link placement %s", p.ID)
}

// One reads a placement.
func (s *Movement) One(ctx context.Context, id domain.ID) (*movement.Placement, error) {
	rows, _ := s.db.q(ctx).Query(ctx, placed(`with recursive page as materialized (select m.id from placement m where m.id = $1)`, placedColumns, ``), id)
	p, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[movement.Placement])
	return p, fault(err, "read placement %s", id)
}

// History lists placements back in time.
func (s *Movement) History(ctx context.Context, objectID *domain.ID, componentID *domain.ID, q domain.PageQuery) (domain.Page[movement.Placement], error) {
	of := both(given(objectID != nil, `m.object_id = @object`), given(componentID != nil, `m.component_id = @component`))
	return s.back(ctx, `with recursive`, ``, of, "lower(m.during)",
		pgx.NamedArgs{"object": objectID, "component": componentID}, []any{"placements", objectID, componentID}, func(p movement.Placement) time.Time { return p.Since }, q)
}

// seenBelow lists a place and everything that stands in it, and whether that is sensitive.
const seenBelow = `with recursive below (id, sensitive) as (
		select p.id, f.sensitive from place p cross join lateral place_facts(p.id) f where p.id = @place
		union all
		select x.id, b.sensitive or x.sensitive from place x join below b on x.parent_id = b.id)`

const seenTables = ` join below b on b.id = m.place_id join object o on o.id = m.object_id left join component c on c.id = m.component_id`

const seenBy = ` and (@all or not b.sensitive or o.department = any (@departments))`

// Past lists what was in a place, the latest to leave first.
func (s *Movement) Past(ctx context.Context, place domain.ID, see movement.Sight, q domain.PageQuery) (domain.Page[movement.Placement], error) {
	return s.back(ctx, seenBelow+`,`, seenTables, `not upper_inf(m.during)`+seenBy, "upper(m.during)",
		pgx.NamedArgs{"place": place, "all": see.All, "departments": see.Departments}, []any{"past", place}, func(p movement.Placement) time.Time { return *p.Until }, q)
}

// back lists placements back in time by one of their ends. The page is chosen first: the names of
// places are read only for its rows.
func (s *Movement) back(ctx context.Context, with, tables, of, by string, args pgx.NamedArgs, list any, key func(movement.Placement) time.Time, q domain.PageQuery) (domain.Page[movement.Placement], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[movement.Placement]{}, err
	}
	at, id, err := timeAndID(q, list)
	if err != nil {
		return domain.Page[movement.Placement]{}, err
	}
	args["before"], args["id"], args["limit"] = at, id, limit
	rows, _ := s.db.q(ctx).Query(ctx, placed(with+` page as materialized (
			select m.id from placement m`+tables+where(of, given(at != nil, `(`+by+`, m.id) < (@before, @id)`))+`
			order by `+by+` desc, m.id desc limit @limit)`, placedColumns, ` order by `+by+` desc, m.id desc`), args)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[movement.Placement])
	if err != nil {
		return domain.Page[movement.Placement]{}, fault(err, "list placements")
	}
	return domain.NextPage(q, list, all, func(p movement.Placement) []string {
		return []string{key(p).UTC().Format(time.RFC3339Nano), p.ID.String()}
	}), nil
}

// walkFrom is how many things a place holds at least for which the list of its contents walks all objects.
const walkFrom = 5000

// Contents lists what is in a place, by number. The page is chosen first, as in back.
func (s *Movement) Contents(ctx context.Context, place domain.ID, see movement.Sight, q domain.PageQuery) (domain.Page[movement.Placement], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[movement.Placement]{}, err
	}
	type row struct {
		movement.Placement
		ObjectOrder, PartOrder string
	}
	list := []any{"contents", place}
	keys, err := q.Keys(list, 3)
	if err != nil {
		return domain.Page[movement.Placement]{}, err
	}
	if keys == nil {
		keys = []string{"", "", domain.ID{}.String()}
	} else if _, err := domain.ParseID(keys[2]); err != nil {
		return domain.Page[movement.Placement]{}, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
	}
	// What a shelf holds is put in order; what a building holds is found sooner by walking all objects in
	// their order until the page is full.
	rows, _ := s.db.q(ctx).Query(ctx, placed(seenBelow+`,
		held as materialized (select x.id, x.object_id, x.component_id, b.sensitive from below b
			cross join lateral (select m.id, m.object_id, m.component_id from placement m where m.place_id = b.id and upper_inf(m.during) limit @walk) x limit @walk),
		many as materialized (select count(*) >= @walk as yes from held),
		page as materialized (
			(select b.id, o.sort_key as object_order, coalesce(c.sort_key, '') as part_order
			from held b join object o on o.id = b.object_id left join component c on c.id = b.component_id
			where not (select yes from many) and (o.sort_key, coalesce(c.sort_key, ''), b.id) > (@number, @label, @id::uuid)`+seenBy+`
			order by 2, 3, 1 limit @limit)
			union all
			(select m.id, o.sort_key, coalesce(c.sort_key, '')
			from object o join placement m on m.object_id = o.id join below b on b.id = m.place_id left join component c on c.id = m.component_id
			where (select yes from many) and upper_inf(m.during) and o.sort_key >= @number and (o.sort_key, coalesce(c.sort_key, ''), m.id) > (@number, @label, @id::uuid)`+seenBy+`
			order by o.sort_key, coalesce(c.sort_key, ''), m.id limit @limit))`, placedColumns+`, g.object_order, g.part_order`, `
		order by g.object_order collate "C", g.part_order collate "C", m.id`),
		pgx.NamedArgs{"place": place, "all": see.All, "departments": see.Departments, "number": keys[0], "label": keys[1], "id": keys[2], "limit": limit, "walk": walkFrom})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[row])
	if err != nil {
		return domain.Page[movement.Placement]{}, fault(err, "list what is in place %s", place)
	}
	cut := domain.NextPage(q, list, all, func(r row) []string { return []string{r.ObjectOrder, r.PartOrder, r.ID.String()} })
	page := domain.Page[movement.Placement]{Items: make([]movement.Placement, len(cut.Items)), Next: cut.Next}
	for i, r := range cut.Items {
		page.Items[i] = r.Placement
	}
	return page, nil
}

// Expected reads what is expected back.
func (s *Movement) Expected(ctx context.Context, until time.Time, limit int) ([]movement.Placement, error) {
	rows, _ := s.db.q(ctx).Query(ctx, placed(`with recursive page as materialized (
			select m.id from placement m where upper_inf(m.during) and m.expected_return <= $1::date order by m.expected_return, m.id limit $2)`, placedColumns, `
		order by m.expected_return, m.id`), until, limit)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[movement.Placement])
	return all, fault(err, "list what is expected back")
}

// Authoriser reads a person who may authorise.
func (s *Movement) Authoriser(ctx context.Context, id domain.ID) (movement.Authoriser, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select id, name, roles, closed_at is not null as closed from person where id = $1`, id)
	a, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[movement.Authoriser])
	return a, fault(err, "read person %s", id)
}

// ObjectOf reads the object of a component.
func (s *Movement) ObjectOf(ctx context.Context, componentID domain.ID) (domain.ID, error) {
	var id domain.ID
	err := s.db.q(ctx).QueryRow(ctx, `select object_id from component where id = $1`, componentID).Scan(&id)
	return id, fault(err, "read component %s", componentID)
}
