package postgres

import (
	"context"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/finding"
	"farthingale/domain/material"
)

var findingWords = map[string]*domain.Error{
	"finding_pkey":                      refusedByDatabase("This finding exists already."),
	"finding_present_unique":            refusedByDatabase("This finding is kept already."),
	"finding_object_fkey":               refusedByDatabase("There is no such object."),
	"finding_filled":                    refusedByDatabase("A finding names its rule and says something."),
	"finding_path_known":                refusedByDatabase("There is no such way from one material to another."),
	"finding_severity_known":            refusedByDatabase("A severity is 1, 2 or 3."),
	"finding_people_have_no_part":       refusedByDatabase("A receptor is a part or people."),
	"finding_accepted_whole":            refusedByDatabase("An acceptance has a day and a severity."),
	"finding_gone_later":                refusedByDatabase("A finding is gone after it was raised."),
	"finding_never_deleted":             {Kind: domain.KindRefused, Code: "M1", Message: "A finding is never deleted (rule M1). Accept it with a reason, or change what it follows from."},
	"finding_acceptance_pkey":           refusedByDatabase("This acceptance exists already."),
	"finding_acceptance_finding_fkey":   refusedByDatabase("There is no such finding."),
	"finding_acceptance_by_fkey":        refusedByDatabase("There is no such person."),
	"finding_acceptance_filled":         {Kind: domain.KindInvalid, Code: "invalid", Message: "Say why the finding is accepted."},
	"finding_acceptance_severity_known": refusedByDatabase("A severity is 1, 2 or 3."),
	"finding_acceptance_append_only":    {Kind: domain.KindRefused, Code: "M1", Message: "An acceptance is kept as it was given (rule M1). Accept the finding anew."},
	"finding_computed_pkey":             refusedByDatabase("This object's findings were computed already."),
	"finding_computed_object_fkey":      refusedByDatabase("There is no such object."),
	"finding_rules_pkey":                refusedByDatabase("The version of the rules is kept already."),
	"finding_rules_once":                refusedByDatabase("There is one version of the rules."),
	"finding_due_pkey":                  refusedByDatabase("This mark exists already."),
}

// Finding keeps what endangers what; it implements finding.Store.
type Finding struct{ db *DB }

// NewFinding makes the store.
func NewFinding(db *DB) *Finding { return &Finding{db: db} }

var _ finding.Store = (*Finding)(nil)

// Rules makes every object due when the findings were computed by other rules.
func (s *Finding) Rules(ctx context.Context, version string, at time.Time) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var changed bool
		// Of two copies that begin at once, the second waits here and then finds nothing changed.
		err := tx.QueryRow(ctx, `
			with kept as (
				insert into finding_rules as old (version, at) values ($1, $2)
				on conflict (whole) do update set version = excluded.version, at = excluded.at where old.version <> excluded.version
				returning 1)
			select exists (select from kept)`, version, at).Scan(&changed)
		if err != nil || !changed {
			return fault(err, "hold the rules of findings against the last")
		}
		_, err = tx.Exec(ctx, `insert into finding_due (object_id) select o.id from object o where exists (select from component c where c.object_id = o.id)`)
		return fault(err, "make every object due")
	})
}

// Mark makes one object due, or every one that has components.
func (s *Finding) Mark(ctx context.Context, objectID *domain.ID, event domain.Event) (int, error) {
	n := 0
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		which, args := `exists (select from component c where c.object_id = o.id)`, []any{}
		if objectID != nil {
			which, args = `o.id = $1`, []any{*objectID}
		}
		tag, err := tx.Exec(ctx, `insert into finding_due (object_id) select o.id from object o where `+which, args...)
		if err != nil {
			return fault(err, "make objects due")
		}
		if n = int(tag.RowsAffected()); n == 0 && objectID != nil {
			return domain.NotFound("There is no such object.")
		}
		return s.db.addEvents(ctx, event)
	})
	return n, err
}

