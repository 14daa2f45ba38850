package collection_test

import (
	"errors"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/material"
)

var (
	mara = domain.Actor{ID: domain.NewID(), Name: "Mara Holm", Roles: []domain.Role{domain.Conservator}, Scopes: []string{"all"}}
	tove = domain.Actor{ID: domain.NewID(), Name: "Tove Lund", Roles: []domain.Role{domain.Technician}, Scopes: []string{"all"}}
	vik  = domain.Actor{ID: domain.NewID(), Name: "Rune Vik", Roles: []domain.Role{domain.Registrar}, Scopes: []string{"all"}}
	noon = time.Date(2026, 2, 6, 12, 0, 0, 0, time.UTC)
)

func mm(s string) decimal.Decimal { return decimal.RequireFromString(s) }

// suit is an object whose components are given as "label" or "label<parent".
func suit(t testing.TB, parts ...string) (*collection.Sheet, map[string]domain.ID) {
	t.Helper()
	s := &collection.Sheet{Object: collection.Object{ID: domain.NewID(), Number: "1968.14.2", Title: "Dry suit", Department: "Diving"}}
	ids := map[string]domain.ID{}
	for _, p := range parts {
		label, parent, below := strings.Cut(p, "<")
		c := collection.Component{ID: domain.NewID(), ObjectID: s.Object.ID, Label: label, Name: "part " + label, Side: "none", Function: "other", Count: 1,
			Removal: collection.Freely, Attribution: collection.UnknownAttribution, Version: 1}
		if below {
			id := ids[parent]
			c.ParentID = &id
		}
		ids[label] = c.ID
		s.Components = append(s.Components, c)
	}
	return s, ids
}

func facts() collection.ComponentFacts {
	return collection.ComponentFacts{Name: "cuff", Side: "left", Function: "seal", Count: 1, Removal: collection.Freely}
}

func newPart(label string) collection.NewComponent {
	return collection.NewComponent{ComponentFacts: facts(), Label: label, Attribution: collection.Original, Evidence: "maker's drawing"}
}

// pointers are where err finds fault, or its code.
func pointers(err error) string {
	var e *domain.Error
	if !errors.As(err, &e) {
		if err == nil {
			return ""
		}
		return "fault: " + err.Error()
	}
	if len(e.Fields) == 0 {
		return e.Code
	}
	var at []string
	for _, f := range e.Fields {
		at = append(at, f.Pointer+" "+f.Rule)
	}
	slices.Sort(at)
	return strings.Join(at, ", ")
}

