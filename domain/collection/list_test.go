package collection_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// shelf keeps nothing and knows which numbers are taken.
type shelf struct {
	collection.Store
	taken map[string]bool
	added []*collection.Object
}

func (s *shelf) NumbersTaken(context.Context, []collection.Number) (map[string]bool, error) {
	return s.taken, nil
}

func (s *shelf) Add(_ context.Context, objects ...*collection.Object) error {
	s.added = append(s.added, objects...)
	return nil
}

func bringIn(t *testing.T, s *shelf, form collection.ListForm, list string, dry bool) (*collection.Import, error) {
	t.Helper()
	service, err := collection.NewService(s, func() time.Time { return noon })
	if err != nil {
		t.Fatal(err)
	}
	return service.Import(t.Context(), mara, form, []byte(list), dry)
}

// faultsOf lists where the faults of a list are: "2 /number required".
func faultsOf(t *testing.T, err error) []string {
	t.Helper()
	if err == nil {
		return nil
	}
	f := collection.ListRefused(err)
	if f == nil {
		t.Fatalf("no faults of rows: %v", err)
	}
	all := make([]string, len(f.Faults))
	for i, fault := range f.Faults {
		all[i] = fmt.Sprintf("%d %s %s", fault.Row, fault.Pointer, fault.Rule)
	}
	slices.Sort(all)
	return all
}

const head = "number,title,legal_status,department,makers,description\r\n"

// TestListIsCSV reads what the rules of the format allow.
// source: Y. Shafranovich, RFC 4180, Common Format and MIME Type for CSV Files, 2005, section 2, rules 1 to 7
func TestListIsCSV(t *testing.T) {
	row := func(number, title, description string) string {
		return number + "," + title + ",accessioned,Diving,," + description
	}
	for name, test := range map[string]struct {
		list string
		want []string // number: title: description
	}{
		"1 lines end with CRLF":             {head + row("1.1", "Hood", "") + "\r\n" + row("1.2", "Boot", "") + "\r\n", []string{"1.1: Hood: ", "1.2: Boot: "}},
		"2 the last one need not":           {head + row("1.1", "Hood", "") + "\r\n" + row("1.2", "Boot", ""), []string{"1.1: Hood: ", "1.2: Boot: "}},
		"5 cells in quotation marks":        {head + row(`"1.1"`, `"Hood"`, `"of wool"`), []string{"1.1: Hood: of wool"}},
		"6 with commas and line breaks":     {head + row("1.1", `"Hood, left"`, "\"of\r\nwool\"") + "\r\n", []string{"1.1: Hood, left: of\nwool"}},
		"7 with quotation marks within":     {head + row("1.1", `"The ""pig"""`, ""), []string{`1.1: The "pig": `}},
		"lines end with LF":                 {strings.ReplaceAll(head, "\r\n", "\n") + row("1.1", "Hood", "") + "\n", []string{"1.1: Hood: "}},
		"behind a byte order mark":          {"\ufeff" + head + row("1.1", "Hood", ""), []string{"1.1: Hood: "}},
		"columns in any order and capitals": {"Title, DEPARTMENT ,Number,legal_status\nHood,Diving,1.1,study\n", []string{"1.1: Hood: "}},
		"empty lines and empty rows":        {head + "\r\n,,,,,\r\n" + row("1.1", "Hood", "") + "\r\n\r\n", []string{"1.1: Hood: "}},
		"rows that stop early":              {head + "1.1,Hood,accessioned,Diving\r\n", []string{"1.1: Hood: "}},
		"an apostrophe before a formula":    {head + row("1.1", "'=1+2", "'-and 'so';' +on"), []string{"1.1: =1+2: -and 'so'; +on"}},
	} {
		t.Run(name, func(t *testing.T) {
			done, err := bringIn(t, &shelf{}, collection.CSV, test.list, true)
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, o := range done.Objects {
				got = append(got, o.Number+": "+o.Title+": "+o.Description)
			}
			if !slices.Equal(got, test.want) || done.Rows != len(test.want) || done.Made != 0 {
				t.Errorf("read as %q, %+v; want %q", got, done, test.want)
			}
		})
	}
}

