package web_test

import (
	"encoding/base64"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/collection"
)

const importPath = "/objects/import"

func (g *gallery) objectsKept() int {
	g.t.Helper()
	var n int
	if err := g.Database.OwnerPool().QueryRow(g.t.Context(), `select count(*) from object`).Scan(&n); err != nil {
		g.t.Fatal(err)
	}
	return n
}

func chosen(list string) servetest.File {
	return servetest.File{Field: "list", Name: "objects.csv", Content: []byte(list)}
}

// TestBringInAList: the list is checked first, which writes nothing; then it is brought in without being
// chosen again.
func TestBringInAList(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	b := g.Browser(g.mara)
	b.Get("/objects").Must(http.StatusOK).Has("Bring in a list")
	empty := b.Get(importPath + "/columns.csv").Must(http.StatusOK)
	if disposition := empty.Header.Get("Content-Disposition"); !strings.HasPrefix(disposition, "attachment") || !strings.HasPrefix(empty.Body, "number,") || !strings.HasSuffix(empty.Body, "\r\n") {
		t.Errorf("an empty list: %s %q", disposition, empty.Body)
	}
	var list strings.Builder
	list.WriteString(strings.TrimSpace(empty.Body) + "\n")
	columns := collection.ListColumns()
	for i := range 25 {
		cells := make([]string, len(columns))
		for j, c := range columns {
			switch c.Name {
			case "number":
				cells[j] = fmt.Sprintf("1975.3.%d", i+1)
			case "title":
				cells[j] = `"` + strings.ReplaceAll(hostileText, `"`, `""`) + ` Żagiel, +='-\"`
			case "legal_status":
				cells[j] = "study"
			case "department":
				cells[j] = servetest.Department
			case "date_made":
				cells[j] = "196X"
			}
		}
		list.WriteString(strings.Join(cells, ",") + "\r\n")
	}
	p := good(t, b.Get(importPath), http.StatusOK).Has("legal_status", "needed", "At most 5000 rows and 8 MB")
	p = good(t, p.SubmitFiles(importPath, nil, chosen(list.String())), http.StatusOK).Has("can be brought in as it is: 25 objects, 1975.3.1 to 1975.3.25", "the first 20 of 25 rows", "Nothing is written yet", "196X (the 1960s)", hostileText, "1975.3.20")
	if strings.Contains(p.Text(), "1975.3.21") || strings.Contains(p.Text(), "1975.3.22") || g.objectsKept() != 0 {
		t.Errorf("the check shows %s; %d objects", p.Text(), g.objectsKept())
	}
	p = p.Submit(importPath, nil).Must(http.StatusOK).Has("The list is brought in: 25 objects, 1975.3.1 to 1975.3.25.", "1975.3.25")
	if g.objectsKept() != 25 || !strings.HasPrefix(p.Path, "/objects?") {
		t.Errorf("%s, %d objects", p.Path, g.objectsKept())
	}
	if out := b.Get("/objects/list.csv?sort=newest").Must(http.StatusOK); !strings.Contains(out.Body, "Żagiel, +='-") || strings.Count(out.Body, "\r\n") != 26 {
		t.Errorf("as a list: %s", out.Body)
	}
	good(t, b.Get("/objects/list.csv?legal_status=stolen"), http.StatusUnprocessableEntity)
	o, err := g.Collection.ShowNumber(t.Context(), g.mara.Actor, "1975.3.7")
	if err != nil || o.Object.Title != hostileText+` Żagiel, +='-\` {
		t.Errorf("%v %+v", err, o)
	}
}

func TestFaultyListIsShown(t *testing.T) {
	t.Parallel()
	g := newGallery(t)
	b := g.Browser(g.mara)
	g.object("1.1", "Hood")
	head := "number,title,legal_status,department,marks\n"
	p := b.Get(importPath).Must(http.StatusOK)
	faulty := good(t, p.SubmitFiles(importPath, nil, chosen(head+"1.1,Hood,study,Diving,\n<b>,"+strings.Repeat("x", 301)+",study,Diving,stamp\n")), http.StatusUnprocessableEntity)
	faulty.Has("2 of the 2 rows", "2 1.1 number Another object has this number", "3 <b> title At most 300 characters", "marks 1 where This is needed", "The mended list")
	many := good(t, faulty.SubmitFiles(importPath, nil, chosen(head+strings.Repeat(",,,,\n,x,,,\n", 100))), http.StatusUnprocessableEntity)
	many.Has("There are 100 more faults.")

	for _, test := range map[string]struct {
		list   string
		status int
		says   string
	}{
		"nothing":             {"", http.StatusUnprocessableEntity, "first line names the columns"},
		"unknown columns":     {"number,titel,legal_status,departement\n", http.StatusUnprocessableEntity, `no column "departement"`},
		"a picture":           {string(servetest.JPEG(3)), http.StatusUnprocessableEntity, "not written in UTF-8"},
		"too large":           {strings.Repeat(" ", collection.ListBytesMost+1), http.StatusRequestEntityTooLarge, "at most 8 MiB"},
		"JSON, an odd member": {`{"number":"2.1","titel":"x"}`, http.StatusUnprocessableEntity, "There is no such member"},
	} {
		good(t, p.SubmitFiles(importPath, nil, chosen(test.list)), test.status).Has(test.says)
	}
	good(t, p.Submit(importPath, nil), http.StatusUnprocessableEntity).Has("Choose the file")

	// What the form kept is judged again: somebody else may have taken the number, and it may be spoilt.
	row := head + "1.2,Hood,study,Diving,\n"
	checked := p.SubmitFiles(importPath, nil, chosen("\ufeff"+row)).Must(http.StatusOK)
	for kept, status := range map[string]int{"%%%": http.StatusBadRequest, base64.StdEncoding.EncodeToString([]byte("x")): http.StatusUnprocessableEntity, base64.StdEncoding.EncodeToString([]byte(head + "1.1,Hood,study,Diving,\n")): http.StatusUnprocessableEntity} {
		good(t, checked.Submit(importPath, url.Values{"kept": {kept}}), status)
	}
	g.object("1.2", "Hood")
	good(t, checked.Submit(importPath, nil), http.StatusUnprocessableEntity).Has("2 1.2 number Another object")
	if n := g.objectsKept(); n != 2 {
		t.Errorf("%d objects", n)
	}

	reader := g.Browser(g.Person("Edda Vale", domain.Reader))
	reader.Get(importPath).Must(http.StatusForbidden)
	if strings.Contains(reader.Get("/objects").Text(), "Bring in a list") {
		t.Error("a reader is offered to bring in a list")
	}
}
