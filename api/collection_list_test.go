package api_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"farthingale/api"
	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/collection"
)

var (
	asCSV    = servetest.Header{Name: "Content-Type", Value: "text/csv; charset=utf-8; header=present"}
	asNDJSON = servetest.Header{Name: "Content-Type", Value: "application/x-ndjson"}
)

func (s *shelf) objectsKept() int {
	s.t.Helper()
	var n int
	if err := s.Database.OwnerPool().QueryRow(s.t.Context(), `select count(*) from object`).Scan(&n); err != nil {
		s.t.Fatal(err)
	}
	return n
}

func TestImportOfObjects(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	list := []byte("\ufeffTitle,number,department,legal_status,date_made,makers\r\n\"Hood, \"\"left\"\"\",1970.1.1," + servetest.Department + ",accessioned,1965~,Harbour Works; Żagiel\r\nBoot,1970.1.2," + servetest.Department + ",study,,\r\n")
	before := s.objectsKept()

	// Unless it is said otherwise, nothing is written.
	for _, query := range []string{"", "?dry_run=true"} {
		dry := servetest.JSON[collection.Import](s.keeper.Post("/imports/objects"+query, list, asCSV).Must(http.StatusOK))
		if !dry.DryRun || dry.Rows != 2 || dry.Made != 0 || dry.First != "1970.1.1" || dry.Last != "1970.1.2" || s.objectsKept() != before {
			t.Errorf("a dry run: %+v", dry)
		}
	}
	key := servetest.Header{Name: "Idempotency-Key", Value: "list of the cellar"}
	done := servetest.JSON[collection.Import](s.conservator.Post("/imports/objects?dry_run=false", list, asCSV, key).Must(http.StatusCreated))
	if done.DryRun || done.Made != 2 || s.objectsKept() != before+2 {
		t.Errorf("brought in: %+v", done)
	}
	if again := s.conservator.Post("/imports/objects?dry_run=false", list, asCSV, key).Must(http.StatusCreated); again.Header.Get("Idempotency-Replayed") != "true" || s.objectsKept() != before+2 {
		t.Errorf("sent again: %+v", again.Header)
	}
	s.conservator.Post("/imports/objects?dry_run=true", list, asCSV, key).Refused(http.StatusUnprocessableEntity, "idempotency_body")
	found := servetest.JSON[collection.Found](s.curator.Get("/objects?q=hood+harbour").Must(http.StatusOK))
	if len(found.Items) != 1 || found.Items[0].Title != `Hood, "left"` || found.Items[0].DateMade != "1965~" {
		t.Errorf("found %+v", found)
	}

	lines := []byte(`{"number":"1970.1.3","title":"Glove","legal_status":"study","department":"` + servetest.Department + `","mass_kg":"0.25"}` + "\n\n" +
		`{"number":"1970.1.4","title":"Mitt","legal_status":"study","department":"` + servetest.Department + `"}` + "\n")
	if done := servetest.JSON[collection.Import](s.curator.Post("/imports/objects?dry_run=false", lines, asNDJSON).Must(http.StatusCreated)); done.Made != 2 {
		t.Errorf("brought in: %+v", done)
	}
}

func TestImportOfObjectsRefused(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	before := s.objectsKept()
	head := "number,title,legal_status,department,mass_kg\n"
	good := "1970.1.1,Hood,study," + servetest.Department + ",\n"
	faulty := []byte(head + good + "1968.14.2,Taken,study,Diving,\n1970.1.1,Twice,study,Diving,\n1970.1.4,,lost,Diving,\"1,5\"\n")
	for _, query := range []string{"", "?dry_run=false"} {
		p := s.keeper.Post("/imports/objects"+query, faulty, asCSV).Refused(http.StatusUnprocessableEntity, "invalid")
		var got []string
		for _, e := range p.Errors {
			got = append(got, e.Pointer+" "+e.Rule)
		}
		if strings.Join(got, ", ") != "#/rows/3/number number_taken, #/rows/4/number number_taken, #/rows/5/title required, #/rows/5/mass_kg decimal, #/rows/5/legal_status oneof" {
			t.Errorf("told as %q", got)
		}
		if !strings.HasPrefix(p.Errors[0].Detail, "Row 3 (1968.14.2), number: Another object") || !strings.HasPrefix(p.Detail, "3 of the 4 rows") {
			t.Errorf("told as %+v", p)
		}
	}
	csv := []byte(head + good)
	for name, test := range map[string]struct {
		path, kind string
		body       []byte
		status     int
		code       string
	}{
		"no kind":            {"", "", csv, http.StatusUnsupportedMediaType, "media_type"},
		"JSON":               {"", "application/json", csv, http.StatusUnsupportedMediaType, "media_type"},
		"another charset":    {"", "text/csv; charset=iso-8859-1", csv, http.StatusUnsupportedMediaType, "media_type"},
		"nothing":            {"", "text/csv", nil, http.StatusUnprocessableEntity, "invalid"},
		"no UTF-8":           {"", "text/csv", append(csv, '\xff'), http.StatusUnprocessableEntity, "invalid"},
		"an unknown column":  {"", "text/csv", []byte("number,titel\n1,2\n"), http.StatusUnprocessableEntity, "invalid"},
		"neither yes nor no": {"?dry_run=perhaps", "text/csv", csv, http.StatusUnprocessableEntity, "invalid"},
		"more than fits":     {"?dry_run=false", "text/csv", append(csv, make([]byte, collection.ListBytesMost)...), http.StatusRequestEntityTooLarge, "body"},
		"too many rows":      {"?dry_run=false", "text/csv", []byte(head + strings.Repeat(good, collection.ListRowsMost+1)), http.StatusRequestEntityTooLarge, "list"},
	} {
		t.Run(name, func(t *testing.T) {
			kind := servetest.Header{Name: "Content-Type", Value: test.kind}
			for _, more := range [][]servetest.Header{{kind}, {kind, {Name: "Idempotency-Key", Value: name}}} {
				p := servetest.JSON[api.Problem](s.keeper.Post("/imports/objects"+test.path, test.body, more...))
				if p.Status != test.status || p.Code != test.code {
					t.Errorf("%d %s: %+v", p.Status, p.Code, p)
				}
			}
		})
	}
	if n := s.objectsKept(); n != before {
		t.Errorf("%d objects, before %d", n, before)
	}
}