func TestListAsAWhole(t *testing.T) {
	row := "%d.1,Hood,accessioned,Diving,,\n"
	var long strings.Builder
	long.WriteString(head)
	for i := range collection.ListRowsMost + 1 {
		fmt.Fprintf(&long, row, i+1)
	}
	for name, test := range map[string]struct {
		form collection.ListForm
		list string
		kind domain.Kind
		says string
	}{
		"nothing":               {collection.CSV, "", domain.KindInvalid, "first line names the columns"},
		"no row":                {collection.CSV, head, domain.KindInvalid, "no object"},
		"no line":               {collection.NDJSON, "\n \n", domain.KindInvalid, "no object"},
		"an unknown column":     {collection.CSV, "number,title,legal_status,department,maker\n1,2,3,4,5\n", domain.KindInvalid, `no column "maker"`},
		"a column twice":        {collection.CSV, "number,title,legal_status,department,Title\n1,2,3,4,5\n", domain.KindInvalid, "two columns title"},
		"columns missing":       {collection.CSV, "number,kind\n1,2\n", domain.KindInvalid, "The column department is missing"},
		"divided otherwise":     {collection.CSV, "number;title;legal_status;department\n1;2;3;4\n", domain.KindInvalid, "not divided by commas"},
		"a head of nothing":     {collection.CSV, strings.Repeat(",", 500) + "\n", domain.KindInvalid, "501 columns"},
		"a broken head":         {collection.CSV, "number,ti\"tle\n", domain.KindInvalid, "Line 1"},
		"bytes of another kind": {collection.CSV, head + "1.1,Sch\xfcrze,study,Diving,,\n", domain.KindInvalid, "UTF-8"},
		"too many rows":         {collection.CSV, long.String(), domain.KindTooLarge, "more than 5000 rows"},
		"too many lines":        {collection.NDJSON, strings.Repeat("{}\n", collection.ListRowsMost+1), domain.KindTooLarge, "more than 5000 rows"},
		"too large":             {collection.CSV, strings.Repeat(" ", collection.ListBytesMost+1), domain.KindTooLarge, "8 MiB"},
		"a million cells":       {collection.CSV, strings.Repeat(",", 1_000_001), domain.KindInvalid, "more cells"},
		"another form":          {"text/tab-separated-values", head, domain.KindUnsupported, "text/csv"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := bringIn(t, &shelf{}, test.form, test.list, true)
			if domain.KindOf(err) != test.kind || collection.ListRefused(err) != nil || !strings.Contains(err.Error(), test.says) {
				t.Errorf("%v, want %q", err, test.says)
			}
		})
	}
}

// TestFaultyRows: every faulty row is told, with all its faults; nothing is written then.
func TestFaultyRows(t *testing.T) {
	csvRows := "number,title,legal_status,department,dimensions,mass_kg,marks,owner,date_made\n" +
		"1.1,Hood,accessioned,Diving,height 12,1.5,,,1965~\n" + // 2: good
		"1.2,,stolen,Diving,\"height 1,5; weight 3; tall\",\"1,5\",tattoo,,about 1965\n" +
		"1.1,Hood again,accessioned,Diving,,,,,\n" +
		"7.7,On the shelf already,accessioned,Diving,,,,,\n" +
		"1/3,A slash,on_loan_to_us,Diving,,,,,\n" +
		"1.4,A \"quotation\",accessioned,Diving,,,,,\n" +
		"1.5,Hood,accessioned,Diving,,,,,,too many\n" +
		"1.6,Too heavy,accessioned,Diving,,100000.1,a|b|c|d|e,,\n"
	for name, test := range map[string]struct {
		form collection.ListForm
		list string
		want []string
	}{
		"CSV": {collection.CSV, csvRows, []string{
			"3 /date_made edtf", "3 /dimensions/0/mm decimal", "3 /dimensions/2 form", "3 /legal_status oneof", "3 /marks/0/kind oneof", "3 /marks/0/where required", "3 /mass_kg decimal", "3 /title required",
			"4 /number number_taken", "5 /number number_taken", "6 /number object_number", "7  csv", "8  csv", "9 /marks/0 form", "9 /mass_kg lte"}},
		"NDJSON": {collection.NDJSON, `{"number":"1.1","title":"Hood","legal_status":"study","department":"Diving"}` + "\n\n" +
			`{"number":"1.1","title":"Hood","legal_status":"study","department":"Diving"}` + "\n" +
			`{"number":"1.2","title":"Hood","legal_status":"study","department":"Diving","maker":"x"}` + "\n" +
			`{"number":"1.3","title":"Hood","legal_status":"study","department":"Diving","mass_kg":1.5}` + "\n" +
			`{"number":"1.4","title":"Hood","title":"Boot","legal_status":"study","department":"Diving"}` + "\n" +
			`[]` + "\n" + `null` + "\n" + `{"number":"1.5"` + "\n" + `{"number":"1.6","title":null}` + "\n" + `{}`,
			[]string{"10 /title type", "11 /department required", "11 /legal_status required", "11 /number required", "11 /title required", "3 /number number_taken", "4 /maker unknown", "5 /mass_kg type", "6  form", "7  type", "8  form", "9  form"}},
	} {
		t.Run(name, func(t *testing.T) {
			for _, dry := range []bool{true, false} {
				s := &shelf{taken: map[string]bool{"7.7": true}}
				_, err := bringIn(t, s, test.form, test.list, dry)
				if got := faultsOf(t, err); !slices.Equal(got, test.want) {
					t.Errorf("faults %q, want %q", got, test.want)
				}
				if len(s.added) > 0 || domain.KindOf(err) != domain.KindInvalid {
					t.Errorf("%d were added: %v", len(s.added), err)
				}
			}
		})
	}
}

