package main

import (
	"fmt"
	"net/url"
	"strings"

	"github.com/jackc/pgx/v5"

	"farthingale/cmd/loadtest/drive"
)

// What follows is the least SQL that reads what an endpoint shows, written for nothing else: all of it in
// one round trip, nothing asked of who may see it. It is what the program is measured against.

const (
	bareObject = `select o.id, o.number, o.former_numbers, o.title, o.description, o.kind, o.makers, o.date_made, o.date_earliest, o.date_latest, o.place_made, o.subject,
		o.features, o.dimensions, o.mass_kg, o.legal_status, o.owner, o.department, o.marks, o.not_known, o.face_photo_id, o.version, o.created_at, o.created_by
		from object o where o.id = $1`
	bareComponents = `select id, object_id, parent_id, label, name, side, layer_order, function, joined_how, count, dimensions, mass_kg, removal, removal_reason, attribution,
		came_from_id, version, created_at from component where object_id = $1`
	bareMaterials = `select cm.id, cm.component_id, cm.material_key, m.name, m.family, m.hazard_kinds, cm.role, cm.share_percent, cm.thickness_mm, cm.identified_by, cm.confidence,
		cm.evidence, cm.author_id, p.name, cm.at, cm.superseded_at
		from component c join component_material cm on cm.component_id = c.id join person p on p.id = cm.author_id left join material m on m.key = cm.material_key where c.object_id = $1`
	bareJoints  = `select id, object_id, a_id, b_id, meets, contact, gap_mm, gas_tight, state, note, version from joint where object_id = $1`
	bareHazards = `select h.id, h.component_id, h.kind, h.certainty, h.known_by, h.place, h.state, h.controls, h.assessed_by, h.document, h.note, h.author_id, a.name, h.at, j.name,
		h.judged_at, h.review_on, h.version from hazard h join person a on a.id = h.author_id join person j on j.id = h.judged_by_id where h.object_id = $1`
	bareAttributions = `select t.id, t.component_id, t.attribution, t.evidence, t.author_id, p.name, t.at
		from component c join attribution t on t.component_id = c.id join person p on p.id = t.author_id where c.object_id = $1`
	barePhoto = `select id from photo where object_id = $1 order by uploaded_at desc, id desc limit 1`
	bareHere  = `with recursive up (at, id, parent_id, name, depth) as (
			select m.id, p.id, p.parent_id, p.name, 0 from placement m join place p on p.id = m.place_id where m.object_id = $1 and upper_inf(m.during)
			union all select u.at, p.id, p.parent_id, p.name, u.depth + 1 from up u join place p on p.id = u.parent_id)
		select at, string_agg(name, ' › ' order by depth desc) from up group by at`
	bareMoves = `select m.id, lower(m.during), upper(m.during), m.reason, p.name, a.name, (select string_agg(x.name, ', ') from placement_mover w join person x on x.id = w.person_id where w.placement_id = m.id)
		from placement m left join place p on p.id = m.place_id join person a on a.id = m.authorised_by where m.object_id = $1 order by lower(m.during) desc limit 5`
	bareHandlings = `select h.id, h.started_at, h.minutes, h.purpose, h.noticed, h.note, h.controls, h.under_stop, r.name,
			(select string_agg(p.name, ', ' order by x.position) from handling_person x join person p on p.id = x.person_id where x.handling_id = h.id),
			(select string_agg(c.label || ' ' || c.name, ', ') from handling_component x join component c on c.id = x.component_id where x.handling_id = h.id)
		from handling h join person r on r.id = h.recorded_by where h.object_id = $1 order by h.started_at desc, h.id desc limit 5`
	bareStops      = `select s.id, s.signs, s.note, s.raised_at, r.at from stop s left join stop_release r on r.stop_id = s.id where s.object_id = $1`
	bareTreatments = `select id, number, title, state, standing, movers, changed_at, in_charge_name from treatment where object_id = $1 order by changed_at desc, id desc limit 20`
	bareEmergency  = `select e.id, e.imminent, e.due_at from work w join emergency e on e.id = w.id where w.object_id = $1 and e.outcome = ''`
	bareLoans      = `select l.id, l.reference, l.state, l.borrower_name from loan_line n join loan l on l.id = n.loan_id where n.object_id = $1`
	// The sections of condition, of what attacks what, of air, and of what else the page of an object shows.
	bareExaminations = `select id, state, occasion, examined_on, examiner_name, overall, priority, next_check_on, alarm, open_since
		from examination where object_id = $1 order by examined_on desc, id desc limit 10`
	bareObservations = `select x.id, x.component_id, x.called, x.term, x.term_name, x.severity, x.activity, x.extent_kind, x.extent_value, x.status from examination_observation x
		where x.examination_id = (select id from examination where object_id = $1 and state = 'signed' order by examined_on desc, id desc limit 1)`
	bareFindings = `select * from (select id, severity, says, meets, emitter_part, receptor_part, accepted_until from finding where gone_at is null and object_id = $1
			union all select id, severity, says, meets, emitter_part, receptor_part, accepted_until from finding where gone_at is null and emitter_object_id = $1 and emitter_object_id <> object_id
			offset 0) f order by severity desc, id desc limit 20`
	bareFindingState   = `select computed_at, rules, notes from finding_computed where object_id = $1`
	bareIncidents      = `select id, stage, called, found, opened_at, answered_at from incident where object_id = $1 order by opened_at desc, id desc limit 10`
	bareSpots          = `select id, name, place, component_id from measurement_spot where object_id = $1`
	bareInvestigations = `select id, number, question, state, asked_at, techniques from investigation where object_id = $1 order by asked_at desc, id desc limit 10`
	bareEnclosures     = `select e.id, e.label, e.kind, (select jsonb_agg(s.name) from enclosure_space s where s.enclosure_id = e.id),
			(select count(*) from enclosure_member n where n.enclosure_id = e.id) from enclosure_member m join enclosure e on e.id = m.enclosure_id where m.object_id = $1`
	bareRecommendations = `select r.id, r.text, r.made_at, x.outcome from enclosure_recommendation r left join enclosure_recommendation_end x on x.recommendation_id = r.id
		where r.object_id = $1 order by r.made_at desc, r.id desc limit 20`
	barePhotos = `select id, view, stage, caption, taken_clock, thumbnail_sha256, preview_state, array(select c.component_id from photo_component c where c.photo_id = photo.id)
		from photo where object_id = $1 order by uploaded_at desc, id desc limit 4`
	bareTotals = `select date_trunc('month', started_at), count(*), sum(minutes), sum(lifts) from handling where object_id = $1 group by 1`
	bareList   = `select o.id, o.number, o.title, o.kind, o.makers, o.date_made, o.department, o.legal_status, o.face_photo_id,
			(select jsonb_agg(jsonb_build_object('kind', h.kind, 'certainty', h.certainty)) from hazard h where h.object_id = o.id and h.certainty <> 'ruled_out' and h.state <> 'removed')
		from object o where (o.sort_key, o.id) > ($1, $2) order by o.sort_key, o.id limit 51`
	bareWords = `with o as materialized (select * from object where words @@ $1::text::tsquery)
		select o.id, o.number, o.title, o.kind, o.makers, o.date_made, o.department, o.legal_status, o.face_photo_id
		from o order by o.sort_key, o.id limit 51`
	// What a page shows beside a list: where its objects and their parts are, what stops them, and what the
	// list can be narrowed by.
	bareOfList  = `select o.id from object o where (o.sort_key, o.id) > ($1, $2) order by o.sort_key, o.id limit 51`
	bareOfWord  = `select o.id from (select o.id, o.sort_key from object o where o.words @@ $1::text::tsquery offset 0) o order by o.sort_key, o.id limit 51`
	bareAllHere = `with recursive up (at, id, parent_id, name, depth) as (
			select m.id, p.id, p.parent_id, p.name, 0 from placement m join place p on p.id = m.place_id
				where m.object_id = any(array(%s)) and m.state <> 'with_whole' and upper_inf(m.during)
			union all select u.at, p.id, p.parent_id, p.name, u.depth + 1 from up u join place p on p.id = u.parent_id)
		select m.object_id, m.component_id, m.state, lower(m.during), p.path
		from (select at, string_agg(name, ' › ' order by depth desc) as path from up group by at) p join placement m on m.id = p.at`
	bareAllStops = `select s.id, s.object_id, s.signs, s.note, s.raised_at from stop s
		where s.object_id = any(array(%s)) and not exists (select from stop_release r where r.stop_id = s.id)`
	bareDepartments = `with recursive v (v) as ((select department from object order by department limit 1)
		union all select (select department from object where department > v order by department limit 1) from v where v is not null) select v from v`
	bareKinds = `with recursive v (v) as ((select kind from object where kind > '' order by kind limit 1)
		union all select (select kind from object where kind > v order by kind limit 1) from v where v is not null) select v from v`
	bareHazardKinds = `with recursive v (v) as ((select kind from hazard where certainty <> 'ruled_out' and state <> 'removed' order by kind limit 1)
		union all select (select kind from hazard where certainty <> 'ruled_out' and state <> 'removed' and kind > v order by kind limit 1)
			from v where v is not null) select v from v`
	bareTreatment = `select t.id, t.state, t.proposal, t.completion, t.completed, t.signed, t.standing, o.number, o.title, o.department from treatment t join object o on o.id = t.object_id where t.id = $1`
	bareVersions  = `select id, amendment, number, text, legend, sha256, submitted_by_name, submitted_at from treatment_version where treatment_id = $1`
	bareDecisions = `select id, outcome, statement, by_name, at, conditions from treatment_decision where treatment_id = $1`
	bareWork      = `select w.id, w.kind, w.happened_at, w.method, w.minutes, w.note, (select jsonb_agg(h.name) from work_hand h where h.work_id = w.id),
			(select jsonb_agg(c.called) from work_component c where c.work_id = w.id), (select jsonb_agg(to_jsonb(m)) from work_material m where m.work_id = w.id)
		from work w where w.treatment_id = $1`
	bareParties    = `select person_id, name, side, why, at from treatment_party where treatment_id = $1`
	bareConditions = `select id, number, binds, text, acknowledged, fulfilment from treatment_condition where treatment_id = $1`
	// What its page shows beside it: the object with its parts, its photographs, and who may take it in charge.
	bareTreated = `select c.id, c.label, c.name, o.number, o.title, o.face_photo_id from treatment t join object o on o.id = t.object_id
		left join component c on c.object_id = o.id where t.id = $1`
	bareTreatedPhotos = `select p.id, p.view, p.stage, p.taken_clock, array(select c.component_id from photo_component c where c.photo_id = p.id)
		from treatment t join photo p on p.object_id = t.object_id where t.id = $1`
	barePeople = `select id, name, roles, departments from person where closed_at is null order by name, id limit 201`
)

