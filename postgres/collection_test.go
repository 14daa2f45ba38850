package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/material"
	"farthingale/domain/record"
	"farthingale/postgres"
	"farthingale/postgres/pgtest"
)

// store is a house with nothing on its shelves yet.
type store struct {
	t         testing.TB
	data      *pgtest.Database
	db        *postgres.DB
	objects   *collection.Service
	materials *material.Service
	mara, vik domain.Actor // conservator, registrar
}

func newStore(t testing.TB) *store {
	t.Helper()
	s := &store{t: t, data: pgtest.New(t)}
	s.db = postgres.NewDB(s.data.Pool)
	clock := func() time.Time { return instant }
	var err error
	if s.objects, err = collection.NewService(postgres.NewCollection(s.db), clock); err != nil {
		t.Fatal(err)
	}
	if s.materials, err = material.NewService(postgres.NewMaterial(s.db), time.UTC, clock); err != nil {
		t.Fatal(err)
	}
	s.mara, s.vik = s.person("Mara Holm", domain.Conservator), s.person("Rune Vik", domain.Registrar)
	return s
}

func (s *store) person(name string, roles ...domain.Role) domain.Actor {
	s.t.Helper()
	a := domain.Actor{ID: domain.NewID(), Name: name, Roles: roles, Scopes: []string{"all"}}
	s.exec(`insert into person (id, name, sign_in_name, roles, created_at) values ($1, $2, $2, $3, now())`, a.ID, name, roles)
	return a
}

func (s *store) exec(sql string, args ...any) {
	s.t.Helper()
	if _, err := s.data.Pool.Exec(s.t.Context(), sql, args...); err != nil {
		s.t.Fatalf("%s: %v", sql, err)
	}
}

func (s *store) count(sql string, args ...any) (n int) {
	s.t.Helper()
	if err := s.data.Pool.QueryRow(s.t.Context(), sql, args...).Scan(&n); err != nil {
		s.t.Fatalf("%s: %v", sql, err)
	}
	return n
}

func (s *store) object(number, title string, change ...func(f *collection.ObjectFacts)) *collection.Object {
	s.t.Helper()
	f := collection.ObjectFacts{Number: number, Title: title, Department: "Diving", LegalStatus: collection.Accessioned}
	for _, c := range change {
		c(&f)
	}
	o, err := s.objects.Create(s.t.Context(), s.vik, collection.NewObject{ObjectFacts: f})
	if err != nil {
		s.t.Fatalf("%s: %v", number, err)
	}
	return o
}

func (s *store) part(object domain.ID, label, name string, change ...func(n *collection.NewComponent)) *collection.Component {
	s.t.Helper()
	n := collection.NewComponent{ComponentFacts: collection.ComponentFacts{Name: name, Side: "none", Function: "other", Count: 1, Removal: collection.Freely},
		Label: label, Attribution: collection.UnknownAttribution}
	for _, c := range change {
		c(&n)
	}
	c, err := s.objects.AddComponent(s.t.Context(), s.mara, object, n)
	if err != nil {
		s.t.Fatalf("%s: %v", label, err)
	}
	return c
}

func (s *store) made(component domain.ID, key string, supersedes ...domain.ID) *collection.ComponentMaterial {
	s.t.Helper()
	n := collection.NewIdentification{Role: "body", IdentifiedBy: "sight", Confidence: "probable", Supersedes: supersedes}
	if key != "" {
		n.MaterialKey = &key
	}
	m, err := s.objects.Identify(s.t.Context(), s.mara, component, n)
	if err != nil {
		s.t.Fatalf("%s: %v", key, err)
	}
	return m
}

func (s *store) numbers(q collection.Query) []string {
	s.t.Helper()
	found, err := s.objects.Search(s.t.Context(), s.mara, q, domain.PageQuery{})
	if err != nil {
		s.t.Fatalf("search %+v: %v", q, err)
	}
	return numbersOf(found)
}

func numbersOf(found collection.Found) []string {
	numbers := []string{}
	for _, o := range found.Items {
		numbers = append(numbers, o.Number)
	}
	return numbers
}

func rule(err error) string {
	var e *domain.Error
	if errors.As(err, &e) {
		return e.Code
	}
	return fmt.Sprint(err)
}

func TestObjectComesBackAsItWasKept(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	mass := decimal.RequireFromString("12.50")
	hostile := "<script>alert(1)</script>'; drop table object; --"
	made := s.object("1968.14.2", hostile, func(f *collection.ObjectFacts) {
		f.FormerNumbers, f.Makers = []string{"E 12/3"}, []string{"Łódź Rubber"}
		f.Dimensions = []collection.Dimension{{What: "height", MM: decimal.RequireFromString("1700.5"), Note: "lying"}}
		f.MassKG, f.DateMade, f.Kind, f.NotKnown = &mass, "196X", "protective dress > diving dress", []string{"maker"}
		f.Marks = []collection.Inscription{{Kind: "stamp", Where: "hem", Transcription: hostile}}
	})
	w, err := s.objects.ShowNumber(t.Context(), s.mara, "1968.14.2")
	if err != nil {
		t.Fatal(err)
	}
	o := w.Object
	if o.Title != hostile || o.Marks[0].Transcription != hostile || o.MassKG.String() != "12.5" && o.MassKG.String() != "12.50" ||
		o.Dimensions[0].MM.String() != "1700.5" || o.DateEarliest.Format(time.DateOnly) != "1960-01-01" || o.ID != made.ID || o.Kind != "protective dress › diving dress" {
		t.Errorf("came back as %+v", o)
	}
	if w.Components == nil || w.Materials == nil || w.Joints == nil || w.Hazards == nil || w.Attributions == nil || w.Superseded == nil {
		t.Error("a list is nil")
	}
	if _, err := s.objects.ShowNumber(t.Context(), s.mara, "1968.14.99"); domain.KindOf(err) != domain.KindNotFound || !strings.Contains(err.Error(), "1968.14.99") {
		t.Errorf("another number: %v", err)
	}
	if _, err := s.objects.Create(t.Context(), s.vik, collection.NewObject{ObjectFacts: func() collection.ObjectFacts { f := o.Facts(); f.Number = "１９６８.14.2"; return f }()}); rule(err) != "number_taken" {
		t.Errorf("the number a second time: %v", err)
	}
}