// TestFaultsAreCounted: of many faults the first are told, and how many more there are.
func TestFaultsAreCounted(t *testing.T) {
	_, err := bringIn(t, &shelf{}, collection.CSV, head+strings.Repeat(",,,,,x\n", 60), true)
	f := collection.ListRefused(err)
	if f == nil || f.Rows != 60 || f.Faulty != 60 || len(f.Faults) != collection.ListFaultsMost || f.More != 4*60-collection.ListFaultsMost {
		t.Fatalf("told as %+v", f)
	}
	var e *domain.Error
	if !errors.As(err, &e) || !strings.Contains(e.Message, "there are 40 more") || e.Fields[0].Pointer[:7] != "/rows/2" || !strings.HasPrefix(e.Fields[0].Message, "Row 2, ") {
		t.Errorf("told as %v", e)
	}
}

func TestListBecomesObjects(t *testing.T) {
	s := &shelf{}
	done, err := bringIn(t, s, collection.CSV, "number,title,legal_status,department,owner,kind,former_numbers,makers,dimensions,mass_kg,marks,not_known\n"+
		`L1.2010.1,Hood,On loan to us,Diving,Harbour Trust,protective dress>hood,12/3;D 44,Żagiel \; Syn;Harbour Works,height 12.5 (lying (flat));width 3,0.25,stamp | hem | a\|b;number|collar||of 1965,inscriptions;maker`+"\n", false)
	if err != nil {
		t.Fatal(err)
	}
	if done.Made != 1 || done.First != "L1.2010.1" || done.Last != "L1.2010.1" || len(s.added) != 1 {
		t.Fatalf("%+v", done)
	}
	want := collection.ObjectFacts{Number: "L1.2010.1", Title: "Hood", LegalStatus: collection.LoanToUs, Department: "Diving", Owner: "Harbour Trust", Kind: "protective dress › hood",
		FormerNumbers: []string{"12/3", "D 44"}, Makers: []string{"Żagiel ; Syn", "Harbour Works"}, MassKG: ptr(mm("0.25")),
		Dimensions: []collection.Dimension{{What: "height", MM: mm("12.5"), Note: "lying (flat)"}, {What: "width", MM: mm("3")}},
		Marks:      []collection.Inscription{{Kind: "stamp", Where: "hem", Transcription: "a|b"}, {Kind: "number", Where: "collar", Meaning: "of 1965"}},
		NotKnown:   []string{"inscriptions", "maker"}}
	if got := s.added[0].Facts(); !reflect.DeepEqual(got, want) {
		t.Errorf("became %+v, want %+v", got, want)
	}
	one, err := collection.NewObjectOf(mara, collection.NewObject{ObjectFacts: want}, noon)
	if err != nil {
		t.Fatal(err)
	}
	made, each := s.added[0].Events(), one.Events()
	if len(made) != len(each) {
		t.Fatalf("%d events, want %d", len(made), len(each))
	}
	for i := range made {
		if made[i].Kind != each[i].Kind || !made[i].At.Equal(each[i].At) || *made[i].ActorID != *each[i].ActorID {
			t.Errorf("event %+v, want %+v", made[i], each[i])
		}
	}
	reader := mara
	reader.Roles = []domain.Role{domain.Reader}
	service, err := collection.NewService(s, func() time.Time { return noon })
	if err != nil {
		t.Fatal(err)
	}
	if _, err := service.Import(t.Context(), reader, collection.CSV, []byte(head), true); domain.KindOf(err) != domain.KindForbidden {
		t.Errorf("a reader: %v", err)
	}
}

