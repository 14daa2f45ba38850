package postgres

import (
	"context"
	"slices"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/material"
)

var materialTestWords = map[string]*domain.Error{
	"material_test_pkey":             refusedByDatabase("This test exists already."),
	"material_test_material_fkey":    {Kind: domain.KindNotFound, Code: "not_found", Message: "There is no such material."},
	"material_test_recorded_by_fkey": refusedByDatabase("There is no such person."),
	"material_test_filled":           {Kind: domain.KindInvalid, Code: "invalid", Message: "A test names its product, its batch and who did it."},
	"material_test_holds_a_year":     {Kind: domain.KindInvalid, Code: "M4", Message: "A test holds from its day for at most a year (rule M4)."},
	"material_test_coupons_known":    {Kind: domain.KindInvalid, Code: "invalid", Message: "A coupon comes out as permanent, temporary or unsuitable."},
	"material_test_ph_sane":          {Kind: domain.KindInvalid, Code: "invalid", Message: "A pH lies between 0 and 14."},
	"material_test_strip_known":      {Kind: domain.KindInvalid, Code: "invalid", Message: "An indicator strip comes to step 0, 1, 1.5, 2 or 3."},
	"material_test_result_given":     {Kind: domain.KindInvalid, Code: "invalid", Message: "A test has the result that belongs to its kind, and no other."},
	"material_test_append_only":      {Kind: domain.KindRefused, Code: "M4", Message: "A test is kept as it was recorded (rule M4). Record a new one that takes its place."},
}

// Tests reads the tests of a material, in the order in which they were done.
func (s *Material) Tests(ctx context.Context, key string) ([]material.Test, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select id, material_key, kind, product, batch, to_char(tested_on, 'YYYY-MM-DD') as tested_on, to_char(valid_until, 'YYYY-MM-DD') as valid_until, tested_by, method,
			silver, copper, lead, ph, colour_bleeds, strip_level, note, recorded_by as recorded_by_id, recorded_by_name as recorded_by, recorded_at, '' as result, false as valid
		from material_test where material_key = $1 order by material_test.tested_on, material_test.recorded_at, id`, key)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[material.Test])
	return slices.Clip(all), fault(err, "list the tests of material %s", key)
}

// AddTest writes a test.
func (s *Material) AddTest(ctx context.Context, t *material.Test, event domain.Event) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into material_test (id, material_key, kind, product, batch, tested_on, valid_until, tested_by, method, silver, copper, lead, ph, colour_bleeds,
				strip_level, note, recorded_by, recorded_by_name, recorded_at)
			values (@id, @key, @kind, @product, @batch, @on::text::date, @until::text::date, @by, @method, @silver, @copper, @lead, @ph, @bleeds, @strip, @note, @recorder, @name, @at)`,
			pgx.NamedArgs{"id": t.ID, "key": t.MaterialKey, "kind": t.Kind, "product": t.Product, "batch": t.Batch, "on": t.TestedOn, "until": t.ValidUntil, "by": t.TestedBy,
				"method": t.Method, "silver": t.Silver, "copper": t.Copper, "lead": t.Lead, "ph": t.PH, "bleeds": t.ColourBleeds, "strip": t.StripLevel, "note": t.Note,
				"recorder": t.RecordedByID, "name": t.RecordedBy, "at": t.RecordedAt})
		if err != nil {
			return fault(err, "record test %s", t.ID)
		}
		return s.db.addEvents(ctx, event)
	})
}
