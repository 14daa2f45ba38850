package postgres

import (
	"context"
	"errors"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/treatment"
)

// workColumns read a work with its hands, components and materials.
const workColumns = `
	w.id, w.kind, w.treatment_id, w.object_id, w.happened_at, w.recorded_at, w.recorded_by_id, w.recorded_by_name, w.late, w.under_id, w.under_name, w.method, w.tool,
	w.temperature_c, w.humidity_percent, w.observed_before, w.observed_after, w.removed, w.removed_to, w.minutes, w.photographs, w.gloves, w.noticed, w.controls,
	w.came_away, w.note, w.what, w.why, w.against,
	(select coalesce(jsonb_agg(jsonb_build_object('id', h.person_id, 'name', h.name) order by h.line), '[]') from work_hand h where h.work_id = w.id) as hands,
	(select coalesce(jsonb_agg(jsonb_build_object('id', c.component_id, 'called', c.called) order by c.line), '[]') from work_component c where c.work_id = w.id) as components,
	(select coalesce(jsonb_agg(jsonb_build_object('material_key', coalesce(m.material_key, ''), 'auxiliary', m.auxiliary, 'name', m.name, 'product', m.product,
		'batch', m.batch, 'concentration', m.concentration::text, 'unit', m.unit, 'solvent', m.solvent, 'amount', m.amount) order by m.line), '[]')
		from work_material m where m.work_id = w.id) as materials`

type workRow struct {
	ID                            domain.ID
	Kind                          treatment.Kind
	TreatmentID                   *domain.ID
	ObjectID                      domain.ID
	HappenedAt, RecordedAt        time.Time
	RecordedByID                  domain.ID
	RecordedByName                string
	Late                          bool
	UnderID                       *domain.ID
	UnderName                     string
	Method, Tool                  string
	TemperatureC, HumidityPercent *decimal.Decimal
	Before                        string `db:"observed_before"`
	After                         string `db:"observed_after"`
	Removed, RemovedTo            string
	Minutes                       int
	Photographs                   []treatment.PhotoRef
	Gloves                        string
	Noticed                       []string
	Controls                      string
	CameAway                      []treatment.CameAway
	Note, What, Why               string
	Against                       []string
	Hands                         []treatment.Who
	Components                    []treatment.Part
	Materials                     []treatment.UsedMaterial
}

func (r workRow) work() treatment.Work {
	w := treatment.Work{
		ID: r.ID, Kind: r.Kind, TreatmentID: r.TreatmentID, ObjectID: r.ObjectID, HappenedAt: r.HappenedAt, RecordedAt: r.RecordedAt,
		RecordedBy: treatment.Who{ID: r.RecordedByID, Name: r.RecordedByName}, Late: r.Late, Hands: r.Hands, Components: r.Components, Method: r.Method,
		Materials: r.Materials, Tool: r.Tool, TemperatureC: r.TemperatureC, HumidityPercent: r.HumidityPercent, Before: r.Before, After: r.After,
		Removed: r.Removed, RemovedTo: r.RemovedTo, Minutes: r.Minutes, Photographs: r.Photographs, Gloves: r.Gloves, Noticed: r.Noticed, Controls: r.Controls,
		CameAway: r.CameAway, Note: r.Note, What: r.What, Why: r.Why, Against: r.Against,
	}
	if r.UnderID != nil {
		w.Under = &treatment.Who{ID: *r.UnderID, Name: r.UnderName}
	}
	return w
}

