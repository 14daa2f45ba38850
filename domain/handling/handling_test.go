package handling

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/material"
)

var noon = time.Date(2026, 2, 6, 12, 0, 0, 0, time.UTC)

// dress is a small tree: 1 suit (1a cuff (1a1 seal), 1b glove), 2 helmet.
func dress() (*collection.Sheet, map[string]domain.ID) {
	ids := map[string]domain.ID{}
	s := &collection.Sheet{Object: collection.Object{ID: domain.NewID(), Number: "1968.14.2", Title: "Dress", Department: "Diving"}}
	for _, c := range []struct{ label, parent, name string }{{"1", "", "suit"}, {"1a", "1", "cuff"}, {"1a1", "1a", "seal"}, {"1b", "1", "glove"}, {"2", "", "helmet"}} {
		ids[c.label] = domain.NewID()
		x := collection.Component{ID: ids[c.label], ObjectID: s.Object.ID, Label: c.label, Name: c.name}
		if c.parent != "" {
			p := ids[c.parent]
			x.ParentID = &p
		}
		s.Components = append(s.Components, x)
	}
	return s, ids
}

func someone(name string, roles ...domain.Role) domain.Actor {
	return domain.Actor{ID: domain.NewID(), Name: name, Roles: roles}
}

func pick(ids map[string]domain.ID, labels string) []domain.ID {
	var all []domain.ID
	for _, l := range strings.Fields(labels) {
		all = append(all, ids[l])
	}
	return all
}

// H2: noise, powder, resistance, loss and tear raise a stop at once on the components concerned; the
// other signs do not by themselves.
//
// source: common practice (published handling sheets: stop at once at a crack, a tear, crumbs or
// resistance, set down, report).
func TestH2Signs(t *testing.T) {
	sheet, ids := dress()
	by := someone("Mara Lind", domain.Technician)
	for _, test := range []struct {
		noticed string
		asked   bool
		stops   bool
	}{
		{"nothing", false, false}, {"", false, false}, {"noise", false, true}, {"powder", false, true}, {"resistance", false, true},
		{"loss", false, true}, {"tear", false, true}, {"odour", false, false}, {"tack", false, false}, {"liquid", false, false},
		{"odour noise", false, true}, {"odour", true, true}, {"nothing", true, true},
	} {
		for _, on := range []string{"", "1a", "1a 2"} {
			e, stop, err := New(by, Log{Minutes: 5, Purpose: "examination", Noticed: strings.Fields(test.noticed), ComponentIDs: pick(ids, on), Stop: test.asked},
				Found{Sheet: sheet}, noon)
			if err != nil {
				t.Fatalf("%q on %q: %v", test.noticed, on, err)
			}
			if (stop != nil) != test.stops {
				t.Errorf("%q on %q: stop %v", test.noticed, on, stop)
			}
			if stop == nil {
				continue
			}
			if !slices.Equal(idsOf(stop.Components), pick(ids, on)) || *stop.HandlingID != e.ID || *e.StopID != stop.ID || !slices.Equal(stop.Raisers(), []domain.ID{by.ID}) {
				t.Errorf("%q on %q: %+v", test.noticed, on, stop)
			}
		}
	}
}

func idsOf(n []Named) []domain.ID {
	var all []domain.ID
	for _, x := range n {
		all = append(all, x.ID)
	}
	return all
}