// and adds statements without arguments.
func and(b *pgx.Batch, statements ...string) *pgx.Batch {
	for _, sql := range statements {
		b.Queue(sql)
	}
	return b
}

func batch(arg any, statements ...string) *pgx.Batch {
	b := &pgx.Batch{}
	for _, sql := range statements {
		b.Queue(sql, arg)
	}
	return b
}

// besides are the endpoints that are compared.
func besides() []beside {
	object := func(c *drive.Catalogue, i int) drive.Object { return c.Objects[i%len(c.Objects)] }
	whole := []string{bareObject, bareComponents, bareMaterials, bareJoints, bareHazards, bareAttributions, barePhoto}
	page := append(whole[:len(whole):len(whole)], bareHere, bareMoves, bareHandlings, bareStops, bareTreatments, bareEmergency, bareLoans,
		bareExaminations, bareObservations, bareFindings, bareFindingState, bareIncidents, bareSpots, bareInvestigations, bareEnclosures, bareRecommendations, barePhotos, bareTotals)
	treatment := []string{bareTreatment, bareParties, bareVersions, bareDecisions, bareConditions, bareWork}
	list := func(c *drive.Catalogue, i int) *pgx.Batch {
		b := &pgx.Batch{}
		b.Queue(bareList, object(c, i).SortKey, object(c, i).ID)
		return b
	}
	listPage := func(c *drive.Catalogue, i int) *pgx.Batch {
		b := list(c, i)
		for _, beside := range []string{bareAllHere, bareAllStops} {
			b.Queue(fmt.Sprintf(beside, bareOfList), object(c, i).SortKey, object(c, i).ID)
		}
		return and(b, bareDepartments, bareKinds, bareHazardKinds)
	}
	words := func(c *drive.Catalogue, i int) *pgx.Batch {
		return batch("'"+strings.ToLower(c.Makers[i%len(c.Makers)])+"':*", bareWords)
	}
	wordsPage := func(c *drive.Catalogue, i int) *pgx.Batch {
		b := batch("'"+strings.ToLower(c.Makers[i%len(c.Makers)])+"':*", bareWords, fmt.Sprintf(bareAllHere, bareOfWord), fmt.Sprintf(bareAllStops, bareOfWord))
		return and(b, bareDepartments, bareKinds, bareHazardKinds)
	}
	find := func(path string) func(c *drive.Catalogue, i int) string {
		return func(c *drive.Catalogue, i int) string {
			return path + "?q=" + url.QueryEscape(c.Makers[i%len(c.Makers)])
		}
	}
	deep := func(path string) func(c *drive.Catalogue, i int) string {
		return func(c *drive.Catalogue, i int) string { return path + "?cursor=" + object(c, i).After() }
	}
	return []beside{
		{"object sheet, JSON", func(c *drive.Catalogue, i int) string {
			return "/api/v1/objects/" + object(c, i).ID.String() + "/sheet"
		}, false,
			func(c *drive.Catalogue, i int) *pgx.Batch { return batch(object(c, i).ID, whole...) }, 2.5},
		{"object sheet, page", func(c *drive.Catalogue, i int) string { return "/objects/" + object(c, i).Number }, true,
			func(c *drive.Catalogue, i int) *pgx.Batch { return batch(object(c, i).ID, page...) }, 6},
		{"list of objects, JSON", deep("/api/v1/objects"), false, list, 2.5},
		{"list of objects, page", deep("/objects"), true, listPage, 6},
		{"search by a rare word, JSON", find("/api/v1/objects"), false, words, 2.5},
		{"search by a rare word, page", find("/objects"), true, wordsPage, 6},
		{"treatment, JSON", func(c *drive.Catalogue, i int) string {
			return "/api/v1/treatments/" + c.Treatments[i%len(c.Treatments)].String()
		}, false,
			func(c *drive.Catalogue, i int) *pgx.Batch {
				return batch(c.Treatments[i%len(c.Treatments)], treatment...)
			}, 2.5},
		{"treatment, page", func(c *drive.Catalogue, i int) string {
			return "/treatments/" + c.Treatments[i%len(c.Treatments)].String()
		}, true,
			func(c *drive.Catalogue, i int) *pgx.Batch {
				return and(batch(c.Treatments[i%len(c.Treatments)], append(treatment[:len(treatment):len(treatment)], bareTreated, bareTreatedPhotos)...), barePeople)
			}, 6},
		{"handlings of an object, JSON", func(c *drive.Catalogue, i int) string {
			return "/api/v1/objects/" + object(c, i).ID.String() + "/handlings"
		}, false,
			func(c *drive.Catalogue, i int) *pgx.Batch { return batch(object(c, i).ID, bareHandlings) }, 0},
		{"where an object is, JSON", func(c *drive.Catalogue, i int) string {
			return "/api/v1/objects/" + object(c, i).ID.String() + "/whereabouts"
		}, false,
			func(c *drive.Catalogue, i int) *pgx.Batch { return batch(object(c, i).ID, bareHere) }, 0},
	}
}