// writeWork queues a work with its hands, components and materials. The order is that of the
// database's own checks: the work, then who and what.
func writeWork(b *pgx.Batch, w treatment.Work) {
	var underID *domain.ID
	underName := ""
	if w.Under != nil {
		underID, underName = &w.Under.ID, w.Under.Name
	}
	against := w.Against
	if against == nil {
		against = []string{}
	}
	b.Queue(`
		insert into work (id, kind, treatment_id, object_id, happened_at, recorded_at, recorded_by_id, recorded_by_name, late, under_id, under_name, method, method_key, tool,
			temperature_c, humidity_percent, observed_before, observed_after, removed, removed_to, minutes, photographs, gloves, noticed, controls, came_away, note, what, why, against)
		values (@id, @kind, @treatment_id, @object_id, @happened_at, @recorded_at, @recorded_by_id, @recorded_by_name, @late, @under_id, @under_name, @method, @method_key, @tool,
			@temperature_c, @humidity_percent, @observed_before, @observed_after, @removed, @removed_to, @minutes, @photographs, @gloves, @noticed, @controls, @came_away, @note, @what, @why, @against)`,
		pgx.NamedArgs{
			"id": w.ID, "kind": w.Kind, "treatment_id": w.TreatmentID, "object_id": w.ObjectID, "happened_at": w.HappenedAt, "recorded_at": w.RecordedAt,
			"recorded_by_id": w.RecordedBy.ID, "recorded_by_name": w.RecordedBy.Name, "late": w.Late, "under_id": underID, "under_name": underName, "method": w.Method,
			"method_key": treatment.Fold(w.Method), "tool": w.Tool, "temperature_c": w.TemperatureC, "humidity_percent": w.HumidityPercent, "observed_before": w.Before,
			"observed_after": w.After, "removed": w.Removed, "removed_to": w.RemovedTo, "minutes": w.Minutes, "photographs": w.Photographs, "gloves": w.Gloves,
			"noticed": w.Noticed, "controls": w.Controls, "came_away": w.CameAway, "note": w.Note, "what": w.What, "why": w.Why, "against": against,
		})
	for i, h := range w.Hands {
		b.Queue(`insert into work_hand (work_id, line, person_id, name) values ($1, $2, $3, $4)`, w.ID, i+1, h.ID, h.Name)
	}
	for i, c := range w.Components {
		b.Queue(`insert into work_component (work_id, line, component_id, called) values ($1, $2, $3, $4)`, w.ID, i+1, c.ID, c.Called)
	}
	for i, m := range w.Materials {
		var key *string
		if m.MaterialKey != "" {
			key = &m.MaterialKey
		}
		b.Queue(`
			insert into work_material (work_id, line, material_key, auxiliary, name, product, product_key, batch, batch_key, concentration, unit, solvent, amount)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`, w.ID, i+1, key, m.Auxiliary, m.Name, m.Product, treatment.Fold(m.Product),
			m.Batch, treatment.Fold(m.Batch), m.Concentration, m.Unit, m.Solvent, m.Amount)
	}
}

// AddStabilisation writes an emergency.
func (s *Treatments) AddStabilisation(ctx context.Context, e *treatment.Stabilisation) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		b := &pgx.Batch{}
		writeWork(b, e.Work)
		b.Queue(`insert into emergency (id, imminent, noticed_at, methods, left_undone, due_at, version) values ($1, $2, $3, $4, $5, $6, $7)`,
			e.ID, e.Imminent, e.NoticedAt, e.Methods, e.LeftUndone, e.DueAt, e.Version)
		if err := tx.SendBatch(ctx, b).Close(); err != nil {
			return fault(err, "add emergency %s", e.ID)
		}
		return s.db.addEvents(ctx, e.Events()...)
	})
}

const stabilisationSQL = `
	select ` + workColumns + `, o.number as object_number, o.title as object_title, o.department, e.imminent, e.noticed_at, e.methods, e.left_undone, e.due_at, e.outcome,
		e.conditions, e.ratification, e.version
	from emergency e join work w on w.id = e.id join object o on o.id = w.object_id`

type stabilisationRow struct {
	workRow
	ObjectNumber, ObjectTitle, Department string
	Imminent                              string
	NoticedAt                             time.Time
	Methods                               []string
	LeftUndone                            string
	DueAt                                 time.Time
	Outcome                               treatment.RatifyOutcome
	Conditions                            []string
	Ratification                          *treatment.Signature
	Version                               int64
}

func (r stabilisationRow) stabilisation() *treatment.Stabilisation {
	return &treatment.Stabilisation{
		Work: r.work(), ObjectNumber: r.ObjectNumber, ObjectTitle: r.ObjectTitle, Department: r.Department, Imminent: r.Imminent, NoticedAt: r.NoticedAt,
		Methods: r.Methods, LeftUndone: r.LeftUndone, DueAt: r.DueAt, Outcome: r.Outcome, Conditions: r.Conditions, Ratification: r.Ratification, Version: r.Version,
	}
}

// Stabilisation reads an emergency.
func (s *Treatments) Stabilisation(ctx context.Context, id domain.ID) (*treatment.Stabilisation, error) {
	return s.stabilisation(ctx, id, "")
}

func (s *Treatments) stabilisation(ctx context.Context, id domain.ID, lock string) (*treatment.Stabilisation, error) {
	rows, _ := s.db.q(ctx).Query(ctx, stabilisationSQL+` where e.id = $1`+lock, id)
	r, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[stabilisationRow])
	if err != nil {
		return nil, fault(err, "read emergency %s", id)
	}
	return r.stabilisation(), nil
}

// UpdateStabilisation changes an emergency under lock.
func (s *Treatments) UpdateStabilisation(ctx context.Context, id domain.ID, version int64, change func(ctx context.Context, e *treatment.Stabilisation) error) (*treatment.Stabilisation, error) {
	var e *treatment.Stabilisation
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if e, err = s.stabilisation(ctx, id, ` for no key update of e`); err != nil {
			return err
		}
		if e.Version != version {
			return domain.ErrStale
		}
		if err := change(ctx, e); err != nil {
			return err
		}
		e.Version++
		_, err = tx.Exec(ctx, `update emergency set outcome = $2, conditions = $3, ratification = $4, version = $5 where id = $1`,
			e.ID, e.Outcome, e.Conditions, e.Ratification, e.Version)
		if err != nil {
			return fault(err, "change emergency %s", id)
		}
		return s.db.addEvents(ctx, e.Events()...)
	})
	if err != nil {
		return nil, err
	}
	return e, nil
}

