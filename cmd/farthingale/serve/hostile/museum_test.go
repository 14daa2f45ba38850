package hostile_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/photo/mark"
)

// museum is a filled house that knows whether anything in it was touched.
type museum struct {
	*servetest.House
	t       testing.TB
	doc     *document
	samples []servetest.Sample
	people  []servetest.Someone
	ids     map[string][]string // of rows, by table and condition
	columns map[string]bool     // "table.column"
	tags    map[string]string   // the version of what has an ID, where it is known
	folder  string              // the bucket
	changed int64               // changes when they were last asked for
	looked  int64               // changes when touched was last read
}

// newMuseum fills a house with the samples of every area and watches its tables.
func newMuseum(t testing.TB, doc *document) *museum {
	t.Helper()
	m := &museum{t: t, doc: doc, ids: map[string][]string{}, columns: map[string]bool{}, tags: map[string]string{}, folder: t.TempDir()}
	m.House = servetest.New(t, func(s *serve.Settings) {
		s.BucketURL = "file://" + m.folder
		s.Log = slog.New(slog.DiscardHandler) // refusals by the thousand
	})
	ground := m.Ground()
	m.samples = append(m.SamplesOn(ground), m.Stages(ground)...)
	everything := m.PersonOf("Olga Everything", []string{servetest.Department}, domain.Roles...)
	m.people = []servetest.Someone{everything}
	seen := map[domain.ID]bool{}
	for _, s := range m.samples {
		if s.As.Token != "" && !seen[s.As.ID] {
			seen[s.As.ID] = true
			m.people = append(m.people, s.As)
		}
	}
	for _, who := range m.people {
		if _, err := m.People.Begin(t.Context(), who.ID, "a browser of the test"); err != nil {
			t.Fatal(err)
		}
		// It is noted once an hour that a token is used: now, and not in each request that is taken back.
		if _, err := m.People.ByToken(t.Context(), who.Token); err != nil {
			t.Fatal(err)
		}
	}
	m.watch()
	t.Cleanup(m.Hear(t.Context()))
	for _, name := range m.list("select table_name || '.' || column_name from information_schema.columns where table_schema = 'public'") {
		m.columns[name] = true
	}
	return m
}

// watch lets every table note its changes in the transaction that makes them, and count them in a sequence, which
// does not go back with a transaction. What the house notes of a refusal is counted only; what it does by itself in
// the background, and that somebody was here, is not.
func (m *museum) watch() {
	m.t.Helper()
	if _, err := m.Database.OwnerPool().Exec(m.t.Context(), `
		create table touched (what text not null);
		create sequence touches;
		create function touch() returns trigger language plpgsql security definer as $$
		begin
			perform nextval('touches');
			insert into touched values (tg_table_name || ' ' || lower(tg_op));
			return null;
		end $$;
		do $$
		declare name text;
		begin
			for name in select tablename from pg_tables where schemaname = 'public' and tablename not like 'river%'
				and tablename not in ('touched', 'event', 'sessions', 'sign_in_session', 'token', 'schema_migrations', 'sign_in_failure')
			loop
				execute format('create trigger touch after insert or update or delete on %I for each row execute function touch()', name);
			end loop;
		end $$;
		create trigger touch after insert on event for each row when (new.kind <> 'refused') execute function touch();
		create function note() returns trigger language plpgsql security definer as $$
		begin
			perform nextval('touches');
			return null;
		end $$;
		create trigger note after insert on event for each row when (new.kind = 'refused') execute function note();
		create trigger note after insert or update or delete on sign_in_failure for each row execute function note();
		create trigger touch after insert or delete or update of revoked_at, name, scopes on token for each row execute function touch();`); err != nil {
		m.t.Fatalf("watch the tables: %v", err)
	}
}

// list reads a column of texts.
func (m *museum) list(sql string, arguments ...any) []string {
	m.t.Helper()
	rows, err := m.Database.OwnerPool().Query(m.t.Context(), sql, arguments...)
	if err != nil {
		m.t.Fatal(err)
	}
	all, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		m.t.Fatalf("%s: %v", sql, err)
	}
	return all
}

