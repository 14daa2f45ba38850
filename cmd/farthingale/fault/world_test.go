//go:build unix

package fault

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/finding"
	"farthingale/domain/investigation"
	"farthingale/domain/movement"
	"farthingale/domain/photo"
	"farthingale/domain/survey"
	"farthingale/postgres/bucket"
	"farthingale/postgres/pgtest"
)

// world is a museum on which acts are tried. The house of the test itself prepares and looks; copies of
// the program act.
type world struct {
	t                 testing.TB
	house             *servetest.House
	ground            *servetest.Ground
	places            []domain.ID
	bucketURL, folder string
	marked            domain.ID // a photograph to mark
}

func newWorld(t testing.TB) *world {
	t.Helper()
	return worldOn(t, pgtest.New(t))
}

func worldOn(t testing.TB, database *pgtest.Database) *world {
	t.Helper()
	w := &world{t: t, folder: t.TempDir()}
	w.bucketURL = "file://" + filepath.ToSlash(w.folder)
	w.house = servetest.On(t, database, func(s *serve.Settings) { s.BucketURL = w.bucketURL })
	w.ground = w.house.Ground()
	for _, code := range []string{"TA-1", "TA-2"} {
		p, err := w.house.Movement.AddPlace(t.Context(), w.who(domain.Registrar).Actor, movement.NewPlace{PlaceFacts: movement.PlaceFacts{Kind: "site", Code: code, Name: "Store " + code}})
		if err != nil {
			t.Fatal(err)
		}
		w.places = append(w.places, p.ID)
	}
	return w
}

func (w *world) who(role domain.Role) servetest.Someone { return w.ground.People[role] }

// act is a request that writes, ready to be sent, and how to find what it wrote.
type act struct {
	path, kind, token, key string
	version                int64 // of If-Match; 0: none
	body                   []byte
	countSQL               string // how many times what it wrote is there
	args                   []any
}

// kind of act: prepare makes the n-th one, on a subject that is as it should be for it.
type kind struct {
	name    string
	prepare func(w *world, n int) act
}

