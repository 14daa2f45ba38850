package seed

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/record"
)

// table is a table that is filled, by its place in the order in which foreign keys allow it.
type table int

const (
	objects table = iota
	photos
	components
	attributions
	identifications
	joints
	hazards
	photoComponents
	handlings
	handlingPeople
	handlingComponents
	handlingFlexes
	placements
	placementMovers
	placementHandlings
	stops
	stopComponents
	stopReleases
	treatments
	treatmentParties
	treatmentVersions
	treatmentScopes
	treatmentAmendments
	treatmentDecisions
	treatmentConditions
	works
	workHands
	workComponents
	workMaterials
	emergencies
	loans
	loanLines
	loanStages
	enclosures
	enclosureSpaces
	enclosureMembers
	recommendations
	recommendationEnds
	examinations
	examinationComponents
	examinationObservations
	examinationAnswers
	notices
	noticeReaders
	events
	tableCount
)

// columns are a table's name and the columns that are filled, in their order.
var columns = [tableCount]struct{ name, columns string }{
	objects: {"object", `id number number_key loose_key sort_key former_numbers former_keys title description kind makers date_made date_earliest
		date_latest place_made subject features dimensions mass_kg legal_status owner department marks not_known face_photo_id version created_at created_by parts`},
	photos: {"photo", `id object_id view light stage scale_present colour_target_present caption photographer taken_clock taken_offset_minutes camera
		original_sha256 file_name width_px height_px orientation holds_position preview_state preview_reason screen_sha256 screen_width_px
		screen_height_px thumbnail_sha256 thumbnail_width_px thumbnail_height_px preview_asked_at uploaded_by uploaded_at version`},
	components: {"component", `id object_id parent_id label sort_key name side layer_order function joined_how count dimensions mass_kg removal
		removal_reason attribution came_from_id version created_at`},
	attributions: {"attribution", `id component_id attribution evidence author_id at`},
	identifications: {"component_material", `id component_id material_key role share_percent thickness_mm identified_by confidence evidence author_id at
		superseded_at`},
	joints: {"joint", `id object_id a_id b_id meets contact gap_mm gas_tight state note version`},
	hazards: {"hazard", `id object_id component_id kind certainty known_by place state controls assessed_by document note author_id at judged_by_id
		judged_at version`},
	photoComponents: {"photo_component", `photo_id object_id component_id`},
	handlings: {"handling", `id object_id started_at minutes recorded_at recorded_by other_handlers purpose from_position to_position lifts support
		gloves noticed note controls hazards unassessed evacuation under_stop`},
	handlingPeople:     {"handling_person", `handling_id person_id position`},
	handlingComponents: {"handling_component", `handling_id object_id component_id`},
	handlingFlexes:     {"handling_flex", `handling_id position joint side movement degrees times`},
	placements: {"placement", `id object_id component_id state place_id from_place_id to_place_id carrier during reason other_movers authorised_by
		container condition expected_return evacuation recorded_by recorded_at`},
	placementMovers:    {"placement_mover", `placement_id person_id position`},
	placementHandlings: {"placement_handling", `placement_id object_id handling_id`},
	stops:              {"stop", `id object_id object_number department handling_id signs note raised_at raised_by raised_by_name handler_ids`},
	stopComponents:     {"stop_component", `stop_id object_id component_id position called`},
	stopReleases:       {"stop_release", `stop_id at released_by released_by_name reason found limits curator_note curator_name`},
	treatments: {"treatment", `id object_id number title state hold in_charge_id in_charge_name proposal approved_at term_ends_at completion completed
		withdrawn lapsed_at standing movers version created_at changed_at`},
	treatmentParties:    {"treatment_party", `treatment_id person_id name side why at`},
	treatmentVersions:   {"treatment_version", `id treatment_id amendment number text legend sha256 submitted_by_id submitted_by_name submitted_at voided`},
	treatmentScopes:     {"treatment_scope", `version_id line component_id and_its_parts method_key material_keys`},
	treatmentAmendments: {"treatment_amendment", `treatment_id number state text created_by_id created_by_name created_at withdrawn`},
	treatmentDecisions: {"treatment_decision", `id treatment_id amendment version_number sha256 outcome owner_consent conditions by_id by_name by_roles
		statement at`},
	treatmentConditions: {"treatment_condition", `id treatment_id decision_id amendment number binds text acknowledged fulfilment`},
	works: {"work", `id kind treatment_id object_id happened_at recorded_at recorded_by_id recorded_by_name late under_id under_name method method_key
		tool temperature_c humidity_percent observed_before observed_after removed removed_to minutes photographs gloves noticed controls came_away note
		what why against`},
	workHands:      {"work_hand", `work_id line person_id name`},
	workComponents: {"work_component", `work_id line component_id called`},
	workMaterials: {"work_material", `work_id line material_key auxiliary name product product_key batch batch_key concentration unit solvent
		amount`},
	emergencies:        {"emergency", `id imminent noticed_at methods left_undone due_at outcome conditions ratification version`},
	loans:              {"loan", `id year number reference state borrower_name purpose from_on until_on requested_on terms version created_at created_by created_by_name`},
	loanLines:          {"loan_line", `id loan_id position object_id`},
	loanStages:         {"loan_stage", `id loan_id kind statement by_id by_name at`},
	enclosures:         {"enclosure", `id label kind note network version created_at created_by changed_at changed_by`},
	enclosureSpaces:    {"enclosure_space", `enclosure_id name exchange_per_day rh_pct`},
	enclosureMembers:   {"enclosure_member", `enclosure_id space object_id component_id`},
	recommendations:    {"enclosure_recommendation", `id enclosure_id enclosure_version object_id text changes changed differences made_at made_by`},
	recommendationEnds: {"enclosure_recommendation_end", `recommendation_id outcome reason at person_id`},
	examinations: {"examination", `id object_id state occasion examiner_id examiner_name examined_on place light technique handles overall overall_reason priority
		next_check_on risk recommendation follows_id created_at created_by changed_at changed_by version`},
	examinationComponents: {"examination_component", `examination_id object_id component_id seen reason called`},
	examinationObservations: {"examination_observation", `id examination_id object_id position component_id called term term_name severity activity extent_kind
		extent_value extent_of extent_basis status reason continues_id note cause`},
	examinationAnswers: {"examination_answer", `examination_id object_id kind reason by_id by_name at`},
	notices:            {"notice", `id at area subject_id object_id roles department text`},
	noticeReaders:      {"notice_reader", `notice_id person_id read_at`},
	events:             {"event", `id at actor_id area subject_id object_id kind change`},
}