// Rules C1 (the tree, the label, fragments), C2 ('never' has a reason) and C3 (evidence) for a new
// component.
// source: common practice of numbering parts (Buck & Gilmore, The New Museum Registration Methods,
// 4th ed., 1998: a part keeps its suffix).
func TestC1C2C3NewComponent(t *testing.T) {
	deep := []string{"1"}
	for i := 2; i <= 8; i++ {
		deep = append(deep, strconv.Itoa(i)+"<"+strconv.Itoa(i-1))
	}
	for name, test := range map[string]struct {
		parts  []string
		change func(n *collection.NewComponent, ids map[string]domain.ID)
		want   string
	}{
		"plain":            {nil, func(*collection.NewComponent, map[string]domain.ID) {}, ""},
		"below another":    {[]string{"1"}, func(n *collection.NewComponent, ids map[string]domain.ID) { n.ParentID = ptr(ids["1"]) }, ""},
		"label taken":      {[]string{"2a"}, func(n *collection.NewComponent, _ map[string]domain.ID) { n.Label = ".2A" }, "label_taken"},
		"no label":         {nil, func(n *collection.NewComponent, _ map[string]domain.ID) { n.Label = "" }, "/label required"},
		"label no label":   {nil, func(n *collection.NewComponent, _ map[string]domain.ID) { n.Label = "<b>" }, "/label component_label"},
		"parent elsewhere": {nil, func(n *collection.NewComponent, _ map[string]domain.ID) { n.ParentID = ptr(domain.NewID()) }, "/parent_id component"},
		"eighth level":     {deep[:7], func(n *collection.NewComponent, ids map[string]domain.ID) { n.ParentID = ptr(ids["7"]) }, ""},
		"ninth level":      {deep, func(n *collection.NewComponent, ids map[string]domain.ID) { n.ParentID = ptr(ids["8"]) }, "/parent_id depth"},
		"never, no reason": {nil, func(n *collection.NewComponent, _ map[string]domain.ID) {
			n.Removal, n.RemovalReason = collection.Never, " "
		}, "/removal_reason C2"},
		"never, because": {nil, func(n *collection.NewComponent, _ map[string]domain.ID) {
			n.Removal, n.RemovalReason = collection.Never, "seized"
		}, ""},
		"no evidence": {nil, func(n *collection.NewComponent, _ map[string]domain.ID) { n.Evidence = "\n" }, "/evidence C3"},
		"unknown, no evidence": {nil, func(n *collection.NewComponent, _ map[string]domain.ID) {
			n.Attribution, n.Evidence = collection.UnknownAttribution, ""
		}, ""},
		"fragment": {[]string{"1"}, func(n *collection.NewComponent, ids map[string]domain.ID) {
			n.Function, n.CameFromID = "fragment", ptr(ids["1"])
		}, ""},
		"fragment, whence?":     {nil, func(n *collection.NewComponent, _ map[string]domain.ID) { n.Function = "fragment" }, ""},
		"no fragment came from": {[]string{"1"}, func(n *collection.NewComponent, ids map[string]domain.ID) { n.CameFromID = ptr(ids["1"]) }, "/came_from_id C1"},
		"fragment from elsewhere": {nil, func(n *collection.NewComponent, _ map[string]domain.ID) {
			n.Function, n.CameFromID = "fragment", ptr(domain.NewID())
		}, "/came_from_id component"},
		"every fault at once": {nil, func(n *collection.NewComponent, _ map[string]domain.ID) {
			*n = collection.NewComponent{ComponentFacts: collection.ComponentFacts{Name: " ", Side: "up", LayerOrder: -1, Function: "x", Count: 10000, Removal: "x",
				MassKG: ptr(mm("-1")), Dimensions: []collection.Dimension{{What: "age", MM: mm("0.00001")}}}, Label: "1.2.3.4", Attribution: "x", Evidence: "a\x00b"}
		}, "/attribution oneof, /count max, /dimensions/0/mm decimals, /dimensions/0/what oneof, /evidence text, /function oneof, /label component_label, /layer_order min, /mass_kg gt, /name required, /removal oneof, /side oneof"},
	} {
		t.Run(name, func(t *testing.T) {
			s, ids := suit(t, test.parts...)
			n := newPart("9")
			test.change(&n, ids)
			change, err := s.AddComponent(mara, n, noon)
			if got := pointers(err); got != test.want {
				t.Fatalf("refused at %q, want %q", got, test.want)
			}
			if err != nil {
				return
			}
			if change.NewComponent.Label != "9" || change.Attribution.AuthorID != mara.ID || !change.Attribution.At.Equal(noon) || len(change.Events) != 1 {
				t.Errorf("the change is %+v", change)
			}
		})
	}
}

func ptr[T any](v T) *T { return &v }

