package postgres

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/collection"
)

// refreshWords makes the words of objects current, in the transaction that changed what they are made
// of, and adds them to the words that a misspelling may have meant.
func refreshWords(ctx context.Context, q querier, objectIDs ...domain.ID) error {
	_, err := q.Exec(ctx, `
		with parts as (
			select c.object_id, string_agg(concat_ws(' ', c.name, l.name, l.family), ' ') as text
			from component c left join component_material cm on cm.component_id = c.id and cm.superseded_at is null
				left join material l on l.key = cm.material_key
			where c.object_id = any($1) group by c.object_id),
		found as (
			select o.id, words_in(concat_ws(' ', o.number, o.title, o.description, o.kind, o.place_made, o.subject, o.features,
				array_to_string(o.former_numbers, ' '), array_to_string(o.makers, ' '), p.text,
				(select string_agg(concat_ws(' ', m ->> 'transcription', m ->> 'meaning', m ->> 'where'), ' ') from jsonb_array_elements(o.marks) m))) as word
			from object o left join parts p on p.object_id = o.id
			where o.id = any($1)),
		known as (
			insert into word (word)
			select distinct word collate "C" from found where word !~ '^[0-9]' and length(word) >= 3 order by 1
			on conflict do nothing)
		update object o set words = f.words
		from (select id, array_to_tsvector((array_agg(distinct word))[1:4000]) as words from found group by id) f
		where o.id = f.id and o.words is distinct from f.words`, objectIDs)
	return fault(err, "refresh the words of %d objects", len(objectIDs))
}

// lineColumns shows an object o of a list with the hazards that stand. Which is the surest of a kind is
// found out afterwards: grouping them here takes longer than reading all the rest of the line.
const lineColumns = `o.sort_key, o.id, o.number, o.title, o.kind, o.makers, o.date_made, o.department, o.legal_status, o.face_photo_id,
	array(select h.certainty || ' ' || h.kind from hazard h where h.object_id = o.id and h.certainty <> 'ruled_out' and h.state <> 'removed') as standing`

type objectLine struct {
	Tier    int
	SortKey string
	collection.ObjectLine
	Standing []string // hazards: how sure, and what
}

// line is the line as it is shown.
func (l objectLine) line() collection.ObjectLine {
	all := make([]collection.HazardLine, len(l.Standing))
	for i, text := range l.Standing {
		all[i].Certainty, all[i].Kind, _ = strings.Cut(text, " ")
	}
	l.Hazards = collection.Surest(all)
	return l.ObjectLine
}

// order is how a list is sorted and how its next page begins after the keys @sort and @id.
type order struct{ by, after string }

var orders = map[string]order{
	"number": {"o.sort_key, o.id", "(o.sort_key, o.id) > (@sort, @id::uuid)"},
	"newest": {"o.id desc", "o.id < @id::uuid"},
}

// The tiers of a search, in the order in which they are shown.
const (
	tierNumber = iota // the number as typed
	tierLoose         // the number but for its signs, a former number, or a component's number
	tierBegins        // numbers that begin so
	tierWords         // every word
	tierNear          // words that are nearly so
)