// changes is a number that is another after every change of a row, also after one that was taken back.
func (m *museum) changes() (n int64) {
	m.t.Helper()
	if err := m.Database.OwnerPool().QueryRow(m.t.Context(), `select last_value + is_called::int from touches`).Scan(&n); err != nil {
		m.t.Fatal(err)
	}
	return n
}

// touched lists what was changed since it was last asked, in the database.
func (m *museum) touched() []string {
	m.t.Helper()
	now := m.changes()
	if now == m.looked {
		return nil
	}
	m.looked, m.changed = now, now
	all := m.list(`select distinct what from touched order by what`)
	if len(all) > 0 {
		if _, err := m.Database.OwnerPool().Exec(m.t.Context(), "delete from touched"); err != nil {
			m.t.Fatal(err)
		}
	}
	return all
}

// forget forgets what was changed. What was taken back lies in the table still, and every look reads past
// it; so it is emptied now and then.
func (m *museum) forget() {
	m.t.Helper()
	if _, err := m.Database.OwnerPool().Exec(m.t.Context(), "truncate touched"); err != nil {
		m.t.Fatal(err)
	}
}

// candidates are the IDs of a table's rows, the newest first: of those that belong to a row of another
// table, where the table knows that one.
func (m *museum) candidates(table, of, id string) []string {
	m.t.Helper()
	if id == "" || !m.columns[table+"."+of+"_id"] {
		of, id = "", ""
	}
	at := table + " " + of + " " + id
	if all, ok := m.ids[at]; ok {
		return all
	}
	column, where := "id", ""
	if table == "material" {
		column = "key"
	}
	if !m.columns[table+"."+column] {
		return nil
	}
	if of != "" {
		where = " where " + of + "_id = '" + id + "'"
	}
	m.ids[at] = m.list("select " + column + "::text from " + table + where + " order by 1 desc limit 60")
	return m.ids[at]
}

// request is one to the API, in parts that can be spoilt one by one.
type request struct {
	o       *operation
	as      servetest.Someone
	path    map[string]string // values of the path's parameters
	query   url.Values
	raw     string // a query as it is written; else empty
	header  http.Header
	body    any    // to be written as JSON
	bytes   []byte // a body as it is written, instead
	problem string // of a base: why it is none
}

func (q *request) clone() *request {
	c := *q
	c.path, c.header, c.query = maps.Clone(q.path), q.header.Clone(), url.Values{}
	for name, values := range q.query {
		c.query[name] = slices.Clone(values)
	}
	c.body = copied(q.body)
	return &c
}

// copied is a deep copy of a JSON value.
func copied(v any) any {
	switch v := v.(type) {
	case map[string]any:
		c := make(map[string]any, len(v))
		for name, value := range v {
			c[name] = copied(value)
		}
		return c
	case []any:
		c := make([]any, len(v))
		for i, value := range v {
			c[i] = copied(value)
		}
		return c
	}
	return v
}

// encoded is the body's bytes.
func (q *request) encoded() []byte {
	if q.bytes != nil || q.body == nil {
		return q.bytes
	}
	return encode(q.body)
}

// encode writes a JSON value in which parts may be raw.
func encode(v any) []byte {
	var raws []raw
	var hide func(v any) any
	hide = func(v any) any {
		switch v := v.(type) {
		case raw:
			raws = append(raws, v)
			return fmt.Sprintf("@raw%d@", len(raws)-1)
		case map[string]any:
			c := make(map[string]any, len(v))
			for name, value := range v {
				c[name] = hide(value)
			}
			return c
		case []any:
			c := make([]any, len(v))
			for i, value := range v {
				c[i] = hide(value)
			}
			return c
		}
		return v
	}
	b, err := json.Marshal(hide(v))
	if err != nil {
		panic(err) // made of maps, lists and simple values
	}
	for i, r := range raws {
		b = bytes.Replace(b, fmt.Appendf(nil, "\"@raw%d@\"", i), []byte(r), 1)
	}
	return b
}