// Rule C1: the tree of components has no cycle and at most eight levels, whatever is moved where.
func TestC1MoveInTheTree(t *testing.T) {
	for name, test := range map[string]struct {
		parts     []string
		move, to  string
		want      string
		toNothing bool
	}{
		"to a sibling":           {parts: []string{"1", "2"}, move: "2", to: "1"},
		"to the top":             {parts: []string{"1", "2<1"}, move: "2", toNothing: true},
		"below itself":           {parts: []string{"1"}, move: "1", to: "1", want: "/parent_id tree"},
		"below its part":         {parts: []string{"1", "2<1"}, move: "1", to: "2", want: "/parent_id tree"},
		"below its part's part":  {parts: []string{"1", "2<1", "3<2"}, move: "1", to: "3", want: "/parent_id tree"},
		"three levels below six": {parts: []string{"1", "2<1", "3<2", "4<3", "5<4", "6<5", "a", "b<a", "c<b"}, move: "a", to: "6", want: "/parent_id depth"},
		"two levels below six":   {parts: []string{"1", "2<1", "3<2", "4<3", "5<4", "6<5", "a", "b<a"}, move: "a", to: "6"},
	} {
		t.Run(name, func(t *testing.T) {
			s, ids := suit(t, test.parts...)
			f := s.Component(ids[test.move]).Facts()
			f.ParentID = nil
			if !test.toNothing {
				f.ParentID = ptr(ids[test.to])
			}
			change, err := s.ChangeComponent(mara, ids[test.move], 1, f, noon)
			if got := pointers(err); got != test.want {
				t.Fatalf("refused at %q, want %q", got, test.want)
			}
			if err == nil && (change.Component.Version != 2 || change.Component.Label != test.move) {
				t.Errorf("changed to %+v", change.Component)
			}
		})
	}
}

func TestC1LabelIsNoFactThatChanges(t *testing.T) {
	s, ids := suit(t, "3b")
	f := facts()
	f.Name = "glove"
	change, err := s.ChangeComponent(mara, ids["3b"], 1, f, noon)
	if err != nil || change.Component.Label != "3b" || change.Component.Name != "glove" {
		t.Fatalf("%+v, %v", change.Component, err)
	}
	if _, err := s.ChangeComponent(mara, ids["3b"], 2, f, noon); !errors.Is(err, domain.ErrStale) {
		t.Errorf("a change of another version: %v", err)
	}
	if change, err := s.ChangeComponent(mara, ids["3b"], 1, s.Component(ids["3b"]).Facts(), noon); err != nil || change.Component != nil {
		t.Errorf("a change of nothing: %+v, %v", change, err)
	}
	if _, err := s.ChangeComponent(mara, domain.NewID(), 1, f, noon); domain.KindOf(err) != domain.KindNotFound {
		t.Errorf("a component of another object: %v", err)
	}
}

// Rule C3: what was said before stays, with its author and its evidence.
func TestC3AttributionAndIdentificationStay(t *testing.T) {
	s, ids := suit(t, "1", "2")
	change, err := s.Attribute(mara, ids["1"], collection.NewAttribution{Attribution: collection.LaterReplacement, Evidence: " rivets of 1974 "}, noon)
	if err != nil || change.Component.Attribution != collection.LaterReplacement || change.Component.Version != 2 ||
		change.Attribution.Evidence != "rivets of 1974" || change.Attribution.AuthorID != mara.ID {
		t.Fatalf("%+v, %v", change, err)
	}
	if _, err := s.Attribute(mara, ids["1"], collection.NewAttribution{Attribution: collection.Original, Evidence: " "}, noon); pointers(err) != "/evidence required" {
		t.Errorf("without evidence: %v", err)
	}
	old := collection.ComponentMaterial{ID: domain.NewID(), ComponentID: ids["1"], Role: "body"}
	other := collection.ComponentMaterial{ID: domain.NewID(), ComponentID: ids["2"], Role: "body"}
	s.Materials = []collection.ComponentMaterial{old, other}
	good := collection.NewIdentification{MaterialKey: ptr("polychloroprene"), Role: "body", IdentifiedBy: "test", Confidence: "certain", Evidence: "FTIR 2026/3", Supersedes: []domain.ID{old.ID}}
	for name, test := range map[string]struct {
		change func(n *collection.NewIdentification)
		want   string
	}{
		"takes the place of one":    {func(*collection.NewIdentification) {}, ""},
		"unidentified":              {func(n *collection.NewIdentification) { n.MaterialKey, n.Confidence = nil, "possible" }, ""},
		"by sight without evidence": {func(n *collection.NewIdentification) { n.IdentifiedBy, n.Evidence = "sight", "" }, ""},
		"by test without evidence":  {func(n *collection.NewIdentification) { n.Evidence = " " }, "/evidence C3"},
		"of another component":      {func(n *collection.NewIdentification) { n.Supersedes = []domain.ID{old.ID, other.ID} }, "/supersedes/1 C3"},
		"superseded already":        {func(n *collection.NewIdentification) { n.Supersedes = []domain.ID{domain.NewID()} }, "/supersedes/0 C3"},
		"more than the whole":       {func(n *collection.NewIdentification) { n.SharePercent = ptr(mm("100.5")) }, "/share_percent lte"},
		"finer than is kept": {func(n *collection.NewIdentification) {
			n.SharePercent, n.ThicknessMM = ptr(mm("0.123")), ptr(mm("0.00001"))
		}, "/share_percent decimals, /thickness_mm decimals"},
		"nothing": {func(n *collection.NewIdentification) { *n = collection.NewIdentification{IdentifiedBy: "sight"} }, "/confidence required, /role required"},
	} {
		n := good
		test.change(&n)
		change, err := s.Identify(mara, ids["1"], n, noon)
		if got := pointers(err); got != test.want {
			t.Errorf("%s: refused at %q, want %q", name, got, test.want)
		}
		if err == nil && (change.Identification.AuthorID != mara.ID || !slices.Equal(change.Superseded, n.Supersedes)) {
			t.Errorf("%s: %+v", name, change)
		}
	}
	if s.Materials[0].SupersededAt != nil || s.Component(ids["1"]).Attribution != collection.UnknownAttribution {
		t.Error("the sheet that was judged has changed")
	}
}