// batch is some objects with everything about them, ready to be written.
type batch struct {
	rows   [tableCount][][]any
	signed []signed
	ends   []end

	signatures []signature
}

// add adds a row; its values are in the order of columns.
func (b *batch) add(t table, values ...any) { b.rows[t] = append(b.rows[t], values) }

// end is how a treatment goes on once its work is written: the database takes no work after that.
type end struct {
	treatment domain.ID
	signature any // nil: only completed
}

// The staged tables stand for those that point at each other: an object at its face, a photograph at its
// object. Both go into their tables by one statement. The words of an object are found by the same
// functions as when the program refreshes them.
const (
	stageSQL = `
		create temporary table if not exists staged_object (like object including defaults) on commit delete rows;
		alter table staged_object add column if not exists parts text;
		create temporary table if not exists staged_photo (like photo including defaults) on commit delete rows`
	placeSQL = `
		with found as (
			select o.id, words_in(concat_ws(' ', o.number, o.title, o.description, o.kind, o.place_made, o.subject, o.features,
				array_to_string(o.former_numbers, ' '), array_to_string(o.makers, ' '), o.parts,
				(select string_agg(concat_ws(' ', m ->> 'transcription', m ->> 'meaning', m ->> 'where'), ' ') from jsonb_array_elements(o.marks) m))) as word
			from staged_object o),
		known as (
			insert into word (word)
			select distinct word collate "C" from found where word !~ '^[0-9]' and length(word) >= 3 order by 1
			on conflict do nothing),
		grouped as (select id, array_to_tsvector(array_agg(distinct word)) as words from found group by id),
		whole as (
			insert into object (%[1]s, words) select %[2]s, g.words from staged_object o join grouped g on g.id = o.id order by o.id)
		insert into photo (%[3]s) select %[3]s from staged_photo order by id`
)

