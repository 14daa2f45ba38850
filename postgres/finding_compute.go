package postgres

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/finding"
)

type spaceOf struct {
	enclosure domain.ID
	space     string
}

// readRecorded reads what findings of objects follow from, and the findings that are kept of them. Six
// statements, whatever the number of objects.
func readRecorded(ctx context.Context, tx pgx.Tx, objects []domain.ID) ([]finding.Recorded, map[domain.ID][]finding.Kept, error) {
	rows, _ := tx.Query(ctx, `
		with spaces as (select distinct enclosure_id, space from enclosure_member where object_id = any($1))
		select m.enclosure_id, e.label, m.space, m.object_id, o.number, m.component_id, s.exchange_per_day, s.rh_pct::double precision as rh_pct
		from spaces join enclosure e on e.id = spaces.enclosure_id and e.closed_at is null
			join enclosure_member m on m.enclosure_id = spaces.enclosure_id and m.space = spaces.space
			join enclosure_space s on s.enclosure_id = m.enclosure_id and s.name = m.space
			join object o on o.id = m.object_id
		order by m.enclosure_id, m.space, m.object_id, m.component_id`, objects)
	members, err := pgx.CollectRows(rows, pgx.RowToStructByName[finding.Member])
	if err != nil {
		return nil, nil, err
	}
	a := newAir(members)
	all := a.everybody(objects)
	batch := &pgx.Batch{}
	batch.Queue(`select id, object_id, parent_id, label, name, joined_how from component where object_id = any($1) order by object_id, sort_key, id`, all)
	batch.Queue(`
		select c.object_id, cm.id, cm.component_id, coalesce(cm.material_key, '') as key, coalesce(m.name, 'unidentified material') as name, coalesce(m.family, '') as family, cm.confidence,
			exists (select from object_condition oc join examination_observation x on x.examination_id = oc.examination_id join damage_term d on d.key = x.term
				where oc.object_id = c.object_id and x.component_id = c.id and x.activity = 'active' and x.status <> 'gone' and d.decay) as active
		from component c join component_material cm on cm.component_id = c.id and cm.superseded_at is null left join material m on m.key = cm.material_key
		where c.object_id = any($1) order by cm.id`, all)
	batch.Queue(`select object_id, a_id, b_id, meets, contact, gas_tight, state from joint where object_id = any($1) order by id`, objects)
	batch.Queue(`select object_id, id, key, severity, says, depends, steps, emitter_family, receptor_family from finding where object_id = any($1) and gone_at is null`, objects)
	results := tx.SendBatch(ctx, batch)
	recorded, kept, err := a.recorded(results, objects)
	if closing := results.Close(); err == nil {
		err = closing
	}
	return recorded, kept, err
}

// air is who shares air with whom.
type air struct {
	members []finding.Member
	in      map[domain.ID][]spaceOf // spaces of an object
	of      map[spaceOf][]int       // members of a space
	objects map[spaceOf]map[domain.ID]bool
}

func newAir(members []finding.Member) *air {
	a := &air{members: members, in: map[domain.ID][]spaceOf{}, of: map[spaceOf][]int{}, objects: map[spaceOf]map[domain.ID]bool{}}
	for i, m := range members {
		key := spaceOf{m.EnclosureID, m.Space}
		if a.objects[key] == nil {
			a.objects[key] = map[domain.ID]bool{}
		}
		if !a.objects[key][m.ObjectID] {
			a.objects[key][m.ObjectID] = true
			a.in[m.ObjectID] = append(a.in[m.ObjectID], key)
		}
		a.of[key] = append(a.of[key], i)
	}
	return a
}

// neighbours are those that share a space with an object and are looked at.
func (a *air) neighbours(object domain.ID) map[domain.ID]bool {
	all := map[domain.ID]bool{}
	for _, key := range a.in[object] {
		if finding.Crowded(len(a.objects[key])) {
			continue
		}
		for other := range a.objects[key] {
			if other != object {
				all[other] = true
			}
		}
	}
	return all
}

// everybody is the objects and all neighbours, each once.
func (a *air) everybody(objects []domain.ID) []domain.ID {
	seen := map[domain.ID]bool{}
	var all []domain.ID
	add := func(id domain.ID) {
		if !seen[id] {
			seen[id] = true
			all = append(all, id)
		}
	}
	for _, id := range objects {
		add(id)
		for other := range a.neighbours(id) {
			add(other)
		}
	}
	return all
}

// grouped reads rows by the object that stands in their first column.
func grouped[T any](results pgx.BatchResults, object func(*T) domain.ID) (map[domain.ID][]T, error) {
	rows, _ := results.Query()
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[T])
	if err != nil {
		return nil, err
	}
	by := map[domain.ID][]T{}
	for i := range all {
		id := object(&all[i])
		by[id] = append(by[id], all[i])
	}
	return by, nil
}

type materialOf struct {
	ObjectID domain.ID
	finding.Identified
}

type jointOf struct {
	ObjectID domain.ID
	finding.Joint
}