func TestJoints(t *testing.T) {
	s, ids := suit(t, "1", "2", "3")
	good := collection.NewJoint{AID: ids["1"], BID: ids["2"], JointFacts: collection.JointFacts{Meets: "ring_lock", Contact: "gap", GapMM: ptr(mm("0.5")), GasTight: true, State: "seized"}}
	s.Joints = []collection.Joint{{ID: domain.NewID(), ObjectID: s.Object.ID, AID: ids["2"], BID: ids["3"], Meets: "sewn", Contact: "direct", State: "engaged", Version: 3}}
	for name, test := range map[string]struct {
		change func(n *collection.NewJoint)
		want   string
	}{
		"good":             {func(*collection.NewJoint) {}, ""},
		"gap, how wide?":   {func(n *collection.NewJoint) { n.GapMM = nil }, "/gap_mm required"},
		"width, no gap":    {func(n *collection.NewJoint) { n.Contact = "direct" }, "/gap_mm excluded"},
		"itself":           {func(n *collection.NewJoint) { n.BID = n.AID }, "/b_id distinct"},
		"elsewhere":        {func(n *collection.NewJoint) { n.BID = domain.NewID() }, "/b_id component"},
		"nothing":          {func(n *collection.NewJoint) { *n = collection.NewJoint{} }, "/a_id required, /b_id required, /contact required, /meets required, /state required"},
		"the same, turned": {func(n *collection.NewJoint) { n.AID, n.BID, n.Meets = ids["3"], ids["2"], "sewn" }, "joint_taken"},
		"another way":      {func(n *collection.NewJoint) { n.AID, n.BID, n.Meets = ids["3"], ids["2"], "glued" }, ""},
		"absurd gap":       {func(n *collection.NewJoint) { n.GapMM = ptr(mm("1e40")) }, "/gap_mm lte"},
	} {
		n := good
		test.change(&n)
		if _, err := s.AddJoint(mara, n, noon); pointers(err) != test.want {
			t.Errorf("%s: refused at %q, want %q", name, pointers(err), test.want)
		}
	}
	j := s.Joints[0]
	f := j.Facts()
	f.State = "seized"
	change, err := s.ChangeJoint(mara, j.ID, 3, f, noon)
	if err != nil || change.Joint.State != "seized" || change.Joint.Version != 4 {
		t.Errorf("%+v, %v", change, err)
	}
	if _, err := s.ChangeJoint(mara, j.ID, 2, f, noon); !errors.Is(err, domain.ErrStale) {
		t.Errorf("stale: %v", err)
	}
	if change, err := s.RemoveJoint(mara, j.ID, 3, noon); err != nil || *change.RemovedJoint != j.ID || change.Events[0].Kind != "joint_removed" {
		t.Errorf("%+v, %v", change, err)
	}
}