// H3: a stop binds its components, everything below them, and whatever carries them.
func TestH3Binds(t *testing.T) {
	sheet, ids := dress()
	tests := []struct{ stop, free string }{ // the others are bound, and the whole always is
		{"", ""},
		{"1a", "1b 2"},
		{"1a1", "1b 2"},
		{"1", "2"},
		{"2", "1 1a 1a1 1b"},
		{"1b 2", "1a 1a1"},
	}
	for _, test := range tests {
		stop := Stop{ObjectID: sheet.Object.ID, ObjectNumber: sheet.Object.Number, RaisedAt: noon, RaisedBy: Named{Name: "Mara Lind"}, Signs: []string{"noise"}}
		for _, id := range pick(ids, test.stop) {
			stop.Components = append(stop.Components, Named{id, sheet.Called(id)})
		}
		for label, id := range ids {
			want := !slices.Contains(strings.Fields(test.free), label)
			if got := stop.Binds(sheet, []domain.ID{id}); got != want {
				t.Errorf("stop on %q binds %s: %v", test.stop, label, got)
			}
			err := Refuse(sheet, []Stop{stop}, []domain.ID{id}, time.UTC)
			if (err != nil) != want {
				t.Errorf("stop on %q refuses %s: %v", test.stop, label, err)
			}
		}
		err := Refuse(sheet, []Stop{stop}, nil, time.UTC)
		var refusal *domain.Error
		if !errors.As(err, &refusal) || refusal.Code != "H3" || !strings.Contains(refusal.Message, stop.On()) || !strings.Contains(refusal.Message, "6 February 2026") {
			t.Errorf("the whole under a stop on %q: %v", test.stop, err)
		}
		stop.Release = &Release{}
		if err := Refuse(sheet, []Stop{stop}, nil, time.UTC); err != nil {
			t.Errorf("released: %v", err)
		}
	}
}

// H3: only a conservator releases, and not the one whose handling raised the stop unless there is no
// other open conservator; then a curator's note must stand first. The role is checked by the act.
func TestH3Release(t *testing.T) {
	raiser, handler, other := someone("Mara Lind", domain.Conservator), someone("Per Holm", domain.Conservator), someone("Ida Brandt", domain.Conservator)
	words := NewRelease{Reason: "looked at under the lamp", Found: "a dry crease", Limits: "no flexing of the left elbow"}
	note := Addendum{AuthorName: "Karin Falk", Text: "Seen together with Mara."}
	for _, test := range []struct {
		name     string
		by       domain.Actor
		others   int
		notes    []Addendum
		released bool
		refusal  string
		want     string
	}{
		{"another conservator", other, 0, nil, false, "", ""},
		{"who logged it", raiser, 1, []Addendum{note}, false, "another conservator", ""},
		{"who had hands on it", handler, 1, []Addendum{note}, false, "another conservator", ""},
		{"alone without a note", raiser, 0, nil, false, "curator of Diving", ""},
		{"alone with a note of their own, as curator", raiser, 0, []Addendum{{AuthorID: raiser.ID, AuthorName: "Mara Lind", Text: "I saw it."}}, false, "curator of Diving", ""},
		{"alone with a note", raiser, 0, []Addendum{note}, false, "", "Karin Falk"},
		{"released already", other, 1, nil, true, "released by", ""},
	} {
		s := &Stop{ObjectNumber: "1968.14.2", Department: "Diving", RaisedBy: Named{raiser.ID, raiser.Name}, HandlerIDs: []domain.ID{handler.ID}, Notes: test.notes}
		if test.released {
			s.Release = &Release{By: Named{Name: "somebody"}}
		}
		err := s.release(test.by, words, test.others, noon)
		if test.refusal != "" {
			var refusal *domain.Error
			if !errors.As(err, &refusal) || refusal.Code != "H3" || !strings.Contains(refusal.Message, test.refusal) {
				t.Errorf("%s: %v", test.name, err)
			}
			if !test.released && s.Release != nil {
				t.Errorf("%s: changed though refused", test.name)
			}
			continue
		}
		if err != nil || s.Release == nil || s.Release.CuratorName != test.want || s.Release.Found != words.Found || s.Version() != 2+int64(len(test.notes)) {
			t.Errorf("%s: %v %+v", test.name, err, s.Release)
		}
	}
	for _, act := range []struct {
		act domain.Act
		may []domain.Role
	}{
		{Lift, []domain.Role{domain.Conservator}}, {Record, domain.Staff}, {Annotate, []domain.Role{domain.Curator}}, {Read, domain.Readers},
		{Assess, []domain.Role{domain.Conservator, domain.Registrar}},
	} {
		for _, role := range domain.Roles {
			a := someone("x", role)
			a.Scopes = []string{"all"}
			if (a.May(act.act) == nil) != slices.Contains(act.may, role) {
				t.Errorf("%s may %s: %v", role, act.act.Name, a.May(act.act))
			}
		}
	}
}

