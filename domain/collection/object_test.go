package collection_test

import (
	"reflect"
	"slices"
	"strings"
	"testing"

	"farthingale/domain"
	"farthingale/domain/collection"
)

func objectFacts() collection.ObjectFacts {
	return collection.ObjectFacts{Number: "1968.14.2", Title: "Dry suit", Department: "Diving", LegalStatus: collection.Accessioned}
}

func TestObjectIsKeptTidy(t *testing.T) {
	f := objectFacts()
	f.Number, f.Title, f.Kind, f.DateMade = " １９６８.14.2 ", "  Dry suit\n", "protective dress>diving  dress", "1965~"
	f.Makers, f.FormerNumbers = []string{" Żagiel i Syn "}, []string{"E 12/3 "}
	o, err := collection.NewObjectOf(mara, collection.NewObject{ObjectFacts: f}, noon)
	if err != nil {
		t.Fatal(err)
	}
	if o.Number != "1968.14.2" || o.Title != "Dry suit" || o.Kind != "protective dress › diving dress" || o.Makers[0] != "Żagiel i Syn" || o.FormerNumbers[0] != "E 12/3" {
		t.Errorf("kept as %+v", o)
	}
	if o.DateEarliest == nil || o.DateEarliest.Year() != 1965 || o.DateLatest.Year() != 1965 {
		t.Errorf("dates %v to %v", o.DateEarliest, o.DateLatest)
	}
	if o.Marks == nil || o.Dimensions == nil || o.NotKnown == nil || o.CreatedBy != mara.ID || len(o.Events()) != 1 {
		t.Errorf("kept as %+v", o)
	}
}

func TestObjectFaults(t *testing.T) {
	long := strings.Repeat("x", 9000)
	for name, test := range map[string]struct {
		change func(f *collection.ObjectFacts)
		want   string
	}{
		"good":             {func(*collection.ObjectFacts) {}, ""},
		"nothing":          {func(f *collection.ObjectFacts) { *f = collection.ObjectFacts{} }, "/department required, /legal_status required, /number required, /title required"},
		"blank":            {func(f *collection.ObjectFacts) { f.Number, f.Title, f.Department = " ", " ", "\t" }, "/department required, /number required, /title required"},
		"no number":        {func(f *collection.ObjectFacts) { f.Number = "1968/14" }, "/number object_number"},
		"too long":         {func(f *collection.ObjectFacts) { f.Title, f.Description, f.Owner = long, long, long }, "/description max, /owner max, /title max"},
		"no date":          {func(f *collection.ObjectFacts) { f.DateMade = "about 1965" }, "/date_made edtf"},
		"no status":        {func(f *collection.ObjectFacts) { f.LegalStatus = "stolen" }, "/legal_status oneof"},
		"whose?":           {func(f *collection.ObjectFacts) { f.LegalStatus = collection.LoanToUs }, "/owner required"},
		"on loan to us":    {func(f *collection.ObjectFacts) { f.LegalStatus, f.Owner = collection.LoanToUs, "Another museum" }, ""},
		"heavier than all": {func(f *collection.ObjectFacts) { f.MassKG = ptr(mm("100000.1")) }, "/mass_kg lte"},
		"weightless":       {func(f *collection.ObjectFacts) { f.MassKG = ptr(mm("0")) }, "/mass_kg gt"},
		"absurdly large":   {func(f *collection.ObjectFacts) { f.MassKG = ptr(mm("1e9999")) }, "/mass_kg lte"},
		"too fine":         {func(f *collection.ObjectFacts) { f.MassKG = ptr(mm("0.00001")) }, "/mass_kg decimals"},
		"NUL": {func(f *collection.ObjectFacts) {
			f.Marks = []collection.Inscription{{Kind: "stamp", Where: "hem", Transcription: "a\x00"}}
		}, "/marks/0/transcription text"},
		"not UTF-8":       {func(f *collection.ObjectFacts) { f.Makers = []string{"\xff"} }, "/makers/0 text"},
		"a mark nowhere":  {func(f *collection.ObjectFacts) { f.Marks = []collection.Inscription{{Kind: "tattoo"}} }, "/marks/0/kind oneof, /marks/0/where required"},
		"no such heading": {func(f *collection.ObjectFacts) { f.NotKnown = []string{"title"} }, "/not_known/0 oneof"},
		"HTML is text":    {func(f *collection.ObjectFacts) { f.Title = "<script>alert(1)</script>'; drop table object; --" }, ""},
		"former, blank":   {func(f *collection.ObjectFacts) { f.FormerNumbers = []string{" "} }, "/former_numbers/0 required"},
	} {
		f := objectFacts()
		test.change(&f)
		if _, err := collection.NewObjectOf(mara, collection.NewObject{ObjectFacts: f}, noon); pointers(err) != test.want {
			t.Errorf("%s: refused at %q, want %q", name, pointers(err), test.want)
		}
	}
}