// Search finds objects, one page of them. Of words it first looks whether there are such.
func (s *Collection) Search(ctx context.Context, q collection.Query, p domain.PageQuery) (collection.Found, error) {
	limit, err := p.Rows()
	if err != nil {
		return collection.Found{}, err
	}
	if q.Sort == "" {
		q.Sort = "number"
	}
	keys, err := p.Keys(q, 3)
	if err != nil {
		return collection.Found{}, err
	}
	wanted := wantedProperties(q)
	common, err := s.common(ctx, q, wanted)
	if err != nil {
		return collection.Found{}, err
	}
	search := newSearch(q, limit, conditions(wanted, common))
	if err := search.begin(keys); err != nil {
		return collection.Found{}, err
	}
	var found collection.Found
	var lines []objectLine
	var words []askedWord
	if len(search.words) > 0 {
		if words, err = s.look(ctx, search.words); err != nil {
			return found, err
		}
		search.args["asked"] = asked(words, collection.LikeNumber(q.Words))
	}
	var meant []string // what the words may have meant
	if keys == nil && !search.number || search.from == tierNear {
		// A word that nothing begins with is in no object, so the objects need not be asked.
		meant, found.Instead = meaning(words)
	}
	if search.from < tierNear && meant == nil {
		if lines, err = s.lines(ctx, search.sql(), search.args); err != nil {
			return found, err
		}
		if keys == nil && search.filters == everything && collection.LikeNumber(q.Words) && (len(lines) == 0 || lines[0].Tier > tierLoose) {
			found.NoSuchNumber = strings.TrimSpace(q.Words)
		}
		if len(lines) == 0 && keys == nil && search.number {
			meant, found.Instead = meaning(words)
		}
	}
	if meant != nil {
		if lines, err = s.lines(ctx, search.nearSQL(meant), search.args); err != nil {
			return found, err
		}
	}
	next := domain.NextPage(p, q, lines, func(l objectLine) []string { return []string{strconv.Itoa(l.Tier), l.SortKey, l.ID.String()} })
	found.Items, found.Next = make([]collection.ObjectLine, len(next.Items)), next.Next
	for i, l := range next.Items {
		found.Items[i] = l.line()
	}
	return found, nil
}

func (s *Collection) lines(ctx context.Context, sql string, args pgx.NamedArgs) ([]objectLine, error) {
	rows, _ := s.db.q(ctx).Query(ctx, sql, args)
	lines, err := pgx.CollectRows(rows, pgx.RowToStructByName[objectLine])
	return lines, fault(err, "search objects")
}

// everything is the filter that does not narrow.
const everything = "true"

// search is a query on its way to SQL. Every text in it stands in args; the SQL is put together from
// constants.
type search struct {
	order   order
	filters string
	args    pgx.NamedArgs
	words   []string // of the text that was typed; nil without one
	number  bool     // the words may be a number
	from    int      // the tier that this page begins in, after args' keys; 0 with no keys: the beginning
	after   bool     // there are keys
	limit   string   // of rows, as SQL
}

// property is something that an object has or has not by rows of another table.
type property struct {
	rows  string // the rows that say so; %s narrows them further
	owner string // the column that names the object
	vague bool   // so much has it that it is never listed
}

var (
	ofMaterial  = property{`component_material cm join component c on c.id = cm.component_id where cm.material_key = @material and cm.superseded_at is null%s`, "c.object_id", false}
	ofHazard    = property{`hazard h where h.certainty <> 'ruled_out' and h.state <> 'removed' and h.kind = @hazard%s`, "h.object_id", false}
	ofAnyHazard = property{`hazard h where h.certainty <> 'ruled_out' and h.state <> 'removed'%s`, "h.object_id", true}
	inCondition = property{`object_condition oc where oc.overall = @condition%s`, "oc.object_id", false}
)

// condition says that an object o has the property. What is common is asked of each object as it comes
// (an offset keeps the planner from turning that round), what is rare is listed first.
func (p property) condition(common bool) string {
	if common {
		return `exists (select from ` + fmt.Sprintf(p.rows, ` and `+p.owner+` = o.id`) + ` offset 0)`
	}
	return `o.id = any(array(` + p.owners() + `))`
}

// owners lists the objects that have the property.
func (p property) owners() string {
	return `select ` + p.owner + ` from ` + fmt.Sprintf(p.rows, ``)
}

// wantedProperties are the properties that a search narrows by.
func wantedProperties(q collection.Query) []property {
	var all []property
	hazard := ofHazard
	if q.Hazard == collection.AnyHazard {
		hazard = ofAnyHazard
	}
	for _, x := range []struct {
		value string
		of    property
	}{{q.Material, ofMaterial}, {q.Hazard, hazard}, {q.Condition, inCondition}} {
		if x.value != "" {
			all = append(all, x.of)
		}
	}
	return all
}