// answer is what came back.
type answer struct {
	status int
	header http.Header
	body   []byte
	*http.Request
	recorded *httptest.ResponseRecorder
}

// build makes the HTTP request.
func (m *museum) build(ctx context.Context, q *request) *http.Request {
	path := inPath.ReplaceAllStringFunc(q.o.path, func(name string) string {
		return url.PathEscape(q.path[strings.Trim(name, "{}")])
	})
	r := httptest.NewRequest(q.o.method, "/", bytes.NewReader(q.encoded())).WithContext(ctx)
	u, err := url.Parse(api.Prefix + path)
	if err != nil {
		m.t.Fatalf("%s: %v", path, err)
	}
	u.RawQuery = q.query.Encode()
	if q.raw != "" {
		u.RawQuery = q.raw
	}
	r.URL, r.RequestURI = u, u.RequestURI()
	r.Header = q.header.Clone()
	if r.Header.Get("Authorization") == "" {
		r.Header.Set("Authorization", "Bearer "+q.as.Token)
	}
	return r
}

// send sends a request.
func (m *museum) send(ctx context.Context, q *request) *answer {
	r := m.build(ctx, q)
	w := httptest.NewRecorder()
	m.Handler.ServeHTTP(w, r)
	return &answer{status: w.Code, header: w.Header(), body: w.Body.Bytes(), Request: r, recorded: w}
}

var errTakenBack = errors.New("taken back")

// takenBack does something and takes back what it did in the database. It tells whether a row was written meanwhile,
// by whatever connection. When none was, nothing can be left behind.
func (m *museum) takenBack(do func(ctx context.Context)) (wrote bool) {
	m.t.Helper()
	if err := m.DB.Do(m.t.Context(), func(ctx context.Context) error {
		do(ctx)
		return errTakenBack
	}); !errors.Is(err, errTakenBack) {
		m.t.Fatal(err)
	}
	now := m.changes()
	wrote, m.changed = now != m.changed, now
	return wrote
}

// try sends a request and takes back what it did. look may look at what it did before that.
func (m *museum) try(q *request, look ...func(ctx context.Context, a *answer)) (a *answer, wrote bool) {
	m.t.Helper()
	wrote = m.takenBack(func(ctx context.Context) {
		a = m.send(ctx, q)
		for _, l := range look {
			l(ctx, a)
		}
	})
	return a, wrote
}

// problem reads a problem document.
func (a *answer) problem() (p api.Problem) {
	if json.Unmarshal(a.body, &p) != nil {
		p.Detail = string(a.body)
	}
	return p
}

