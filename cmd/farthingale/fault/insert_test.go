//go:build unix

package fault

import (
	"bytes"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"farthingale/domain"
	"farthingale/domain/treatment"
)

// decision is an act of many rows with a seal of its own.
var decision = kind{"decision", func(w *world, n int) act {
	ctx, by := w.t.Context(), w.who(domain.Conservator).Actor
	t, err := w.house.Treatment.Begin(ctx, by, w.ground.Object.ID, w.house.Proposed(w.ground))
	if err == nil {
		t, err = w.house.Treatment.Submit(ctx, by, t.ID, t.Version)
	}
	if err != nil {
		w.t.Fatal(err)
	}
	return act{path: "/treatments/" + t.ID.String() + "/decisions", token: w.who(domain.Curator).Token, version: t.Version,
		body: w.json(treatment.NewDecision{Version: 1, Outcome: treatment.ApproveWithConditions, Statement: "Go on.",
			Conditions: []treatment.NewCondition{{Binds: treatment.BeforeStart, Text: "test it"}, {Binds: treatment.During, Text: "ventilate"}}}),
		countSQL: `select count(*) from treatment_decision d join seal s on s.subject_id = d.id where d.treatment_id = $1`, args: []any{t.ID}}
}}

// TestEveryRowFails lets the k-th row that an act writes fail, for every k: nothing of the act is left, and
// sent again it is done.
func TestEveryRowFails(t *testing.T) {
	t.Parallel()
	for _, k := range append([]kind{decision}, kinds...) {
		t.Run(k.name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			w.armRows()
			a := k.ready(w, 0)
			before := w.image()
			for row := 1; ; row++ {
				w.failRow(row)
				got := w.do(a)
				w.failRow(0)
				if got.status/100 == 2 {
					if found := w.found(a); found != 1 {
						t.Errorf("acknowledged, and found %d times", found)
					}
					t.Logf("%s: each of %d rows failed once, and nothing was left", k.name, row-1)
					if row < 3 {
						t.Error("no row failed")
					}
					break
				}
				if got.status != http.StatusInternalServerError || !strings.Contains(got.body, `"code":"fault"`) {
					t.Errorf("row %d: answer %+v", row, got)
				}
				if found := w.found(a); found != 0 {
					t.Fatalf("row %d: refused, and found", row)
				}
				now := w.image()
				if names := changed(before, now); len(names) > 0 {
					t.Errorf("row %d: half a record: %v", row, names)
				}
				before = now // nobody writes until the next row
			}
			w.whole()
		})
	}
}

// armRows puts a trigger on every table that fails at a chosen row. A sequence counts, since it does not go
// back with the transaction.
func (w *world) armRows() {
	w.t.Helper()
	ctx, pool := w.t.Context(), w.house.Database.OwnerPool()
	_, err := pool.Exec(ctx, `
		create schema fault;
		create table fault.plan (row bigint not null);
		insert into fault.plan values (0);
		create sequence fault.row;
		create function fault.fail() returns trigger language plpgsql security definer as $$
		begin
			if (select row from fault.plan) = nextval('fault.row') then
				raise exception 'a row of % fails', tg_table_name;
			end if;
			return new;
		end $$`)
	if err != nil {
		w.t.Fatal(err)
	}
	for table := range w.image() {
		if _, err := pool.Exec(ctx, fmt.Sprintf(`create trigger fail_row before insert on %s for each row execute function fault.fail()`, table)); err != nil {
			w.t.Fatal(err)
		}
	}
}

// failRow chooses the row that fails; 0: none.
func (w *world) failRow(row int) {
	w.t.Helper()
	if _, err := w.house.Database.OwnerPool().Exec(w.t.Context(), `select setval('fault.row', 1, false)`); err != nil {
		w.t.Fatal(err)
	}
	if _, err := w.house.Database.OwnerPool().Exec(w.t.Context(), `update fault.plan set row = $1`, row); err != nil {
		w.t.Fatal(err)
	}
}

// do sends an act to the house of the test itself.
func (w *world) do(a act) answer {
	r := httptest.NewRequestWithContext(w.t.Context(), http.MethodPost, "/api/v1"+a.path, bytes.NewReader(a.body))
	a.headers(r)
	got := httptest.NewRecorder()
	w.house.Handler.ServeHTTP(got, r)
	return answer{status: got.Code, replayed: got.Header().Get("Idempotency-Replayed") != "", retryAfter: got.Header().Get("Retry-After"), body: got.Body.String()}
}
