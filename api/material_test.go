package api_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/material"
)

// Rule M4 by the API: a mount material without a test is missing one; with a test of its batch it may be
// planned; an old, failed or other batch's test says so; bad input changes nothing.
func TestM4MaterialTests(t *testing.T) {
	t.Parallel()
	s := newShelf(t)
	hugo, reader := s.API(s.Person("Hugo Beck", domain.MountMaker)), s.API(s.Person("Lars Wray", domain.Reader))
	const at = "/materials/plywood"
	suits := func(query string) material.Suitability {
		t.Helper()
		return servetest.JSON[material.Suitability](reader.Get(at + "/suitability?" + query).Must(http.StatusOK))
	}
	if before := suits("use=closed_case"); before.MayBe || len(before.Missing) == 0 {
		t.Errorf("%+v", before)
	}
	day := func(days int) string { return time.Now().AddDate(0, 0, days).UTC().Format(time.DateOnly) }
	whole := func(change body) body {
		b := body{"kind": "accelerated_corrosion", "product": "Ply 9", "batch": "B7", "tested_on": day(-30), "tested_by": "Hugo Beck", "method": "28 days, 60 °C", "silver": "permanent", "copper": "permanent", "lead": "temporary"}
		for k, v := range change {
			b[k] = v
		}
		return b
	}
	rows := s.Rows("material_test", "event")
	reader.Post(at+"/tests", whole(nil)).Refused(http.StatusForbidden, "P2")
	hugo.Post("/materials/moon-cheese/tests", whole(nil)).Refused(http.StatusNotFound, "not_found")
	for name, change := range map[string]body{"no coupon": {"lead": ""}, "no class": {"lead": "fine"}, "to come": {"tested_on": day(3)}, "too long": {"valid_until": day(900)}, "before": {"valid_until": day(-40)},
		"no batch": {"batch": " "}, "a pH beside": {"ph": "7"}, "no kind": {"kind": "taste"}, "no day": {"tested_on": "Tuesday"}, "more": {"colour": "blue"}, "a strip": {"kind": "indicator_strip", "strip_level": "2.5"}} {
		if a := hugo.Post(at+"/tests", whole(change)).Must(http.StatusUnprocessableEntity); len(a.Body) == 0 {
			t.Errorf("%s: nothing is said", name)
		}
	}
	reader.Get(at + "/suitability").Must(http.StatusUnprocessableEntity)
	reader.Get(at + "/suitability?use=soup").Must(http.StatusUnprocessableEntity)
	if after := s.Rows("material_test", "event"); !equal(rows, after) {
		t.Errorf("refusals changed something: %v, then %v", rows, after)
	}
	made := servetest.JSON[material.Test](hugo.Post(at+"/tests", whole(nil)).Must(http.StatusCreated))
	if made.Result != material.Temporary || !made.Valid || made.RecordedBy != "Hugo Beck" {
		t.Errorf("%+v", made)
	}
	if closed := suits("use=closed_case&product=Ply+9&batch=b7"); !closed.MayBe || closed.AtMost != material.TemporaryMonths || len(closed.Cautions) == 0 {
		t.Errorf("%+v", closed)
	}
	if other := suits("use=closed_case&product=Ply+9&batch=B8"); other.MayBe || !strings.Contains(other.Missing[0], "batch B8") {
		t.Errorf("%+v", other)
	}
	if touching := suits("use=contact"); touching.MayBe || !strings.Contains(strings.Join(touching.Missing, " "), "pH") {
		t.Errorf("%+v", touching)
	}
	hugo.Post(at+"/tests", body{"kind": "ph", "product": "Ply 9", "batch": "B7", "tested_on": day(-29), "tested_by": "Hugo Beck", "ph": "7.40"}).Must(http.StatusCreated)
	if touching := suits("use=contact"); !touching.MayBe {
		t.Errorf("%+v", touching)
	}
	hugo.Post(at+"/tests", body{"kind": "indicator_strip", "product": "Ply 9", "batch": "B7", "tested_on": day(-28), "tested_by": "Hugo Beck", "strip_level": "1.5"}).Must(http.StatusCreated)
	if closed := suits("use=closed_case"); closed.MayBe {
		t.Errorf("%+v", closed)
	}
	all := servetest.JSON[struct{ Items []material.Test }](reader.Get(at + "/tests").Must(http.StatusOK))
	if len(all.Items) != 3 || !all.Items[1].PH.Equal(decimal.RequireFromString("7.4")) || all.Items[2].Result != material.Unsuitable {
		t.Errorf("%+v", all)
	}
	hugo.Post(at+"/tests", whole(body{"batch": "C1", "valid_until": day(5)})).Must(http.StatusCreated)
	s.Wait(10 * 24 * time.Hour)
	if old := suits("use=closed_case&batch=C1"); old.MayBe || !strings.Contains(strings.Join(old.Missing, " "), "newer") {
		t.Errorf("ten days later: %+v", old)
	}
	// The database keeps what was recorded.
	for _, sql := range []string{`delete from material_test`, `update material_test set batch = 'B9'`} {
		if _, err := s.Database.Pool.Exec(t.Context(), sql); err == nil {
			t.Errorf("%s: done", sql)
		}
	}
}
