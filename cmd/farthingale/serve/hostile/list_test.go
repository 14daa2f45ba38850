package hostile_test

import (
	"net/http"
	"strings"
)

// goodList is a list of objects that is accepted.
const goodList = "number,title,legal_status,department,makers,dimensions,mass_kg,marks\n1999.7.31,Hood,study,Diving,Works,height 12 (flat),0.5,stamp | hem\n1999.7.32,Boot,study,Diving,,,,\n"

// takesList says that the operation takes a list as its body.
func (o *operation) takesList() bool { return o.bodies["text/csv"] != "" }

// spoiltList spoils a body that is a list: each cell, the columns, the lines, and the list as a whole.
func (w *walk) spoiltList(base *request) (all []spoilt) {
	wrong := []int{http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnsupportedMediaType, http.StatusUnprocessableEntity}
	add := func(what, kind, body string, refused bool, names ...string) {
		s := spoilt{request: base.clone(), what: what, refused: refused, status: wrong, names: names}
		s.header.Set("Content-Type", kind)
		s.bytes = []byte(body)
		all = append(all, s)
	}
	const csv, lines = "text/csv", "application/x-ndjson"
	head, rows, _ := strings.Cut(goodList, "\n")
	for what, body := range map[string]string{
		"no bytes": "", "a line break": "\n", "a byte order mark": "\ufeff", "NUL": "\x00", "its head alone": head, "a page": "<!doctype html><script>alert(1)</script>", "an archive": "PK\x03\x04aaaaaaaa",
		"in UTF-16": "n\x00u\x00m\x00", "10 MB of spaces": strings.Repeat(" ", much), "10 MB of quotation marks": strings.Repeat(`"`, much), "10 MB of commas": strings.Repeat(",", much),
		"8 MB of commas": strings.Repeat(",", 8_000_000), "8 MB of line breaks": strings.Repeat("\n", 8_000_000), "8 MB of quotation marks": strings.Repeat(`"`, 8_000_000),
		"a head twice": head + "\n" + goodList, "a head of 1,000 columns": strings.Repeat(head+",", 125) + "\n" + rows,
		"divided by semicolons": strings.ReplaceAll(goodList, ",", ";"), "rows without a head": rows, "a quotation mark that does not end": goodList + `"1999.7.33,`,
		"100,000 rows": head + strings.Repeat("\n1999.7.31,Hood,study,Diving,,,,", 100_000), "a row twice": goodList + "1999.7.31,Hood,study,Diving,,,,\n", "a row that is too long": goodList + "1999.7.33,Hood,study,Diving,,,,,more\n",
		"JSON": `{"number":"1999.7.33","title":"Hood","legal_status":"study","department":"Diving"}`,
	} {
		add("the list is "+what, csv, body, true)
	}
	for what, body := range map[string]string{
		"no bytes": "", "lists in lists": strings.Repeat("[", deep), "objects in objects": strings.Repeat(`{"a":`, deep), "null": "null\n", "a number": "1\n", "a list of an object": `[{"number":"1999.7.33"}]`,
		"8 MB of line breaks": strings.Repeat("\n", 8_000_000), "100,000 lines": strings.Repeat("{}\n", 100_000), "CSV": goodList, "two objects in a line": `{"number":"1999.7.33"}{"number":"1999.7.34"}`,
		"half an object": `{"number":"1999.7.33",`, "an object with an unknown member": `{"number":"1999.7.33","title":"Hood","legal_status":"study","department":"Diving","no_such_member":1}`,
	} {
		add("the lines are "+what, lines, body, true)
	}
	for _, kind := range []string{"", "text/html", "application/json", "text/csv; charset=utf-16", "text", "multipart/form-data", "application/x-www-form-urlencoded"} {
		add("sent as "+kind, kind, goodList, true)
	}
	add("a list behind a byte order mark", csv, "\ufeff"+goodList, false)
	add("a list with empty rows", csv, strings.ReplaceAll(goodList, "\n", "\r\n,,,,,,,\r\n\r\n"), false)
	cells := strings.Split(strings.Split(rows, "\n")[0], ",")
	for i, column := range strings.Split(head, ",") {
		w.fields.Add(1)
		for _, v := range append(parameterTexts("string", ""), naughty{what: "1 MB", text: strings.Repeat("a", large)}, naughty{what: "100,000 semicolons", text: strings.Repeat("a;", 100_000)}, naughty{what: "100,000 strokes", text: strings.Repeat("|", 100_000)}) {
			spoiltCells := append([]string{}, cells...)
			spoiltCells[i] = `"` + strings.ReplaceAll(v.text, `"`, `""`) + `"`
			add(column+" is "+v.what, csv, head+"\n"+strings.Join(spoiltCells, ",")+"\n", !v.kept)
		}
		add("the column "+column+" is named twice", csv, strings.Replace(head, column, column+","+column, 1)+"\n"+rows, true)
		add("the column "+column+" has another name", csv, strings.Replace(head, column, column+"\x00", 1)+"\n"+rows, true)
	}
	return all
}