// TestExportOfObjects: what is written out can be brought in again and is the same.
func TestExportOfObjects(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	facts := body{"number": "1970.2.1", "title": "=1+2", "legal_status": "on_loan_to_us", "owner": "Harbour Trust", "department": servetest.Department, "makers": []string{"-Works; Żagiel", "@b"}, "date_made": "196X",
		"description": "'=a\n\n+b", "mass_kg": "0.25", "dimensions": []body{{"what": "width", "mm": "3.5", "note": "flat; (folded)"}}, "marks": []body{{"kind": "stamp", "where": "hem", "transcription": "a|b;c", "meaning": "="}}}
	made := servetest.JSON[collection.Object](s.keeper.Post("/objects", facts).Must(http.StatusCreated))
	var lines []string
	for n := range 2 * domain.PageMost { // several pages
		lines = append(lines, fmt.Sprintf(`{"number":"1971.1.%d","title":"Cap","legal_status":"study","department":"Elsewhere"}`, n+1))
	}
	s.keeper.Post("/imports/objects?dry_run=false", []byte(strings.Join(lines, "\n")), asNDJSON).Must(http.StatusCreated)
	answer := s.keeper.Get("/exports/objects?department=" + url.QueryEscape(servetest.Department)).Must(http.StatusOK)
	if kind := answer.Header.Get("Content-Type"); kind != "text/csv; charset=utf-8" || !strings.Contains(string(answer.Body), ",'=1+2,") || strings.Contains(string(answer.Body), "1971.1.") {
		t.Errorf("%s: %s", kind, answer.Body)
	}
	rows, err := collection.ReadList(collection.CSV, answer.Body)
	if err != nil || len(rows) != 2 {
		t.Fatalf("read again as %+v %v", rows, err)
	}
	if got, want := fmt.Sprint(collection.ListCells(&rows[1].Object.ObjectFacts)), fmt.Sprint(collection.ListCells(new(made.Facts()))); got != want {
		t.Errorf("read again as %s, want %s", got, want)
	}
	all, err := collection.ReadList(collection.CSV, s.keeper.Get("/exports/objects?sort=newest").Must(http.StatusOK).Body)
	if err != nil || len(all) != 2*domain.PageMost+2 || all[0].Object.Number != fmt.Sprintf("1971.1.%d", 2*domain.PageMost) {
		t.Errorf("%d rows, %v", len(all), err)
	}
	if other := s.conservator.Get("/exports/objects?q=1970.2.1").Must(http.StatusOK); strings.Contains(string(other.Body), "Harbour Trust") {
		t.Error("a conservator sees whose it is (P3)")
	}
	s.keeper.Get("/exports/objects?legal_status=stolen").Refused(http.StatusUnprocessableEntity, "invalid")
	s.keeper.Do(http.MethodHead, "/exports/objects", nil).Must(http.StatusOK)
}

// leaver is a reader who leaves when the first of the answer is there.
type leaver struct {
	*httptest.ResponseRecorder
	leave context.CancelFunc
}

func (l leaver) Write(b []byte) (int, error) {
	defer l.leave()
	return l.ResponseRecorder.Write(b)
}

// TestExportBreaksOff: a list that cannot be finished ends in a broken connection, not as if it were whole.
func TestExportBreaksOff(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	var lines []string
	for n := range domain.PageMost {
		lines = append(lines, fmt.Sprintf(`{"number":"1971.1.%d","title":"Cap","legal_status":"study","department":"Elsewhere"}`, n+1))
	}
	s.keeper.Post("/imports/objects?dry_run=false", []byte(strings.Join(lines, "\n")), asNDJSON).Must(http.StatusCreated)
	ctx, leave := context.WithCancel(t.Context())
	r := httptest.NewRequest(http.MethodGet, api.Prefix+api.ExportPath, nil).WithContext(ctx)
	r.Header.Set("Authorization", "Bearer "+s.Person("Ada Reed", domain.Reader).Token)
	w := leaver{httptest.NewRecorder(), leave}
	defer func() {
		if broken := recover(); broken != http.ErrAbortHandler {
			t.Errorf("ended with %v: %d %d bytes", broken, w.Code, w.Body.Len())
		}
	}()
	s.Handler.ServeHTTP(w, r)
}