// common says of each property that a search narrows by whether so many rows say so that it is asked of each
// object in turn.
func (s *Collection) common(ctx context.Context, q collection.Query, wanted []property) ([]bool, error) {
	if len(wanted) == 0 {
		return nil, nil
	}
	counts := make([]string, len(wanted))
	for i, p := range wanted {
		counts[i] = `(select count(*) from (select from ` + fmt.Sprintf(p.rows, ``) + ` limit @many) x) >= @many`
	}
	var common []bool
	err := s.db.q(ctx).QueryRow(ctx, `select array[`+strings.Join(counts, `, `)+`]`,
		pgx.NamedArgs{"material": q.Material, "hazard": q.Hazard, "condition": q.Condition, "many": commonFrom}).Scan(&common)
	return common, fault(err, "count what a search narrows by")
}

// conditions narrow a search by properties. Objects that have several may be few although each is common; then
// all of them are listed, as a walk might find none of them for long.
func conditions(wanted []property, common []bool) string {
	var often, all []string
	for i, p := range wanted {
		if common[i] && !p.vague {
			often = append(often, p.owners())
		}
		all = append(all, p.condition(common[i]))
	}
	if len(often) < 2 {
		return both(all...)
	}
	all = []string{`o.id = any(array(` + strings.Join(often, ` intersect `) + `))`}
	for i, p := range wanted {
		if !common[i] || p.vague {
			all = append(all, p.condition(common[i]))
		}
	}
	return both(all...)
}

func newSearch(q collection.Query, limit int, has string) *search {
	s := &search{order: orders[q.Sort], args: pgx.NamedArgs{"limit": limit}, words: collection.SearchWords(q.Words), limit: "@limit"}
	where := []string{everything}
	filter := func(set bool, name string, value any, condition string) {
		if set {
			s.args[name] = value
			where = append(where, condition)
		}
	}
	filter(q.Number != "", "exactly", collection.LooseKey(q.Number), "(o.loose_key = @exactly or o.former_keys @> array[@exactly])")
	filter(q.Department != "", "department", q.Department, "o.department = @department")
	filter(q.Kind != "", "kind", q.Kind, "(o.kind = @kind or starts_with(o.kind, @kind || '"+collection.KindDivider+"'))")
	filter(q.LegalStatus != "", "legal_status", q.LegalStatus, "o.legal_status = @legal_status")
	s.args["material"], s.args["hazard"], s.args["condition"] = q.Material, q.Hazard, q.Condition
	filter(has != "", "has", true, has)
	s.filters = strings.Join(where, " and ")
	if strings.TrimSpace(q.Words) == "" {
		s.words = nil
		if s.filters == everything { // one plan does for all pages, but only for a limit that is known
			s.limit = strconv.Itoa(limit)
		}
		return s
	}
	number, err := collection.ParseNumber(q.Words)
	loose := collection.LooseKey(q.Words)
	if s.number = err == nil || collection.LikeNumber(q.Words); s.number && loose != "" {
		s.args["key"], s.args["loose"], s.args["upto"] = number.Key(), loose, loose+"\U0010ffff"
		wholes, labels := components(loose)
		s.args["wholes"], s.args["labels"] = wholes, labels
	} else {
		s.number = false
	}
	s.args["asked"], s.args["whole"] = []string{}, collection.LikeNumber(q.Words)
	return s
}

// components are the ways to read a number as that of an object and, behind it, the label of a
// component: 1968.14.2.3b is component 3b of 1968.14.2, or 2.3b of 1968.14.
func components(loose string) (wholes, labels []string) {
	wholes, labels = []string{}, []string{}
	for at, r := range loose {
		if r == '.' && at > 0 && strings.Count(loose[at:], ".") <= collection.LabelMostParts {
			wholes, labels = append(wholes, loose[:at]), append(labels, loose[at+1:])
		}
	}
	return wholes, labels
}