// kinds are the acts that are tried: of one row and of many, with a seal, with a file, with a notice.
var kinds = []kind{
	{"signing", func(w *world, n int) act {
		t := w.house.Completed(w.ground)
		return act{path: "/treatments/" + t.ID.String() + "/signature", token: w.who(domain.Conservator).Token, version: t.Version,
			body:     w.json(map[string]string{"statement": "All true."}),
			countSQL: `select count(*) from treatment t join seal s on s.subject_id = t.id and s.kind = 'treatment' where t.id = $1 and t.state = 'signed'`, args: []any{t.ID}}
	}},
	{"upload", func(w *world, n int) act {
		caption := fmt.Sprintf("Taken in series, number %d", n)
		return act{path: "/objects/" + w.ground.Object.ID.String() + "/photos?view=detail&light=normal&stage=condition&caption=" + strings.ReplaceAll(caption, " ", "+"),
			token: w.who(domain.Conservator).Token, kind: "image/jpeg", body: servetest.JPEG(uint8(n)), // #nosec G115 -- fewer than 256
			countSQL: `select count(*) from photo p join file f on f.sha256 = p.original_sha256 where p.caption = $1`, args: []any{caption}}
	}},
	{"move", func(w *world, n int) act {
		reason := fmt.Sprintf("move number %d", n)
		r := movement.Relocation{ToPlaceID: w.places[n%len(w.places)], Reason: reason, Hands: &movement.Hands{Minutes: 5, Controls: "kept"}}
		where, err := w.house.Movement.Where(w.t.Context(), w.who(domain.Registrar).Actor, w.ground.Object.ID)
		if err != nil {
			w.t.Fatal(err)
		}
		if now, known := where[w.ground.Object.ID]; known {
			r.FromPlacementID = &now.ID
			if now.Place.ID == r.ToPlaceID {
				r.ToPlaceID = w.places[(n+1)%len(w.places)]
			}
		}
		return act{path: "/objects/" + w.ground.Object.ID.String() + "/moves", token: w.who(domain.Registrar).Token, body: w.json(r),
			countSQL: `select count(*) from placement p join placement_handling x on x.placement_id = p.id join handling h on h.id = x.handling_id where p.reason = $1`, args: []any{reason}}
	}},
	{"enclosure", func(w *world, n int) act {
		f := servetest.ClosedGlove(w.ground)
		f.Label = fmt.Sprintf("Glove, number %d", n)
		return act{path: "/enclosures", token: w.who(domain.Conservator).Token, body: w.json(f),
			countSQL: `select count(*) from enclosure e join enclosure_space s on s.enclosure_id = e.id join event v on v.subject_id = e.id and v.object_id is not null
				where e.label = $1 and (select count(*) from enclosure_member m where m.enclosure_id = e.id) = 2`, args: []any{f.Label}}
	}},
	{"acceptance of a finding", func(w *world, n int) act {
		ines, reason := w.who(domain.Conservator), fmt.Sprintf("Aired, number %d", n)
		all, err := w.house.Finding.Of(w.t.Context(), ines.Actor, w.ground.Object.ID)
		if err != nil {
			w.t.Fatal(err)
		}
		if len(all.Findings) == 0 {
			all = w.house.Findings(w.ground)
		}
		f := all.Findings[0]
		return act{path: "/findings/" + f.ID.String() + "/acceptances", token: ines.Token, version: f.Version,
			body: w.json(finding.NewAcceptance{Reason: reason, Until: w.house.Now().AddDate(0, 1, 0).Format(time.DateOnly)}),
			countSQL: `select count(*) from finding_acceptance a join finding f on f.id = a.finding_id and f.accepted_until is not null
				join event e on e.subject_id = f.id and e.change ->> 'id' = a.id::text where a.reason = $1`, args: []any{reason}}
	}},
	{"component that makes findings due", func(w *world, n int) act {
		label := fmt.Sprintf("d%d", n)
		return act{path: "/objects/" + w.ground.Object.ID.String() + "/components", token: w.who(domain.Conservator).Token,
			body: w.json(map[string]any{"label": label, "name": "strap", "side": "none", "function": "harness", "count": 1, "removal": "freely", "attribution": "unknown"}),
			countSQL: `select count(*) from component c join event e on e.subject_id = c.id where c.label = $1
				and (exists (select from finding_due d where d.object_id = c.object_id) -- or another copy has computed them meanwhile
					or exists (select from finding_computed f where f.object_id = c.object_id and f.computed_at >= c.created_at - interval '5 seconds'))`, args: []any{label}}
	}},
	{"signing of an examination with an alarm", func(w *world, n int) act {
		e := w.house.Alarming(w.ground)
		return act{path: "/examinations/" + e.ID.String() + "/signature", token: w.who(domain.Conservator).Token, version: e.Version,
			countSQL: `select count(*) from examination e join seal s on s.subject_id = e.id and s.kind = 'examination' join notice n on n.subject_id = e.id
				join object_condition c on c.examination_id = e.id where e.id = $1 and e.state = 'signed' and e.open_since is not null`, args: []any{e.ID}}
	}},
	{"hand-over that opens an incident", func(w *world, n int) act {
		l, h := w.house.Arriving(w.ground, n)
		return act{path: "/loans/" + l.ID.String() + "/receipt", token: w.who(domain.Conservator).Token, version: l.Version, body: w.json(h),
			countSQL: `select count(*) from incident i join loan_hand_over_condition c on c.hand_over_id = i.hand_over_id and c.line_id = i.line_id and c.statement = i.found
				join seal s on s.subject_id = i.hand_over_id join notice n on n.subject_id = i.id join event e on e.subject_id = i.id and e.kind = 'opened'
				join loan l on l.id = i.loan_id and l.state = 'received' where i.loan_id = $1`, args: []any{l.ID}}
	}},
	{"finding that identifies", func(w *world, n int) act {
		ines, text := w.who(domain.Conservator), fmt.Sprintf("Bands of a polyurethane, number %d", n)
		i, err := w.house.Investigation.Ask(w.t.Context(), ines.Actor, w.ground.Object.ID, investigation.NewQuestion{Question: "Of what is it?"})
		if err != nil {
			w.t.Fatal(err)
		}
		key := "acrylic-adhesive"
		part := w.ground.Parts["3"]
		return act{path: "/investigations/" + i.ID.String() + "/findings", token: ines.Token, version: i.Version,
			body: w.json(investigation.NewFinding{Technique: "xrf", ComponentID: &part, Found: text, Proves: "A coat.", DoneOn: w.house.Now().UTC().Format(time.DateOnly), DoneBy: "Ines",
				Identifies: &investigation.Identification{MaterialKey: &key, Role: "coating", Confidence: "probable"}}),
			countSQL: `select count(*) from investigation_finding f join component_material m on m.id = f.identification_id
				join event e on e.subject_id = f.investigation_id and e.kind = 'found' and e.change ->> 'found' = f.found where f.found = $1`, args: []any{text}}
	}},
	{"look of a survey", func(w *world, n int) act {
		ines, kind := w.who(domain.Conservator), fmt.Sprintf("masks %d of a survey", n)
		o, err := w.house.Collection.Create(w.t.Context(), ines.Actor, collection.NewObject{ObjectFacts: collection.ObjectFacts{Number: fmt.Sprintf("1999.9.%d", n+1), Title: "Mask", Kind: kind, LegalStatus: "accessioned", Department: servetest.Department}})
		if err != nil {
			w.t.Fatal(err)
		}
		x, err := w.house.Survey.Begin(w.t.Context(), ines.Actor, survey.NewSurvey{Title: kind, Scheme: survey.Scheme{Population: survey.Population{Kind: kind}}})
		if err != nil {
			w.t.Fatal(err)
		}
		now := w.house.Now().UTC()
		return act{path: "/surveys/" + x.ID.String() + "/objects/" + o.ID.String() + "/assessment", token: ines.Token,
			body:     w.json(survey.Assessment{ExaminedOn: now.Format(time.DateOnly), Place: "store", Overall: "fair", Priority: "low", NextCheckOn: now.AddDate(1, 0, 0).Format(time.DateOnly)}),
			countSQL: `select count(*) from survey_object x join examination e on e.id = x.examination_id and e.state = 'signed' join seal s on s.subject_id = e.id where x.object_id = $1`, args: []any{o.ID}}
	}},
	{"mark", func(w *world, n int) act {
		note := fmt.Sprintf("A stain, number %d", n)
		if w.marked == (domain.ID{}) {
			d := photo.Description{View: "front", Light: "normal", Stage: "condition"}
			p, err := w.house.Photo.Upload(w.t.Context(), w.who(domain.Conservator).Actor, w.ground.Object.ID, d, "marked.jpg", bytes.NewReader(servetest.JPEG(255)))
			if err != nil {
				w.t.Fatal(err)
			}
			w.marked = p.ID
		}
		return act{path: "/photos/" + w.marked.String() + "/marks", token: w.who(domain.Conservator).Token,
			body:     w.json(map[string]any{"shape": map[string]any{"kind": "rectangle", "points": [][2]int{{2, 2}, {20, 20}}}, "note": note}),
			countSQL: `select count(*) from photo_mark m join event e on e.subject_id = m.id and e.kind = 'marked' where m.note = $1`, args: []any{note}}
	}},
	{"handling with a stop", func(w *world, n int) act {
		note := fmt.Sprintf("A crack, number %d", n)
		return act{path: "/objects/" + w.ground.Object.ID.String() + "/handlings", token: w.who(domain.MountMaker).Token,
			body: w.json(map[string]any{"minutes": 5, "purpose": "mounting", "noticed": []string{"noise"}, "note": note, "controls": "kept",
				"component_ids": []domain.ID{w.ground.Parts["1a"]}}),
			countSQL: `select count(*) from handling h join stop s on s.handling_id = h.id join notice n on n.subject_id = s.id where h.note = $1`, args: []any{note}}
	}},
	importing,
}

