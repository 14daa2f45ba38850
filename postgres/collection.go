package postgres

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"farthingale/domain"
	"farthingale/domain/collection"
)

var collectionWords = map[string]*domain.Error{
	"object_number_unique":       {Kind: domain.KindConflict, Code: "number_taken", Message: "Another object has this number. Look at it first; if it is another thing, give this one its own number."},
	"object_filled":              {Kind: domain.KindInvalid, Code: "invalid", Message: "An object needs a number, a title and a department."},
	"object_legal_status_known":  {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such legal status."},
	"object_mass_positive":       {Kind: domain.KindInvalid, Code: "invalid", Message: "A mass is more than nothing and at most 100 000 kg."},
	"object_signed_stays":        {Kind: domain.KindConflict, Code: "C4", Message: "Something about this object has been signed, so its record stays. When it left the collection, set its legal status to 'former'."},
	"object_pkey":                refusedByDatabase("This object exists already."),
	"object_created_by_fkey":     refusedByDatabase("There is no such person."),
	"component_label_stays":      {Kind: domain.KindRefused, Code: "C1", Message: "A label never changes, and a component stays with its object (rule C1)."},
	"component_label_unique":     {Kind: domain.KindConflict, Code: "label_taken", Message: "Another component of this object has this label."},
	"component_no_cycle":         {Kind: domain.KindInvalid, Code: "invalid", Message: "A component cannot be a part of itself or of one of its own parts."},
	"component_not_its_parent":   {Kind: domain.KindInvalid, Code: "invalid", Message: "A component cannot be a part of itself."},
	"component_depth":            {Kind: domain.KindInvalid, Code: "invalid", Message: "Parts of parts go at most 8 levels deep."},
	"component_parent_fkey":      {Kind: domain.KindInvalid, Code: "invalid", Message: "The part above is not a component of this object."},
	"component_came_from_fkey":   {Kind: domain.KindInvalid, Code: "invalid", Message: "The component that the fragment came from is not of this object."},
	"component_filled":           {Kind: domain.KindInvalid, Code: "invalid", Message: "A component needs a label and a name."},
	"component_side_known":       {Kind: domain.KindInvalid, Code: "invalid", Message: "A side is left, right or none."},
	"component_layer_sane":       {Kind: domain.KindInvalid, Code: "invalid", Message: "Layers are counted from 0 to 99."},
	"component_count_sane":       {Kind: domain.KindInvalid, Code: "invalid", Message: "A count is from 1 to 9999."},
	"component_mass_positive":    {Kind: domain.KindInvalid, Code: "invalid", Message: "A mass is more than nothing and at most 100 000 kg."},
	"component_removal_known":    {Kind: domain.KindInvalid, Code: "invalid", Message: "Say whether it can be taken off: freely, by two people, or never."},
	"component_never_has_reason": {Kind: domain.KindInvalid, Code: "C2", Message: "Say why it can never be taken off (rule C2)."},
	"component_attribution_known": {Kind: domain.KindInvalid, Code: "invalid",
		Message: "There is no such attribution."},
	"component_function_known":               {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such function of a component."},
	"component_object_fkey":                  refusedByDatabase("There is no such object."),
	"component_pkey":                         refusedByDatabase("This component exists already."),
	"component_object_unique":                refusedByDatabase("This component exists already."),
	"attribution_append_only":                {Kind: domain.KindRefused, Code: "C3", Message: "An attribution is kept as it was made (rule C3). Record a new one."},
	"attribution_known":                      {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such attribution."},
	"attribution_pkey":                       refusedByDatabase("This attribution exists already."),
	"attribution_component_fkey":             refusedByDatabase("There is no such component."),
	"attribution_author_fkey":                refusedByDatabase("There is no such person."),
	"component_material_never_deleted":       {Kind: domain.KindRefused, Code: "C3", Message: "An identification is kept (rule C3). Record a new one that takes its place."},
	"component_material_stays":               {Kind: domain.KindRefused, Code: "C3", Message: "An identification is kept as it was made (rule C3). Record a new one that takes its place."},
	"component_material_material_fkey":       {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such material in the library. Add it there first, with its source.", Fields: []domain.Field{{Pointer: "/material_key", Rule: "material", Message: "There is no such material in the library."}}},
	"component_material_role_known":          {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such role of a material."},
	"component_material_share_sane":          {Kind: domain.KindInvalid, Code: "invalid", Message: "A share is more than 0 and at most 100 per cent."},
	"component_material_thickness_sane":      {Kind: domain.KindInvalid, Code: "invalid", Message: "A thickness is more than 0 and at most 10 000 mm."},
	"component_material_identified_by_known": {Kind: domain.KindInvalid, Code: "invalid", Message: "A material is identified by label, document, sight or test."},
	"component_material_confidence_known":    {Kind: domain.KindInvalid, Code: "invalid", Message: "An identification is certain, probable or possible."},
	"component_material_superseded_later":    refusedByDatabase("An identification is superseded after it was made."),
	"component_material_pkey":                refusedByDatabase("This identification exists already."),
	"component_material_component_fkey":      refusedByDatabase("There is no such component."),
	"component_material_author_fkey":         refusedByDatabase("There is no such person."),
	"joint_a_fkey":                           {Kind: domain.KindInvalid, Code: "invalid", Message: "A joint is between two components of one object."},
	"joint_b_fkey":                           {Kind: domain.KindInvalid, Code: "invalid", Message: "A joint is between two components of one object."},
	"joint_two_components":                   {Kind: domain.KindInvalid, Code: "invalid", Message: "A joint is between two different components."},
	"joint_pair_unique":                      {Kind: domain.KindConflict, Code: "joint_taken", Message: "These two components have a joint of this kind already. Change that one."},
	"joint_meets_known":                      {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such way for components to meet."},
	"joint_contact_known":                    {Kind: domain.KindInvalid, Code: "invalid", Message: "A contact is direct, with a barrier between, or a gap."},
	"joint_gap_given":                        {Kind: domain.KindInvalid, Code: "invalid", Message: "A gap has a width, and nothing else has."},
	"joint_gap_sane":                         {Kind: domain.KindInvalid, Code: "invalid", Message: "A gap is more than 0 and at most 10 000 mm."},
	"joint_state_known":                      {Kind: domain.KindInvalid, Code: "invalid", Message: "A joint is engaged, held open, seized or missing."},
	"joint_pkey":                             refusedByDatabase("This joint exists already."),
	"hazard_ruled_out_by":                    {Kind: domain.KindInvalid, Code: "invalid", Message: "Ruling out a hazard needs the competent person and a note."},
	"hazard_removed_document":                {Kind: domain.KindInvalid, Code: "invalid", Message: "Name the certificate or report of the removal."},
	"hazard_certainty_known":                 {Kind: domain.KindInvalid, Code: "invalid", Message: "A hazard is certain, probable, possible or ruled out."},
	"hazard_known_by_known":                  {Kind: domain.KindInvalid, Code: "invalid", Message: "A hazard is known by record, label, sight or test."},
	"hazard_state_known":                     {Kind: domain.KindInvalid, Code: "invalid", Message: "A hazard is intact, damaged, loose, sealed or removed."},
	"hazard_never_deleted":                   {Kind: domain.KindRefused, Code: "refused", Message: "A hazard stays on record. Rule it out, or record its removal."},
	"hazard_component_fkey":                  {Kind: domain.KindInvalid, Code: "invalid", Message: "This is not a component of the object."},
	"hazard_object_fkey":                     refusedByDatabase("There is no such object."),
	"hazard_author_fkey":                     refusedByDatabase("There is no such person."),
	"hazard_judged_by_fkey":                  refusedByDatabase("There is no such person."),
	"hazard_pkey":                            refusedByDatabase("This hazard exists already."),
	"word_pkey":                              refusedByDatabase("This word is known already."),
}

// Collection keeps objects and their make-up; it implements collection.Store.
type Collection struct{ db *DB }

// NewCollection makes the store.
func NewCollection(db *DB) *Collection { return &Collection{db: db} }

var _ collection.Store = (*Collection)(nil)

const objectColumns = `o.id, o.number, o.former_numbers, o.title, o.description, o.kind, o.makers, o.date_made, o.date_earliest, o.date_latest,
	o.place_made, o.subject, o.features, o.dimensions, o.mass_kg, o.legal_status, o.owner, o.department, o.marks, o.not_known,
	o.face_photo_id, o.version, o.created_at, o.created_by`

const componentColumns = `c.id, c.object_id, c.parent_id, c.label, c.name, c.side, c.layer_order, c.function, c.joined_how, c.count, c.dimensions,
	c.mass_kg, c.removal, c.removal_reason, c.attribution, c.came_from_id, c.version, c.created_at`

const materialOfColumns = `cm.id, cm.component_id, cm.material_key, coalesce(m.name, 'unidentified') as material_name, coalesce(m.family, '') as family,
	coalesce(m.hazard_kinds, '{}') as hazard_kinds, cm.role, cm.share_percent, cm.thickness_mm, cm.identified_by, cm.confidence, cm.evidence,
	cm.investigation_id, cm.author_id, p.name as author_name, cm.at, cm.superseded_at`

const materialOfTables = `component_material cm join person p on p.id = cm.author_id left join material m on m.key = cm.material_key`

const jointColumns = `id, object_id, a_id, b_id, meets, contact, gap_mm, gas_tight, state, note, version`

const hazardColumns = `h.id, h.object_id, h.component_id, h.kind, h.certainty, h.known_by, h.place as "where", h.state, h.controls, h.assessed_by,
	h.document, h.note, h.author_id, a.name as author_name, h.at, h.judged_by_id, j.name as judged_by_name, h.judged_at,
	coalesce(to_char(h.review_on, 'YYYY-MM-DD'), '') as review_on, h.version`

const attributionColumns = `t.id, t.component_id, t.attribution, t.evidence, t.author_id, p.name as author_name, t.at`

// objectOf finds the object's ID ($1) by something of it.
var objectOf = map[collection.PartOf]string{
	collection.ByObject:    `$1::uuid`,
	collection.ByComponent: `(select object_id from component where id = $1)`,
	collection.ByJoint:     `(select object_id from joint where id = $1)`,
	collection.ByHazard:    `(select object_id from hazard where id = $1)`,
}

// Object reads an object without its make-up.
func (s *Collection) Object(ctx context.Context, id domain.ID) (*collection.Object, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+objectColumns+` from object o where o.id = $1`, id)
	o, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[collection.Object])
	return o, fault(err, "read object %s", id)
}

// Objects reads objects without their make-up, in the order of the IDs.
func (s *Collection) Objects(ctx context.Context, ids []domain.ID) ([]collection.Object, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+objectColumns+` from unnest($1::uuid[]) with ordinality as asked (id, position)
		join object o on o.id = asked.id order by asked.position`, ids)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[collection.Object])
	return all, fault(err, "read %d objects", len(ids))
}

// Sheet reads an object with its make-up, in one batch.
func (s *Collection) Sheet(ctx context.Context, of collection.Part) (*collection.Sheet, error) {
	w, err := s.whole(ctx, objectOf[of.Of], of.ID, "")
	if err != nil {
		return nil, err
	}
	return &w.Sheet, nil
}

// Whole reads an object with its make-up and its history, in one batch.
func (s *Collection) Whole(ctx context.Context, id domain.ID) (*collection.Whole, error) {
	return s.whole(ctx, objectOf[collection.ByObject], id, held(false))
}

// WholeByNumber is Whole for a number.
func (s *Collection) WholeByNumber(ctx context.Context, n collection.Number) (*collection.Whole, error) {
	return s.whole(ctx, `(select id from object where number_key = $1)`, n.Key(), held(true))
}

// held are the columns of collection.Held for an object o; unless all, only the photographs are looked for.
func held(all bool) string {
	columns := []string{exists("photographs", "photo where object_id = o.id", true)}
	for _, x := range [][2]string{
		{"stops", "stop where object_id = o.id"},
		{"incidents", "incident where object_id = o.id"},
		{"enclosures", "enclosure_member where object_id = o.id"},
		{"recommendations", "enclosure_recommendation where object_id = o.id"},
		{"spots", "measurement_spot where object_id = o.id"},
		{"investigations", "investigation where object_id = o.id"},
		{"loans", "loan_line where object_id = o.id"},
		{"treatments", "treatment where object_id = o.id"},
		{"emergencies", "work where object_id = o.id and kind = 'emergency'"},
	} {
		columns = append(columns, exists(x[0], x[1], all))
	}
	return strings.Join(columns, ", ")
}

// exists is a column that says whether there are rows, or false where that is not asked.
func exists(name, rows string, asked bool) string {
	if !asked {
		return `false as ` + name
	}
	return `exists (select from ` + rows + `) as ` + name
}

// whole reads the object that the subquery finds by its argument, with its history and what is held of it when
// that is asked. Seven statements, or five without, whatever the number of rows.
func (s *Collection) whole(ctx context.Context, object string, arg any, held string) (*collection.Whole, error) {
	history := held != ""
	batch := &pgx.Batch{}
	batch.Queue(`select `+objectColumns+` from object o where o.id = `+object, arg)
	batch.Queue(`select `+componentColumns+` from component c where c.object_id = `+object, arg)
	present := ` and cm.superseded_at is null`
	if history {
		present = ``
	}
	batch.Queue(`select `+materialOfColumns+` from component c join `+materialOfTables+` on cm.component_id = c.id
		where c.object_id = `+object+present+` order by cm.at desc, cm.id desc`, arg)
	batch.Queue(`select `+jointColumns+` from joint where object_id = `+object+` order by id`, arg)
	batch.Queue(`select `+hazardColumns+` from hazard h join person a on a.id = h.author_id join person j on j.id = h.judged_by_id
		where h.object_id = `+object+` order by h.at, h.id`, arg)
	if history {
		batch.Queue(`select `+attributionColumns+` from component c join attribution t on t.component_id = c.id join person p on p.id = t.author_id
			where c.object_id = `+object+` order by t.at desc, t.id desc`, arg)
		batch.Queue(`select `+held+` from (select `+object+` as id) o`, arg)
	}
	results := s.db.q(ctx).SendBatch(ctx, batch)
	w, err := readWhole(results, history)
	if closing := results.Close(); err == nil {
		err = closing
	}
	if err != nil {
		return nil, fault(err, "read the sheet of object %v", arg)
	}
	return w, nil
}

func readWhole(results pgx.BatchResults, history bool) (*collection.Whole, error) {
	w := &collection.Whole{Attributions: []collection.AttributionLine{}, Superseded: []collection.ComponentMaterial{}}
	rows, _ := results.Query()
	o, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[collection.Object])
	if err != nil {
		return nil, err
	}
	w.Object = o
	rows, _ = results.Query()
	components, err := pgx.CollectRows(rows, pgx.RowToStructByName[collection.Component])
	if err != nil {
		return nil, err
	}
	w.Components = collection.Arrange(components)
	rows, _ = results.Query()
	materials, err := pgx.CollectRows(rows, pgx.RowToStructByName[collection.ComponentMaterial])
	if err != nil {
		return nil, err
	}
	w.Materials = []collection.ComponentMaterial{}
	for _, m := range materials {
		if m.SupersededAt == nil {
			w.Materials = append(w.Materials, m)
		} else {
			w.Superseded = append(w.Superseded, m)
		}
	}
	rows, _ = results.Query()
	if w.Joints, err = pgx.CollectRows(rows, pgx.RowToStructByName[collection.Joint]); err != nil {
		return nil, err
	}
	rows, _ = results.Query()
	if w.Hazards, err = pgx.CollectRows(rows, pgx.RowToStructByName[collection.Hazard]); err != nil {
		return nil, err
	}
	if history {
		rows, _ = results.Query()
		if w.Attributions, err = pgx.CollectRows(rows, pgx.RowToStructByName[collection.AttributionLine]); err != nil {
			return nil, err
		}
		rows, _ = results.Query()
		if w.Held, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[collection.Held]); err != nil {
			return nil, err
		}
	}
	return w, nil
}