// begin takes the keys of the page before.
func (s *search) begin(keys []string) error {
	if keys == nil {
		return nil
	}
	tier, err := strconv.Atoi(keys[0])
	id, idErr := domain.ParseID(keys[2])
	if err != nil || idErr != nil || tier < 0 || tier > tierNear {
		return &domain.Error{Kind: domain.KindUnparseable, Code: "cursor", Message: "This page mark is damaged. Begin again at the first page."}
	}
	s.from, s.after = tier, true
	s.args["sort"], s.args["id"] = keys[1], id
	return nil
}

// The conditions of the tiers. What an earlier tier shows, a later one does not.
const (
	isNumber = `o.number_key = @key`
	isSame   = `o.id = any(array(select id from same))`
	isBegun  = `(o.loose_key >= @loose and o.loose_key < @upto)`
)

// same are the few objects that a number typed in haste means: by their number, by a former one, or by
// that of a component. Each is found by its own index.
const same = `same as materialized (
	select id from object where loose_key = @loose
	union select id from object where former_keys @> array[@loose]
	union select w.id from unnest(@wholes::text[], @labels::text[]) as t (whole, label)
		join object w on w.loose_key = t.whole join component c on c.object_id = w.id and lower(c.label) = t.label)`

// Words that many objects hold are found soonest by walking the objects in their order until the page is
// full, words that few hold by the index of words. Which they are is only expected beforehand: words that are often
// held together are expected too seldom, so a walk is tried also where each of them alone is held by four times as
// many, but a short one; words that are never held together are expected too often. So unless very many objects are
// expected to hold them, a glance at the first objects must promise that the walk fills a page. A walk that has not
// filled it is given up, and the index asked.
const ( // as SQL
	manyFrom   = `8000`
	surelyFrom = `100000`
	walkMost   = `20000`
	walkTry    = `5000`
	glanceAt   = `500`
	glanceMost = `1` // of those that the glance is at must hold the words before walkMost are walked
	glanceTry  = `3` // and before walkTry are
)

// commonFrom is how many rows at least say what is asked of each object in turn.
const commonFrom = 8000

// found are the CTEs that find what holds the words; words is the SQL of what is asked, word by word, others
// the SQL of what else must hold of an object o.
func (s *search) found(words, others string, at int) string {
	if s.after && at == s.from {
		others += " and " + s.order.after
	}
	first := ""
	if s.filters == everything && !s.number { // else more is asked of them than their order tells
		first = others + " order by " + s.order.by + " limit @limit"
	}
	walk := func(id, most string) string {
		return `select ` + id + ` from (
			select o.id, o.words from object o where ` + most + ` > 0 and ` + s.filters + others + ` order by ` + s.order.by + ` limit ` + most + `) w
		where w.words @@ (select query from asked)`
	}
	parts := `unnest(` + words + `::text[]) p`
	return `asked as materialized (
		select query, walk, case when expected < ` + surelyFrom + ` then least(walk, ` + glanceAt + `) else 0 end as glance,
			case when walk < ` + walkMost + ` then ` + glanceTry + ` else ` + glanceMost + ` end as must
		from (select query, expected, case when expected >= ` + manyFrom + ` then ` + walkMost + `
				when (select min(words_expected(p::tsquery)) from ` + parts + `) >= 4 * ` + manyFrom + ` then ` + walkTry + ` else 0 end as walk
			from (select query, words_expected(query) as expected from (select string_agg(p, ' & ')::tsquery as query from ` + parts + `) q) e) w),
	glance as materialized (select a.glance > 0 and x.n < a.must as vain from asked a, (select count(*) as n from (` + walk("", "(select glance from asked)") + `) w) x),
	walked as materialized (` + walk("w.id", "(select case when vain then 0 else walk end from asked, glance)") + ` limit @limit),
	held as materialized ((select o.id from asked a cross join lateral (select id, sort_key collate "C" as sort_key from words_found(a.query)) o
			where (select count(*) < @limit from walked)` + first + `)
		union all select id from walked where (select count(*) >= @limit from walked))
`
}