// TestColumnsAreTheFacts: a list has a column for everything that can be said of an object, and each example
// can be read.
func TestColumnsAreTheFacts(t *testing.T) {
	var members, names, needed []string
	facts := reflect.TypeFor[collection.ObjectFacts]()
	for i := range facts.NumField() {
		members = append(members, facts.Field(i).Tag.Get("json"))
	}
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	if err := collection.WriteEmptyList(&b); err != nil {
		t.Fatal(err)
	}
	var examples []string
	for _, c := range collection.ListColumns() {
		names, examples = append(names, c.Name), append(examples, c.Example)
		if c.Needed {
			needed = append(needed, c.Name)
		}
	}
	if err := w.Write(examples); err != nil {
		t.Fatal(err)
	}
	w.Flush()
	slices.Sort(members)
	if got := slices.Sorted(slices.Values(names)); !slices.Equal(got, members) {
		t.Errorf("columns %q, members %q", got, members)
	}
	if !slices.Equal(needed, []string{"number", "title", "legal_status", "department"}) {
		t.Errorf("needed: %q", needed)
	}
	done, err := bringIn(t, &shelf{}, collection.CSV, b.String(), true)
	if err != nil {
		t.Fatal(err)
	}
	facts2 := done.Objects[0].Facts()
	for i, cell := range collection.ListCells(&facts2) {
		if strings.ReplaceAll(cell, "›", ">") != examples[i] {
			t.Errorf("%s: %q is shown as %q", names[i], examples[i], cell)
		}
	}
}

// FuzzReadList: whatever the bytes, a list is read or refused in words; and what becomes an object of it is
// the same object when it is written as a list and read again.
func FuzzReadList(f *testing.F) {
	f.Add(true, []byte(head+"1.1,\"Ho\r\nod, \"\"left\"\"\",accessioned,Diving,'=a;'-b\\;c,'@d\r\n"))
	f.Add(true, []byte("marks,number,title,legal_status,department,dimensions\nstamp|hem|\\||x;stamp|a;,1,'' =,study,'\ta,height 1 ('=2;)"))
	f.Add(false, []byte(`{"number":"1","title":"'=1;'-2\n+3","legal_status":"study","department":"D","makers":["a;b|c\\","'"],"marks":[{"kind":"stamp","where":"a|","transcription":"","meaning":";"}]}`))
	f.Add(false, []byte(`{"number":"1","title":"a","legal_status":"study","department":"D","dimensions":[{"what":"height","mm":"1.50","note":") ("}],"mass_kg":"0.5","former_numbers":["  "]}`))
	f.Fuzz(func(t *testing.T, isCSV bool, list []byte) {
		form := collection.NDJSON
		if isCSV {
			form = collection.CSV
		}
		rows, err := collection.ReadList(form, list)
		var known *domain.Error
		if err != nil && !errors.As(err, &known) {
			t.Fatalf("no words for a person: %v", err)
		}
		for _, row := range rows {
			for _, fault := range row.Faults {
				if fault.Message == "" || fault.Rule == "" {
					t.Errorf("row %d: %+v", row.Row, fault)
				}
			}
			o, err := collection.NewObjectOf(mara, row.Object, noon)
			if err != nil {
				continue
			}
			facts := o.Facts()
			again := writtenAndRead(t, &facts)
			o2, err := collection.NewObjectOf(mara, again, noon)
			if err != nil {
				t.Fatalf("%+v is written so that it cannot be read: %v", facts, err)
			}
			facts2 := o2.Facts()
			if !same(t, facts, facts2) {
				t.Errorf("%+v is read again as %+v", facts, facts2)
			}
		}
	})
}

// same compares facts. One line break is as good as another, and a figure the same with zeros behind it.
func same(t *testing.T, a, b collection.ObjectFacts) bool {
	t.Helper()
	plain := func(f collection.ObjectFacts) string {
		text, err := json.Marshal(f)
		if err != nil {
			t.Fatal(err)
		}
		return strings.ReplaceAll(string(text), `\r`, "")
	}
	return plain(a) == plain(b)
}

func writtenAndRead(t *testing.T, f *collection.ObjectFacts) collection.NewObject {
	t.Helper()
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	if err := errors.Join(collection.WriteEmptyList(&b), collection.WriteListRow(w, f)); err != nil {
		t.Fatal(err)
	}
	w.Flush()
	rows, err := collection.ReadList(collection.CSV, b.Bytes())
	if err != nil || len(rows) != 1 || len(rows[0].Faults) > 0 {
		t.Fatalf("%s is read as %+v, %v", b.String(), rows, err)
	}
	return rows[0].Object
}