// Attributions lists all that was said of a component's belonging, the newest first.
func (s *Collection) Attributions(ctx context.Context, componentID domain.ID) ([]collection.AttributionLine, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+attributionColumns+` from attribution t join person p on p.id = t.author_id
		where t.component_id = $1 order by t.at desc, t.id desc`, componentID)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[collection.AttributionLine])
	if err == nil && len(all) == 0 { // every component has one from its first day
		err = pgx.ErrNoRows
	}
	return all, fault(err, "list attributions of component %s", componentID)
}

// Identifications lists all that was said of a component's materials, the newest first.
func (s *Collection) Identifications(ctx context.Context, componentID domain.ID) ([]collection.ComponentMaterial, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+materialOfColumns+` from `+materialOfTables+`
		where cm.component_id = $1 order by cm.at desc, cm.id desc`, componentID)
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[collection.ComponentMaterial])
	if err == nil && len(all) == 0 {
		var one int
		err = s.db.q(ctx).QueryRow(ctx, `select 1 from component where id = $1`, componentID).Scan(&one)
	}
	return all, fault(err, "list identifications of component %s", componentID)
}

// objectArgs are the columns that a person or the program sets.
func objectArgs(o *collection.Object) pgx.NamedArgs {
	number := collection.Number(o.Number)
	former := make([]string, len(o.FormerNumbers))
	for i, n := range o.FormerNumbers {
		former[i] = collection.LooseKey(n)
	}
	return pgx.NamedArgs{
		"id": o.ID, "number": o.Number, "number_key": number.Key(), "loose_key": collection.LooseKey(o.Number), "sort_key": number.SortKey(),
		"former_numbers": o.FormerNumbers, "former_keys": former, "title": o.Title, "description": o.Description, "kind": o.Kind,
		"makers": o.Makers, "date_made": o.DateMade, "date_earliest": o.DateEarliest, "date_latest": o.DateLatest, "place_made": o.PlaceMade,
		"subject": o.Subject, "features": o.Features, "dimensions": o.Dimensions, "mass_kg": o.MassKG, "legal_status": o.LegalStatus,
		"owner": o.Owner, "department": o.Department, "marks": o.Marks, "not_known": o.NotKnown, "face_photo_id": o.FacePhotoID,
		"version": o.Version, "created_at": o.CreatedAt, "created_by": o.CreatedBy,
	}
}