func cautions(t testing.TB) map[string]material.Caution {
	t.Helper()
	all, err := material.Cautions()
	if err != nil {
		t.Fatal(err)
	}
	known := map[string]material.Caution{}
	for _, c := range all {
		known[c.ID] = c
	}
	return known
}

// source: AIC Conservation Wiki, Collection Hazards (identify, label, record, mitigate); common
// practice: only a named competent person rules a hazard out, and its removal is certified.
func TestHazards(t *testing.T) {
	s, ids := suit(t, "1", "2<1")
	known := cautions(t)
	good := collection.HazardFacts{Kind: "asbestos", Certainty: "possible", KnownBy: "sight", State: "intact"}
	for name, test := range map[string]struct {
		by     domain.Actor
		change func(f *collection.HazardFacts)
		want   string
	}{
		"anybody who works here warns":     {tove, func(*collection.HazardFacts) {}, ""},
		"on a component":                   {mara, func(f *collection.HazardFacts) { f.ComponentID = ptr(ids["1"]) }, ""},
		"elsewhere":                        {mara, func(f *collection.HazardFacts) { f.ComponentID = ptr(domain.NewID()) }, "/component_id component"},
		"unknown kind":                     {mara, func(f *collection.HazardFacts) { f.Kind = "bad luck" }, "/kind oneof"},
		"ruled out by nobody, for nothing": {mara, func(f *collection.HazardFacts) { f.Certainty = "ruled_out" }, "/assessed_by required, /note required"},
		"ruled out": {mara, func(f *collection.HazardFacts) {
			f.Certainty, f.AssessedBy, f.Note = "ruled_out", "A. Berg, surveyor", "PLM of two samples"
		}, ""},
		"ruled out by a technician": {tove, func(f *collection.HazardFacts) {
			f.Certainty, f.AssessedBy, f.Note = "ruled_out", "A. Berg, surveyor", "PLM"
		}, "P2"},
		"removed without certificate":       {mara, func(f *collection.HazardFacts) { f.State = "removed" }, "/document required"},
		"removed with certificate":          {mara, func(f *collection.HazardFacts) { f.State, f.Document = "removed", "certificate 2026/17" }, ""},
		"review on no day":                  {mara, func(f *collection.HazardFacts) { f.ReviewOn = "2026-02-30" }, "/review_on datetime"},
		"nothing":                           {mara, func(f *collection.HazardFacts) { *f = collection.HazardFacts{} }, "/certainty required, /kind required, /known_by required, /state required"},
		"a kind is no thing to inject into": {mara, func(f *collection.HazardFacts) { f.Kind = "lead'; drop table hazard; --" }, "/kind oneof"},
	} {
		f := good
		test.change(&f)
		change, err := s.AddHazard(test.by, collection.NewHazard{HazardFacts: f}, known, noon)
		if got := pointers(err); got != test.want {
			t.Errorf("%s: refused at %q, want %q", name, got, test.want)
		}
		if err == nil && (change.NewHazard.AuthorID != test.by.ID || change.NewHazard.JudgedByID != test.by.ID || !change.NewHazard.JudgedAt.Equal(noon)) {
			t.Errorf("%s: %+v", name, change.NewHazard)
		}
	}
	first, err := s.AddHazard(tove, collection.NewHazard{HazardFacts: good}, known, noon)
	if err != nil {
		t.Fatal(err)
	}
	s.Hazards = []collection.Hazard{*first.NewHazard}
	if !s.Hazards[0].Stands() {
		t.Error("a possible hazard does not stand")
	}
	f := s.Hazards[0].Facts()
	f.Certainty, f.AssessedBy, f.Note, f.KnownBy, f.Document = "ruled_out", "A. Berg, surveyor", "no fibres in two samples", "test", "report 12"
	later := noon.Add(time.Hour)
	change, err := s.ChangeHazard(mara, s.Hazards[0].ID, 1, f, known, later)
	if err != nil {
		t.Fatal(err)
	}
	// The hazard stays: who recorded it first, who ruled it out, when, by which report.
	if h := change.Hazard; h.Stands() || h.AuthorID != tove.ID || h.JudgedByID != mara.ID || !h.JudgedAt.Equal(later) || h.Document != "report 12" || !h.At.Equal(noon) {
		t.Errorf("ruled out as %+v", h)
	}
	f.Kind = "lead"
	if _, err := s.ChangeHazard(mara, s.Hazards[0].ID, 1, f, known, later); pointers(err) != "/kind stays" {
		t.Errorf("the kind changed: %v", err)
	}
}

