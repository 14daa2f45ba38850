package postgres

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/material"
)

var materialWords = map[string]*domain.Error{
	"material_pkey":           {Kind: domain.KindConflict, Code: "material_taken", Message: "The library has a material of this name already."},
	"material_never_deleted":  {Kind: domain.KindRefused, Code: "refused", Message: "A material stays in the library: identifications may name it."},
	"material_filled":         {Kind: domain.KindInvalid, Code: "invalid", Message: "A material needs a name, a family and a source."},
	"material_category_known": {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such category of material."},
	"material_site_author":    refusedByDatabase("The museum's own materials have an author and a date; others have none."),
	"material_added_by_fkey":  refusedByDatabase("There is no such person."),
}

// Material keeps the library; it implements material.Store.
type Material struct{ db *DB }

// NewMaterial makes the store.
func NewMaterial(db *DB) *Material { return &Material{db: db} }

var _ material.Store = (*Material)(nil)

// loadLibrary brings the published library into the table, as the owner after the migrations. It is
// done again at every start and changes only what differs; the museum's own materials stay.
func loadLibrary(ctx context.Context, ownerURL string) error {
	library, err := material.Library()
	if err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return fmt.Errorf("connect to the database as its owner: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	err = pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		batch := &pgx.Batch{}
		for _, m := range library {
			batch.Queue(`
				insert into material as old (key, name, family, category, source, aat, aat_match, health, health_basis, hazard_kinds)
				values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
				on conflict (key) do update set name = excluded.name, family = excluded.family, category = excluded.category,
					source = excluded.source, aat = excluded.aat, aat_match = excluded.aat_match, health = excluded.health,
					health_basis = excluded.health_basis, hazard_kinds = excluded.hazard_kinds
				where (old.name, old.family, old.category, old.source, old.aat, old.aat_match, old.health, old.health_basis, old.hazard_kinds)
					is distinct from (excluded.name, excluded.family, excluded.category, excluded.source, excluded.aat, excluded.aat_match,
					excluded.health, excluded.health_basis, excluded.hazard_kinds)
				returning key`,
				m.Key, m.Name, m.Family, m.Category, m.Source, m.AAT, m.AATMatch, m.Health, m.HealthBasis, m.HazardIDs)
		}
		var changed []string
		results := tx.SendBatch(ctx, batch)
		for range library {
			rows, _ := results.Query()
			keys, err := pgx.CollectRows(rows, pgx.RowTo[string])
			if err != nil {
				return err
			}
			changed = append(changed, keys...)
		}
		if err := results.Close(); err != nil {
			return err
		}
		if len(changed) == 0 {
			return nil
		}
		rows, _ := tx.Query(ctx, `select distinct c.object_id from component_material cm join component c on c.id = cm.component_id
			where cm.material_key = any($1) and cm.superseded_at is null`, changed)
		objects, err := pgx.CollectRows(rows, pgx.RowTo[domain.ID])
		if err != nil || len(objects) == 0 {
			return err
		}
		return refreshWords(ctx, tx, objects...)
	})
	if err != nil {
		return fmt.Errorf("load the library of materials: %w", err)
	}
	return nil
}

const entryColumns = `m.key, m.name, m.family, m.category, m.source, m.aat, m.aat_match, m.health, m.health_basis, m.hazard_kinds as hazard_ids,
	m.site, m.added_by, m.added_at, (select count(distinct c.object_id) from component_material cm join component c on c.id = cm.component_id
		where cm.material_key = m.key and cm.superseded_at is null) as objects`

// List lists materials by name.
func (s *Material) List(ctx context.Context, f material.Filter, q domain.PageQuery) (domain.Page[material.Entry], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[material.Entry]{}, err
	}
	keys, err := q.Keys(f, 2)
	if err != nil {
		return domain.Page[material.Entry]{}, err
	}
	if keys == nil {
		keys = []string{"", ""}
	}
	words := collection.SearchWords(f.Words)
	for i, w := range words {
		words[i] = strings.ToLower(w)
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select `+entryColumns+` from material m
		where (m.name, m.key) > (@name, @key) and (@category = '' or m.category = @category) and (not @site or m.site)
			and not exists (select from unnest(@words::text[]) w where strpos(fold(m.name || ' ' || m.family || ' ' || m.key), fold(w)) = 0)
		order by m.name, m.key limit @limit`,
		pgx.NamedArgs{"name": keys[0], "key": keys[1], "category": f.Category, "site": f.Site, "words": words, "limit": limit})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[material.Entry])
	if err != nil {
		return domain.Page[material.Entry]{}, fault(err, "list materials")
	}
	return domain.NextPage(q, f, all, func(e material.Entry) []string { return []string{e.Name, e.Key} }), nil
}

// One reads a material.
func (s *Material) One(ctx context.Context, key string) (*material.Entry, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+entryColumns+` from material m where m.key = $1`, key)
	e, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[material.Entry])
	return e, fault(err, "read material %s", key)
}

// Add writes one of the museum's own materials.
func (s *Material) Add(ctx context.Context, e *material.Entry, event domain.Event) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into material (key, name, family, category, source, health, health_basis, hazard_kinds, site, added_by, added_at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, true, $9, $10)`,
			e.Key, e.Name, e.Family, e.Category, e.Source, e.Health, e.HealthBasis, e.HazardIDs, e.AddedBy, e.AddedAt)
		if err != nil {
			return fault(err, "add material %s", e.Key)
		}
		return s.db.addEvents(ctx, event)
	})
}

// Uses lists the components that have a material, by the number of their object.
func (s *Material) Uses(ctx context.Context, key string, q domain.PageQuery) (domain.Page[material.Use], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[material.Use]{}, err
	}
	list := []string{"uses", key}
	keys, err := q.Keys(list, 2)
	if err != nil {
		return domain.Page[material.Use]{}, err
	}
	after := domain.ID{}
	if keys == nil {
		keys = []string{"", after.String()}
	}
	if after, err = domain.ParseID(keys[1]); err != nil {
		return domain.Page[material.Use]{}, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select o.id as object_id, o.number, o.title, c.id as component_id, c.label, c.name, cm.role, cm.confidence, o.sort_key, cm.id
		from component_material cm join component c on c.id = cm.component_id join object o on o.id = c.object_id
		where cm.material_key = $1 and cm.superseded_at is null and (o.sort_key, cm.id) > ($2, $3)
		order by o.sort_key, cm.id limit $4`, key, keys[0], after, limit)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[material.Use])
	if err != nil {
		return domain.Page[material.Use]{}, fault(err, "list uses of material %s", key)
	}
	return domain.NextPage(q, list, all, func(u material.Use) []string { return []string{u.SortKey, u.ID.String()} }), nil
}

// All lists what there is to choose from.
func (s *Material) All(ctx context.Context) ([]material.Choice, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select key, name, family from material order by family, name, key`)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[material.Choice])
	return all, fault(err, "list materials to choose from")
}