// Add writes new objects, all or none.
func (s *Collection) Add(ctx context.Context, objects ...*collection.Object) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		for some := range slices.Chunk(objects, addedAtOnce) {
			if err := s.add(ctx, tx, some); err != nil {
				return err
			}
		}
		return nil
	})
}

// addedAtOnce is how many objects go to the database before their answers are waited for.
const addedAtOnce = 500

func (s *Collection) add(ctx context.Context, tx pgx.Tx, objects []*collection.Object) error {
	batch, ids := &pgx.Batch{}, make([]domain.ID, len(objects))
	var events []domain.Event
	for i, o := range objects {
		ids[i], events = o.ID, append(events, o.Events()...)
		batch.Queue(`
			insert into object (id, number, number_key, loose_key, sort_key, former_numbers, former_keys, title, description, kind, makers,
				date_made, date_earliest, date_latest, place_made, subject, features, dimensions, mass_kg, legal_status, owner,
				department, marks, not_known, face_photo_id, version, created_at, created_by)
			values (@id, @number, @number_key, @loose_key, @sort_key, @former_numbers, @former_keys, @title, @description, @kind, @makers,
				@date_made, @date_earliest, @date_latest, @place_made, @subject, @features, @dimensions, @mass_kg, @legal_status, @owner,
				@department, @marks, @not_known, @face_photo_id, @version, @created_at, @created_by)`, objectArgs(o))
	}
	results := tx.SendBatch(ctx, batch)
	for i, o := range objects {
		if _, err := results.Exec(); err != nil {
			_ = results.Close() // says the same again
			return numbered(fault(err, "add object %s", o.ID), objects, i)
		}
	}
	if err := results.Close(); err != nil {
		return fault(err, "add %d objects", len(objects))
	}
	if err := refreshWords(ctx, tx, ids...); err != nil {
		return err
	}
	return s.db.addEvents(ctx, events...)
}