// ready gives the n-th act of a kind a key.
func (k kind) ready(w *world, n int) act {
	a := k.prepare(w, n)
	a.key = fmt.Sprintf("%s %d", k.name, n)
	if a.kind == "" {
		a.kind = "application/json"
	}
	return a
}

func (w *world) json(v any) []byte {
	w.t.Helper()
	b, err := json.Marshal(v)
	if err != nil {
		w.t.Fatal(err)
	}
	return b
}

// found counts what an act wrote.
func (w *world) found(a act) int {
	w.t.Helper()
	return w.one(a.countSQL, a.args...)
}

// settle waits until the database has noticed that a copy is gone: what it had sent is done or undone.
func (w *world) settle() {
	w.t.Helper()
	for {
		if w.one(`select count(*) from pg_stat_activity where datname = current_database() and application_name = $1`, copyName) == 0 {
			return
		}
		time.Sleep(2 * time.Millisecond)
	}
}

// beside are tables that an act may touch though it fails: a file's row is written before the records
// that need it, and swept when none comes; when a token was last used is no record.
var beside = map[string]bool{"file": true, "token": true, "schema_migrations": true}

// image is every table by the sum of the hashes of its rows, so that two images tell whether anything was changed.
func (w *world) image() map[string]string {
	w.t.Helper()
	ctx, pool := w.t.Context(), w.house.Database.OwnerPool()
	rows, err := pool.Query(ctx, `select relname from pg_class where relkind = 'r' and relnamespace = 'public'::regnamespace`)
	if err != nil {
		w.t.Fatal(err)
	}
	var parts []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			w.t.Fatal(err)
		}
		if !beside[name] && !strings.HasPrefix(name, "river_") || name == "river_job" {
			parts = append(parts, fmt.Sprintf(`select '%[1]s', count(*) || ' rows ' || coalesce(sum(hashtextextended(x::text, 0)), 0) from %[1]s x`, name))
		}
	}
	if err := rows.Err(); err != nil {
		w.t.Fatal(err)
	}
	image := map[string]string{}
	rows, err = pool.Query(ctx, strings.Join(parts, " union all "))
	if err != nil {
		w.t.Fatal(err)
	}
	for rows.Next() {
		var name, sum string
		if err := rows.Scan(&name, &sum); err != nil {
			w.t.Fatal(err)
		}
		image[name] = sum
	}
	if err := rows.Err(); err != nil {
		w.t.Fatal(err)
	}
	return image
}