// words are values that a schema alone cannot tell. A name counts for every member of that name;
// "Schema/name" for the member of one schema.
func (m *museum) words() map[string]any {
	parts := func(label string) string {
		return m.list(`select c.id::text from component c join object o on o.id = c.object_id where o.number = '1968.14.2' and c.label = $1`, label)[0]
	}
	person := func(role domain.Role) string {
		for _, p := range m.people[1:] {
			if p.Has(role) {
				return p.ID.String()
			}
		}
		m.t.Fatalf("nobody is %s", role)
		return ""
	}
	tie := func(x, y float64) any {
		return map[string]any{"before": []any{x, y}, "after": []any{x, y}}
	}
	now := m.Now().UTC().Truncate(time.Second)
	return map[string]any{
		"NewPhotoAlignment/kind": "similarity", "NewPhotoAlignment/ties": []any{tie(10, 10), tie(600, 20), tie(300, 400)}, "NewPhotoAlignment/after_id": m.list(`select after_id::text from photo_alignment`)[0],
		"NewLoanConditionStatement/examination_id": m.list(`select e.id::text from examination e join loan_line n on n.object_id = e.object_id join loan l on l.id = n.loan_id
			where e.occasion = 'outgoing' and e.state = 'signed' and n.withdrawn_at is null and l.state in ('request', 'assessing', 'agreed_in_principle', 'agreement_issued', 'agreement_signed', 'prepared')
				and not exists (select from loan_line_component c where c.line_id = n.id) order by 1 desc limit 1`)[0],
		"component_id": parts("1a"), "component_ids/0": parts("1a"), "components/0": parts("1a"), "a_id": parts("1b"), "b_id": parts("2"), "from_component_id": parts("1a"),
		"hands/0": person(domain.Conservator), "people/0": person(domain.Conservator), "to": person(domain.Conservator), "performers/0": person(domain.Conservator),
		"number": "1999.7.12", "label": "9", "date_made": "1965~", "begins": "2027-02", "ends": "2027-03", "sign_in_name": "wim.tester", "email": "wim@museum.example",
		"password": "a sentence for tests", "department": servetest.Department, "departments/0": servetest.Department, "material_key": "acrylic-adhesive", "object_number": "1971.3.8",
		"currency": "EUR", "cost_currency": "EUR", "next_check_due": now.AddDate(1, 0, 0).Format(time.DateOnly), "review_on": now.AddDate(1, 0, 0).Format(time.DateOnly), "date": now.Format(time.DateOnly),
		"happened_at": m.Now().UTC().Format(time.RFC3339Nano), "noticed_at": now.Add(-2 * time.Minute).Format(time.RFC3339), "at": m.Now().UTC().Format(time.RFC3339Nano),
		"found": "changed", "HazardFacts/kind": "asbestos", "NewTreatmentAddendum/record": "completion", "NewTreatmentStep/method": "consolidation", "NewTreatmentDesignation/component_id": parts("f1"), "version_number": 1, "code": "ZZ-9", "key": "tested-wax",
		"term": "tear", "NewDamage/status": "new", "Damage/status": "new", "Extent/kind": "area", "classes/0": "metal",
		"gas": "hcl", "tracer": "co2", "AirSpace/name": "glove", "RoomAir/name": "store", "AirExchange/inner": "glove", "AirExchange/outer": "store", "EnclosurePlaced/space": "glove", "EnclosurePlaced/object_id": m.dressID(),
		"NewRecommendation/object_id": m.dressID(), "EnclosureChange/act": "temperature", "NewTracer/exchange": "ring", "TracerDecay/readings": decay(),
		"NewInvestigationPlan/techniques/0": "xrf", "techniques/0": "xrf", "NewConsent/technique": "cross-section", "NewSample/technique": "cross-section", "NewInvestigationFinding/technique": "xrf",
		"sha256": strings.Repeat("0a", 32), "NewInvestigationPlan/planned_for": now.Format(time.DateOnly), "NewConsentDecision/valid_until": now.AddDate(0, 1, 0).Format(time.DateOnly),
		"SurveyAssessment/next_check_on": now.AddDate(1, 0, 0).Format(time.DateOnly), "SurveyAssessment/examined_on": now.Format(time.DateOnly), "NewSurvey/margin_percent": "5", "NewSurvey/expected_percent": "50",
		"MarkDrawing/observation_id": nil, "MarkShape/points": []any{[]any{2.0, 2.0}, []any{12.0, 9.0}}, "NewScale/from": []any{1.0, 1.0}, "NewScale/to": []any{21.0, 1.0}, "NewScale/plus_mm": 0.1,
		"ReceivedAnnotation/@context": mark.AnnotationContext, "ReceivedAnnotation/type": "Annotation", "ReceivedAnnotation/target": "https://viewer.example/picture#xywh=2,2,9,7",
		"NewMeasurement/quantity": "ph", "NewMeasurement/value": "4.6", "NewMeasurement/examination_id": nil, "NewMeasurement/measured_on": now.Format(time.DateOnly),
	}
}

// dressID is the object of the ground, which lies in an enclosure.
func (m *museum) dressID() string {
	return m.list(`select id::text from object where number = '1968.14.2'`)[0]
}

// decay are readings of a tracer that falls.
func decay() []any {
	var all []any
	for i, ppm := range []float64{4012, 3342, 2835, 2365, 2037, 1732} {
		all = append(all, map[string]any{"hours": float64(4 * i), "ppm": ppm})
	}
	return all
}