// numbered says of which of several objects a refusal speaks.
func numbered(err error, objects []*collection.Object, i int) error {
	var e *domain.Error
	if len(objects) == 1 || !errors.As(err, &e) || e.Kind == domain.KindUnavailable {
		return err
	}
	said := *e
	said.Message = objects[i].Number + ": " + e.Message
	return &said
}

// NumbersTaken says which of the numbers objects have, by their keys.
func (s *Collection) NumbersTaken(ctx context.Context, numbers []collection.Number) (map[string]bool, error) {
	keys := make([]string, len(numbers))
	for i, n := range numbers {
		keys[i] = n.Key()
	}
	rows, _ := s.db.q(ctx).Query(ctx, `select number_key from object where number_key = any($1)`, keys)
	found, err := pgx.CollectRows(rows, pgx.RowTo[string])
	taken := map[string]bool{}
	for _, key := range found {
		taken[key] = true
	}
	return taken, fault(err, "look for %d numbers", len(keys))
}

// lock reads an object under lock and checks the version that the writer saw.
func (s *Collection) lock(ctx context.Context, tx pgx.Tx, id domain.ID, version int64) (collection.Object, error) {
	rows, _ := tx.Query(ctx, `select `+objectColumns+` from object o where o.id = $1 for update`, id)
	o, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[collection.Object])
	if err != nil {
		return o, fault(err, "read object %s", id)
	}
	if o.Version != version {
		return o, domain.ErrStale
	}
	return o, nil
}

