package postgres

import (
	"context"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/survey"
)

var surveyWords = map[string]*domain.Error{
	"survey_append_only":             {Kind: domain.KindRefused, Code: "R2", Message: "What was drawn for a survey never changes. Draw another."},
	"survey_stratum_append_only":     {Kind: domain.KindRefused, Code: "R2", Message: "What was drawn for a survey never changes. Draw another."},
	"survey_object_never_deleted":    {Kind: domain.KindRefused, Code: "R2", Message: "An object that was drawn stays in its survey; say why it was missed."},
	"survey_object_settled_stays":    {Kind: domain.KindConflict, Code: "settled", Message: "This object is done already in this survey."},
	"survey_place_fkey":              {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such place."},
	"survey_filled":                  {Kind: domain.KindInvalid, Code: "invalid", Message: "Give the survey a title."},
	"survey_precision_sane":          {Kind: domain.KindInvalid, Code: "invalid", Message: "A confidence of 90, 95 or 99 per cent, a margin of 0.5 to 30 and an expected share of 1 to 99 per cent."},
	"survey_divided_known":           {Kind: domain.KindInvalid, Code: "invalid", Message: "Divide it by department, kind or legal status, or not at all."},
	"survey_object_examination_fkey": {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such examination of this object, or a survey rests on it."},
	"survey_pkey":                    refusedByDatabase("This survey exists already."),
	"survey_drawn_by_fkey":           refusedByDatabase("There is no such person."),
	"survey_sample_within":           refusedByDatabase("A sample is part of its population."),
	"survey_frame_form":              refusedByDatabase("A frame is a SHA-256."),
	"survey_stratum_pkey":            refusedByDatabase("A survey names each stratum once."),
	"survey_stratum_survey_fkey":     refusedByDatabase("There is no such survey."),
	"survey_stratum_sane":            refusedByDatabase("A sample is part of its stratum."),
	"survey_object_pkey":             refusedByDatabase("Two objects have one place in the draw."),
	"survey_object_unique":           refusedByDatabase("An object is drawn once."),
	"survey_object_object_fkey":      {Kind: domain.KindConflict, Code: "object_gone", Message: "An object was taken back while the survey was drawn. Draw it again."},
	"survey_object_stratum_fkey":     refusedByDatabase("There is no such stratum."),
	"survey_object_settled_by_fkey":  refusedByDatabase("There is no such person."),
	"survey_object_settled_whole":    refusedByDatabase("An object is examined or missed, by somebody."),
}

// Surveys keeps surveys; it implements survey.Store.
type Surveys struct{ db *DB }

// NewSurveys makes the store.
func NewSurveys(db *DB) *Surveys { return &Surveys{db: db} }

var _ survey.Store = (*Surveys)(nil)

// populationOf says which objects o are of a population.
func populationOf(p survey.Population) (with, condition string) {
	if p.PlaceID != nil {
		with = below
	}
	return with, where(
		`o.legal_status <> 'former'`,
		given(p.Department != "", `o.department = @department`),
		given(p.LegalStatus != "", `o.legal_status = @status`),
		given(p.Kind != "", `(o.kind = @kind or starts_with(o.kind, @kind || ' › '))`),
		given(p.PlaceID != nil, `o.id in (select m.object_id from placement m join below b on b.id = m.place_id where upper_inf(m.during) and m.component_id is null)`))
}

func populationArgs(p survey.Population) pgx.NamedArgs {
	return pgx.NamedArgs{"department": p.Department, "status": p.LegalStatus, "kind": p.Kind, "place": p.PlaceID}
}

// divisions are the columns by which a population can be divided.
var divisions = map[string]string{"": `''`, "department": `o.department`, "kind": `split_part(o.kind, ' › ', 1)`, "legal_status": `o.legal_status`}

// Draw reads a population. It reads all of it: that is what is drawn from.
func (s *Surveys) Draw(ctx context.Context, p survey.Population, dividedBy string) ([]survey.Unit, error) {
	with, condition := populationOf(p)
	rows, _ := s.db.q(ctx).Query(ctx, with+` select o.id, `+divisions[dividedBy]+` from object o`+condition, populationArgs(p))
	names := map[string]string{} // one text for each stratum, not one for each object
	all, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (survey.Unit, error) {
		var u survey.Unit
		var name string
		err := row.Scan(&u.ID, &name)
		if _, ok := names[name]; !ok {
			names[name] = name
		}
		u.Stratum = names[name]
		return u, err
	})
	return all, fault(err, "read a population")
}

// Hidden reads whether a place is sensitive.
func (s *Surveys) Hidden(ctx context.Context, placeID domain.ID) (bool, error) {
	return (&Enclosures{db: s.db}).Hidden(ctx, placeID)
}

// Add writes a survey with what was drawn.
func (s *Surveys) Add(ctx context.Context, x *survey.Survey) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `
			insert into survey (id, title, purpose, department, kind, legal_status, place_id, divided_by, confidence, margin_percent, expected_percent, seed, frame, objects, sample, drawn_at, drawn_by)
			values (@id, @title, @purpose, @department, @kind, @status, @place, @divided, @confidence, @margin, @expected, @seed, @frame, @objects, @sample, @at, @by)`,
			pgx.NamedArgs{"id": x.ID, "title": x.Title, "purpose": x.Purpose, "department": x.Population.Department, "kind": x.Population.Kind, "status": x.Population.LegalStatus, "place": x.Population.PlaceID,
				"divided": x.DividedBy, "confidence": x.Confidence, "margin": x.MarginPercent, "expected": x.ExpectedPercent, "seed": x.Seed, "frame": x.Frame, "objects": x.Objects, "sample": x.Sample,
				"at": x.DrawnAt, "by": x.DrawnBy.ID})
		if err != nil {
			return fault(err, "add survey %s", x.ID)
		}
		names, populations, samples := make([]string, len(x.Strata)), make([]int, len(x.Strata)), make([]int, len(x.Strata))
		for i, h := range x.Strata {
			names[i], populations[i], samples[i] = h.Name, h.Population, h.Sample
		}
		ids, strata := make([]domain.ID, len(x.Drawn)), make([]string, len(x.Drawn))
		for i, u := range x.Drawn {
			ids[i], strata[i] = u.ID, u.Stratum
		}
		batch := &pgx.Batch{}
		batch.Queue(`insert into survey_stratum (survey_id, name, population, sample) select $1, h.name, h.population, h.sample from unnest($2::text[], $3::int[], $4::int[]) as h (name, population, sample)`,
			x.ID, names, populations, samples)
		batch.Queue(`insert into survey_object (survey_id, object_id, position, stratum) select $1, u.id, u.n, u.stratum from unnest($2::uuid[], $3::text[]) with ordinality as u (id, stratum, n)`,
			x.ID, ids, strata)
		if err := tx.SendBatch(ctx, batch).Close(); err != nil {
			return fault(err, "write the draw of survey %s", x.ID)
		}
		return s.db.addEvents(ctx, x.Events()...)
	})
}

