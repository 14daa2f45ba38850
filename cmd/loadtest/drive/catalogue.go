package drive

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// Catalogue is what there is to ask for: a sample of the collection, read from the database itself.
type Catalogue struct {
	Objects      []Object
	Shelves      []domain.ID
	Components   []domain.ID // of objects of the sample
	Treatments   []domain.ID
	UnderWay     []Charge
	Photos       []domain.ID
	Enclosures   []domain.ID
	Examinations []domain.ID // signed
	Makers       []string    // rare words
	Nouns        []string    // words of many objects
	Kinds        []string
	Materials    []string
}

// Object is an object that is asked for.
type Object struct {
	ID      domain.ID
	Number  string
	SortKey string
	Free    bool // no stop stands on it, and no hazard is recorded or proposed by its kind or parts
}

// Charge is a treatment under way and who may log its steps.
type Charge struct {
	ID, ObjectID domain.ID
	SignInName   string
	Component    domain.ID
	Method       string
}

// objectsMost is how many objects are asked for at most.
const objectsMost = 20000

// ReadCatalogue reads what can be asked for. The sample is spread over the whole collection.
func ReadCatalogue(ctx context.Context, db *pgxpool.Pool) (*Catalogue, error) {
	c := &Catalogue{Nouns: []string{"helmet", "glove", "lining", "buckle", "gauge", "harness", "zip", "hose", "window", "collar", "torn", "cracked", "brass", "rubber", "cotton"},
		Kinds:     []string{"protective dress", "breathing set › rebreather", "instrument", "survival gear › life vest"},
		Materials: []string{"copper", "kapok", "polychloroprene", "ebonite"}}
	var objects float64
	if err := db.QueryRow(ctx, `select greatest(reltuples, 1) from pg_class where oid = 'object'::regclass`).Scan(&objects); err != nil {
		return nil, fmt.Errorf("see how many objects there are: %w", err)
	}
	share := min(100, objectsMost/objects*100)
	for _, q := range []struct {
		what string
		read func() error
	}{
		{"objects", func() (err error) {
			c.Objects, err = rows[Object](ctx, db, fmt.Sprintf(`
				select o.id, o.number, o.sort_key, not exists (select from stop s where s.object_id = o.id and not exists (select from stop_release r where r.stop_id = s.id))
					and not exists (select from hazard h where h.object_id = o.id)
					and o.kind || ' ' || o.title !~* 'rebreather|respirator|gas mask|canister|inflat|luminous|mine.rescue|foundry|fire.|heat.protective'
					and not exists (select from component c where c.object_id = o.id and c.name ~* 'canister|inflat|luminous|respirator') as free
				from object o tablesample system (%f) repeatable (1) limit %d`, share, objectsMost))
			return err
		}},
		{"shelves", func() (err error) {
			c.Shelves, err = list[domain.ID](ctx, db, `
				with recursive hidden (id) as (select id from place where sensitive union all select p.id from place p join hidden h on p.parent_id = h.id)
				select id from place where kind = 'shelf' and id not in (select id from hidden) order by id`)
			return err
		}},
		{"components", func() (err error) {
			ids := make([]domain.ID, 0, 2000)
			for _, o := range c.Objects[:min(len(c.Objects), cap(ids))] {
				ids = append(ids, o.ID)
			}
			c.Components, err = list[domain.ID](ctx, db, `select id from component where object_id = any ($1)`, ids)
			return err
		}},
		{"treatments", func() (err error) {
			c.Treatments, err = list[domain.ID](ctx, db, `select id from treatment order by md5(id::text) limit 4000`)
			return err
		}},
		{"treatments under way", func() (err error) {
			c.UnderWay, err = rows[Charge](ctx, db, `
				select t.id, t.object_id, p.sign_in_name, (t.proposal -> 'scope' -> 0 ->> 'component_id')::uuid as component, t.proposal -> 'scope' -> 0 ->> 'method' as method
				from treatment t join person p on p.id = t.in_charge_id
				where t.state = 'under_way' and t.hold = '' and not exists (select from stop s where s.object_id = t.object_id) order by t.id limit 2000`)
			return err
		}},
		{"photographs", func() (err error) {
			c.Photos, err = list[domain.ID](ctx, db, fmt.Sprintf(`select id from photo tablesample system (%f) repeatable (1) limit 5000`, share))
			return err
		}},
		{"enclosures", func() (err error) {
			c.Enclosures, err = list[domain.ID](ctx, db, fmt.Sprintf(`select id from enclosure tablesample system (%f) repeatable (1) where closed_at is null limit 5000`, share))
			return err
		}},
		{"examinations", func() (err error) {
			c.Examinations, err = list[domain.ID](ctx, db, fmt.Sprintf(`select id from examination tablesample system (%f) repeatable (1) where state = 'signed' limit 5000`, share))
			return err
		}},
		{"makers", func() (err error) {
			makers, err := list[string](ctx, db, `select distinct makers[1] from object where id = any ($1)`, c.some(3000))
			for _, m := range makers {
				c.Makers = append(c.Makers, strings.Fields(m)[0])
			}
			return err
		}},
	} {
		if err := q.read(); err != nil {
			return nil, fmt.Errorf("read which %s there are: %w", q.what, err)
		}
	}
	if len(c.Objects) == 0 || len(c.Shelves) == 0 || len(c.Makers) == 0 || len(c.Photos) == 0 || len(c.Treatments) == 0 {
		return nil, errors.New("there is too little in this database to measure with")
	}
	return c, nil
}

func (c *Catalogue) some(n int) []domain.ID {
	var ids []domain.ID
	for _, o := range c.Objects[:min(n, len(c.Objects))] {
		ids = append(ids, o.ID)
	}
	return ids
}

// list reads rows of one column; rows reads rows with fields.
func list[T any](ctx context.Context, db *pgxpool.Pool, sql string, args ...any) ([]T, error) {
	found, _ := db.Query(ctx, sql, args...)
	return pgx.CollectRows(found, pgx.RowTo[T])
}

func rows[T any](ctx context.Context, db *pgxpool.Pool, sql string, args ...any) ([]T, error) {
	found, _ := db.Query(ctx, sql, args...)
	return pgx.CollectRows(found, pgx.RowToStructByName[T])
}

// After is the mark of the page of the list of all objects that begins behind an object, so that lists
// are asked for at every depth.
func (o Object) After() string {
	page := domain.NextPage(domain.PageQuery{Limit: 1}, collection.Query{Sort: "number"}, []Object{o, o}, func(o Object) []string {
		return []string{"0", o.SortKey, o.ID.String()}
	})
	return page.Next
}