// source: AIC Conservation Wiki, Collection Hazards; CCI Notes 15/3; common practice. Dates are rough.
func TestHazardsProposed(t *testing.T) {
	made := func(edtf string) func(*collection.Sheet) {
		return func(s *collection.Sheet) {
			d, err := domain.ParseEDTF(edtf)
			if err != nil {
				t.Fatal(err)
			}
			s.Object.DateMade, s.Object.DateEarliest, s.Object.DateLatest = d.Text, d.Earliest, d.Latest
		}
	}
	of := func(key, family string, hazards ...string) func(*collection.Sheet) {
		return func(s *collection.Sheet) {
			s.Materials = append(s.Materials, collection.ComponentMaterial{ComponentID: s.Components[0].ID, MaterialKey: &key, MaterialName: key, Family: family, HazardKinds: hazards})
		}
	}
	kind := func(k string) func(*collection.Sheet) { return func(s *collection.Sheet) { s.Object.Kind = k } }
	marked := func(text string) func(*collection.Sheet) {
		return func(s *collection.Sheet) {
			s.Object.Marks = append(s.Object.Marks, collection.Inscription{Kind: "label", Where: "lid", Transcription: text})
		}
	}
	named := func(n string) func(*collection.Sheet) { return func(s *collection.Sheet) { s.Components[0].Name = n } }
	recorded := func(kind, certainty string, whole bool) func(*collection.Sheet) {
		return func(s *collection.Sheet) {
			h := collection.Hazard{Kind: kind, Certainty: certainty}
			if !whole {
				h.ComponentID = &s.Components[0].ID
			}
			s.Hazards = append(s.Hazards, h)
		}
	}
	for name, test := range map[string]struct {
		of   []func(*collection.Sheet)
		want string
	}{
		"a wool blanket of 1950":        {[]func(*collection.Sheet){made("1950"), kind("bedding › blanket"), of("wool", "protein-fibre", "pesticide")}, "1 pesticide possible"},
		"nylon and stainless of 2005":   {[]func(*collection.Sheet){made("2005"), of("nylon", "polyamide"), of("stainless-steel", "stainless")}, ""},
		"a luminous dial of 1955":       {[]func(*collection.Sheet){made("1955"), named("luminous dial")}, "1 radium probable"},
		"a luminous dial of the 1980s":  {[]func(*collection.Sheet){made("198X"), named("Luminous dial")}, "1 radium possible"},
		"a luminous dial, undated":      {[]func(*collection.Sheet){named("luminous dial")}, "1 radium probable"},
		"a luminous dial of 2010":       {[]func(*collection.Sheet){made("2010"), named("luminous dial")}, ""},
		"a rebreather":                  {[]func(*collection.Sheet){kind("breathing set › oxygen rebreather")}, "whole chemical-oxygen possible, whole compressed-gas possible, whole soda-lime probable"},
		"a respirator of 1985":          {[]func(*collection.Sheet){made("1985"), kind("respirator")}, "whole asbestos possible, whole chromate possible"},
		"a respirator of 1995":          {[]func(*collection.Sheet){made("1995"), kind("respirator")}, ""},
		"made some time 1985 to 1995":   {[]func(*collection.Sheet){made("1985/1995"), kind("respirator")}, "whole asbestos possible, whole chromate possible"},
		"an inflatable vest":            {[]func(*collection.Sheet){kind("life vest › inflatable vest")}, "whole compressed-gas probable, whole energetic possible"},
		"a magnesium casting of 1960":   {[]func(*collection.Sheet){made("1960"), of("magnesium-alloy", "magnesium")}, "1 thorium-uranium possible"},
		"a label of celluloid":          {[]func(*collection.Sheet){marked("GENUINE CELLULOID – KEEP FROM FIRE")}, "whole cellulose-nitrate probable"},
		"a mark of oxygen":              {[]func(*collection.Sheet){marked("use no oil, O2")}, "whole oxygen-fouled possible"},
		"a part of a word is none":      {[]func(*collection.Sheet){marked("RADIUMLESS TRADE Co")}, ""},
		"a mark that is recorded":       {[]func(*collection.Sheet){marked("Radium"), recorded("radium", "ruled_out", true)}, ""},
		"recorded on the component":     {[]func(*collection.Sheet){of("lead", "lead", "lead"), recorded("lead", "certain", false)}, ""},
		"ruled out on the whole":        {[]func(*collection.Sheet){of("lead", "lead", "lead"), recorded("lead", "ruled_out", true)}, ""},
		"the whole, recorded on a part": {[]func(*collection.Sheet){kind("inflatable vest"), recorded("compressed-gas", "probable", false)}, "whole energetic possible"},
		"another one recorded":          {[]func(*collection.Sheet){of("lead", "lead", "lead"), recorded("radium", "certain", true)}, "1 lead possible"},
		"two materials, one hazard":     {[]func(*collection.Sheet){of("lead", "lead", "lead"), of("lead-paint", "oil-paint", "lead")}, "1 lead possible"},
	} {
		s, ids := suit(t, "1", "2")
		for _, do := range test.of {
			do(s)
		}
		var got []string
		for _, p := range s.Proposals() {
			on := "whole"
			for label, id := range ids {
				if p.ComponentID != nil && *p.ComponentID == id {
					on = label
				}
			}
			got = append(got, on+" "+p.Kind+" "+p.Certainty)
			if p.Because == "" || cautions(t)[p.Kind].ID == "" {
				t.Errorf("%s: %+v", name, p)
			}
		}
		slices.Sort(got)
		if strings.Join(got, ", ") != test.want {
			t.Errorf("%s: proposed %v, want %s", name, got, test.want)
		}
	}
}