// isHeld says that an object holds the words.
const isHeld = `o.id = any(array(select id from held))`

// sql asks for one page. Each tier is a query of its own, so that the planner can walk each by its
// index, and none gives more than a page.
func (s *search) sql() string {
	switch {
	case s.words == nil && s.args["asked"] == nil:
		return s.union([]tier{{tierNumber, "true"}})
	case !s.number:
		return "with " + s.found("@asked", "", tierWords) + s.union([]tier{{tierWords, isHeld}})
	}
	// Where the number was found, other objects that hold its digits somewhere are noise.
	const others = " and not " + isBegun + " and not " + isSame + " and not (@whole and exists (select from same))"
	return "with " + same + ", " + s.found("@asked", others, tierWords) + s.union([]tier{
		{tierNumber, isNumber},
		{tierLoose, isSame + " and not " + isNumber},
		{tierBegins, isBegun + " and not " + isSame},
		{tierWords, isHeld + others},
	})
}

// nearSQL asks for a page of what holds words that are nearly those of the search.
func (s *search) nearSQL(meant []string) string {
	s.args["near"] = meant
	return "with " + s.found("@near", "", tierNear) + s.union([]tier{{tierNear, isHeld}})
}

// tier is a part of a search: where what it finds stands, and the condition.
type tier struct {
	at        int
	condition string
}

func (s *search) union(tiers []tier) string {
	var wanted []tier
	for _, t := range tiers {
		if s.after && t.at < s.from {
			continue
		}
		if s.after && t.at == s.from {
			t.condition += " and " + s.order.after
		}
		wanted = append(wanted, t)
	}
	switch len(wanted) {
	case 0:
		return s.part(tier{tierNumber, "false"}, lineColumns)
	case 1: // nothing is to be put in order, so each object is read once
		return s.part(wanted[0], lineColumns)
	}
	parts := make([]string, len(wanted))
	for i, t := range wanted {
		parts[i] = `(` + s.part(t, "o.sort_key, o.id") + `)`
	}
	return `select p.tier, ` + lineColumns + `
		from (select * from (` + strings.Join(parts, ` union all `) + `) o order by tier, ` + s.order.by + ` limit ` + s.limit + `) p
		join object o on o.id = p.id order by p.tier, ` + s.order.by
}

// part asks for one tier.
func (s *search) part(t tier, columns string) string {
	return fmt.Sprintf(`select %d as tier, %s from object o where %s and %s order by %s limit %s`, t.at, columns, t.condition, s.filters, s.order.by, s.limit)
}

// nearEnough is how similar a word must be to be taken for another: 0.44 is one letter left out of six.
const nearEnough = 0.4

// goOnMost is how many words a typed one may begin for each to be asked for by itself.
const goOnMost = 40

// askedWord is a word that was typed, folded, with the words that it may stand for.
type askedWord struct {
	Typed  string
	Open   bool     // it may go on with a digit first, so not all that it begins is among the words
	GoesOn []string // the words that begin so, itself too; at most one more than goOnMost
	Near   []string // the nearest, where none begins so
}

// look reads what typed words may stand for.
func (s *Collection) look(ctx context.Context, words []string) ([]askedWord, error) {
	rows, _ := s.db.q(ctx).Query(ctx, `
		select t.typed, t.typed ~ '^[0-9]' as open, g.goes_on,
			case when g.goes_on = '{}' and t.typed !~ '[0-9]' and length(t.typed) >= 3 then array(
				select word from word where word % t.typed and word !~ '[0-9]' and similarity(word, t.typed) >= @least
				order by similarity(word, t.typed) desc, word limit 5) else '{}' end as near
		from (select distinct w collate "C" as typed from unnest(@words::text[]) given, words_in(given) w) t
			cross join lateral (select array(select word from word where length(t.typed) >= 3 and word >= t.typed and word < t.typed || U&'\+10FFFF'
				order by word limit @most) as goes_on) g
		order by t.typed`,
		pgx.NamedArgs{"words": words, "least": nearEnough, "most": goOnMost + 1})
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[askedWord])
	return all, fault(err, "look at the words of a search")
}

