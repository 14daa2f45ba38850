package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/loan"
)

// ObjectID finds an object by its number.
func (s *Loans) ObjectID(ctx context.Context, n collection.Number) (domain.ID, error) {
	var id domain.ID
	err := s.db.q(ctx).QueryRow(ctx, `select id from object where number_key = $1`, n.Key()).Scan(&id)
	return id, fault(err, "find object %s", n)
}

// Sheets reads the make-ups of several objects in one batch, without joints.
func (s *Loans) Sheets(ctx context.Context, objectIDs []domain.ID) (map[domain.ID]*collection.Sheet, error) {
	batch := &pgx.Batch{}
	batch.Queue(`select `+objectColumns+` from object o where o.id = any($1)`, objectIDs)
	batch.Queue(`select `+componentColumns+` from component c where c.object_id = any($1)`, objectIDs)
	batch.Queue(`select `+materialOfColumns+` from component c join `+materialOfTables+` on cm.component_id = c.id
		where c.object_id = any($1) and cm.superseded_at is null order by c.sort_key, cm.at, cm.id`, objectIDs)
	batch.Queue(`select `+hazardColumns+` from hazard h join person a on a.id = h.author_id join person j on j.id = h.judged_by_id
		where h.object_id = any($1) order by h.at, h.id`, objectIDs)
	results := s.db.q(ctx).SendBatch(ctx, batch)
	var err error
	objects := next[collection.Object](results, &err)
	components := next[collection.Component](results, &err)
	materials := next[collection.ComponentMaterial](results, &err)
	hazards := next[collection.Hazard](results, &err)
	if closing := results.Close(); err == nil {
		err = closing
	}
	if err != nil {
		return nil, fault(err, "read the make-ups of %d objects", len(objectIDs))
	}
	sheets := map[domain.ID]*collection.Sheet{}
	for _, o := range objects {
		sheets[o.ID] = &collection.Sheet{Object: o}
	}
	of := map[domain.ID]*collection.Sheet{}
	for _, c := range components {
		sheet := sheets[c.ObjectID]
		sheet.Components, of[c.ID] = append(sheet.Components, c), sheet
	}
	for _, sheet := range sheets {
		sheet.Components = collection.Arrange(sheet.Components)
	}
	for _, m := range materials {
		sheet := of[m.ComponentID]
		sheet.Materials = append(sheet.Materials, m)
	}
	for _, h := range hazards {
		sheets[h.ObjectID].Hazards = append(sheets[h.ObjectID].Hazards, h)
	}
	return sheets, nil
}

// Hazards reads what the materials of several objects call for, and what was assessed about them.
func (s *Loans) Hazards(ctx context.Context, objectIDs []domain.ID) (map[domain.ID][]handling.MaterialHazard, map[domain.ID][]handling.Assessment, error) {
	type called struct {
		ObjectID domain.ID
		handling.MaterialHazard
	}
	batch := &pgx.Batch{}
	batch.Queue(`
		select c.object_id, c.id as component_id, k.kind, m.name as material_name, cm.confidence
		from component c join component_material cm on cm.component_id = c.id and cm.superseded_at is null
			join material m on m.key = cm.material_key cross join lateral unnest(m.hazard_kinds) as k (kind)
		where c.object_id = any($1) order by c.sort_key, c.id, k.kind, m.name`, objectIDs)
	batch.Queue(`
		select a.id, a.object_id, a.component_id, a.kind, a.assessor_id, a.assessor_name, a.competence, a.assessed_on, a.may_be_handled,
			a.found, a.controls, a.valid_until, a.recorded_by as recorded_by_id, p.name as recorded_by_name, a.recorded_at
		from hazard_assessment a join person p on p.id = a.recorded_by
		where a.object_id = any($1) order by a.assessed_on, a.recorded_at, a.id`, objectIDs)
	results := s.db.q(ctx).SendBatch(ctx, batch)
	var err error
	made := map[domain.ID][]handling.MaterialHazard{}
	for _, c := range next[called](results, &err) {
		made[c.ObjectID] = append(made[c.ObjectID], c.MaterialHazard)
	}
	assessed := map[domain.ID][]handling.Assessment{}
	for _, a := range next[handling.Assessment](results, &err) {
		assessed[a.ObjectID] = append(assessed[a.ObjectID], a)
	}
	if closing := results.Close(); err == nil {
		err = closing
	}
	return made, assessed, fault(err, "read the hazards of %d objects", len(objectIDs))
}

// Elsewhere reads what of several objects is away with other loans.
func (s *Loans) Elsewhere(ctx context.Context, except domain.ID, objectIDs []domain.ID) (map[domain.ID][]loan.Elsewhere, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select n.object_id, coalesce((select array_agg(c.component_id order by c.position) from loan_line_component c where c.line_id = n.id), '{}') as component_ids, l.reference
		from loan_line n join loan l on l.id = n.loan_id
		where n.object_id = any($1) and l.id <> $2 and n.withdrawn_at is null and l.state in ('dispatched', 'received', 'on_display', 'packing', 'recalled')
		order by l.reference`, objectIDs, except)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[loan.Elsewhere])
	away := map[domain.ID][]loan.Elsewhere{}
	for _, e := range all {
		away[e.ObjectID] = append(away[e.ObjectID], e)
	}
	return away, fault(err, "read what is away with other loans")
}

// OpenEmergencies reads the emergency stabilisations of several objects whose ratification is open
// (T6), in words; it implements loan.Emergencies.
func (s *Loans) OpenEmergencies(ctx context.Context, objectIDs ...domain.ID) (map[domain.ID][]string, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select w.object_id, replace(array_to_string(e.methods, ', '), '_', ' ') || ', recorded by ' || w.recorded_by_name || ', against ' || e.imminent as said
		from emergency e join work w on w.id = e.id
		where w.object_id = any($1) and e.outcome = '' order by w.happened_at, e.id`, objectIDs)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[struct {
		ObjectID domain.ID
		Said     string
	}])
	open := map[domain.ID][]string{}
	for _, e := range all {
		open[e.ObjectID] = append(open[e.ObjectID], e.Said)
	}
	return open, fault(err, "read the open emergencies of %d objects", len(objectIDs))
}

// Thumbnails reads under which hashes the small pictures of photographs are kept; a photograph that has
// none is left out.
func (s *Loans) Thumbnails(ctx context.Context, photoIDs []domain.ID) (map[domain.ID]string, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select id, thumbnail_sha256 as sha256 from photo where id = any($1) and thumbnail_sha256 is not null`, photoIDs)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[struct {
		ID     domain.ID
		SHA256 string
	}])
	kept := map[domain.ID]string{}
	for _, p := range all {
		kept[p.ID] = p.SHA256
	}
	return kept, fault(err, "read the small pictures of %d photographs", len(photoIDs))
}