func (a *air) recorded(results pgx.BatchResults, objects []domain.ID) ([]finding.Recorded, map[domain.ID][]finding.Kept, error) {
	components, err := grouped(results, func(c *finding.Component) domain.ID { return c.ObjectID })
	if err != nil {
		return nil, nil, err
	}
	materials, err := grouped(results, func(m *materialOf) domain.ID { return m.ObjectID })
	if err != nil {
		return nil, nil, err
	}
	joints, err := grouped(results, func(j *jointOf) domain.ID { return j.ObjectID })
	if err != nil {
		return nil, nil, err
	}
	kept, err := grouped(results, func(k *finding.Kept) domain.ID { return k.ObjectID })
	if err != nil {
		return nil, nil, err
	}
	all := make([]finding.Recorded, len(objects))
	for i, id := range objects {
		r := finding.Recorded{ObjectID: id}
		take := func(object domain.ID) {
			r.Components = append(r.Components, components[object]...)
			for _, m := range materials[object] {
				r.Materials = append(r.Materials, m.Identified)
			}
		}
		take(id)
		for other := range a.neighbours(id) {
			take(other)
		}
		for _, j := range joints[id] {
			r.Joints = append(r.Joints, j.Joint)
		}
		for _, key := range a.in[id] {
			for _, at := range a.of[key] {
				r.Members = append(r.Members, a.members[at])
			}
		}
		all[i] = r
	}
	return all, kept, nil
}

// writing is what a computation writes of several objects.
type writing struct {
	at     time.Time
	rows   [][]any
	batch  pgx.Batch
	gone   []domain.ID
	quiet  []domain.ID // objects without notes
	events []domain.Event
}

// differences as the record tells of them.
type findingsComputed struct {
	Raised []domain.ID `json:"raised,omitempty"`
	Worse  []domain.ID `json:"worse,omitempty"`
	Gone   []domain.ID `json:"gone,omitempty"`
}

func (w *writing) object(id domain.ID, d finding.Differences, notes []string) {
	if len(notes) == 0 {
		w.quiet = append(w.quiet, id)
	} else {
		w.batch.Queue(`update finding_computed set notes = $2 where object_id = $1 and notes <> $2`, id, notes)
	}
	if !d.Any() {
		return
	}
	said := findingsComputed{Worse: d.Worse, Gone: d.Gone}
	for _, c := range d.New {
		row := domain.NewID()
		said.Raised = append(said.Raised, row)
		w.rows = append(w.rows, append([]any{row, id, c.Key}, w.values(&c)...))
	}
	for row, c := range d.Changed {
		w.batch.Queue(`update finding set emitter_part = $2, emitter_material = $3, receptor_part = $4, receptor_material = $5, severity = $6, depends = $7, says = $8, steps = $9,
				changed_at = $10, emitter_family = $11, receptor_family = $12, version = version + 1 where id = $1`,
			row, c.Emitter.Part, c.Emitter.Material, c.Receptor.Part, c.Receptor.Material, c.Finding.Severity, c.Finding.Depends, c.Says, c.Finding.Steps, w.at, c.Emitter.Family, c.Receptor.Family)
	}
	w.gone = append(w.gone, d.Gone...)
	w.events = append(w.events, domain.Event{At: w.at, Area: "finding", Subject: id, Object: &id, Kind: "computed", Change: said})
}

var findingInserted = []string{"id", "object_id", "key", "rule", "species", "path", "emitter_object_id", "emitter_component_id", "emitter_part", "emitter_key", "emitter_family",
	"emitter_material", "receptor_component_id", "receptor_part", "receptor_key", "receptor_family", "receptor_material", "meets", "severity", "depends", "says", "steps", "first_raised_at", "changed_at"}

func (w *writing) values(c *finding.Computed) []any {
	var receptor *domain.ID
	if c.Receptor.ComponentID != (domain.ID{}) {
		receptor = &c.Receptor.ComponentID
	}
	f, e, r := c.Finding, &c.Emitter, &c.Receptor
	return []any{f.Rule, f.Species, string(f.Path), e.ObjectID, e.ComponentID, e.Part, e.MaterialKey, e.Family, e.Material, receptor, r.Part, r.MaterialKey, r.Family, r.Material,
		f.Where, int(f.Severity), f.Depends, c.Says, f.Steps, w.at, w.at}
}

func (w *writing) write(ctx context.Context, db *DB, tx pgx.Tx) error {
	w.batch.Queue(`update finding_computed set notes = '{}' where object_id = any($1) and notes <> '{}'`, w.quiet)
	if len(w.gone) > 0 {
		w.batch.Queue(`update finding set gone_at = greatest($2, first_raised_at), changed_at = $2, version = version + 1 where id = any($1)`, w.gone, w.at)
	}
	if err := tx.SendBatch(ctx, &w.batch).Close(); err != nil {
		return err
	}
	if len(w.rows) > 0 {
		if _, err := tx.CopyFrom(ctx, pgx.Identifier{"finding"}, findingInserted, pgx.CopyFromRows(w.rows)); err != nil {
			return err
		}
	}
	return db.addEvents(ctx, w.events...)
}