// State is how far an object is.
func (s *Finding) State(ctx context.Context, objectID domain.ID, version string) (finding.State, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select f.computed_at, coalesce(f.rules = $2, not exists (select from component c where c.object_id = o.id))
			and not exists (select from finding_due d where d.object_id = o.id) as up_to_date, coalesce(f.notes, '{}') as notes
		from object o left join finding_computed f on f.object_id = o.id where o.id = $1`, objectID, version)
	state, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[finding.State])
	return state, fault(err, "read when the findings of %s were computed", objectID)
}

// findingRow is a row of the table.
type findingRow struct {
	ID, ObjectID              domain.ID
	Number, Title             string
	Rule, Species, Path       string
	EmitterObjectID           domain.ID
	EmitterComponentID        domain.ID
	EmitterPart, EmitterKey   string
	EmitterFamily             string
	EmitterMaterial           string
	ReceptorComponentID       *domain.ID
	ReceptorPart, ReceptorKey string
	ReceptorFamily            string
	ReceptorMaterial          string
	Meets                     string
	Severity                  int
	Depends                   bool
	Says                      string
	Steps                     []string
	FirstRaisedAt, ChangedAt  time.Time
	GoneAt                    *time.Time
	Version                   int64
	Acceptances               []finding.Acceptance
}

const findingColumns = `f.id, f.object_id, o.number, o.title, f.rule, f.species, f.path, f.emitter_object_id, f.emitter_component_id, f.emitter_part, f.emitter_key,
	f.emitter_family, f.emitter_material, f.receptor_component_id, f.receptor_part, f.receptor_key, f.receptor_family, f.receptor_material, f.meets, f.severity,
	f.depends, f.says, f.steps, f.first_raised_at, f.changed_at, f.gone_at, f.version,
	case when f.accepted_until is null then '[]' else (select jsonb_agg(jsonb_build_object('id', a.id, 'at', a.at, 'by_id', a.by_id, 'by_name', a.by_name, 'reason', a.reason,
		'until', a.until, 'severity', a.severity, 'says', a.says) order by a.at desc, a.id desc) from finding_acceptance a where a.finding_id = f.id) end as acceptances`

func (r *findingRow) finding() finding.Finding {
	f := finding.Finding{
		ID: r.ID, ObjectID: r.ObjectID, Number: r.Number, Title: r.Title, Rule: r.Rule, Species: r.Species, Path: material.Path(r.Path), Where: r.Meets,
		Emitter:  finding.Side{ObjectID: r.EmitterObjectID, ComponentID: r.EmitterComponentID, Part: r.EmitterPart, MaterialKey: r.EmitterKey, Family: r.EmitterFamily, Material: r.EmitterMaterial},
		Severity: material.Severity(r.Severity), Depends: r.Depends, Says: r.Says, Steps: r.Steps, FirstRaisedAt: r.FirstRaisedAt, ChangedAt: r.ChangedAt,
		GoneAt: r.GoneAt, Acceptances: r.Acceptances, Version: r.Version,
	}
	if r.ReceptorComponentID != nil {
		f.Receptor = &finding.Side{ObjectID: r.ObjectID, ComponentID: *r.ReceptorComponentID, Part: r.ReceptorPart, MaterialKey: r.ReceptorKey, Family: r.ReceptorFamily, Material: r.ReceptorMaterial}
	}
	return f
}

// findingsOf reads findings with what was accepted of them.
func findingsOf(rows pgx.Rows) ([]finding.Finding, error) {
	kept, err := pgx.CollectRows(rows, pgx.RowToStructByName[findingRow])
	all := make([]finding.Finding, len(kept))
	for i := range kept {
		all[i] = kept[i].finding()
	}
	return all, err
}

// One reads a finding.
func (s *Finding) One(ctx context.Context, id domain.ID) (*finding.Finding, error) {
	return s.one(ctx, id, `select `+findingColumns+` from finding f join object o on o.id = f.object_id where f.id = $1`)
}

func (s *Finding) one(ctx context.Context, id domain.ID, sql string) (*finding.Finding, error) {
	rows, _ := s.db.q(ctx).Query(ctx, sql, id)
	all, err := findingsOf(rows)
	if err == nil && len(all) == 0 {
		err = pgx.ErrNoRows
	}
	if err != nil {
		return nil, fault(err, "read finding %s", id)
	}
	return &all[0], nil
}

// Accept changes a finding under lock.
func (s *Finding) Accept(ctx context.Context, id domain.ID, version int64, change func(*finding.Finding) error) (*finding.Finding, error) {
	var f *finding.Finding
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if f, err = s.one(ctx, id, `select `+findingColumns+` from finding f join object o on o.id = f.object_id where f.id = $1 for update of f`); err != nil {
			return err
		}
		if f.Version != version && f.GoneAt == nil {
			return domain.ErrStale
		}
		if err := change(f); err != nil {
			return err
		}
		f.Version++
		a := f.Acceptances[0]
		batch := &pgx.Batch{}
		batch.Queue(`insert into finding_acceptance (id, finding_id, severity, says, reason, until, by_id, by_name, at) values ($1, $2, $3, $4, $5, $6::text::date, $7, $8, $9)`,
			a.ID, id, a.Severity, a.Says, a.Reason, a.Until, a.ByID, a.ByName, a.At)
		batch.Queue(`update finding set accepted_until = $2::text::date, accepted_severity = $3, version = $4 where id = $1`, id, a.Until, a.Severity, f.Version)
		if err := tx.SendBatch(ctx, batch).Close(); err != nil {
			return fault(err, "accept finding %s", id)
		}
		return s.db.addEvents(ctx, f.Events()...)
	})
	if err != nil {
		return nil, err
	}
	return f, nil
}

// filter is the condition of a list, put together from the constants here; values go by name.
func (s *Finding) filter(ctx context.Context, f finding.Filter, today string) (string, pgx.NamedArgs, error) {
	conditions, args := []string{`f.gone_at is null`}, pgx.NamedArgs{"today": today}
	add := func(condition, name string, value any) {
		conditions = append(conditions, condition)
		args[name] = value
	}
	if f.ObjectID != nil {
		add(`f.object_id = @object`, "object", *f.ObjectID)
	}
	if f.Species != "" {
		add(`f.species = @species`, "species", f.Species)
	}
	if f.Rule != "" {
		add(`f.rule = @rule`, "rule", f.Rule)
	}
	if f.Severity != 0 {
		add(`f.severity = @severity`, "severity", f.Severity)
	}
	for _, side := range []struct{ word, family, key, name string }{
		{f.Emitter, `f.emitter_family = @emitter_family`, `f.emitter_key = @emitter_key`, "emitter"},
		{f.Receptor, `f.receptor_family = @receptor_family`, `f.receptor_key = @receptor_key`, "receptor"},
	} {
		switch {
		case side.word == "":
			continue
		case side.name == "receptor" && side.word == finding.People:
			conditions = append(conditions, `f.receptor_component_id is null and f.receptor_family = ''`)
			continue
		}
		// A material is looked for within its family, which is what the indexes are by.
		var family string
		err := s.db.q(ctx).QueryRow(ctx, `select coalesce((select family from material where key = $1), '')`, side.word).Scan(&family)
		if err != nil {
			return "", nil, fault(err, "look for material %s", side.word)
		}
		if family == "" {
			add(side.family, side.name+"_family", side.word)
			continue
		}
		add(side.family, side.name+"_family", family)
		add(side.key, side.name+"_key", side.word)
	}
	if f.State == finding.Gone {
		conditions[0] = `f.gone_at is not null`
	}
	const accepted = `(f.accepted_until >= @today::text::date and f.severity <= f.accepted_severity)`
	switch f.State {
	case "accepted":
		conditions = append(conditions, accepted)
	case "open":
		conditions = append(conditions, accepted+` is not true`)
	}
	return strings.Join(conditions, ` and `), args, nil
}

// List lists findings that hold, the gravest first.
func (s *Finding) List(ctx context.Context, f finding.Filter, today string, q domain.PageQuery) (domain.Page[finding.Finding], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[finding.Finding]{}, err
	}
	list := []any{"findings", f}
	keys, err := q.Keys(list, 2)
	if err != nil {
		return domain.Page[finding.Finding]{}, err
	}
	where, args, err := s.filter(ctx, f, today)
	if err != nil {
		return domain.Page[finding.Finding]{}, err
	}
	if keys != nil {
		severity, notNumber := strconv.Atoi(keys[0])
		id, notID := domain.ParseID(keys[1])
		if notNumber != nil || notID != nil {
			return domain.Page[finding.Finding]{}, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
		}
		where += ` and (f.severity, f.id) < (@at_severity::smallint, @at_id::uuid)`
		args["at_severity"], args["at_id"] = severity, id
	}
	args["limit"] = limit
	rows, _ := s.db.q(ctx).Query(ctx, `select `+findingColumns+` from finding f join object o on o.id = f.object_id
		where `+where+` order by f.severity desc, f.id desc limit @limit`, args)
	all, err := findingsOf(rows)
	if err != nil {
		return domain.Page[finding.Finding]{}, fault(err, "list findings")
	}
	return domain.NextPage(q, list, all, func(f finding.Finding) []string { return []string{strconv.Itoa(int(f.Severity)), f.ID.String()} }), nil
}

// Around lists findings that hold of an object, and of others whose emitter is part of it.
func (s *Finding) Around(ctx context.Context, objectID domain.ID, limit int) ([]finding.Finding, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+findingColumns+` from finding f join object o on o.id = f.object_id
		where f.gone_at is null and (f.object_id = $1 or f.emitter_object_id = $1 and f.emitter_object_id <> f.object_id) order by f.severity desc, f.id desc limit $2`, objectID, limit)
	all, err := findingsOf(rows)
	return all, fault(err, "list the findings of object %s", objectID)
}

// Counts counts findings that hold, each severity as far as finding.CountMost and one more.
func (s *Finding) Counts(ctx context.Context, f finding.Filter, today string) (finding.Counts, error) {
	var counts finding.Counts
	only := f.Severity
	f.Severity = 0
	where, args, err := s.filter(ctx, f, today)
	if err != nil {
		return counts, err
	}
	args["most"] = finding.CountMost + 1
	batch := &pgx.Batch{}
	for severity, n := range map[material.Severity]*int{material.ActNow: &counts.ActNow, material.ActNext: &counts.ActNext, material.Watch: &counts.Watch} {
		if only != 0 && only != severity {
			continue
		}
		each := maps.Clone(args)
		each["severity"] = severity
		batch.Queue(`select count(*) from (select from finding f where `+where+` and f.severity = @severity limit @most) as counted`, each).QueryRow(func(row pgx.Row) error { return row.Scan(n) })
	}
	return counts, fault(s.db.q(ctx).SendBatch(ctx, batch).Close(), "count findings")
}

// Next computes the next objects that are due.
func (s *Finding) Next(ctx context.Context, find finding.Find, version string, at time.Time, limit int) (int, error) {
	done := 0
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		done = 0
		marks, objects, err := due(ctx, tx, limit)
		if err != nil || len(marks) == 0 {
			return err
		}
		// Whoever else computes one of these objects waits here, and reads after us.
		rows, _ := tx.Query(ctx, `
			insert into finding_computed as f (object_id, computed_at, rules) select id, $2, $3 from object where id = any($1) order by id
			on conflict (object_id) do update set computed_at = excluded.computed_at, rules = excluded.rules
			returning object_id`, objects, at, version)
		if objects, err = pgx.CollectRows(rows, pgx.RowTo[domain.ID]); err != nil {
			return err
		}
		recorded, kept, err := readRecorded(ctx, tx, objects)
		if err != nil {
			return err
		}
		w := writing{at: at}
		for i := range recorded {
			computed, notes := find(&recorded[i])
			w.object(recorded[i].ObjectID, finding.Compare(kept[recorded[i].ObjectID], computed), notes)
		}
		if err := w.write(ctx, s.db, tx); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `delete from finding_due where id = any($1)`, marks)
		done = len(marks)
		return err
	})
	return done, fault(err, "compute findings")
}

// due takes marks that nobody else is at. A mark that comes later stays: it may tell of something that
// was not read.
func due(ctx context.Context, tx pgx.Tx, limit int) (marks []int64, objects []domain.ID, err error) {
	rows, _ := tx.Query(ctx, `select id, object_id from finding_due order by id limit $1 for update skip locked`, limit)
	var mark int64
	var object domain.ID
	_, err = pgx.ForEachRow(rows, []any{&mark, &object}, func() error {
		marks = append(marks, mark)
		objects = append(objects, object)
		return nil
	})
	slices.SortFunc(objects, func(a, b domain.ID) int { return slices.Compare(a[:], b[:]) })
	return marks, slices.Compact(objects), err
}
