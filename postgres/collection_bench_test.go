package postgres_test

import (
	"context"
	"fmt"
	"testing"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/postgres"
)

// fill makes n objects of ten components each, with materials, and gives the ID of one in the middle.
func (s *store) fill(n int) domain.ID {
	s.t.Helper()
	ctx := context.Background()
	kinds := []string{"protective dress › diving dress", "protective dress › immersion suit", "breathing set › rebreather", "instrument › depth gauge", "survival gear › life vest"}
	nouns := []string{"helmet", "dress", "cuff", "corselet", "canister", "harness", "gauge", "vest", "boots", "gloves", "telephone", "knife", "mask", "belt"}
	makers := []string{"Fjord & Sons", "Łódź Rubber", "Harbour Works", "Tide Brothers", "Ελληνική Εταιρεία"}
	materials := []string{"copper", "brass", "natural-rubber-vulcanised", "cotton", "lead", "polychloroprene"}
	var middle domain.ID
	objects, parts, identified, attributed := [][]any{}, [][]any{}, [][]any{}, [][]any{}
	ids := []domain.ID{}
	for i := range n {
		number := collection.Number(fmt.Sprintf("%d.%d.%d", 1900+i%120, i/120%40+1, i/4800+1))
		id := domain.NewID()
		ids = append(ids, id)
		if i == n/2 {
			middle = id
		}
		objects = append(objects, []any{id, string(number), number.Key(), collection.LooseKey(string(number)), number.SortKey(),
			fmt.Sprintf("%s and %s of diver %d", nouns[i%len(nouns)], nouns[(i/7)%len(nouns)], i), kinds[i%len(kinds)], []string{makers[i%len(makers)]},
			"accessioned", fmt.Sprint("Department ", i%6), instant, s.mara.ID})
		for p := range 10 {
			part := domain.NewID()
			parts = append(parts, []any{part, id, fmt.Sprint(p + 1), fmt.Sprintf("%04d", p), nouns[(i+p)%len(nouns)], "none", p, "other", "freely", "unknown", instant})
			identified = append(identified, []any{domain.NewID(), part, materials[(i+p)%len(materials)], "body", "sight", "probable", s.mara.ID, instant})
			attributed = append(attributed, []any{domain.NewID(), part, "unknown", "", s.mara.ID, instant})
		}
	}
	for _, table := range []struct {
		name    string
		columns []string
		rows    [][]any
	}{
		{"object", []string{"id", "number", "number_key", "loose_key", "sort_key", "title", "kind", "makers", "legal_status", "department", "created_at", "created_by"}, objects},
		{"component", []string{"id", "object_id", "label", "sort_key", "name", "side", "layer_order", "function", "removal", "attribution", "created_at"}, parts},
		{"component_material", []string{"id", "component_id", "material_key", "role", "identified_by", "confidence", "author_id", "at"}, identified},
		{"attribution", []string{"id", "component_id", "attribution", "evidence", "author_id", "at"}, attributed},
	} {
		if _, err := s.data.Pool.CopyFrom(ctx, pgx.Identifier{table.name}, table.columns, pgx.CopyFromRows(table.rows)); err != nil {
			s.t.Fatalf("%s: %v", table.name, err)
		}
	}
	for len(ids) > 0 {
		some := ids[:min(1000, len(ids))]
		ids = ids[len(some):]
		if err := postgres.RefreshWords(ctx, s.data.Pool, some...); err != nil {
			s.t.Fatal(err)
		}
	}
	if _, err := s.data.OwnerPool().Exec(ctx, `vacuum analyze`); err != nil {
		s.t.Fatal(err)
	}
	return middle
}

// BenchmarkCollection measures what people wait for, with 20 000 objects and 200 000 components.
func BenchmarkCollection(b *testing.B) {
	s := newStore(b)
	middle := s.fill(20000)
	search := func(q collection.Query) func(context.Context) error {
		return func(ctx context.Context) error {
			found, err := s.objects.Search(ctx, s.mara, q, domain.PageQuery{})
			if err == nil && len(found.Items) == 0 {
				err = fmt.Errorf("%+v finds nothing", q)
			}
			return err
		}
	}
	deep, err := s.objects.Search(b.Context(), s.mara, collection.Query{Words: "helmet"}, domain.PageQuery{Limit: 200})
	if err != nil {
		b.Fatal(err)
	}
	for _, bench := range []struct {
		name string
		do   func(context.Context) error
	}{
		{"list", search(collection.Query{})},
		{"newest", search(collection.Query{Sort: "newest"})},
		{"number", search(collection.Query{Words: "1960.7.3"})},
		{"number in haste", search(collection.Query{Words: "1960-07-3"})},
		{"number begins", search(collection.Query{Words: "19"})},
		{"one rare word", search(collection.Query{Words: "15000"})},
		{"one common word", search(collection.Query{Words: "helmet"})},
		{"three words", search(collection.Query{Words: "lodz copper helmet"})},
		{"misspelt", search(collection.Query{Words: "helmt copppr"})},
		{"deep page", func(ctx context.Context) error {
			_, err := s.objects.Search(ctx, s.mara, collection.Query{Words: "helmet"}, domain.PageQuery{Limit: 200, Cursor: deep.Next})
			return err
		}},
		{"department", search(collection.Query{Department: "Department 3"})},
		{"kind", search(collection.Query{Kind: "protective dress"})},
		{"material", search(collection.Query{Material: "copper"})},
		{"filters", func(ctx context.Context) error { _, err := s.objects.Filters(ctx, s.mara); return err }},
		{"sheet", func(ctx context.Context) error { _, err := s.objects.Sheet(ctx, middle); return err }},
		{"whole", func(ctx context.Context) error { _, err := s.objects.Show(ctx, s.mara, middle); return err }},
		{"change", func(ctx context.Context) error {
			o, err := s.objects.Object(ctx, s.vik, middle)
			if err != nil {
				return err
			}
			f := o.Facts()
			f.Title = fmt.Sprint("changed after version ", o.Version)
			_, err = s.objects.Change(ctx, s.vik, middle, o.Version, f)
			return err
		}},
	} {
		b.Run(bench.name, func(b *testing.B) {
			for b.Loop() {
				if err := bench.do(b.Context()); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