// Update changes an object under lock. When nothing was raised, nothing is written.
func (s *Collection) Update(ctx context.Context, id domain.ID, version int64, change func(*collection.Object) error) (*collection.Object, error) {
	var o collection.Object
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if o, err = s.lock(ctx, tx, id, version); err != nil {
			return err
		}
		if err := change(&o); err != nil {
			return err
		}
		if len(o.Events()) == 0 {
			return nil
		}
		o.Version++
		_, err = tx.Exec(ctx, `
			update object set number = @number, number_key = @number_key, loose_key = @loose_key, sort_key = @sort_key,
				former_numbers = @former_numbers, former_keys = @former_keys, title = @title, description = @description, kind = @kind,
				makers = @makers, date_made = @date_made, date_earliest = @date_earliest, date_latest = @date_latest,
				place_made = @place_made, subject = @subject, features = @features, dimensions = @dimensions, mass_kg = @mass_kg,
				legal_status = @legal_status, owner = @owner, department = @department, marks = @marks, not_known = @not_known,
				face_photo_id = @face_photo_id, version = @version
			where id = @id`, objectArgs(&o))
		if err != nil {
			return fault(err, "change object %s", id)
		}
		if err := refreshWords(ctx, tx, id); err != nil {
			return err
		}
		return s.db.addEvents(ctx, o.Events()...)
	})
	if err != nil {
		return nil, err
	}
	return &o, nil
}