// One reads a survey.
func (s *Surveys) One(ctx context.Context, id domain.ID) (*survey.Survey, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select v.id, v.title, v.purpose, jsonb_build_object('department', v.department, 'kind', v.kind, 'legal_status', v.legal_status, 'place_id', v.place_id) as population, v.divided_by,
			v.confidence, v.margin_percent, v.expected_percent, v.seed, v.frame, v.objects, v.sample,
			(select jsonb_agg(jsonb_build_object('name', h.name, 'population', h.population, 'sample', h.sample) order by h.name) from survey_stratum h where h.survey_id = v.id) as strata,
			v.drawn_at, jsonb_build_object('id', p.id, 'name', p.name) as drawn_by, coalesce(f.sensitive, false) as hidden
		from survey v join person p on p.id = v.drawn_by left join lateral place_facts(v.place_id) f on v.place_id is not null
		where v.id = $1`, id)
	x, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[survey.Survey])
	return x, fault(err, "read survey %s", id)
}

// List lists surveys, the latest first.
func (s *Surveys) List(ctx context.Context, q domain.PageQuery) (domain.Page[survey.Line], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[survey.Line]{}, err
	}
	const list = "surveys"
	at, id, err := timeAndID(q, list)
	if err != nil {
		return domain.Page[survey.Line]{}, err
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select v.id, v.title, v.objects, v.sample, (select count(examination_id) from survey_object x where x.survey_id = v.id)::int as assessed,
			(select count(*) from survey_object x where x.survey_id = v.id and x.missed <> '')::int as missed, v.drawn_at, jsonb_build_object('id', p.id, 'name', p.name) as drawn_by
		from survey v join person p on p.id = v.drawn_by`+where(given(at != nil, `(v.drawn_at, v.id) < (@at, @id)`))+`
		order by v.drawn_at desc, v.id desc limit @limit`, pgx.NamedArgs{"at": at, "id": id, "limit": limit})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[survey.Line])
	if err != nil {
		return domain.Page[survey.Line]{}, fault(err, "list surveys")
	}
	return domain.NextPage(q, list, all, func(l survey.Line) []string {
		return []string{l.DrawnAt.UTC().Format(time.RFC3339Nano), l.ID.String()}
	}), nil
}

