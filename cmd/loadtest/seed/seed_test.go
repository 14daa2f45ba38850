package seed_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/cmd/loadtest/seed"
	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/treatment"
	"farthingale/postgres"
)

// filled is a house with an invented collection.
func filled(t *testing.T, o seed.Options) *servetest.House {
	t.Helper()
	h := servetest.New(t)
	o.Until, o.Site, o.Password, o.Pictures = time.Date(2026, 9, 30, 0, 0, 0, 0, time.UTC), domain.DefaultSite(), servetest.Password, 8
	err := seed.Fill(t.Context(), seed.Database{OwnerURL: h.Database.OwnerURL, Files: postgres.NewFiles(h.DB, h.Bucket), Head: h.Record.Head}, o)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

func one[T any](t *testing.T, h *servetest.House, sql string, args ...any) T {
	t.Helper()
	var v T
	if err := h.Database.OwnerPool().QueryRow(t.Context(), sql, args...).Scan(&v); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return v
}

// TestFill: what is invented is whole, and valid. Every constraint and trigger was at work while it was
// written; what they do not see is looked at here.
func TestFill(t *testing.T) {
	t.Parallel()
	const n = 360
	h := filled(t, seed.Options{Objects: n, Seed: 1})
	ctx := t.Context()

	report, err := h.Record.Verify(ctx, nil)
	if err != nil || !report.Clean || report.Head.Count < 40 {
		t.Errorf("verify: %+v %v", report, err)
	}
	files, first, err := h.Photo.Verify(ctx)
	if err != nil || first != "" || files.Checked < 8 {
		t.Errorf("verify files: %+v %s %v", files, first, err)
	}
	for what, found := range map[string]int64{
		"constraints that are not valid":                  one[int64](t, h, `select count(*) from pg_constraint where not convalidated`),
		"triggers that are off":                           one[int64](t, h, `select count(*) from pg_trigger where tgenabled <> 'O'`),
		"objects without 3 to 12 components":              one[int64](t, h, `select count(*) from (select o.id from object o left join component c on c.object_id = o.id group by o.id having count(c.id) not between 3 and 12) x`),
		"components without an attribution":               one[int64](t, h, `select count(*) from component c where not exists (select from attribution a where a.component_id = c.id)`),
		"components whose attribution is not the last":    one[int64](t, h, `select count(*) from component c where attribution <> (select attribution from attribution a where a.component_id = c.id order by at desc, id desc limit 1)`),
		"components without a material":                   one[int64](t, h, `select count(*) from component c where not exists (select from component_material m where m.component_id = c.id and m.superseded_at is null)`),
		"objects without a present place":                 one[int64](t, h, `select count(*) from object o where not exists (select from placement p where p.object_id = o.id and p.component_id is null and upper_inf(p.during))`),
		"handlings without hands":                         one[int64](t, h, `select count(*) from handling h where not exists (select from handling_person p where p.handling_id = h.id)`),
		"objects without an event":                        one[int64](t, h, `select count(*) from object o where not exists (select from event e where e.object_id = o.id and e.kind = 'added')`),
		"things of the time to come":                      one[int64](t, h, `select count(*) from handling where started_at > '2026-09-30'`),
		"moves under a stop":                              one[int64](t, h, `select count(*) from placement p join stop s on s.object_id = p.object_id and lower(p.during) > s.raised_at where not exists (select from stop_release r where r.stop_id = s.id)`),
		"treatments with moves that the domain denies":    deniedMoves(t, h),
		"signed treatments that are not sealed":           one[int64](t, h, `select count(*) from treatment t where state = 'signed' and not exists (select from seal s where s.kind = 'treatment' and s.subject_id = t.id)`),
		"decisions that are not sealed":                   one[int64](t, h, `select count(*) from treatment_decision d where not exists (select from seal s where s.kind = 'treatment_decision' and s.subject_id = d.id)`),
		"events whose number the next act would use also": one[int64](t, h, `select count(*) from event where id > (select last_value from event_id_seq)`),
	} {
		if found != 0 {
			t.Errorf("%d %s", found, what)
		}
	}
	if got := one[int64](t, h, `select count(*) from object`); got != n {
		t.Errorf("%d objects", got)
	}
	if mean := one[float64](t, h, `select count(*)::float8 / $1 from component`, n); mean < 4.6 || mean > 5.6 {
		t.Errorf("%.2f components for each object", mean)
	}
	if states := one[int](t, h, `select count(distinct state) from treatment`); states != len(treatment.States) {
		t.Errorf("treatments are in %d states of %d", states, len(treatment.States))
	}
	for _, table := range []string{"stop", "stop_release", "emergency", "hazard", "treatment_condition", "loan", "notice", "photo_component", "placement_handling"} {
		if one[int64](t, h, `select count(*) from `+table) == 0 {
			t.Errorf("there is no %s", table)
		}
	}
}

// deniedMoves counts treatments whose kept standing and next moves are not what the domain says.
func deniedMoves(t *testing.T, h *servetest.House) (denied int64) {
	t.Helper()
	reader := h.Person("Noor Halloran", domain.Reader).Actor
	page, err := h.Treatment.List(t.Context(), reader, treatment.Filter{}, domain.PageQuery{Limit: domain.PageMost})
	if err != nil || len(page.Items) < 40 {
		t.Fatalf("%d treatments, %v", len(page.Items), err)
	}
	for _, line := range page.Items {
		x, err := h.Treatment.One(t.Context(), reader, line.ID)
		if err != nil {
			t.Fatal(err)
		}
		moves := []string{}
		for _, m := range x.NextMoves {
			moves = append(moves, string(m.Who))
		}
		kept := []string{}
		for _, m := range line.Movers {
			kept = append(kept, string(m))
		}
		if line.Standing != x.Standing || strings.Join(kept, " ") != strings.Join(moves, " ") {
			t.Errorf("%s stands %q with %v, by the domain %q with %v", x.Called(), line.Standing, kept, x.Standing, moves)
			denied++
		}
	}
	return denied
}

// TestFillWords: a search finds what is invented by the words by which the program itself would find it.
func TestFillWords(t *testing.T) {
	t.Parallel()
	h := filled(t, seed.Options{Objects: 40, Seed: 2})
	by := h.Person("Ines Falkenberg", domain.Conservator, domain.Registrar).Actor
	page, err := h.Collection.Search(t.Context(), by, collection.Query{}, domain.PageQuery{})
	if err != nil || len(page.Items) != 40 {
		t.Fatalf("%d objects, %v", len(page.Items), err)
	}
	words := func(id domain.ID) string {
		return one[string](t, h, `select words::text from object where id = $1`, id)
	}
	for _, line := range page.Items {
		before := words(line.ID)
		for _, subject := range []string{"zzz", ""} { // a change and back: the program finds the words anew
			o, err := h.Collection.Object(t.Context(), by, line.ID)
			if err != nil {
				t.Fatal(err)
			}
			f := o.Facts()
			kept := f.Subject
			if f.Subject = kept + subject; subject == "" {
				f.Subject = strings.TrimSuffix(kept, "zzz")
			}
			if _, err := h.Collection.Change(t.Context(), by, o.ID, o.Version, f); err != nil {
				t.Fatal(err)
			}
		}
		if after := words(line.ID); after != before {
			t.Errorf("%s is found by\n%s\nthe program would find it by\n%s", line.Number, before, after)
		}
	}
}

// TestFillAgain: the same seed gives the same rows, whatever the number of writers, and whether or not
// foreign keys and triggers were at work.
func TestFillAgain(t *testing.T) {
	t.Parallel()
	const n = 520 // two batches
	var sums [2]map[string]string
	for i, o := range []seed.Options{{Writers: 1}, {Writers: 3, Unchecked: true}} {
		o.Objects, o.Seed = n, 3
		h := filled(t, o)
		sums[i] = map[string]string{}
		tables, _, err := seed.Count(t.Context(), h.Database.OwnerURL)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range tables {
			if c.Table == "seal" || strings.HasPrefix(c.Table, "finding") { // its chain begins at a random origin; they have random identifiers
				continue
			}
			if c.Table == "event" {
				c.Table = "(select * from event where area <> 'finding')"
			}
			sums[i][c.Table] = one[string](t, h, `select count(*) || ' rows ' || coalesce(md5(string_agg(x::text, ' ' order by x::text)), '') from `+c.Table+` x`)
		}
		sums[i]["seal"] = one[string](t, h, `select md5(string_agg(kind || subject_id || document, ' ' order by number)) from seal`)
	}
	for table, sum := range sums[0] {
		if sums[1][table] != sum {
			t.Errorf("%s: %s, and again %s", table, sum, sums[1][table])
		}
	}
}

// TestFillRefuses: a database that is in use is left as it is.
func TestFillRefuses(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	h.Person("Simon Vane", domain.Steward)
	err := seed.Fill(t.Context(), seed.Database{OwnerURL: h.Database.OwnerURL, Files: postgres.NewFiles(h.DB, h.Bucket), Head: h.Record.Head},
		seed.Options{Objects: 10, Until: time.Now(), Site: domain.DefaultSite(), Password: servetest.Password})
	if err == nil || !strings.Contains(err.Error(), "in use") {
		t.Errorf("%v", err)
	}
	if rows := h.Rows("object", "person"); fmt.Sprint(rows) != "map[object:0 person:1]" {
		t.Errorf("%v", rows)
	}
}
