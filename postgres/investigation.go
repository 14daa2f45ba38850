package postgres

import (
	"context"
	"slices"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/investigation"
)

var investigationWords = map[string]*domain.Error{
	"investigation_never_deleted":                 {Kind: domain.KindRefused, Code: "R2", Message: "A question is never deleted; give it up with a reason."},
	"investigation_ended_stays":                   {Kind: domain.KindConflict, Code: "ended", Message: "This question was answered or given up. Ask a new one."},
	"investigation_consent_append_only":           {Kind: domain.KindRefused, Code: "R2", Message: "What was asked, decided, taken and found is never changed or deleted; record what is new beside it."},
	"investigation_consent_decision_append_only":  {Kind: domain.KindRefused, Code: "R2", Message: "What was asked, decided, taken and found is never changed or deleted; record what is new beside it."},
	"investigation_consent_by_another":            {Kind: domain.KindRefused, Code: "I1", Message: "Who asked for it does not decide on it."},
	"sample_append_only":                          {Kind: domain.KindRefused, Code: "R2", Message: "What was asked, decided, taken and found is never changed or deleted; record what is new beside it."},
	"sample_remainder_append_only":                {Kind: domain.KindRefused, Code: "R2", Message: "What was asked, decided, taken and found is never changed or deleted; record what is new beside it."},
	"investigation_finding_append_only":           {Kind: domain.KindRefused, Code: "R2", Message: "What was asked, decided, taken and found is never changed or deleted; record what is new beside it."},
	"investigation_finding_photo_append_only":     {Kind: domain.KindRefused, Code: "R2", Message: "What was asked, decided, taken and found is never changed or deleted; record what is new beside it."},
	"investigation_pkey":                          {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"investigation_number_unique":                 {Kind: domain.KindConflict, Code: "stale", Message: "Somebody else asked about this object at the same moment. Send yours again."},
	"investigation_object_unique":                 {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"investigation_object_fkey":                   {Kind: domain.KindNotFound, Code: "not_found", Message: "There is no such object."},
	"investigation_component_fkey":                {Kind: domain.KindInvalid, Code: "invalid", Message: "This is not a component of the object."},
	"investigation_asked_by_fkey":                 refusedByDatabase("There is no such person."),
	"investigation_ended_by_fkey":                 refusedByDatabase("There is no such person."),
	"investigation_number_positive":               refusedByDatabase("Questions are counted from 1."),
	"investigation_filled":                        {Kind: domain.KindInvalid, Code: "invalid", Message: "Write the question."},
	"investigation_state_known":                   refusedByDatabase("There is no such state."),
	"investigation_ended_whole":                   refusedByDatabase("An ended question says who ended it, when and how."),
	"investigation_consent_pkey":                  {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"investigation_consent_number_unique":         {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"investigation_consent_own_unique":            {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"investigation_consent_investigation_fkey":    refusedByDatabase("This does not belong to the question."),
	"investigation_consent_asked_by_fkey":         refusedByDatabase("There is no such person."),
	"investigation_consent_filled":                {Kind: domain.KindInvalid, Code: "invalid", Message: "A request names its technique, its reason and at least one site."},
	"investigation_consent_decision_pkey":         {Kind: domain.KindConflict, Code: "I1", Message: "This request was decided already."},
	"investigation_consent_decision_consent_fkey": refusedByDatabase("This does not belong to the question."),
	"investigation_consent_decision_person_fkey":  refusedByDatabase("There is no such person."),
	"investigation_consent_decision_filled":       {Kind: domain.KindInvalid, Code: "invalid", Message: "Write the statement; a consent has a last day."},
	"sample_pkey":                                 {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"sample_number_unique":                        {Kind: domain.KindStale, Code: "stale", Message: "Somebody else recorded a sample of this object at the same moment. Send yours again."},
	"sample_own_unique":                           {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"sample_investigation_fkey":                   refusedByDatabase("This does not belong to the question."),
	"sample_component_fkey":                       {Kind: domain.KindInvalid, Code: "invalid", Message: "This is not a component of the object."},
	"sample_consent_fkey":                         refusedByDatabase("This does not belong to the question."),
	"sample_recorded_by_fkey":                     refusedByDatabase("There is no such person."),
	"sample_filled":                               {Kind: domain.KindInvalid, Code: "invalid", Message: "Say by which technique, where, how large and by whom the sample was taken."},
	"sample_mass_positive":                        {Kind: domain.KindInvalid, Code: "invalid", Message: "The mass is more than 0."},
	"sample_authorised_or_explained":              {Kind: domain.KindRefused, Code: "I1", Message: "A sample is taken with consent, or it is explained why without."},
	"sample_remainder_pkey":                       {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"sample_remainder_sample_fkey":                refusedByDatabase("This does not belong to the question."),
	"sample_remainder_place_fkey":                 {Kind: domain.KindInvalid, Code: "invalid", Message: "There is no such place."},
	"sample_remainder_person_fkey":                refusedByDatabase("There is no such person."),
	"sample_remainder_state_known":                {Kind: domain.KindInvalid, Code: "invalid", Message: "A sample is kept, away, used up or lost."},
	"sample_remainder_placed":                     {Kind: domain.KindInvalid, Code: "I1", Message: "Say how much is left and where it lies."},
	"investigation_finding_pkey":                  {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"investigation_finding_position_unique":       {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"investigation_finding_object_unique":         {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"investigation_finding_investigation_fkey":    refusedByDatabase("This does not belong to the question."),
	"investigation_finding_component_fkey":        {Kind: domain.KindInvalid, Code: "invalid", Message: "This is not a component of the object."},
	"investigation_finding_sample_fkey":           refusedByDatabase("This does not belong to the question."),
	"investigation_finding_consent_fkey":          refusedByDatabase("This does not belong to the question."),
	"investigation_finding_identification_fkey":   refusedByDatabase("This does not belong to the question."),
	"investigation_finding_recorded_by_fkey":      refusedByDatabase("There is no such person."),
	"investigation_finding_filled":                {Kind: domain.KindInvalid, Code: "invalid", Message: "Say what was found, what it proves, by which technique and by whom."},
	"investigation_finding_photo_pkey":            {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"investigation_finding_photo_position_unique": {Kind: domain.KindStale, Code: "stale", Message: "Somebody else wrote this at the same moment. Look at it, then send yours again."},
	"investigation_finding_photo_finding_fkey":    refusedByDatabase("This does not belong to the question."),
	"investigation_finding_photo_photo_fkey":      {Kind: domain.KindInvalid, Code: "invalid", Message: "One of these is not a photograph of the object."},
}

// Investigations keeps open questions, consents, samples and findings; it implements investigation.Store.
type Investigations struct{ db *DB }

// NewInvestigations makes the store.
func NewInvestigations(db *DB) *Investigations { return &Investigations{db: db} }

var _ investigation.Store = (*Investigations)(nil)

const consentJSON = `jsonb_build_object('id', c.id, 'number', c.number, 'technique', c.technique, 'reason', c.reason, 'sites', c.sites, 'analyst', c.analyst, 'returns', c.returns,
	'asked_at', c.asked_at, 'asked_by', jsonb_build_object('id', c.asked_by, 'name', (select name from person where id = c.asked_by)),
	'decision', (select jsonb_build_object('granted', d.granted, 'statement', d.statement, 'valid_until', coalesce(to_char(d.valid_until, 'YYYY-MM-DD'), ''), 'at', d.at,
			'by', jsonb_build_object('id', p.id, 'name', p.name)) from investigation_consent_decision d join person p on p.id = d.person_id where d.consent_id = c.id))`

const remainderJSON = `jsonb_build_object('state', r.state, 'amount', r.amount, 'place_id', r.place_id, 'place', f.path, 'where', r.place_within, 'at', r.at,
	'by', jsonb_build_object('id', r.person_id, 'name', (select name from person where id = r.person_id)))`

const investigationColumns = `i.id, i.object_id, o.number as object_number, o.title as object_title, o.department, i.component_id,
	coalesce('.' || k.label || ' ' || k.name, '') as component, i.number, i.question, i.why, i.state, i.asked_at, jsonb_build_object('id', a.id, 'name', a.name) as asked_by,
	case when cardinality(i.techniques) > 0 then jsonb_build_object('techniques', i.techniques, 'component_ids', i.component_ids, 'who', i.who,
		'planned_for', coalesce(to_char(i.planned_for, 'YYYY-MM-DD'), ''), 'note', i.plan_note) end as plan,
	coalesce((select jsonb_agg(` + consentJSON + ` order by c.number) from investigation_consent c where c.investigation_id = i.id), '[]') as consents,
	coalesce((select jsonb_agg(jsonb_build_object('id', s.id, 'number', s.number, 'called', o.number || '.S' || s.number, 'component_id', s.component_id,
			'component', (select '.' || x.label || ' ' || x.name from component x where x.id = s.component_id), 'technique', s.technique, 'site', s.site, 'size', s.size, 'mass_mg', s.mass_mg,
			'taken_on', to_char(s.taken_on, 'YYYY-MM-DD'), 'taken_by', s.taken_by, 'consent_id', s.consent_id, 'explanation', s.explanation, 'recorded_at', s.recorded_at,
			'recorded_by', jsonb_build_object('id', s.recorded_by, 'name', (select name from person where id = s.recorded_by)),
			'remainders', (select jsonb_agg(` + remainderJSON + ` order by r.position)
				from sample_remainder r left join lateral place_facts(r.place_id) f on r.place_id is not null where r.sample_id = s.id)) order by s.number)
		from sample s where s.investigation_id = i.id), '[]') as samples,
	coalesce((select jsonb_agg(jsonb_build_object('id', g.id, 'technique', g.technique, 'component_id', g.component_id,
			'component', (select '.' || x.label || ' ' || x.name from component x where x.id = g.component_id), 'sample_id', g.sample_id, 'found', g.found, 'proves', g.proves,
			'limits', g.limits, 'instrument', g.instrument, 'settings', g.settings, 'done_on', to_char(g.done_on, 'YYYY-MM-DD'), 'done_by', g.done_by, 'files', g.files,
			'photo_ids', coalesce((select jsonb_agg(h.photo_id order by h.position) from investigation_finding_photo h where h.finding_id = g.id), '[]'),
			'consent_id', g.consent_id, 'explanation', g.explanation, 'identification_id', g.identification_id,
			'identified', (select coalesce(m.name, 'unidentified') from component_material y left join material m on m.key = y.material_key where y.id = g.identification_id),
			'recorded_at', g.recorded_at, 'recorded_by', jsonb_build_object('id', g.recorded_by, 'name', (select name from person where id = g.recorded_by))) order by g.position)
		from investigation_finding g where g.investigation_id = i.id), '[]') as findings,
	case when i.ended_at is not null then jsonb_build_object('at', i.ended_at, 'by', jsonb_build_object('id', i.ended_by, 'name', (select name from person where id = i.ended_by)), 'text', i.end_text) end as "end",
	i.version, i.changed_at,
	array(select r.sample_id::text || ' ' || r.position from sample s join sample_remainder r on r.sample_id = s.id join lateral place_facts(r.place_id) f on f.sensitive
		where s.investigation_id = i.id and r.place_id is not null) as hidden`

const investigationTables = ` from investigation i join object o on o.id = i.object_id join person a on a.id = i.asked_by left join component k on k.id = i.component_id`

// keptInvestigation is an investigation as it is read, with the remainders whose places are sensitive.
type keptInvestigation struct {
	investigation.Investigation
	Hidden []string
}

func (s *Investigations) one(ctx context.Context, id domain.ID, lock string) (*investigation.Investigation, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `select `+investigationColumns+investigationTables+` where i.id = $1`+lock, id)
	kept, err := pgx.CollectExactlyOneRow(rows, pgx.RowToAddrOfStructByName[keptInvestigation])
	if err != nil {
		return nil, fault(err, "read investigation %s", id)
	}
	i := &kept.Investigation
	for k := range i.Samples {
		for j := range i.Samples[k].Remainders {
			i.Samples[k].Remainders[j].Hidden = slices.Contains(kept.Hidden, i.Samples[k].ID.String()+" "+strconv.Itoa(j+1))
		}
	}
	return i, nil
}

// One reads an investigation.
func (s *Investigations) One(ctx context.Context, id domain.ID) (*investigation.Investigation, error) {
	return s.one(ctx, id, "")
}

// OfSample reads to which investigation a sample belongs.
func (s *Investigations) OfSample(ctx context.Context, sampleID domain.ID) (domain.ID, error) {
	var id domain.ID
	err := s.db.q(ctx).QueryRow(ctx, `select investigation_id from sample where id = $1`, sampleID).Scan(&id)
	return id, fault(err, "read sample %s", sampleID)
}

// Add writes a question.
func (s *Investigations) Add(ctx context.Context, i *investigation.Investigation) error {
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		err := tx.QueryRow(ctx, `
			insert into investigation (id, object_id, component_id, number, question, why, asked_at, asked_by, version, changed_at)
			select @id, @object, @component, coalesce(max(x.number), 0) + 1, @question, @why, @at, @by, 1, @at from investigation x where x.object_id = @object
			returning number`,
			pgx.NamedArgs{"id": i.ID, "object": i.ObjectID, "component": i.ComponentID, "question": i.Question, "why": i.Why, "at": i.AskedAt, "by": i.AskedBy.ID}).Scan(&i.Number)
		if err != nil {
			return fault(err, "ask question %s", i.ID)
		}
		return s.db.addEvents(ctx, i.Events()...)
	})
}

// Update changes an investigation under lock.
func (s *Investigations) Update(ctx context.Context, id domain.ID, version int64, change func(ctx context.Context, i *investigation.Investigation, nextSample int) error) (*investigation.Investigation, error) {
	var i *investigation.Investigation
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if i, err = s.one(ctx, id, ` for update of i`); err != nil {
			return err
		}
		if i.Version != version {
			return domain.ErrStale
		}
		before := partsOf(i)
		var next int
		if err := tx.QueryRow(ctx, `select coalesce(max(number), 0) + 1 from sample where object_id = $1`, i.ObjectID).Scan(&next); err != nil {
			return fault(err, "count the samples of %s", i.ObjectID)
		}
		if err := change(ctx, i, next); err != nil {
			return err
		}
		if err := s.save(ctx, tx, i, before); err != nil {
			return err
		}
		if err := s.db.addEvents(ctx, i.Events()...); err != nil {
			return err
		}
		i, err = s.One(ctx, id)
		return err
	})
	return i, err
}

// parts are what was there of an investigation before an act: only what is new is written.
type parts struct {
	consents, samples, findings int
	decided                     []bool
	left                        []int
}

func partsOf(i *investigation.Investigation) parts {
	p := parts{consents: len(i.Consents), samples: len(i.Samples), findings: len(i.Findings)}
	for _, c := range i.Consents {
		p.decided = append(p.decided, c.Decision != nil)
	}
	for _, x := range i.Samples {
		p.left = append(p.left, len(x.Remainders))
	}
	return p
}

func (s *Investigations) save(ctx context.Context, tx pgx.Tx, i *investigation.Investigation, before parts) error {
	args := pgx.NamedArgs{"id": i.ID, "state": i.State, "techniques": []string{}, "components": []domain.ID{}, "who": "", "for": nil, "note": "", "ended": nil, "ender": nil, "text": "", "at": i.ChangedAt, "waiting": i.Waiting()}
	if p := i.Plan; p != nil {
		args["techniques"], args["components"], args["who"], args["note"] = p.Techniques, p.ComponentIDs, p.Who, p.Note
		if p.PlannedFor != "" {
			args["for"] = p.PlannedFor
		}
	}
	if e := i.End; e != nil {
		args["ended"], args["ender"], args["text"] = e.At, e.By.ID, e.Text
	}
	batch := &pgx.Batch{}
	batch.Queue(`
		update investigation set state = @state, techniques = @techniques, component_ids = @components, who = @who, planned_for = @for::text::date, plan_note = @note,
			ended_at = @ended, ended_by = @ender, end_text = @text, consent_waiting = @waiting, changed_at = @at, version = version + 1 where id = @id`, args)
	for k, c := range i.Consents {
		if k >= before.consents {
			batch.Queue(`insert into investigation_consent (id, investigation_id, number, technique, reason, sites, analyst, returns, asked_at, asked_by)
				values (@id, @investigation, @number, @technique, @reason, @sites, @analyst, @returns, @at, @by)`,
				pgx.NamedArgs{"id": c.ID, "investigation": i.ID, "number": c.Number, "technique": c.Technique, "reason": c.Reason, "sites": c.Sites, "analyst": c.Analyst, "returns": c.Returns, "at": c.AskedAt, "by": c.AskedBy.ID})
		}
		if d := c.Decision; d != nil && (k >= before.consents || !before.decided[k]) {
			batch.Queue(`insert into investigation_consent_decision (consent_id, granted, statement, valid_until, at, person_id) values ($1, $2, $3, nullif($4, '')::date, $5, $6)`,
				c.ID, d.Granted, d.Statement, d.ValidUntil, d.At, d.By.ID)
		}
	}
	for k, x := range i.Samples {
		from := 0
		if k < before.samples {
			from = before.left[k]
		} else {
			batch.Queue(`insert into sample (id, object_id, number, investigation_id, component_id, technique, site, size, mass_mg, taken_on, taken_by, consent_id, explanation, recorded_at, recorded_by)
				values (@id, @object, @number, @investigation, @component, @technique, @site, @size, @mass, @on::text::date, @taker, @consent, @explanation, @at, @by)`,
				pgx.NamedArgs{"id": x.ID, "object": i.ObjectID, "number": x.Number, "investigation": i.ID, "component": x.ComponentID, "technique": x.Technique, "site": x.Site, "size": x.Size, "mass": x.MassMG,
					"on": x.TakenOn, "taker": x.TakenBy, "consent": x.ConsentID, "explanation": x.Explanation, "at": x.RecordedAt, "by": x.RecordedBy.ID})
		}
		for j := from; j < len(x.Remainders); j++ {
			r := x.Remainders[j]
			batch.Queue(`insert into sample_remainder (sample_id, position, state, amount, place_id, place_within, at, person_id) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
				x.ID, j+1, r.State, r.Amount, r.PlaceID, r.Where, r.At, r.By.ID)
		}
	}
	for k := before.findings; k < len(i.Findings); k++ {
		f := i.Findings[k]
		batch.Queue(`insert into investigation_finding (id, investigation_id, object_id, position, technique, component_id, sample_id, found, proves, limits, instrument, settings, done_on, done_by,
				files, consent_id, explanation, identification_id, recorded_at, recorded_by)
			values (@id, @investigation, @object, @position, @technique, @component, @sample, @found, @proves, @limits, @instrument, @settings, @on::text::date, @doer,
				@files, @consent, @explanation, @identification, @at, @by)`,
			pgx.NamedArgs{"id": f.ID, "investigation": i.ID, "object": i.ObjectID, "position": k + 1, "technique": f.Technique, "component": f.ComponentID, "sample": f.SampleID, "found": f.Found,
				"proves": f.Proves, "limits": f.Limits, "instrument": f.Instrument, "settings": f.Settings, "on": f.DoneOn, "doer": f.DoneBy, "files": f.Files, "consent": f.ConsentID,
				"explanation": f.Explanation, "identification": f.IdentificationID, "at": f.RecordedAt, "by": f.RecordedBy.ID})
		batch.Queue(`insert into investigation_finding_photo (finding_id, object_id, photo_id, position) select $1, $2, x.id, x.n from unnest($3::uuid[]) with ordinality as x (id, n)`,
			f.ID, i.ObjectID, f.PhotoIDs)
	}
	return fault(tx.SendBatch(ctx, batch).Close(), "write investigation %s", i.ID)
}

// List lists investigations, the latest asked first.
func (s *Investigations) List(ctx context.Context, f investigation.Filter, q domain.PageQuery) (domain.Page[investigation.Line], error) {
	limit, err := q.Rows()
	if err != nil {
		return domain.Page[investigation.Line]{}, err
	}
	list := []any{"investigations", f}
	at, id, err := timeAndID(q, list)
	if err != nil {
		return domain.Page[investigation.Line]{}, err
	}
	state := given(f.State != "", `i.state = @state`)
	if f.State == "open" {
		state = `i.ended_at is null`
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select i.id, i.object_id, o.number as object_number, o.title as object_title, o.department, coalesce('.' || k.label || ' ' || k.name, '') as component, i.number, i.question, i.state,
			i.asked_at, jsonb_build_object('id', a.id, 'name', a.name) as asked_by, i.techniques, coalesce(to_char(i.planned_for, 'YYYY-MM-DD'), '') as planned_for,
			i.consent_waiting as waiting, (select count(*) from investigation_finding g where g.investigation_id = i.id)::int as findings
		`+investigationTables+where(
		given(at != nil, `(i.asked_at, i.id) < (@at, @id)`),
		state,
		given(f.ObjectID != nil, `i.object_id = @object`),
		given(f.Department != "", `o.department = @department`),
		given(f.Technique != "", `@technique = any (i.techniques)`),
		given(f.Words != "", `position(fold(@words) in fold(i.question)) > 0`),
		given(f.Waiting, `i.consent_waiting`))+`
		order by i.asked_at desc, i.id desc limit @limit`,
		pgx.NamedArgs{"at": at, "id": id, "state": f.State, "object": f.ObjectID, "department": f.Department, "technique": f.Technique, "words": f.Words, "limit": limit})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[investigation.Line])
	if err != nil {
		return domain.Page[investigation.Line]{}, fault(err, "list investigations")
	}
	return domain.NextPage(q, list, all, func(l investigation.Line) []string {
		return []string{l.AskedAt.UTC().Format(time.RFC3339Nano), l.ID.String()}
	}), nil
}