// Stabilisations lists emergencies, the newest first.
func (s *Treatments) Stabilisations(ctx context.Context, f treatment.StabilisationFilter, q domain.PageQuery) (domain.Page[treatment.Stabilisation], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[treatment.Stabilisation]{}, err
	}
	list := []any{"emergencies", f}
	at, id, err := timeAndID(q, list)
	if err != nil {
		return domain.Page[treatment.Stabilisation]{}, err
	}
	rows, _ := s.db.q(ctx).Query(ctx, stabilisationSQL+`
		where `+both(`w.kind = 'emergency'`,
		given(f.ObjectID != nil, `w.object_id = @object`),
		given(f.TreatmentID != nil, `w.treatment_id = @treatment`),
		given(f.Department != "", `(@department = '' or o.department = @department)`),
		given(f.Open, `e.outcome = ''`),
		given(at != nil, `(w.happened_at, w.id) < (@at, @id)`))+`
		order by w.happened_at desc, w.id desc limit @limit`, pgx.NamedArgs{
		"object": f.ObjectID, "treatment": f.TreatmentID, "department": f.Department, "at": at, "id": id, "limit": limit,
	})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[stabilisationRow])
	if err != nil {
		return domain.Page[treatment.Stabilisation]{}, fault(err, "list emergencies")
	}
	items := make([]treatment.Stabilisation, len(all))
	for i, r := range all {
		items[i] = *r.stabilisation()
	}
	return domain.NextPage(q, list, items, func(e treatment.Stabilisation) []string {
		return []string{e.HappenedAt.UTC().Format(time.RFC3339Nano), e.ID.String()}
	}), nil
}

// MaterialUses lists every component that received a product, a batch or a library material, the
// newest use first.
func (s *Treatments) MaterialUses(ctx context.Context, m treatment.MaterialQuery, q domain.PageQuery) (domain.Page[treatment.MaterialUse], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[treatment.MaterialUse]{}, err
	}
	m.Product, m.Batch = treatment.Fold(m.Product), treatment.Fold(m.Batch)
	list := []any{"material uses", m}
	keys, err := q.Keys(list, 4)
	if err != nil {
		return domain.Page[treatment.MaterialUse]{}, err
	}
	var at *time.Time
	var id domain.ID
	var line, part int
	if keys != nil {
		happened, timeErr := time.Parse(time.RFC3339Nano, keys[0])
		work, idErr := domain.ParseID(keys[1])
		l, lineErr := strconv.ParseUint(keys[2], 10, 15)
		p, partErr := strconv.ParseUint(keys[3], 10, 15)
		if err := errors.Join(timeErr, idErr, lineErr, partErr); err != nil {
			return domain.Page[treatment.MaterialUse]{}, &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
		}
		at, id, line, part = &happened, work, int(l), int(p) // #nosec G115 -- 15 bits fit
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select w.object_id, o.number as object_number, c.component_id, c.called, w.treatment_id, w.id as work_id, w.kind, w.happened_at, m.name as material, m.product, m.batch,
			m.line, c.line as part
		from work_material m join work w on w.id = m.work_id join work_component c on c.work_id = w.id join object o on o.id = w.object_id
		where (@product = '' or m.product_key = @product) and (@batch = '' or m.batch_key = @batch) and (@material = '' or m.material_key = @material)
			and (@at::timestamptz is null or (w.happened_at, w.id, m.line, c.line) < (@at, @work, @line::int, @part::int))
		order by w.happened_at desc, w.id desc, m.line desc, c.line desc limit @limit`, pgx.NamedArgs{
		"product": m.Product, "batch": m.Batch, "material": m.MaterialKey, "at": at, "work": id, "line": line, "part": part, "limit": limit,
	})
	type row struct {
		treatment.MaterialUse
		Line, Part int
	}
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[row])
	if err != nil {
		return domain.Page[treatment.MaterialUse]{}, fault(err, "look for uses of a material")
	}
	page := domain.NextPage(q, list, all, func(r row) []string {
		return []string{r.HappenedAt.UTC().Format(time.RFC3339Nano), r.WorkID.String(), strconv.Itoa(r.Line), strconv.Itoa(r.Part)}
	})
	uses := make([]treatment.MaterialUse, len(page.Items))
	for i, r := range page.Items {
		uses[i] = r.MaterialUse
	}
	return domain.Page[treatment.MaterialUse]{Items: uses, Next: page.Next}, nil
}
