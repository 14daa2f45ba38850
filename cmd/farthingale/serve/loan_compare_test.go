package serve_test

import (
	"fmt"
	"reflect"
	"testing"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
	"farthingale/postgres"
)

// TestE2ManyComparedAtOnce: several objects are compared in as many statements as one, each as it is by itself; one
// that was examined once is left out.
func TestE2ManyComparedAtOnce(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	g := h.Ground()
	ines := g.People[domain.Conservator].Actor
	tear := func(severity int) []examination.NewFinding {
		return []examination.NewFinding{{Finding: examination.Finding{Term: "tear", Severity: severity, Activity: examination.Stable, Status: examination.New}}}
	}
	var ids, objects []domain.ID
	for i := range 6 {
		o, err := h.Collection.Create(t.Context(), ines, collection.NewObject{ObjectFacts: collection.ObjectFacts{Number: fmt.Sprintf("1985.1.%d", i+1), Title: "Hood", LegalStatus: "accessioned", Department: servetest.Department}})
		if err != nil {
			t.Fatal(err)
		}
		h.Examine(ines, o.ID, servetest.Look{DaysAgo: 20, Found: tear(2)})
		e := h.Examine(ines, o.ID, servetest.Look{DaysAgo: 2, Answer: func(o examination.Observation) examination.Finding {
			f := o.Finding
			if f.Status = examination.Confirmed; i%2 == 1 {
				f.Status, f.Severity, f.Reason = examination.Changed, 3, "Longer."
			}
			return f
		}})
		ids, objects = append(ids, e.ID), append(objects, o.ID)
	}
	first := h.Examine(ines, g.Object.ID, servetest.Look{Found: tear(1)})
	compared := func(ids ...domain.ID) (map[domain.ID]*examination.Comparison, int64) {
		t.Helper()
		ctx, n := postgres.CountQueries(t.Context())
		all, err := h.Examination.CompareEach(ctx, ines, ids)
		if err != nil {
			t.Fatal(err)
		}
		return all, n.Load()
	}
	_, one := compared(ids[0])
	all, six := compared(append(ids, first.ID)...)
	if len(all) != 6 || one != six || six > 4 {
		t.Errorf("%d compared in %d statements, one in %d", len(all), six, one)
	}
	for i, id := range ids {
		alone, err := h.Examination.Compare(t.Context(), ines, objects[i], &id, nil)
		if err != nil || !reflect.DeepEqual(alone, all[id]) || alone.Alarming() != (i%2 == 1) {
			t.Errorf("object %d: %+v, alone %+v, %v", i, all[id], alone, err)
		}
	}
	none, queries := compared()
	if len(none) != 0 || queries > 4 {
		t.Errorf("nothing compared: %v in %d statements", none, queries)
	}
	if _, err := h.Examination.CompareEach(t.Context(), g.People[domain.Steward].Actor, ids); domain.KindOf(err) != domain.KindForbidden {
		t.Errorf("a steward: %v", err)
	}
}