// known says that the word, or one that begins so, may be somewhere.
func (w *askedWord) known() bool {
	return len(w.GoesOn) > 0 || strings.ContainsAny(w.Typed, "0123456789") || utf8.RuneCountInString(w.Typed) < 3
}

// query asks for the word, and unless whole for those that begin so. Each by itself is found by skipping
// through the index; for 'begins so' it reads all that is there of all of them.
func (w *askedWord) query(whole bool) string {
	switch {
	case whole || utf8.RuneCountInString(w.Typed) < 3:
		return quoted(w.Typed)
	case w.Open || len(w.GoesOn) == 0 || len(w.GoesOn) > goOnMost:
		return quoted(w.Typed) + ":*"
	}
	return oneOf(w.GoesOn)
}

// asked asks for each of the words.
func asked(words []askedWord, whole bool) []string {
	parts := make([]string, len(words))
	for i := range words {
		parts[i] = words[i].query(whole)
	}
	return parts
}

// meaning asks, for a word that nothing begins with, for its nearest. It is nil when one has no neighbour, and
// when every word is known, only not together.
func meaning(words []askedWord) (parts []string, replaced []collection.Replaced) {
	parts = make([]string, len(words))
	for i := range words {
		switch w := &words[i]; {
		case w.known():
			parts[i] = w.query(false)
		case len(w.Near) == 0:
			return nil, nil
		default:
			replaced = append(replaced, collection.Replaced{Typed: w.Typed, Taken: w.Near[0]})
			parts[i] = oneOf(w.Near)
		}
	}
	if len(replaced) == 0 {
		return nil, nil
	}
	return parts, replaced
}

// oneOf asks for any of some words.
func oneOf(words []string) string {
	parts := make([]string, len(words))
	for i, w := range words {
		parts[i] = quoted(w)
	}
	return "(" + strings.Join(parts, " | ") + ")"
}

// quoted is a word as the text form of a search query holds it.
func quoted(word string) string {
	return "'" + strings.NewReplacer(`\`, `\\`, `'`, `''`).Replace(word) + "'"
}

// Filters lists the departments, kinds and hazards that there are. Each step jumps to the next value
// in the index, so the cost is that of the values, not of the objects.
func (s *Collection) Filters(ctx context.Context) (collection.Filters, error) {
	var f collection.Filters
	err := s.db.q(ctx).QueryRow(ctx, `
		with recursive
		departments (v) as (
			(select department from object order by department limit 1)
			union all select (select department from object where department > v order by department limit 1) from departments where v is not null),
		kinds (v) as (
			(select kind from object where kind > '' order by kind limit 1)
			union all select (select kind from object where kind > v order by kind limit 1) from kinds where v is not null),
		hazards (v) as (
			(select kind from hazard where certainty <> 'ruled_out' and state <> 'removed' order by kind limit 1)
			union all select (select kind from hazard where certainty <> 'ruled_out' and state <> 'removed' and kind > v order by kind limit 1)
				from hazards where v is not null)
		select array(select v from departments where v is not null limit 200), array(select v from kinds where v is not null limit 200),
			array(select v from hazards where v is not null limit 200)`).Scan(&f.Departments, &f.Kinds, &f.Hazards)
	if err != nil {
		return f, fault(err, "list what objects can be narrowed by")
	}
	var general []string // the levels above each kind are kinds too
	for _, k := range f.Kinds {
		levels := strings.Split(k, collection.KindDivider)
		for i := range levels {
			general = append(general, strings.Join(levels[:i+1], collection.KindDivider))
		}
	}
	slices.Sort(general)
	f.Kinds = slices.Compact(general)
	if f.Kinds == nil {
		f.Kinds = []string{}
	}
	return f, nil
}