// Delete takes a record back (C4). A record of another area that is about the object refuses by its
// foreign key.
func (s *Collection) Delete(ctx context.Context, id domain.ID, version int64, by domain.Actor, at time.Time, allowed func(*collection.Sheet, bool) error) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := s.lock(ctx, tx, id, version); err != nil {
			return err
		}
		sheet, err := s.Sheet(ctx, collection.Part{Of: collection.ByObject, ID: id})
		if err != nil {
			return err
		}
		var signed bool
		if err := tx.QueryRow(ctx, `select exists (select from seal where object_id = $1)`, id).Scan(&signed); err != nil {
			return fault(err, "look for seals of object %s", id)
		}
		if err := allowed(sheet, signed); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `delete from object where id = $1`, id)
		var refused *pgconn.PgError
		if errors.As(err, &refused) && refused.Code == "23503" { // foreign_key_violation
			return &domain.Error{Kind: domain.KindConflict, Code: "C4", Err: err,
				Message: "There are other records about " + sheet.Object.Number + ", so its record stays. When it left the collection, set its legal status to 'former'."}
		}
		if err != nil {
			return fault(err, "delete object %s", id)
		}
		owner := sheet.Object.Owner
		sheet.Object.Owner = ""
		events := []domain.Event{{At: at, ActorID: &by.ID, Area: "collection", Subject: id, Object: &id, Kind: "deleted", Change: sheet.Object}}
		if owner != "" {
			events = append(events, domain.Event{At: at, ActorID: &by.ID, Area: "collection", Subject: id, Object: &id, Kind: "owner_changed",
				Change: map[string]any{"owner": [2]string{owner, ""}}})
		}
		return s.db.addEvents(ctx, events...)
	})
}