// changed names the tables that differ.
func changed(before, after map[string]string) (names []string) {
	for name, sum := range after {
		if before[name] != sum {
			names = append(names, fmt.Sprintf("%s: %s, before %s", name, sum, before[name]))
		}
	}
	return names
}

// whole checks what must be true at the end, whatever happened: seals and files verify clean, no treatment
// is signed without its seal, and a sweep leaves exactly the files that records need.
func (w *world) whole() {
	w.t.Helper()
	ctx := w.t.Context()
	report, err := w.house.Record.Verify(ctx, nil)
	if err != nil || !report.Clean {
		w.t.Errorf("verify: %+v %v", report, err)
	}
	files, first, err := w.house.Photo.Verify(ctx)
	if err != nil || first != "" {
		w.t.Errorf("verify files: %+v %s %v", files, first, err)
	}
	for what, sql := range map[string]string{
		"signed treatments without one seal": `select count(*) from treatment t where state = 'signed' and (select count(*) from seal s where s.kind = 'treatment' and s.subject_id = t.id) <> 1`,
		"seals of treatments unsigned":       `select count(*) from seal s where kind = 'treatment' and not exists (select from treatment t where t.id = s.subject_id and t.state = 'signed')`,
		"moves without a mover":              `select count(*) from placement p where not exists (select from placement_mover m where m.placement_id = p.id)`,
		"handlings without hands":            `select count(*) from handling h where not exists (select from handling_person p where p.handling_id = h.id)`,
		"stops without an event":             `select count(*) from stop s where not exists (select from event e where e.subject_id = s.id)`,
		"photographs without an event":       `select count(*) from photo p where not exists (select from event e where e.subject_id = p.id)`,
	} {
		if n := w.one(sql); n != 0 {
			w.t.Errorf("%d %s", n, what)
		}
	}
	w.age(48 * time.Hour)
	if _, err := w.house.Photo.Sweep(ctx); err != nil {
		w.t.Errorf("sweep: %v", err)
	}
	needed := map[string]bool{}
	rows, err := w.house.Database.OwnerPool().Query(ctx, `select sha256 from file where file_needed(sha256)`)
	if err != nil {
		w.t.Fatal(err)
	}
	for rows.Next() {
		var sha string
		if err := rows.Scan(&sha); err != nil {
			w.t.Fatal(err)
		}
		needed[sha] = true
	}
	if err := rows.Err(); err != nil {
		w.t.Fatal(err)
	}
	if err := w.house.Bucket.List(ctx, func(k bucket.Kept) error {
		if !needed[k.SHA256] {
			w.t.Errorf("file %s lies there, and no record needs it", k.SHA256)
		}
		delete(needed, k.SHA256)
		return nil
	}); err != nil {
		w.t.Fatal(err)
	}
	for sha := range needed {
		w.t.Errorf("file %s is needed and not there", sha)
	}
	if left, err := filepath.Glob(filepath.Join(w.folder, "arriving", "*")); err != nil || len(left) > 0 {
		w.t.Errorf("arriving files are left: %v %v", left, err)
	}
}

// age makes all files of the bucket look so much older, and their rows with them: a sweep spares the young.
func (w *world) age(by time.Duration) {
	w.t.Helper()
	then := time.Now().Add(-by)
	err := filepath.WalkDir(w.folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		return os.Chtimes(path, then, then)
	})
	if err != nil {
		w.t.Fatal(err)
	}
	if _, err := w.house.Database.OwnerPool().Exec(w.t.Context(), `update file set kept_at = kept_at - $1::interval`, by); err != nil {
		w.t.Fatal(err)
	}
}

// jobsLeft counts jobs that wait or run.
func (w *world) jobsLeft() int {
	w.t.Helper()
	return w.one(`select count(*) from river_job where state not in ('completed', 'cancelled', 'discarded')`)
}

// one reads a number.
func (w *world) one(sql string, args ...any) (n int) {
	w.t.Helper()
	if err := w.house.Database.OwnerPool().QueryRow(w.t.Context(), sql, args...).Scan(&n); err != nil {
		w.t.Fatalf("%s: %v", sql, err)
	}
	return n
}