const surveyItem = `select x.position, x.object_id, o.number as object_number, o.title as object_title, x.stratum, x.examination_id, coalesce(to_char(e.examined_on, 'YYYY-MM-DD'), '') as examined_on,
		coalesce(e.overall, '') as overall, coalesce(e.priority, '') as priority, x.missed
	from survey_object x join object o on o.id = x.object_id left join examination e on e.id = x.examination_id`

// Items lists the objects of a sample in the order of drawing.
func (s *Surveys) Items(ctx context.Context, id domain.ID, open bool, q domain.PageQuery) (domain.Page[survey.Item], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[survey.Item]{}, err
	}
	list := []any{"survey objects", id, open}
	keys, err := q.Keys(list, 1)
	if err != nil {
		return domain.Page[survey.Item]{}, err
	}
	after := 0
	if keys != nil {
		n, err := strconv.Atoi(keys[0])
		if err != nil || n < 0 || n > 1<<30 {
			return domain.Page[survey.Item]{}, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
		}
		after = n
	}
	rows, _ := s.db.q(ctx).Query(ctx, surveyItem+where(`x.survey_id = @id and x.position > @after`, given(open, `x.settled_at is null`))+` order by x.position limit @limit`,
		pgx.NamedArgs{"id": id, "after": after, "limit": limit})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[survey.Item])
	if err != nil {
		return domain.Page[survey.Item]{}, fault(err, "list the objects of survey %s", id)
	}
	return domain.NextPage(q, list, all, func(i survey.Item) []string { return []string{strconv.Itoa(i.Position)} }), nil
}

// Item reads an object of a sample.
func (s *Surveys) Item(ctx context.Context, id, objectID domain.ID) (*survey.Item, error) {
	rows, _ := s.db.q(ctx).Query(ctx, surveyItem+` where x.survey_id = $1 and x.object_id = $2`, id, objectID)
	i, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[survey.Item])
	return i, fault(err, "read object %s of survey %s", objectID, id)
}

// Lock reads an object of a sample and holds it until the transaction ends.
func (s *Surveys) Lock(ctx context.Context, id, objectID domain.ID) (*survey.Item, error) {
	rows, _ := s.db.q(ctx).Query(ctx, surveyItem+` where x.survey_id = $1 and x.object_id = $2 for update of x`, id, objectID)
	i, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[survey.Item])
	return i, fault(err, "lock object %s of survey %s", objectID, id)
}

// Settle writes what became of an object of a sample.
func (s *Surveys) Settle(ctx context.Context, id domain.ID, i *survey.Item, by domain.Actor, at time.Time, e domain.Event) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `update survey_object set examination_id = @examination, missed = @missed, settled_at = @at, settled_by = @by where survey_id = @id and position = @position`,
			pgx.NamedArgs{"id": id, "position": i.Position, "examination": i.ExaminationID, "missed": i.Missed, "at": at, "by": by.ID})
		if err != nil {
			return fault(err, "settle object %s of survey %s", i.ObjectID, id)
		}
		return s.db.addEvents(ctx, e)
	})
}

// Counted counts the grades of a sample by stratum.
func (s *Surveys) Counted(ctx context.Context, id domain.ID) ([]survey.Counted, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select x.stratum, coalesce(e.overall, '') as grade, x.missed <> '' as missed, count(*)::int as count
		from survey_object x left join examination e on e.id = x.examination_id where x.survey_id = $1 group by 1, 2, 3 order by 1, 2, 3`, id)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[survey.Counted])
	return all, fault(err, "count the grades of survey %s", id)
}