// Rule C1 in the database itself: label, cycle, depth, and nothing of another object, whatever the
// program does.
func TestC1InTheDatabase(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	o, other := s.object("1", "Suit"), s.object("2", "Helmet")
	ids := []domain.ID{}
	for i := range 8 {
		c := s.part(o.ID, fmt.Sprint(i+1), "part", func(n *collection.NewComponent) {
			if i > 0 {
				n.ParentID = &ids[i-1]
			}
		})
		ids = append(ids, c.ID)
	}
	alien := s.part(other.ID, "1", "part")
	top := s.part(o.ID, "a", "part")
	below := s.part(o.ID, "b", "part", func(n *collection.NewComponent) { n.ParentID = &top.ID })
	refused := func(name, want, sql string, args ...any) {
		t.Helper()
		_, err := s.data.Pool.Exec(t.Context(), sql, args...)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	refused("label", "label never changes", `update component set label = 'x' where id = $1`, ids[0])
	refused("object", "label never changes", `update component set object_id = $2 where id = $1`, alien.ID, o.ID)
	refused("cycle of two", "below itself", `update component set parent_id = $2 where id = $1`, top.ID, below.ID)
	refused("cycle of eight", "below itself", `update component set parent_id = $2 where id = $1`, ids[0], ids[7])
	refused("itself", "itself", `update component set parent_id = id where id = $1`, top.ID)
	refused("ninth level", "too deep", `update component set parent_id = $2 where id = $1`, top.ID, ids[7])
	refused("its part on a ninth level", "too deep", `update component set parent_id = $2 where id = $1`, top.ID, ids[6])
	refused("another object's part", "component_parent_fkey", `update component set parent_id = $2 where id = $1`, top.ID, alien.ID)
	refused("never without reason (C2)", "component_never_has_reason", `update component set removal = 'never' where id = $1`, top.ID)
	refused("attribution (C3)", "permission denied", `update attribution set evidence = 'x'`)
	m := s.made(top.ID, "natural-rubber-latex")
	refused("identification rewritten (C3)", "stays as it was made", `update component_material set material_key = null where id = $1`, m.ID)
	refused("identification deleted (C3)", "never deleted", `delete from component_material where id = $1`, m.ID)
}

// Rule C1: two moves at the same moment cannot make together the cycle that neither makes alone.
func TestC1TwoMovesAtOnce(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	o := s.object("1", "Suit")
	for i := range 10 {
		a, b := s.part(o.ID, fmt.Sprint("a", i), "a"), s.part(o.ID, fmt.Sprint("b", i), "b")
		var both sync.WaitGroup
		errs := make([]error, 2)
		for n, move := range [][2]*collection.Component{{a, b}, {b, a}} {
			both.Go(func() {
				f := move[0].Facts()
				f.ParentID = &move[1].ID
				_, errs[n] = s.objects.ChangeComponent(context.Background(), s.mara, move[0].ID, 1, f)
			})
		}
		both.Wait()
		if (errs[0] == nil) == (errs[1] == nil) {
			t.Fatalf("round %d: %v, %v; exactly one may succeed", i, errs[0], errs[1])
		}
	}
}

func TestTwoEditsAtOnce(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	o := s.object("1", "Suit")
	for round := range 10 {
		errs := make([]error, 4)
		var all sync.WaitGroup
		for n := range errs {
			all.Go(func() {
				f := o.Facts()
				f.Title = fmt.Sprintf("Suit %d %d", round, n)
				_, errs[n] = s.objects.Change(context.Background(), s.vik, o.ID, o.Version, f)
			})
		}
		all.Wait()
		won := 0
		for _, err := range errs {
			switch {
			case err == nil:
				won++
			case !errors.Is(err, domain.ErrStale):
				t.Fatal(err)
			}
		}
		if won != 1 {
			t.Fatalf("%d edits of one version succeeded", won)
		}
		var err error
		if o, err = s.objects.Object(t.Context(), s.vik, o.ID); err != nil {
			t.Fatal(err)
		}
	}
	if o.Version != 11 || s.count(`select count(*) from event where kind = 'changed'`) != 10 {
		t.Errorf("version %d", o.Version)
	}
}

// Rule C3: what was said before stays on the sheet, with its author and evidence.
func TestC3HistoryStays(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	o := s.object("1", "Suit")
	c := s.part(o.ID, "1", "cuff")
	first := s.made(c.ID, "")
	if first.MaterialName != "unidentified" || first.AuthorName != "Mara Holm" {
		t.Errorf("unidentified: %+v", first)
	}
	second := s.made(c.ID, "natural-rubber-latex", first.ID)
	if second.MaterialName == "" || second.Family != "rubber" || !slices.Contains(second.HazardKinds, "latex") {
		t.Errorf("identified: %+v", second)
	}
	if _, err := s.objects.Identify(t.Context(), s.mara, c.ID, collection.NewIdentification{Role: "body", IdentifiedBy: "sight", Confidence: "possible",
		Supersedes: []domain.ID{first.ID}}); domain.KindOf(err) != domain.KindInvalid {
		t.Errorf("superseded a second time: %v", err)
	}
	nothing := "no-such-material"
	if _, err := s.objects.Identify(t.Context(), s.mara, c.ID, collection.NewIdentification{MaterialKey: &nothing, Role: "body", IdentifiedBy: "sight", Confidence: "possible",
		Supersedes: []domain.ID{second.ID}}); domain.KindOf(err) != domain.KindInvalid {
		t.Errorf("a material that is not in the library: %v", err)
	}
	if _, err := s.objects.Attribute(t.Context(), s.mara, c.ID, collection.NewAttribution{Attribution: collection.Reproduction, Evidence: "plastic zip"}); err != nil {
		t.Fatal(err)
	}
	w, err := s.objects.Show(t.Context(), s.mara, o.ID)
	if err != nil {
		t.Fatal(err)
	}
	if len(w.Materials) != 1 || w.Materials[0].ID != second.ID || len(w.Superseded) != 1 || w.Superseded[0].ID != first.ID {
		t.Errorf("materials %+v, superseded %+v", w.Materials, w.Superseded)
	}
	if len(w.Attributions) != 2 || w.Attributions[0].Attribution != collection.Reproduction || w.Attributions[1].Attribution != collection.UnknownAttribution ||
		w.Components[0].Attribution != collection.Reproduction {
		t.Errorf("attributions %+v", w.Attributions)
	}
	history, err := s.objects.Identifications(t.Context(), s.mara, c.ID)
	if err != nil || len(history) != 2 {
		t.Errorf("%d identifications, %v", len(history), err)
	}
	if _, err := s.objects.Attributions(t.Context(), s.mara, domain.NewID()); domain.KindOf(err) != domain.KindNotFound {
		t.Errorf("attributions of nothing: %v", err)
	}
	if _, err := s.objects.Identifications(t.Context(), s.mara, domain.NewID()); domain.KindOf(err) != domain.KindNotFound {
		t.Errorf("identifications of nothing: %v", err)
	}
}

func TestJointsAndHazardsAreKept(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	ctx := t.Context()
	o, other := s.object("1", "Suit"), s.object("2", "Helmet")
	a, b, alien := s.part(o.ID, "1", "ring"), s.part(o.ID, "2", "glove"), s.part(other.ID, "1", "ring")
	gap := decimal.RequireFromString("0.5")
	j, err := s.objects.AddJoint(ctx, s.mara, o.ID, collection.NewJoint{AID: a.ID, BID: b.ID, JointFacts: collection.JointFacts{Meets: "ring_lock", Contact: "gap", GapMM: &gap, State: "seized"}})
	if err != nil || j.GapMM.String() != "0.5" {
		t.Fatalf("%+v, %v", j, err)
	}
	if _, err := s.objects.AddJoint(ctx, s.mara, o.ID, collection.NewJoint{AID: a.ID, BID: alien.ID, JointFacts: j.Facts()}); domain.KindOf(err) != domain.KindInvalid {
		t.Errorf("a joint to another object: %v", err)
	}
	if _, err := s.data.Pool.Exec(ctx, `insert into joint (id, object_id, a_id, b_id, meets, contact, state) values ($1, $2, $3, $4, 'ring_lock', 'direct', 'engaged')`,
		domain.NewID(), o.ID, b.ID, a.ID); err == nil || !strings.Contains(err.Error(), "joint_pair_unique") {
		t.Errorf("the same joint, turned: %v", err)
	}
	h, err := s.objects.AddHazard(ctx, s.mara, o.ID, collection.NewHazard{HazardFacts: collection.HazardFacts{ComponentID: &a.ID, Kind: "cadmium", Certainty: "possible",
		KnownBy: "sight", State: "intact", Where: "plated screws", ReviewOn: "2027-01-31"}})
	if err != nil || h.ReviewOn != "2027-01-31" || h.Where != "plated screws" || h.AuthorName != "Mara Holm" {
		t.Fatalf("%+v, %v", h, err)
	}
	f := h.Facts()
	f.Certainty, f.AssessedBy, f.Note, f.ReviewOn = "ruled_out", "A. Berg, chemist", "XRF: zinc", ""
	if h, err = s.objects.ChangeHazard(ctx, s.mara, h.ID, 1, f); err != nil || h.Stands() || h.Version != 2 || h.ReviewOn != "" {
		t.Fatalf("%+v, %v", h, err)
	}
	if _, err := s.data.Pool.Exec(ctx, `delete from hazard`); err == nil {
		t.Error("a hazard was deleted")
	}
	if _, err := s.objects.ChangeJoint(ctx, s.mara, j.ID, 1, collection.JointFacts{Meets: "ring_lock", Contact: "direct", State: "engaged"}); err != nil {
		t.Fatal(err)
	}
	if err := s.objects.RemoveJoint(ctx, s.mara, j.ID, 1); !errors.Is(err, domain.ErrStale) {
		t.Errorf("stale removal: %v", err)
	}
	if err := s.objects.RemoveJoint(ctx, s.mara, j.ID, 2); err != nil {
		t.Fatal(err)
	}
	if n := s.count(`select count(*) from event where object_id = $1 and kind in ('joint_added', 'joint_changed', 'joint_removed', 'hazard_added', 'hazard_changed')`, o.ID); n != 5 {
		t.Errorf("%d events", n)
	}
}

// Rule C4, in the program and in the database.
func TestC4Delete(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	ctx := t.Context()
	empty, parts, signed, noted := s.object("1", "Slip of the pen"), s.object("2", "Suit"), s.object("3", "Mask"), s.object("4", "Knife")
	s.part(parts.ID, "1", "cuff")
	records := record.NewService(postgres.NewRecord(s.db), func() time.Time { return instant })
	if _, err := records.Seal(ctx, s.mara.ID, "test", signed.ID, &signed.ID, map[string]string{"a": "b"}, instant); err != nil {
		t.Fatal(err)
	}
	if _, err := s.data.OwnerPool().Exec(ctx, `create table note (object_id uuid references object (id))`); err != nil {
		t.Fatal(err)
	}
	if _, err := s.data.OwnerPool().Exec(ctx, `insert into note values ($1)`, noted.ID); err != nil {
		t.Fatal(err)
	}
	if err := s.objects.Delete(ctx, s.mara, empty.ID, 1); domain.KindOf(err) != domain.KindForbidden {
		t.Errorf("by a conservator: %v", err)
	}
	for _, o := range []*collection.Object{parts, signed, noted} {
		if err := s.objects.Delete(ctx, s.vik, o.ID, 1); rule(err) != "C4" {
			t.Errorf("%s: %v", o.Title, err)
		}
	}
	if err := s.objects.Delete(ctx, s.vik, empty.ID, 2); !errors.Is(err, domain.ErrStale) {
		t.Errorf("stale: %v", err)
	}
	if err := s.objects.Delete(ctx, s.vik, empty.ID, 1); err != nil {
		t.Fatal(err)
	}
	if s.count(`select count(*) from object`) != 3 || s.count(`select count(*) from event where kind = 'deleted' and object_id = $1`, empty.ID) != 1 {
		t.Error("the record is not gone, or its going is not on record")
	}
	if _, err := s.data.Pool.Exec(ctx, `delete from object where id = $1`, signed.ID); err == nil || !strings.Contains(err.Error(), "signed") {
		t.Errorf("past the program: %v", err)
	}
}

func TestSearch(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	dress := s.object("1968.14.2", "Standard diving dress", func(f *collection.ObjectFacts) {
		f.Kind, f.Makers, f.PlaceMade, f.FormerNumbers = "protective dress › diving dress", []string{"Fjord & Sons"}, "Łódź", []string{"E 12/3"}
		f.Marks = []collection.Inscription{{Kind: "stencil", Where: "chest", Transcription: "SALVAGE 7 Ελλάδα"}}
	})
	corselet := s.part(dress.ID, "3b", "corselet")
	s.made(corselet.ID, "copper")
	s.object("1968.14.20", "Boots of a diver", func(f *collection.ObjectFacts) { f.Kind = "protective dress › boots" })
	s.object("1968.2.14", "Immersion suit", func(f *collection.ObjectFacts) { f.Department, f.Kind = "Rescue", "survival dress" })
	depth := s.object("E2561", "Depth gauge", func(f *collection.ObjectFacts) { f.LegalStatus = collection.Study })
	if _, err := s.objects.AddHazard(t.Context(), s.mara, depth.ID, collection.NewHazard{HazardFacts: collection.HazardFacts{Kind: "radium", Certainty: "possible", KnownBy: "sight", State: "intact"}}); err != nil {
		t.Fatal(err)
	}
	for name, test := range map[string]struct {
		q    collection.Query
		want []string
	}{
		"everything, in natural order":    {collection.Query{}, []string{"1968.2.14", "1968.14.2", "1968.14.20", "E2561"}},
		"the newest first":                {collection.Query{Sort: "newest"}, []string{"E2561", "1968.2.14", "1968.14.20", "1968.14.2"}},
		"the number, then what begins so": {collection.Query{Words: "1968.14.2"}, []string{"1968.14.2", "1968.14.20"}},
		"with dashes":                     {collection.Query{Words: "1968-14-2"}, []string{"1968.14.2", "1968.14.20"}},
		"with spaces":                     {collection.Query{Words: " 1968 14 2 "}, []string{"1968.14.2", "1968.14.20"}},
		"wide digits":                     {collection.Query{Words: "１９６８．１４．２"}, []string{"1968.14.2", "1968.14.20"}},
		"with zeros":                      {collection.Query{Words: "1968.014.002"}, []string{"1968.14.2", "1968.14.20"}},
		"a former number":                 {collection.Query{Words: "E 12/3"}, []string{"1968.14.2"}},
		"a component's number":            {collection.Query{Words: "1968.14.2.3b"}, []string{"1968.14.2"}},
		"the year":                        {collection.Query{Words: "1968"}, []string{"1968.2.14", "1968.14.2", "1968.14.20"}},
		"a letter small":                  {collection.Query{Words: "e 2561"}, []string{"E2561"}},
		"exactly this number":             {collection.Query{Number: "1968-14-2"}, []string{"1968.14.2"}},
		"exactly no number":               {collection.Query{Number: "1968.14"}, []string{}},
		"words":                           {collection.Query{Words: "diving dress"}, []string{"1968.14.2"}},
		"words in any order and case":     {collection.Query{Words: "DRESS Diving"}, []string{"1968.14.2"}},
		"the beginning of a word":         {collection.Query{Words: "div"}, []string{"1968.14.2", "1968.14.20"}},
		"maker":                           {collection.Query{Words: "fjord"}, []string{"1968.14.2"}},
		"place with its letter":           {collection.Query{Words: "Łódź"}, []string{"1968.14.2"}},
		"place without":                   {collection.Query{Words: "lodz"}, []string{"1968.14.2"}},
		"mark":                            {collection.Query{Words: "salvage 7"}, []string{"1968.14.2"}},
		"mark in Greek capitals":          {collection.Query{Words: "ΕΛΛΆΔΑ"}, []string{"1968.14.2"}},
		"material":                        {collection.Query{Words: "copper"}, []string{"1968.14.2"}},
		"component":                       {collection.Query{Words: "corselet"}, []string{"1968.14.2"}},
		"number and word":                 {collection.Query{Words: "1968 boots"}, []string{"1968.14.20"}},
		"misspelt":                        {collection.Query{Words: "divng dres"}, []string{"1968.14.2"}},
		"misspelt in one word":            {collection.Query{Words: "imersion suit"}, []string{"1968.2.14"}},
		"nothing like it":                 {collection.Query{Words: "xylophone"}, []string{}},
		"known words, not together":       {collection.Query{Words: "boots gauge"}, []string{}},
		"no words":                        {collection.Query{Words: " ?! "}, []string{}},
		"SQL":                             {collection.Query{Words: `'; drop table object; -- \ ' & | ! :*`}, []string{}},
		"department":                      {collection.Query{Department: "Rescue"}, []string{"1968.2.14"}},
		"kind, general":                   {collection.Query{Kind: "protective dress"}, []string{"1968.14.2", "1968.14.20"}},
		"kind, particular":                {collection.Query{Kind: "protective dress › boots"}, []string{"1968.14.20"}},
		"legal status":                    {collection.Query{LegalStatus: collection.Study}, []string{"E2561"}},
		"of a material":                   {collection.Query{Material: "copper"}, []string{"1968.14.2"}},
		"with a hazard":                   {collection.Query{Hazard: "radium"}, []string{"E2561"}},
		"with any hazard":                 {collection.Query{Hazard: "any"}, []string{"E2561"}},
		"words within a filter":           {collection.Query{Words: "1968", Department: "Rescue"}, []string{"1968.2.14"}},
	} {
		if got := s.numbers(test.q); !slices.Equal(got, test.want) {
			t.Errorf("%s: found %v, want %v", name, got, test.want)
		}
	}
	for words, want := range map[string]string{"1968-14-3": "1968-14-3", "1968.14": "1968.14", "1968.14.2": "", "e 2561": "", "dress": "", "E 12/3": ""} {
		found, err := s.objects.Search(t.Context(), s.mara, collection.Query{Words: words}, domain.PageQuery{})
		if err != nil || found.NoSuchNumber != want {
			t.Errorf("%s: says that there is no number %q, %v", words, found.NoSuchNumber, err)
		}
	}
	found, err := s.objects.Search(t.Context(), s.mara, collection.Query{Words: "divng dres"}, domain.PageQuery{})
	if err != nil || len(found.Instead) != 1 || found.Instead[0] != (collection.Replaced{Typed: "divng", Taken: "diving"}) {
		t.Errorf("taken instead: %+v, %v", found.Instead, err)
	}
	if found, err := s.objects.Search(t.Context(), s.mara, collection.Query{Hazard: "any"}, domain.PageQuery{}); err != nil || len(found.Items[0].Hazards) != 1 || found.Items[0].Hazards[0].Certainty != "possible" {
		t.Errorf("hazards of a line: %+v, %v", found.Items, err)
	}
	filters, err := s.objects.Filters(t.Context(), s.mara)
	if err != nil || !slices.Equal(filters.Departments, []string{"Diving", "Rescue"}) || !slices.Equal(filters.Hazards, []string{"radium"}) ||
		!slices.Equal(filters.Kinds, []string{"protective dress", "protective dress › boots", "protective dress › diving dress", "survival dress"}) {
		t.Errorf("filters %+v, %v", filters, err)
	}
	// The words follow every change.
	f := dress.Facts()
	f.Title, f.Kind, f.FormerNumbers = "Hard-hat outfit", "", nil
	if _, err := s.objects.Change(t.Context(), s.vik, dress.ID, dress.Version, f); err != nil {
		t.Fatal(err)
	}
	s.made(corselet.ID, "lead", s.latest(corselet.ID))
	for words, want := range map[string][]string{"dress diving": {}, "outfit": {"1968.14.2"}, "copper": {}, "lead": {"1968.14.2"}, "E 12/3": {}} {
		if got := s.numbers(collection.Query{Words: words}); !slices.Equal(got, want) {
			t.Errorf("after the change %s finds %v", words, got)
		}
	}
}

func (s *store) latest(component domain.ID) domain.ID {
	s.t.Helper()
	all, err := s.objects.Identifications(s.t.Context(), s.mara, component)
	if err != nil {
		s.t.Fatal(err)
	}
	return all[0].ID
}

// TestSearchPages walks whole results page by page: nothing twice, nothing left out, in every tier and
// order.
func TestSearchPages(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	s.object("7", "Number seven")
	s.object("7-A", "Seven, but otherwise", func(f *collection.ObjectFacts) { f.FormerNumbers = []string{"7"} })
	for i := range 12 {
		s.object(fmt.Sprintf("7.%d", i), "begins so")
		s.object(fmt.Sprintf("2000.%d", i), "Stamped 7", func(f *collection.ObjectFacts) { f.Marks = []collection.Inscription{{Kind: "stamp", Where: "7"}} })
	}
	for _, q := range []collection.Query{{}, {Sort: "newest"}, {Words: "seven"}, {Words: "begins so"}, {Words: "begns so"}, {Words: "7"}, {Words: "7", Sort: "newest"}, {Words: "stamped", Department: "Diving"}} {
		whole := s.numbers(q)
		var walked []string
		page := domain.PageQuery{Limit: 5}
		for {
			found, err := s.objects.Search(t.Context(), s.mara, q, page)
			if err != nil {
				t.Fatal(err)
			}
			walked = append(walked, numbersOf(found)...)
			if page.Cursor = found.Next; found.Next == "" || len(walked) > 100 {
				break
			}
		}
		if !slices.Equal(walked, whole) || len(whole) == 0 {
			t.Errorf("%+v: walked %v, want %v", q, walked, whole)
		}
	}
	found, err := s.objects.Search(t.Context(), s.mara, collection.Query{Words: "begins"}, domain.PageQuery{Limit: 5})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.objects.Search(t.Context(), s.mara, collection.Query{Words: "stamped"}, domain.PageQuery{Limit: 5, Cursor: found.Next}); domain.KindOf(err) != domain.KindUnparseable {
		t.Errorf("the mark of another list: %v", err)
	}
}

// TestQueriesDoNotGrow: the number of queries of a sheet, a list and a search is the same for one row
// and for many.
func TestQueriesDoNotGrow(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	small, large := s.object("1", "Small suit"), s.object("2", "Large suit")
	s.part(small.ID, "1", "cuff")
	for i := range 30 {
		c := s.part(large.ID, fmt.Sprint(i), "cuff")
		s.made(c.ID, "copper")
		s.object(fmt.Sprint("9.", i), "Further suit")
	}
	queries := func(read func(ctx context.Context) error) int64 {
		t.Helper()
		ctx, n := postgres.CountQueries(t.Context())
		if err := read(ctx); err != nil {
			t.Fatal(err)
		}
		return n.Load()
	}
	whole := func(id domain.ID) func(ctx context.Context) error {
		return func(ctx context.Context) error { _, err := s.objects.Show(ctx, s.mara, id); return err }
	}
	find := func(words string, limit int) func(ctx context.Context) error {
		return func(ctx context.Context) error {
			_, err := s.objects.Search(ctx, s.mara, collection.Query{Words: words}, domain.PageQuery{Limit: limit})
			return err
		}
	}
	for name, test := range map[string]struct {
		want int64
		read func(ctx context.Context) error
	}{
		"whole, small":     {7, whole(small.ID)},
		"whole, large":     {7, whole(large.ID)},
		"sheet":            {5, func(ctx context.Context) error { _, err := s.objects.Sheet(ctx, large.ID); return err }},
		"list of one":      {1, find("", 1)},
		"list of many":     {1, find("", 200)},
		"search":           {2, find("further", 200)},
		"search, misspelt": {2, find("furthr", 200)},
		"filters":          {1, func(ctx context.Context) error { _, err := s.objects.Filters(ctx, s.mara); return err }},
		"materials": {1, func(ctx context.Context) error {
			_, err := s.materials.List(ctx, s.mara, material.Filter{}, domain.PageQuery{Limit: 200})
			return err
		}},
		"uses": {2, func(ctx context.Context) error {
			_, err := s.materials.Uses(ctx, s.mara, "copper", domain.PageQuery{})
			return err
		}},
	} {
		if got := queries(test.read); got != test.want {
			t.Errorf("%s: %d queries, want %d", name, got, test.want)
		}
	}
}

func TestLibrary(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	library, err := material.Library()
	if err != nil {
		t.Fatal(err)
	}
	if n := s.count(`select count(*) from material`); n != len(library) {
		t.Errorf("%d materials, the library has %d", n, len(library))
	}
	ctx := t.Context()
	latex, err := s.materials.One(ctx, s.mara, "natural-rubber-latex")
	if err != nil || latex.Site || latex.Source == "" || !slices.Contains(latex.HazardIDs, "latex") || latex.Objects != 0 {
		t.Fatalf("%+v, %v", latex, err)
	}
	own, err := s.materials.Add(ctx, s.mara, material.NewMaterial{Name: "Żagiel proofing wax", Family: "Wax", Category: material.Coating, Source: "maker's sheet of 1961", HazardIDs: []string{"acid-vapour"}})
	if err != nil || own.Key != "own-zagiel-proofing-wax" || own.Family != "wax" || !own.Site {
		t.Fatalf("%+v, %v", own, err)
	}
	if _, err := s.materials.Add(ctx, s.mara, material.NewMaterial{Name: "zagiel proofing wax", Family: "wax", Category: material.Coating, Source: "x"}); rule(err) != "material_taken" {
		t.Errorf("a second time: %v", err)
	}
	if _, err := s.materials.Add(ctx, s.vik, material.NewMaterial{}); domain.KindOf(err) != domain.KindForbidden {
		t.Errorf("by a registrar: %v", err)
	}
	_, err = s.materials.Add(ctx, s.mara, material.NewMaterial{Name: "???", Family: " ", Category: "soup", Source: " ", HazardIDs: []string{"x"}})
	var e *domain.Error
	if !errors.As(err, &e) || len(e.Fields) != 5 {
		t.Errorf("faults %v", err)
	}
	// Loading again changes nothing, and leaves the museum's own.
	s.exec(`update material set name = 'worn away', source = 'nobody' where key = 'natural-rubber-latex'`)
	o := s.object("1", "Gloves")
	s.made(s.part(o.ID, "1", "glove").ID, "natural-rubber-latex")
	for range 2 {
		if err := postgres.LoadLibrary(ctx, s.data.OwnerURL); err != nil {
			t.Fatal(err)
		}
	}
	latex, err = s.materials.One(ctx, s.mara, "natural-rubber-latex")
	if err != nil || latex.Name == "worn away" || latex.Objects != 1 || s.count(`select count(*) from material where site`) != 1 {
		t.Errorf("%+v, %v", latex, err)
	}
	if got := s.numbers(collection.Query{Words: "dipped"}); len(got) != 1 { // "natural rubber latex, dipped (gloves, cuffs, seals)"
		t.Errorf("the words do not follow the library: %v", got)
	}
	uses, err := s.materials.Uses(ctx, s.mara, "natural-rubber-latex", domain.PageQuery{})
	if err != nil || len(uses.Items) != 1 || uses.Items[0].Number != "1" || uses.Items[0].Label != "1" {
		t.Errorf("%+v, %v", uses, err)
	}
	for words, want := range map[string]bool{"LATEX": true, "zagiel": true, "rubber latex": true, "nonsense": false, "%": true} {
		found, err := s.materials.List(ctx, s.mara, material.Filter{Words: words}, domain.PageQuery{})
		if err != nil || (len(found.Items) > 0) != want {
			t.Errorf("%s: %d materials, %v", words, len(found.Items), err)
		}
	}
	if own, err := s.materials.List(ctx, s.mara, material.Filter{Site: true}, domain.PageQuery{}); err != nil || len(own.Items) != 1 {
		t.Errorf("%+v, %v", own, err)
	}
	seen := 0
	for page := (domain.PageQuery{Limit: 50}); ; {
		found, err := s.materials.List(ctx, s.mara, material.Filter{}, page)
		if err != nil {
			t.Fatal(err)
		}
		seen += len(found.Items)
		if page.Cursor = found.Next; found.Next == "" {
			break
		}
	}
	if seen != len(library)+1 {
		t.Errorf("walked %d materials", seen)
	}
}

// P3: whose an object is, only some may see.
func TestP3Owner(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	o := s.object("1", "Suit", func(f *collection.ObjectFacts) { f.LegalStatus, f.Owner = collection.LoanToUs, "A lender" })
	for name, test := range map[string]struct {
		by   domain.Actor
		want string
	}{
		"conservator":          {s.mara, ""},
		"registrar":            {s.vik, "A lender"},
		"curator":              {domain.Actor{ID: domain.NewID(), Roles: []domain.Role{domain.Curator}, Departments: []string{"Diving"}}, "A lender"},
		"curator of another":   {domain.Actor{ID: domain.NewID(), Roles: []domain.Role{domain.Curator}, Departments: []string{"Rescue"}}, ""},
		"granted by a steward": {domain.Actor{ID: domain.NewID(), Roles: []domain.Role{domain.Reader}, SeesValues: true}, "A lender"},
	} {
		w, err := s.objects.Show(t.Context(), test.by, o.ID)
		if err != nil || w.Object.Owner != test.want {
			t.Errorf("%s sees %q, %v", name, w.Object.Owner, err)
		}
	}
	if s.count(`select count(*) from event where kind <> 'owner_changed' and change::text like '%A lender%'`) != 0 {
		t.Error("another event than owner_changed tells the owner")
	}
}

// TestCommonWords: what thousands of objects hold is found by walking them in their order, and a walk that
// finds too little is given up for the index of words; both give what there is, in order.
func TestCommonWords(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	ctx, owner := t.Context(), s.data.OwnerPool()
	if _, err := owner.Exec(ctx, `
		insert into object (id, number, number_key, loose_key, sort_key, title, legal_status, department, created_at, created_by, words)
		select gen_random_uuid(), 'W.' || n, 'w.' || n, 'w.' || n, 'w.' || lpad(n::text, 6, '0'), 'Gauntlet', 'accessioned', 'Diving', now(), $1, array_to_tsvector(array['gauntlet'])
		from generate_series(1, 9000) n`, s.mara.ID); err != nil {
		t.Fatal(err)
	}
	if _, err := owner.Exec(ctx, `insert into word (word) values ('gauntlet') on conflict do nothing`); err != nil {
		t.Fatal(err)
	}
	if _, err := owner.Exec(ctx, `analyze object`); err != nil {
		t.Fatal(err)
	}
	search := func(words string, cursor string) (numbers []string, next string) {
		t.Helper()
		found, err := s.objects.Search(ctx, s.mara, collection.Query{Words: words}, domain.PageQuery{Limit: 3, Cursor: cursor})
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range found.Items {
			numbers = append(numbers, o.Number)
		}
		return numbers, found.Next
	}
	first, next := search("gauntlet", "")
	second, _ := search("gauntlet", next)
	if got := fmt.Sprint(first, second); got != "[W.1 W.2 W.3] [W.4 W.5 W.6]" {
		t.Errorf("walked: %s", got)
	}
	if near, _ := search("gaunlet", ""); fmt.Sprint(near) != "[W.1 W.2 W.3]" {
		t.Errorf("walked for a misspelt word: %v", near)
	}
	// The statistics still say that all of them hold it.
	if _, err := owner.Exec(ctx, `update object set words = '' where number not in ('W.8000', 'W.7')`); err != nil {
		t.Fatal(err)
	}
	if rest, next := search("gauntlet", ""); fmt.Sprint(rest) != "[W.7 W.8000]" || next != "" {
		t.Errorf("given up: %v %q", rest, next)
	}
}

// TestWordsThatGoOn: a typed word finds what it begins, be it one word, more than are asked for one by one,
// a word with digits in it, or one that begins with a digit.
func TestWordsThatGoOn(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	for i := range 60 {
		s.object(fmt.Sprintf("N.%d", i+1), fmt.Sprintf("Strap strapping%c%c", 'a'+i/26, 'a'+i%26), func(*collection.ObjectFacts) {})
	}
	s.object("M.1", "Helmet", func(f *collection.ObjectFacts) {
		f.Description = "Marked HMKIV7b, 30litre, and of " + strings.Repeat("k", 55)
	})
	for words, want := range map[string]int{
		"strap": 60, "strapp": 60, "strappingb": 26, "strappingba": 1, "strap strappingba": 1, // 60 words begin so: too many to name
		"hmk": 1, "hmkiv": 1, "hmkiv7b": 1, "30lit": 1, "30litre": 1, "kkkkk": 1, "hm": 0, "hmkiv8": 0, "helmet hmk": 1, "strap hmk": 0,
	} {
		seen, cursor := 0, ""
		for {
			found, err := s.objects.Search(t.Context(), s.mara, collection.Query{Words: words}, domain.PageQuery{Limit: 25, Cursor: cursor})
			if err != nil {
				t.Fatal(err)
			}
			seen += len(found.Items)
			if cursor = found.Next; cursor == "" {
				break
			}
		}
		if seen != want {
			t.Errorf("%s: %d objects, want %d", words, seen, want)
		}
	}
}

// TestMaterialAndHazard: what a search narrows by gives the same whether it is taken to be common or rare.
func TestMaterialAndHazard(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	for number, has := range map[string][2]bool{"1": {true, true}, "2": {true, false}, "3": {false, true}, "4": {false, false}, "5": {true, true}} {
		o := s.object(number, "Gauge")
		c := s.part(o.ID, "1", "dial")
		if has[0] {
			s.made(c.ID, "copper")
		}
		if has[1] {
			if _, err := s.objects.AddHazard(t.Context(), s.mara, o.ID, collection.NewHazard{HazardFacts: collection.HazardFacts{Kind: "radium", Certainty: "possible", KnownBy: "sight", State: "intact"}}); err != nil {
				t.Fatal(err)
			}
		}
	}
	store := postgres.NewCollection(postgres.NewDB(s.data.Pool))
	for _, test := range []struct {
		material, hazard string
		want             []string
	}{{"copper", "", []string{"1", "2", "5"}}, {"", "radium", []string{"1", "3", "5"}}, {"copper", "any", []string{"1", "5"}}, {"copper", "asbestos", nil}} {
		for _, common := range [][2]bool{{false, false}, {true, false}, {false, true}, {true, true}} {
			q := collection.Query{Material: test.material, Hazard: test.hazard}
			if test.material == "" && common[0] || test.hazard == "" && common[1] {
				continue
			}
			if got, err := store.FoundBy(t.Context(), q, common[0], common[1]); err != nil || !slices.Equal(got, test.want) {
				t.Errorf("%+v, common %v: found %v, want %v, %v", q, common, got, test.want, err)
			}
		}
	}
}

// list is a CSV of so many objects.
func list(n int, number string) []byte {
	var b strings.Builder
	b.WriteString("number,title,legal_status,department,makers,owner\n")
	for i := range n {
		fmt.Fprintf(&b, number+",Hood %d,on_loan_to_us,Diving,Harbour Works;Żagiel,Harbour Trust\n", i+1, i+1)
	}
	return []byte(b.String())
}

// TestImport: a list becomes the objects that Create makes, with the same events and words, or nothing.
func TestImport(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	ctx := t.Context()
	one := s.object("1.0", "Hood", func(f *collection.ObjectFacts) {
		f.LegalStatus, f.Owner, f.Makers = collection.LoanToUs, "Harbour Trust", []string{"Harbour Works", "Żagiel"}
	})
	rows := func() int { return s.count(`select count(*) from object`) }
	if done, err := s.objects.Import(ctx, s.vik, collection.CSV, list(1200, "2.%d"), true); err != nil || done.Rows != 1200 || done.Made != 0 || rows() != 1 {
		t.Fatalf("a dry run: %+v %v, %d objects", done, err, rows())
	}
	done, err := s.objects.Import(ctx, s.vik, collection.CSV, list(1200, "2.%d"), false)
	if err != nil || done.Made != 1200 || done.First != "2.1" || done.Last != "2.1200" || rows() != 1201 {
		t.Fatalf("%+v %v, %d objects", done, err, rows())
	}
	for what, sql := range map[string]string{
		"events": `select count(*) from event e join object o on o.id = e.subject_id where o.number like '2.%' and e.kind in ('added', 'owner_changed')`,
		"event alike": `select 1200 + count(*) from event e join object o on o.id = e.subject_id, event m where m.subject_id = '` + one.ID.String() + `' and m.kind = e.kind and e.kind = 'added'
			and o.number = '2.1' and e.change - 'number' - 'title' = m.change - 'number' - 'title' and e.actor_id = m.actor_id and e.object_id = o.id and e.at = m.at`,
		"words":     `select count(*) from object o, object m where m.id = '` + one.ID.String() + `' and o.number like '2.%' and o.words @@ 'harbour & hood'::tsquery and m.words @@ 'harbour & hood'::tsquery`,
		"sort keys": `select count(*) from object where number like '2.%' and sort_key <> '' and loose_key <> ''`,
	} {
		want := map[string]int{"events": 2400, "event alike": 1201}[what]
		if want == 0 {
			want = 1200
		}
		if got := s.count(sql); got != want {
			t.Errorf("%s: %d, want %d", what, got, want)
		}
	}
	again := append(list(3, "3.%d"), []byte("2.7,Taken,study,Diving,,\n")...)
	for _, dry := range []bool{true, false} {
		_, err := s.objects.Import(ctx, s.vik, collection.CSV, again, dry)
		f := collection.ListRefused(err)
		if f == nil || len(f.Faults) != 1 || f.Faults[0].Row != 5 || f.Faults[0].Number != "2.7" || f.Faults[0].Rule != "number_taken" || rows() != 1201 {
			t.Errorf("a taken number: %v, %d objects", err, rows())
		}
	}
}

// TestImportsRace: two people bring in the same list at once. One makes all, the other none.
func TestImportsRace(t *testing.T) {
	t.Parallel()
	s := newStore(t)
	var group sync.WaitGroup
	errs := make([]error, 3)
	for i := range errs {
		group.Go(func() {
			_, errs[i] = s.objects.Import(t.Context(), s.mara, collection.CSV, list(300, "2.%d"), false)
		})
	}
	group.Wait()
	won := 0
	for _, err := range errs {
		switch kind := domain.KindOf(err); {
		case err == nil:
			won++
		case kind != domain.KindConflict && kind != domain.KindInvalid || kind == domain.KindConflict && !strings.HasPrefix(err.Error(), "2."):
			t.Error(err)
		}
	}
	if n := s.count(`select count(*) from object`); won != 1 || n != 300 || s.count(`select count(*) from event where kind = 'added'`) != 300 {
		t.Errorf("%d won, %d objects", won, n)
	}
}