// What happened is recordable whatever stands against it; only what cannot be true is refused.
func TestH1TheTruthIsRecordable(t *testing.T) {
	sheet, ids := dress()
	by := someone("Mara Lind", domain.Conservator)
	ok := Log{Minutes: 5, Purpose: "move"}
	standing := []Stop{{Components: []Named{{ID: ids["1a"]}}}}
	radium := Caution{Kind: "radium", Class: material.Stop, ComponentID: ptr(ids["2"]), Certainty: "possible"}
	later, minusOne := noon.Add(time.Hour), 0
	for _, test := range []struct {
		name   string
		change func(*Log)
		fault  string // pointer
		under  bool
		class  string // unassessed
	}{
		{"plain", func(l *Log) { l.ComponentIDs = pick(ids, "1b") }, "", false, ""},
		{"under a stop", func(l *Log) { l.ComponentIDs = pick(ids, "1a1") }, "", true, ""},
		{"evacuation", func(l *Log) { l.Evacuation, l.Controls = "fire", "not_kept" }, "", true, "radium"},
		{"hazard not answered", func(l *Log) { l.ComponentIDs = pick(ids, "2") }, "/controls", false, ""},
		{"hazard answered", func(l *Log) { l.ComponentIDs, l.Controls = pick(ids, "2"), "kept" }, "", false, "radium"},
		{"future", func(l *Log) { l.ComponentIDs, l.StartedAt = pick(ids, "1b"), &later }, "/started_at", false, ""},
		{"foreign component", func(l *Log) { l.ComponentIDs = []domain.ID{domain.NewID()} }, "/component_ids", false, ""},
		{"nothing and something", func(l *Log) { l.ComponentIDs, l.Noticed = pick(ids, "1b"), []string{"nothing", "tack"} }, "/noticed", false, ""},
		{"turned without a lift", func(l *Log) {
			l.ComponentIDs, l.From, l.To, l.Lifts = pick(ids, "1b"), "lying_face_up", "upright_held", &minusOne
		}, "/lifts", false, ""},
		{"other without a note", func(l *Log) { l.ComponentIDs, l.Noticed = pick(ids, "1b"), []string{"other"} }, "/note", false, ""},
		{"no minutes", func(l *Log) { l.Minutes = 0 }, "/minutes", false, ""},
		{"bad word", func(l *Log) { l.Gloves = "boxing" }, "/gloves", false, ""},
		{"too far", func(l *Log) { l.Flexes = []Flex{{Joint: "elbow", Degrees: 361}} }, "/flexes/0/degrees", false, ""},
		{"NUL", func(l *Log) { l.Note = "a\x00b" }, "/note", false, ""},
	} {
		l := ok
		test.change(&l)
		e, _, err := New(by, l, Found{Sheet: sheet, Standing: standing, Cautions: []Caution{radium}}, noon)
		if test.fault != "" {
			var refusal *domain.Error
			if !errors.As(err, &refusal) || !slices.ContainsFunc(refusal.Fields, func(f domain.Field) bool { return f.Pointer == test.fault }) {
				t.Errorf("%s: %v", test.name, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", test.name, err)
			continue
		}
		if e.UnderStop != test.under || strings.Join(e.Unassessed, " ") != test.class {
			t.Errorf("%s: under stop %v, unassessed %v", test.name, e.UnderStop, e.Unassessed)
		}
	}
}

func ptr[T any](x T) *T { return &x }

func TestDefaults(t *testing.T) {
	sheet, _ := dress()
	by := someone("Mara Lind", domain.Conservator)
	e, _, err := New(by, Log{Minutes: 20, Purpose: "photography", From: "in_box", To: "lying_face_up", Flexes: []Flex{{Joint: "elbow", Degrees: 30}}}, Found{Sheet: sheet}, noon)
	if err != nil {
		t.Fatal(err)
	}
	if !e.StartedAt.Equal(noon.Add(-20*time.Minute)) || e.Lifts != 1 || len(e.Handlers) != 1 || e.Handlers[0].ID != by.ID ||
		!slices.Equal(e.Noticed, []string{"nothing"}) || e.Flexes[0].Side != "none" || e.Flexes[0].Times != 1 {
		t.Errorf("%+v", e)
	}
}

// usual reads the usual cautions.
func usual(t *testing.T) []material.Caution {
	t.Helper()
	all, err := material.Cautions()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// Class S refuses planned handling until a named competent person other than the handler has recorded
// an assessment; class C is confirmed; a hazard ruled out or removed stays as a note.
//
// source: common practice; AIC Conservation Wiki, Collection Hazards (asbestos, radioactive and
// cellulose nitrate objects are assessed before they are handled).
func TestHazardsBeforeHandling(t *testing.T) {
	sheet, ids := dress()
	handler, assessor := someone("Mara Lind"), someone("Ove Strand")
	on := func(kind, certainty, state string) []collection.Hazard {
		return []collection.Hazard{{Kind: kind, Certainty: certainty, State: state, ComponentID: ptr(ids["1a"])}}
	}
	good := Assessment{Kind: "asbestos", AssessorID: &assessor.ID, RecordedByID: assessor.ID, AssessedOn: noon.AddDate(0, -1, 0), MayBeHandled: true}
	own, expired, no := good, good, good
	own.AssessorID, expired.ValidUntil, no.MayBeHandled = &handler.ID, ptr(noon.AddDate(0, 0, -1)), false
	today := good
	today.ValidUntil = ptr(time.Date(2026, 2, 6, 0, 0, 0, 0, time.UTC))
	for _, test := range []struct {
		name        string
		hazards     []collection.Hazard
		made        []MaterialHazard
		assessments []Assessment
		components  string
		class       material.Class
		refused     bool
	}{
		{"loose asbestos cloth", on("asbestos", "certain", "loose"), nil, nil, "", "S", true},
		{"possible radium, photograph planned", on("radium", "possible", "intact"), nil, nil, "1a", "S", true},
		{"soda lime that follows from the material", nil, []MaterialHazard{{ids["1a"], "soda-lime", "soda lime", "certain"}}, nil, "", "S", true},
		{"sound cellulose nitrate", on("cellulose-nitrate", "certain", "intact"), nil, nil, "", "C", false},
		{"damaged cellulose nitrate", on("cellulose-nitrate", "certain", "damaged"), nil, nil, "", "S", true},
		{"lead", on("lead", "certain", "intact"), nil, nil, "", "C", false},
		{"asbestos ruled out", on("asbestos", "ruled_out", "intact"), []MaterialHazard{{ids["1a"], "asbestos", "asbestos cloth", "possible"}}, nil, "", "N", false},
		{"cylinder removed", on("compressed-gas", "certain", "removed"), nil, nil, "", "N", false},
		{"sealed mercury", on("mercury", "certain", "sealed"), nil, nil, "", "C", false},
		{"perhaps sealed mercury", on("mercury", "possible", "sealed"), nil, nil, "", "S", true},
		{"a kind of the site's own", on("seal-oil", "certain", "intact"), nil, nil, "", "C", false},
		{"another part handled", on("asbestos", "certain", "intact"), nil, nil, "2", "S", false},
		{"what carries it", on("asbestos", "certain", "intact"), nil, nil, "1", "S", true},
		{"what is below it", on("asbestos", "certain", "intact"), nil, nil, "1a1", "S", true},
		{"assessed", on("asbestos", "certain", "intact"), nil, []Assessment{good}, "", "S", false},
		{"assessed by the handler", on("asbestos", "certain", "intact"), nil, []Assessment{own}, "", "S", true},
		{"assessed, run out", on("asbestos", "certain", "intact"), nil, []Assessment{expired}, "", "S", true},
		{"assessed, last day", on("asbestos", "certain", "intact"), nil, []Assessment{today}, "", "S", false},
		{"assessed: not to be handled", on("asbestos", "certain", "intact"), nil, []Assessment{good, no}, "", "S", true},
		{"nothing known", nil, nil, nil, "", "", false},
	} {
		sheet.Hazards = test.hazards
		cautions := Dangers(sheet, test.made, usual(t))
		for i := range cautions {
			cautions[i].Assessments = test.assessments
			if !strings.HasSuffix(cautions[i].Text, material.CautionClosing) {
				t.Errorf("%s: no closing sentence: %q", test.name, cautions[i].Text)
			}
		}
		if test.class != "" && (len(cautions) != 1 || cautions[0].Class != test.class) || test.class == "" && len(cautions) > 0 {
			t.Errorf("%s: %+v", test.name, cautions)
		}
		err := Clear(sheet, cautions, pick(ids, test.components), []domain.ID{handler.ID}, noon)
		if (err != nil) != test.refused {
			t.Errorf("%s: %v", test.name, err)
		}
		var refusal *domain.Error
		if err != nil && (!errors.As(err, &refusal) || len(refusal.Missing) != 1) {
			t.Errorf("%s: the refusal does not name the missing assessment: %v", test.name, err)
		}
	}
}

// TestDangersOfKindAndMarks: what the kind or a mark of an object calls for stands before every handling as on
// its sheet, and is not said twice.
//
// source: common practice
func TestDangersOfKindAndMarks(t *testing.T) {
	sheet, _ := dress()
	sheet.Object.Kind = "breathing set › rebreather"
	sheet.Object.Marks = []collection.Inscription{{Kind: "label", Where: "lid", Transcription: "ASBESTOS PAD"}}
	sheet.Hazards = []collection.Hazard{{Kind: "soda-lime", Certainty: "ruled_out", State: "removed"}}
	got := map[string]string{}
	for _, c := range Dangers(sheet, nil, usual(t)) {
		if got[c.Kind] != "" {
			t.Errorf("%s twice", c.Kind)
		}
		got[c.Kind] = string(c.Class)
		if c.Proposed && (c.Note == "" || !strings.HasSuffix(c.Text, material.CautionClosing)) {
			t.Errorf("%+v", c)
		}
	}
	for kind, class := range map[string]string{"asbestos": "S", "compressed-gas": "S", "chemical-oxygen": "S", "soda-lime": "N"} {
		if got[kind] != class {
			t.Errorf("%s is of class %q, want %q", kind, got[kind], class)
		}
	}
}

func TestAssessmentRefused(t *testing.T) {
	sheet, ids := dress()
	by := someone("Ove Strand", domain.Conservator)
	good := NewAssessment{Kind: "asbestos", AssessorName: "O. Strand", Competence: "licensed surveyor", AssessedOn: noon, MayBeHandled: true, Found: "sealed", Controls: "leave covered"}
	if _, err := NewAssessmentOf(by, good, sheet, noon); err != nil {
		t.Fatal(err)
	}
	for pointer, change := range map[string]func(*NewAssessment){
		"/component_id":  func(n *NewAssessment) { n.ComponentID = ptr(domain.NewID()) },
		"/assessed_on":   func(n *NewAssessment) { n.AssessedOn = noon.AddDate(0, 0, 3) },
		"/valid_until":   func(n *NewAssessment) { n.ValidUntil = ptr(noon.AddDate(0, 0, -1)) },
		"/controls":      func(n *NewAssessment) { n.Controls = " " },
		"/assessor_name": func(n *NewAssessment) { n.AssessorName = "" },
		"/kind":          func(n *NewAssessment) { n.Kind = "" },
	} {
		n := good
		n.ComponentID = ptr(ids["1"])
		change(&n)
		_, err := NewAssessmentOf(by, n, sheet, noon)
		var refusal *domain.Error
		if !errors.As(err, &refusal) || len(refusal.Fields) == 0 || refusal.Fields[0].Pointer != pointer {
			t.Errorf("%s: %v", pointer, err)
		}
	}
}