// MakeUp changes the make-up of an object under its lock, so that two changes cannot together make
// what either alone may not.
func (s *Collection) MakeUp(ctx context.Context, of collection.Part, decide func(*collection.Sheet) (collection.Change, error)) (*collection.Sheet, error) {
	var sheet *collection.Sheet
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var id domain.ID
		if err := tx.QueryRow(ctx, `select id from object where id = `+objectOf[of.Of]+` for update`, of.ID).Scan(&id); err != nil {
			return fault(err, "lock the object of %s %s", of.Of, of.ID)
		}
		object := collection.Part{Of: collection.ByObject, ID: id}
		var err error
		if sheet, err = s.Sheet(ctx, object); err != nil {
			return err
		}
		change, err := decide(sheet)
		if err != nil {
			return err
		}
		if len(change.Events) == 0 {
			return nil
		}
		if err := fault(s.db.q(ctx).SendBatch(ctx, statements(change)).Close(), "change the make-up of object %s", id); err != nil {
			return err
		}
		if change.NewComponent != nil || change.Component != nil || change.Identification != nil {
			if err := refreshWords(ctx, tx, id); err != nil {
				return err
			}
		}
		if err := s.db.addEvents(ctx, change.Events...); err != nil {
			return err
		}
		sheet, err = s.Sheet(ctx, object)
		return err
	})
	if err != nil {
		return nil, err
	}
	return sheet, nil
}