func TestOrderOfComponents(t *testing.T) {
	s, ids := suit(t, "10", "2", "2b<2", "2a<2", "1", "3<2b")
	labels := func(all []collection.Component) string {
		var l []string
		for _, c := range all {
			l = append(l, c.Label)
		}
		return strings.Join(l, " ")
	}
	if got := labels(collection.Arrange(slices.Clone(s.Components))); got != "1 2 2a 2b 3 10" {
		t.Errorf("arranged as %s", got)
	}
	s.Component(ids["1"]).LayerOrder, s.Component(ids["2"]).LayerOrder, s.Component(ids["10"]).LayerOrder = 2, 1, 0
	if got := labels(collection.FromInside(s.Components)); got != "10 2 2a 2b 3 1" {
		t.Errorf("from the inside: %s", got)
	}
	if got := labels(collection.Arrange([]collection.Component{s.Components[3], s.Components[2]})); got != "2a 2b" {
		t.Errorf("without their parent: %s", got)
	}
	if len(s.Above(ids["3"])) != 2 || len(s.Below(ids["2"])) != 4 || s.Called(ids["2b"]) != "1968.14.2.2b part 2b" {
		t.Errorf("above %v, below %v, called %s", s.Above(ids["3"]), s.Below(ids["2"]), s.Called(ids["2b"]))
	}
}