func TestObjectChanges(t *testing.T) {
	curator := domain.Actor{ID: domain.NewID(), Name: "Karin", Roles: []domain.Role{domain.Curator}, Departments: []string{"Diving"}}
	for name, test := range map[string]struct {
		by     domain.Actor
		change func(f *collection.ObjectFacts)
		want   string
		events []string
	}{
		"nothing":                       {mara, func(*collection.ObjectFacts) {}, "", nil},
		"the title":                     {mara, func(f *collection.ObjectFacts) { f.Title = "Suit" }, "", []string{"changed"}},
		"the number":                    {mara, func(f *collection.ObjectFacts) { f.Number = "1968.14.3" }, "", []string{"changed"}},
		"the status by a conservator":   {mara, func(f *collection.ObjectFacts) { f.LegalStatus = collection.Former }, "P2", nil},
		"the status by a registrar":     {vik, func(f *collection.ObjectFacts) { f.LegalStatus = collection.Former }, "", []string{"changed"}},
		"the owner by who cannot see":   {mara, func(f *collection.ObjectFacts) { f.Owner = "Me" }, "P2", nil},
		"an owner left out, unseen":     {mara, func(f *collection.ObjectFacts) { f.Owner, f.Title = "", "Suit" }, "", []string{"changed"}},
		"the owner by the curator":      {curator, func(f *collection.ObjectFacts) { f.Owner = "Another" }, "", []string{"owner_changed"}},
		"the owner taken away in error": {vik, func(f *collection.ObjectFacts) { f.Owner = "" }, "/owner required", nil},
		"an invalid number":             {vik, func(f *collection.ObjectFacts) { f.Number = "x" }, "/number object_number", nil},
	} {
		f := objectFacts()
		f.LegalStatus, f.Owner = collection.LoanToUs, "Lender"
		made, err := collection.NewObjectOf(vik, collection.NewObject{ObjectFacts: f}, noon)
		if err != nil {
			t.Fatal(err)
		}
		o := *made
		o.Raised = domain.Raised{}
		before := o
		test.change(&f)
		err = o.Change(test.by, f, noon)
		if pointers(err) != test.want {
			t.Errorf("%s: refused at %q, want %q", name, pointers(err), test.want)
		}
		if err != nil && !reflect.DeepEqual(o, before) {
			t.Errorf("%s: refused, but changed to %+v", name, o)
		}
		var events []string
		for _, e := range o.Events() {
			events = append(events, e.Kind)
		}
		if !slices.Equal(events, test.events) {
			t.Errorf("%s: events %v, want %v", name, events, test.events)
		}
		switch name {
		case "the number":
			if o.Number != "1968.14.3" || !slices.Contains(o.FormerNumbers, "1968.14.2") {
				t.Errorf("%s: %s, formerly %v", name, o.Number, o.FormerNumbers)
			}
		case "an owner left out, unseen":
			if o.Owner != "Lender" { // P3: who does not see it cannot lose it
				t.Errorf("%s: the owner is %q", name, o.Owner)
			}
		}
	}
}

// Rule C4: nothing about which anything is signed is deleted; its legal status changes instead.
// source: common practice; ICOM Code of Ethics for Museums 2004, 2.15 (records of what leaves the
// collection are kept).
func TestC4Deletion(t *testing.T) {
	empty, _ := suit(t)
	parts, _ := suit(t, "1")
	dangerous, _ := suit(t)
	dangerous.Hazards = []collection.Hazard{{Kind: "lead"}}
	for name, test := range map[string]struct {
		sheet  *collection.Sheet
		signed bool
		want   string
	}{
		"an empty record":      {empty, false, ""},
		"anything signed":      {empty, true, "C4"},
		"it has a make-up":     {parts, false, "C4"},
		"it has a hazard":      {dangerous, false, "C4"},
		"signed, with make-up": {parts, true, "C4"},
	} {
		if err := test.sheet.Deletable(test.signed); pointers(err) != test.want {
			t.Errorf("%s: %v, want %q", name, err, test.want)
		}
	}
}