// statements writes a change.
func statements(change collection.Change) *pgx.Batch {
	batch := &pgx.Batch{}
	if c := change.NewComponent; c != nil {
		batch.Queue(`
			insert into component (id, object_id, parent_id, label, sort_key, name, side, layer_order, function, joined_how, count, dimensions,
				mass_kg, removal, removal_reason, attribution, came_from_id, version, created_at)
			values (@id, @object_id, @parent_id, @label, @sort_key, @name, @side, @layer_order, @function, @joined_how, @count, @dimensions,
				@mass_kg, @removal, @removal_reason, @attribution, @came_from_id, @version, @created_at)`, componentArgs(c))
	}
	if c := change.Component; c != nil {
		batch.Queue(`
			update component set parent_id = @parent_id, name = @name, side = @side, layer_order = @layer_order, function = @function,
				joined_how = @joined_how, count = @count, dimensions = @dimensions, mass_kg = @mass_kg, removal = @removal,
				removal_reason = @removal_reason, attribution = @attribution, came_from_id = @came_from_id, version = @version
			where id = @id`, componentArgs(c))
	}
	if a := change.Attribution; a != nil {
		batch.Queue(`insert into attribution (id, component_id, attribution, evidence, author_id, at) values ($1, $2, $3, $4, $5, $6)`,
			a.ID, a.ComponentID, a.Attribution, a.Evidence, a.AuthorID, a.At)
	}
	if m := change.Identification; m != nil {
		if len(change.Superseded) > 0 {
			batch.Queue(`update component_material set superseded_at = $2 where id = any($1) and superseded_at is null`, change.Superseded, m.At)
		}
		batch.Queue(`
			insert into component_material (id, component_id, material_key, role, share_percent, thickness_mm, identified_by, confidence,
				evidence, investigation_id, author_id, at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`,
			m.ID, m.ComponentID, m.MaterialKey, m.Role, m.SharePercent, m.ThicknessMM, m.IdentifiedBy, m.Confidence,
			m.Evidence, m.InvestigationID, m.AuthorID, m.At)
	}
	if j := change.NewJoint; j != nil {
		batch.Queue(`
			insert into joint (id, object_id, a_id, b_id, meets, contact, gap_mm, gas_tight, state, note, version)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
			j.ID, j.ObjectID, j.AID, j.BID, j.Meets, j.Contact, j.GapMM, j.GasTight, j.State, j.Note, j.Version)
	}
	if j := change.Joint; j != nil {
		batch.Queue(`update joint set meets = $2, contact = $3, gap_mm = $4, gas_tight = $5, state = $6, note = $7, version = $8 where id = $1`,
			j.ID, j.Meets, j.Contact, j.GapMM, j.GasTight, j.State, j.Note, j.Version)
	}
	if id := change.RemovedJoint; id != nil {
		batch.Queue(`delete from joint where id = $1`, *id)
	}
	if h := change.NewHazard; h != nil {
		batch.Queue(`
			insert into hazard (id, object_id, component_id, kind, certainty, known_by, place, state, controls, assessed_by, document, note,
				author_id, at, judged_by_id, judged_at, review_on, version)
			values (@id, @object_id, @component_id, @kind, @certainty, @known_by, @place, @state, @controls, @assessed_by, @document, @note,
				@author_id, @at, @judged_by_id, @judged_at, @review_on, @version)`, hazardArgs(h))
	}
	if h := change.Hazard; h != nil {
		batch.Queue(`
			update hazard set component_id = @component_id, certainty = @certainty, known_by = @known_by, place = @place, state = @state,
				controls = @controls, assessed_by = @assessed_by, document = @document, note = @note, judged_by_id = @judged_by_id,
				judged_at = @judged_at, review_on = @review_on, version = @version
			where id = @id`, hazardArgs(h))
	}
	return batch
}

func componentArgs(c *collection.Component) pgx.NamedArgs {
	return pgx.NamedArgs{
		"id": c.ID, "object_id": c.ObjectID, "parent_id": c.ParentID, "label": c.Label, "sort_key": collection.Label(c.Label).SortKey(),
		"name": c.Name, "side": c.Side, "layer_order": c.LayerOrder, "function": c.Function, "joined_how": c.JoinedHow, "count": c.Count,
		"dimensions": c.Dimensions, "mass_kg": c.MassKG, "removal": c.Removal, "removal_reason": c.RemovalReason,
		"attribution": c.Attribution, "came_from_id": c.CameFromID, "version": c.Version, "created_at": c.CreatedAt,
	}
}

func hazardArgs(h *collection.Hazard) pgx.NamedArgs {
	var review *string
	if h.ReviewOn != "" {
		review = &h.ReviewOn
	}
	return pgx.NamedArgs{
		"id": h.ID, "object_id": h.ObjectID, "component_id": h.ComponentID, "kind": h.Kind, "certainty": h.Certainty, "known_by": h.KnownBy,
		"place": h.Where, "state": h.State, "controls": h.Controls, "assessed_by": h.AssessedBy, "document": h.Document, "note": h.Note,
		"author_id": h.AuthorID, "at": h.At, "judged_by_id": h.JudgedByID, "judged_at": h.JudgedAt, "review_on": review, "version": h.Version,
	}
}