func placing() string {
	own := strings.Fields(columns[objects].columns)
	own = own[:len(own)-1] // without parts
	return fmt.Sprintf(placeSQL, strings.Join(own, ", "), "o."+strings.Join(own, ", o."), strings.Join(strings.Fields(columns[photos].columns), ", "))
}

// write puts the batch into its tables, in one transaction.
func (b *batch) write(ctx context.Context, conn *pgx.Conn) error {
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `set local synchronous_commit = off; set local client_min_messages = warning;`+stageSQL); err != nil {
			return fmt.Errorf("make the staged tables: %w", err)
		}
		for t := range tableCount {
			name := columns[t].name
			if t == objects || t == photos {
				name = "staged_" + name
			}
			if err := copyInto(ctx, tx, name, strings.Fields(columns[t].columns), b.rows[t]); err != nil {
				return err
			}
			if t == photos {
				if _, err := tx.Exec(ctx, placing()); err != nil {
					return fmt.Errorf("place objects and photographs: %w", err)
				}
			}
			if t == emergencies {
				if err := b.finish(ctx, tx); err != nil {
					return err
				}
			}
			if t == examinationObservations {
				if err := b.sign(ctx, tx); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

func copyInto(ctx context.Context, tx pgx.Tx, name string, columns []string, rows [][]any) error {
	if len(rows) == 0 {
		return nil
	}
	if _, err := tx.CopyFrom(ctx, pgx.Identifier{name}, columns, pgx.CopyFromRows(rows)); err != nil {
		return fmt.Errorf("fill %s: %w", name, err)
	}
	return nil
}

// finish completes and signs the treatments whose work is written.
func (b *batch) finish(ctx context.Context, tx pgx.Tx) error {
	if len(b.ends) == 0 {
		return nil
	}
	var completed, signed []domain.ID
	var signatures []any
	for _, e := range b.ends {
		completed = append(completed, e.treatment)
		if e.signature != nil {
			signed, signatures = append(signed, e.treatment), append(signatures, e.signature)
		}
	}
	if _, err := tx.Exec(ctx, `update treatment set state = 'completed' where id = any ($1)`, completed); err != nil {
		return fmt.Errorf("complete treatments: %w", err)
	}
	_, err := tx.Exec(ctx, `
		update treatment t set state = 'signed', signed = x.signed from unnest($1::uuid[], $2::jsonb[]) as x (id, signed) where t.id = x.id`, signed, signatures)
	if err != nil {
		return fmt.Errorf("sign treatments: %w", err)
	}
	return nil
}

// writeSeals puts seals into their table.
func writeSeals(ctx context.Context, conn *pgx.Conn, seals []record.Seal) error {
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		var rows [][]any
		for _, s := range seals {
			rows = append(rows, []any{s.Number, s.ID, s.Kind, s.SubjectID, s.ObjectID, s.At, s.ActorID, s.Document, []byte(s.SHA256), []byte(s.Previous), []byte(s.Hash)})
		}
		return copyInto(ctx, tx, "seal", strings.Fields("number id kind subject_id object_id at actor_id document document_sha256 previous hash"), rows)
	})
}

// Growing names the tables that grow with the collection.
func Growing() []string {
	names := []string{"seal", "file", "word", "finding", "finding_acceptance", "finding_computed", "finding_due", "object_condition"}
	for t := range tableCount {
		names = append(names, columns[t].name)
	}
	return names
}