// TestObjectIDHeadings maps each heading of the checklist to its field.
// source: Thornes, Dorrell & Lie, Introduction to Object ID, Getty 1999: take photographs; type of
// object, materials and techniques, measurements, inscriptions and markings, distinguishing features,
// title, subject, date or period, maker; write a short description.
func TestObjectIDHeadings(t *testing.T) {
	made, material := "1965", "natural-rubber-latex"
	fields := map[string]func(s *collection.Sheet){
		"type": func(s *collection.Sheet) { s.Object.Kind = "protective dress › diving dress" },
		"measurements": func(s *collection.Sheet) {
			s.Object.Dimensions = []collection.Dimension{{What: "height", MM: mm("1700")}}
		},
		"materials":    func(s *collection.Sheet) { s.Materials = []collection.ComponentMaterial{{MaterialKey: &material}} },
		"inscriptions": func(s *collection.Sheet) { s.Object.Marks = []collection.Inscription{{Kind: "stamp", Where: "hem"}} },
		"features":     func(s *collection.Sheet) { s.Object.Features = "patch on the left knee" },
		"title":        func(s *collection.Sheet) { s.Object.Title = "Dry suit" },
		"subject":      func(s *collection.Sheet) { s.Object.Subject = "harbour salvage" },
		"date":         func(s *collection.Sheet) { s.Object.DateMade = made },
		"maker":        func(s *collection.Sheet) { s.Object.Makers = []string{"Fjord & Sons"} },
		"description":  func(s *collection.Sheet) { s.Object.Description = "A suit." },
	}
	if len(collection.ObjectIDHeadings) != 11 || len(fields) != 10 {
		t.Fatalf("%d headings, %d fields and a photograph", len(collection.ObjectIDHeadings), len(fields))
	}
	nothing := &collection.Sheet{}
	if got := collection.ObjectIDMissing(nothing, false); !slices.Equal(got, collection.ObjectIDHeadings) {
		t.Errorf("of an empty sheet %v are missing", got)
	}
	if got := collection.ObjectIDMissing(nothing, true); slices.Contains(got, "photograph") || len(got) != 10 {
		t.Errorf("with a photograph %v are missing", got)
	}
	all := &collection.Sheet{}
	for heading, fill := range fields {
		s := &collection.Sheet{}
		fill(s)
		fill(all)
		if got := collection.ObjectIDMissing(s, false); slices.Contains(got, heading) || len(got) != 10 {
			t.Errorf("with %s, %v are missing", heading, got)
		}
		// 'None' or 'not known' is an answer; empty is not.
		if said := (&collection.Sheet{Object: collection.Object{NotKnown: []string{heading}}}); slices.Contains(collection.ObjectIDMissing(said, false), heading) {
			t.Errorf("%s is said to be not known, and is missing", heading)
		}
	}
	if got := collection.ObjectIDMissing(all, true); len(got) != 0 {
		t.Errorf("of a whole sheet %v are missing", got)
	}
}

func TestNumbersTypedInHaste(t *testing.T) {
	for _, same := range []string{"1968.14.2", "1968-14-2", "1968 14 2", "１９６８.14.2", "1968.014.02", " 1968 . 14 . 2 ", "1968/14/2", "1968–14–2"} {
		if got := collection.LooseKey(same); got != "1968.14.2" {
			t.Errorf("%q is compared as %q", same, got)
		}
	}
	for a, b := range map[string]string{"1968.14.2": "1968.142", "1968.0": "1968", "100": "1", "E2561": "2561", "1968.14.2b": "1968.14.2.b", "Łódź 7": "Lodz 7"} {
		if collection.LooseKey(a) == collection.LooseKey(b) {
			t.Errorf("%q and %q are compared as the same", a, b)
		}
	}
	if collection.LooseKey("1968.0.00") != "1968.0.0" || collection.LooseKey("…") != "" || collection.LooseKey("E 0012a") != "e.12a" {
		t.Error("zeros or signs are not dropped as they should be")
	}
	for text, want := range map[string]bool{"1968.14.2": true, "1968-14-2": true, "E2561": true, "e 2561": true, "1968": true, "L1.2010.1": true, "1968.14 (2)": true,
		"1968.14.2b": true, "diving dress": false, "helmet 1968": false, "1968 helmet": false, "": false, "12 bolt": false, "dress!": false} {
		if collection.LikeNumber(text) != want {
			t.Errorf("%q is like a number: %v", text, !want)
		}
	}
	if got := collection.SearchWords("Łódź,  ＤＩＶＩＮＧ-dress (1968.14) Łódź"); !slices.Equal(got, []string{"Łódź", "DIVING", "dress", "1968", "14"}) {
		t.Errorf("words %q", got)
	}
}
