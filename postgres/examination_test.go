package postgres_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/examination"
	"farthingale/domain/handling"
	"farthingale/postgres"
)

// examined is a dressed house where objects are examined.
type examined struct {
	*dressed
	exams *examination.Service
}

func newExamined(t *testing.T) *examined {
	t.Helper()
	d := newDressed(t)
	x := &examined{d, examination.NewService(postgres.NewExaminations(d.db), sheets{d.sheet}, d.service, d.notices, d.record, nil, d.db, time.UTC, func() time.Time { return d.now })}
	d.record.Register(examination.SealKind, x.exams.Sealed)
	d.record.Register(examination.AddendumSealKind, x.exams.SealedAddendum)
	return x
}

// begin begins a draft as somebody, today.
func (x *examined) begin(who string, occasion examination.Occasion) *examination.Examination {
	x.t.Helper()
	e, err := x.exams.Begin(x.t.Context(), x.people[who], x.sheet.Object.ID, examination.NewExamination{Occasion: occasion})
	if err != nil {
		x.t.Fatal(err)
	}
	return e
}

// damage is a finding as it is written down first.
func damage(term string, severity int, activity examination.Activity) examination.Finding {
	return examination.Finding{Term: term, Severity: severity, Activity: activity, Status: examination.New}
}

func (x *examined) add(e *examination.Examination, part string, f examination.Finding) *examination.Examination {
	x.t.Helper()
	n := examination.NewFinding{Finding: f}
	if part != "" {
		id := x.parts[part]
		n.ComponentID = &id
	}
	e, _, err := x.exams.Add(x.t.Context(), x.people[e.Examiner.Name], e.ID, e.Version, n)
	if err != nil {
		x.t.Fatal(err)
	}
	return e
}

// whole answers everything of a draft but its observations.
func (x *examined) whole(e *examination.Examination, unseen ...string) *examination.Examination {
	x.t.Helper()
	no := false
	c := e.Circumstances
	c.Place, c.Light, c.Technique, c.Handles = "laboratory, table 2", []string{"raking", "normal"}, "by eye and with a loupe, 10×", &no
	seen := []examination.Looked{}
	for _, part := range x.sheet.Components {
		was := !slices.Contains(unseen, part.Label)
		s := examination.Looked{ComponentID: part.ID, Seen: &was}
		if !was {
			s.Reason = "inside the sleeve, not opened"
		}
		seen = append(seen, s)
	}
	j := examination.Judgement{Overall: examination.Unacceptable, Priority: "high", NextCheckOn: x.now.AddDate(1, 0, 0).Format(time.DateOnly), Risk: "The seal is lost.", Recommendation: "Store cool."}
	e, err := x.exams.Change(x.t.Context(), x.people[e.Examiner.Name], e.ID, e.Version, examination.Changes{Circumstances: &c, Components: &seen, Judgement: &j})
	if err != nil {
		x.t.Fatal(err)
	}
	return e
}

func (x *examined) sign(e *examination.Examination) *examination.Examination {
	x.t.Helper()
	e, err := x.exams.Sign(x.t.Context(), x.people[e.Examiner.Name], e.ID, e.Version)
	if err != nil {
		x.t.Fatal(err)
	}
	return e
}

// TestE1ExaminationIsKeptAndSealed: what was written is read back, signed and sealed; then nothing of it
// can be changed, not even past the program, and a correction stands beside it, sealed in its turn.
func TestE1ExaminationIsKeptAndSealed(t *testing.T) {
	t.Parallel()
	x := newExamined(t)
	ctx, mara := t.Context(), x.people["Mara"]
	e := x.begin("Mara", examination.PeriodicCheck)
	f := damage("Fold cracking", 3, examination.Active)
	six := decimal.RequireFromString("6.5")
	f.Extent = &examination.Extent{Kind: examination.Area, Value: decimal.RequireFromString("120.25"), Uncertainty: &six, Basis: "from marks on a photograph"}
	f.Note, f.Cause = " along the fold ", "stored folded"
	e = x.whole(x.add(e, "1a", f), "1a1")
	if o := e.Observations[0]; o.Term != "fold_cracking" || o.Note != "along the fold" || o.Extent.Words() != "120.25 ± 6.5 mm²" || o.Called != "1968.14.2.1a cuff" {
		t.Errorf("read back: %+v", o)
	}
	e = x.sign(e)
	if e.State != examination.Signed || e.Identified.Number != "1968.14.2" || !slices.Equal(e.Light, []string{"normal", "raking"}) || e.Component(x.parts["1a1"]).Reason == "" || e.Alarm != "" {
		t.Errorf("signed: %+v", e)
	}
	report, err := x.record.Verify(ctx, nil)
	if err != nil || !report.Clean || report.Head.Count != 1 {
		t.Errorf("verify: %+v %v", report, err)
	}

	for name, sql := range map[string]string{
		"the examination": `update examination set overall = 'good' where id = $1`,
		"a component":     `update examination_component set seen = true, reason = '' where examination_id = $1`,
		"an observation":  `update examination_observation set severity = 1 where examination_id = $1`,
		"a photograph":    `delete from examination_component where examination_id = $1`,
		"its row":         `delete from examination where id = $1`,
		"waiting again":   `update examination set open_since = now(), alarm = 'x' where id = $1`,
	} {
		if _, err := x.data.Pool.Exec(ctx, sql, e.ID); err == nil {
			t.Errorf("%s of a signed examination can be changed", name)
		}
	}
	if _, err := x.exams.Change(ctx, mara, e.ID, e.Version, examination.Changes{}); code(err) != "E1" {
		t.Errorf("change: %v", err)
	}
	if _, err := x.exams.Sign(ctx, mara, e.ID, e.Version); code(err) != "E1" {
		t.Errorf("sign again: %v", err)
	}
	if err := x.exams.Discard(ctx, mara, e.ID, e.Version); code(err) != "E1" {
		t.Errorf("discard: %v", err)
	}

	a := examination.NewAddendum{Field: "technique", Old: "loupe, 10×", New: "loupe, 8×", Reason: "misread"}
	if _, err := x.exams.Amend(ctx, x.people["Tove"], e.ID, e.Version, a); code(err) != "P2" {
		t.Errorf("amended by a technician who did not examine: %v", err)
	}
	sealed := e.Version
	if e, err = x.exams.Amend(ctx, mara, e.ID, e.Version, a); err != nil || len(e.Addenda) != 1 || e.Version == sealed || e.Technique != "by eye and with a loupe, 10×" {
		t.Fatalf("amend: %+v %v", e, err)
	}
	if report, err = x.record.Verify(ctx, nil); err != nil || !report.Clean || report.Head.Count != 2 {
		t.Errorf("verify: %+v %v", report, err)
	}
	owner := x.data.OwnerPool()
	if _, err := owner.Exec(ctx, `alter table examination_observation disable trigger all; update examination_observation set severity = 1; alter table examination_observation enable trigger all`); err != nil {
		t.Fatal(err)
	}
	if report, err = x.record.Verify(ctx, nil); err != nil || report.Clean {
		t.Errorf("a changed row is not noticed: %+v %v", report, err)
	}
}

// TestE3CarriedForward: the next examination begins with what the last one found; what was not seen is
// not gone, and comes again the next time.
func TestE3CarriedForward(t *testing.T) {
	t.Parallel()
	x := newExamined(t)
	ctx, mara := t.Context(), x.people["Mara"]
	e := x.begin("Mara", examination.Survey)
	for _, part := range []string{"1a", "1a1", "1b"} {
		e = x.add(e, part, damage("tackiness", 2, examination.UnknownActivity))
	}
	first := x.sign(x.whole(e))

	x.now = x.now.AddDate(1, 0, 0)
	e = x.begin("Per", examination.PeriodicCheck)
	if len(e.Observations) != 3 || e.FollowsID == nil || *e.FollowsID != first.ID || e.FollowsOn != "2026-02-06" {
		t.Fatalf("carried: %+v", e)
	}
	for i, o := range e.Observations {
		if o.ContinuesID == nil || *o.ContinuesID != first.Observations[i].ID || o.Status != examination.Unanswered || o.Before == nil || o.Before.Severity != 2 || o.Severity != 2 {
			t.Errorf("carried: %+v", o)
		}
	}
	var missing *domain.Error
	if _, err := x.exams.Sign(ctx, x.people["Per"], e.ID, e.Version); err == nil {
		t.Fatal("signed with nothing answered")
	} else if missing, _ = err.(*domain.Error); missing == nil || len(missing.Missing) < 12 || !strings.Contains(strings.Join(missing.Missing, "; "), "tackiness on 1968.14.2.1b glove: whether it is as it was") {
		t.Errorf("missing: %v", err)
	}
	if err := x.exams.Discard(ctx, x.people["Rune"], e.ID, e.Version); code(err) != "P2" {
		t.Errorf("discarded by another: %v", err)
	}
	if _, err := x.exams.Drop(ctx, mara, e.ID, e.Version, e.Observations[0].ID); code(err) != "E3" {
		t.Errorf("dropped: %v", err)
	}
	e = x.whole(e, "1a1")
	if o := e.Observations[1]; o.Status != examination.NotSeen {
		t.Errorf("on a component not seen: %+v", o)
	}
	if _, err := x.exams.Set(ctx, mara, e.ID, e.Version, e.Observations[1].ID, examination.Finding{Term: "tackiness", Severity: 2, Activity: examination.UnknownActivity, Status: examination.Gone, Reason: "gone"}); code(err) != "E3" {
		t.Errorf("gone on a component not seen: %v", err)
	}
	var err error
	gone := e.Observations[0].Finding
	gone.Status, gone.Reason = examination.Gone, "cleaned off"
	if e, err = x.exams.Set(ctx, x.people["Per"], e.ID, e.Version, e.Observations[0].ID, gone); err != nil {
		t.Fatal(err)
	}
	worse := e.Observations[2].Finding
	worse.Status, worse.Severity = examination.Confirmed, 3
	if e, err = x.exams.Set(ctx, x.people["Per"], e.ID, e.Version, e.Observations[2].ID, worse); err != nil {
		t.Fatal(err)
	}
	if _, err := x.exams.Sign(ctx, x.people["Per"], e.ID, e.Version); err == nil || !strings.Contains(err.Error(), "severity is not as it was") {
		t.Errorf("'as it was' with another severity: %v", err)
	}
	worse.Status = examination.Changed
	if e, err = x.exams.Set(ctx, x.people["Per"], e.ID, e.Version, e.Observations[2].ID, worse); err != nil {
		t.Fatal(err)
	}
	if _, err := x.exams.Sign(ctx, mara, e.ID, e.Version); code(err) != "P2" {
		t.Errorf("signed for another: %v", err)
	}
	second := x.sign(e)

	// A third begins without what is gone, with what was not seen.
	x.now = x.now.AddDate(0, 1, 0)
	third := x.begin("Mara", examination.PeriodicCheck)
	if len(third.Observations) != 2 || *third.Observations[0].ContinuesID != second.Observations[1].ID || third.Observations[1].Severity != 3 {
		t.Errorf("third: %+v", third.Observations)
	}
	if err := x.exams.Discard(ctx, mara, third.ID, third.Version); err != nil {
		t.Error(err)
	}
	if _, err := x.exams.One(ctx, mara, third.ID); domain.KindOf(err) != domain.KindNotFound {
		t.Errorf("discarded: %v", err)
	}
	page, err := x.exams.List(ctx, mara, x.sheet.Object.ID, domain.PageQuery{Limit: 1})
	if err != nil || len(page.Items) != 1 || page.Items[0].ID != second.ID || page.Items[0].Observations != 2 || page.Next == "" {
		t.Errorf("list: %+v %v", page, err)
	}
	if page, err = x.exams.List(ctx, mara, x.sheet.Object.ID, domain.PageQuery{Limit: 1, Cursor: page.Next}); err != nil || len(page.Items) != 1 || page.Items[0].ID != first.ID || page.Next != "" {
		t.Errorf("list: %+v %v", page, err)
	}
	if last, err := x.exams.Latest(ctx, mara, x.sheet.Object.ID); err != nil || last.ID != second.ID {
		t.Errorf("latest: %+v %v", last, err)
	}
	if c, err := x.exams.Conditions(ctx, mara, x.sheet.Object.ID); err != nil || len(c) != 1 || c[0].ExaminationID != second.ID || c[0].Overall != examination.Unacceptable {
		t.Errorf("conditions: %+v %v", c, err)
	}
}

// TestExaminedMeanwhile: two drafts of one object; the later one takes over what the earlier signed.
func TestExaminedMeanwhile(t *testing.T) {
	t.Parallel()
	x := newExamined(t)
	ctx := t.Context()
	slow := x.add(x.begin("Mara", examination.Survey), "2", damage("dent", 1, examination.Stable))
	quick := x.sign(x.whole(x.add(x.begin("Per", examination.Incident), "1b", damage("tear", 3, examination.Stable))))
	slow = x.whole(slow)
	if _, err := x.exams.Sign(ctx, x.people["Mara"], slow.ID, slow.Version); code(err) != "examined_meanwhile" {
		t.Errorf("signed past another: %v", err)
	}
	slow, err := x.exams.Bring(ctx, x.people["Mara"], slow.ID, slow.Version)
	if err != nil || len(slow.Observations) != 2 || *slow.Observations[1].ContinuesID != quick.Observations[0].ID {
		t.Fatalf("brought: %+v %v", slow, err)
	}
	f := slow.Observations[1].Finding
	f.Status = examination.Confirmed
	if slow, err = x.exams.Set(ctx, x.people["Mara"], slow.ID, slow.Version, slow.Observations[1].ID, f); err != nil {
		t.Fatal(err)
	}
	x.sign(slow)
}

// TestE5AlarmWaitsForAnAnswer: active damage of severity 4 is told of at once and waits for a conservator.
func TestE5AlarmWaitsForAnAnswer(t *testing.T) {
	t.Parallel()
	x := newExamined(t)
	ctx, mara := t.Context(), x.people["Mara"]
	e := x.sign(x.whole(x.add(x.begin("Mara", examination.PeriodicCheck), "1a", damage("crumbling", 4, examination.Active))))
	if e.Alarm == "" || e.OpenSince == nil || len(x.notices.all) != 1 {
		t.Fatalf("no alarm: %+v, %d notices", e, len(x.notices.all))
	}
	n := x.notices.all[0]
	if !slices.Equal(n.Roles, []domain.Role{domain.Conservator, domain.Curator}) || n.Department != "Diving" || !strings.Contains(n.Text, "crumbling on 1968.14.2.1a cuff") {
		t.Errorf("notice: %+v", n)
	}
	for name, c := range map[string]struct {
		who    string
		answer examination.NewAnswer
		want   string
	}{
		"a curator":             {"Karin", examination.NewAnswer{Kind: "noted", Reason: "seen"}, "P2"},
		"without a reason":      {"Mara", examination.NewAnswer{Kind: "noted"}, "invalid"},
		"without the treatment": {"Mara", examination.NewAnswer{Kind: "treatment"}, "invalid"},
		"no such treatment":     {"Mara", examination.NewAnswer{Kind: "treatment", TreatmentID: &x.sheet.Object.ID}, "invalid"},
	} {
		if _, err := x.exams.Respond(ctx, x.people[c.who], e.ID, e.Version, c.answer); code(err) != c.want {
			t.Errorf("%s: %v", name, err)
		}
	}
	due := postgres.NewAgenda(x.db, time.UTC)
	for who, want := range map[string]int{"Mara": 1, "Per": 1, "Karin": 1, "Tove": 0, "Rune": 0} {
		if items, err := due.Alarms(ctx, x.people[who], x.now, agenda.SectionMost); err != nil || len(items) != want {
			t.Errorf("on the agenda of %s: %+v %v", who, items, err)
		}
	}
	elsewhere := x.people["Karin"]
	elsewhere.Departments = []string{"Costume"}
	if items, err := due.Alarms(ctx, elsewhere, x.now, agenda.SectionMost); err != nil || len(items) != 0 {
		t.Errorf("on the agenda of another department: %+v %v", items, err)
	}
	e, err := x.exams.Respond(ctx, mara, e.ID, e.Version, examination.NewAnswer{Kind: "noted", Reason: "already crumbled before; boxed and ventilated"})
	if err != nil || e.OpenSince != nil || e.Answer == nil || e.Answer.By.Name != "Mara" {
		t.Fatalf("answered: %+v %v", e, err)
	}
	if _, err := x.exams.Respond(ctx, mara, e.ID, e.Version, examination.NewAnswer{Kind: "noted", Reason: "again"}); code(err) != "E5" {
		t.Errorf("answered twice: %v", err)
	}
	if items, err := due.Alarms(ctx, mara, x.now, agenda.SectionMost); err != nil || len(items) != 0 {
		t.Errorf("after the answer: %+v %v", items, err)
	}
	if report, err := x.record.Verify(ctx, nil); err != nil || !report.Clean {
		t.Errorf("verify: %+v %v", report, err)
	}

	// The next check is due on 6 February 2027: on the agenda a fortnight before, overdue on the day after.
	for day, want := range map[string]int{"2027-01-22": 0, "2027-01-23": 1, "2027-02-07": 1} {
		at, err := time.Parse(time.DateOnly, day)
		if err != nil {
			t.Fatal(err)
		}
		items, err := due.Checks(ctx, mara, at, agenda.SectionMost)
		if err != nil || len(items) != want {
			t.Errorf("checks due on %s: %+v %v", day, items, err)
		}
		if want > 0 && !items[0].Due.Equal(time.Date(2027, 2, 7, 0, 0, 0, 0, time.UTC)) {
			t.Errorf("due: %v", items[0].Due)
		}
	}
	x.begin("Tove", examination.Survey)
	if items, err := due.ExaminationDrafts(ctx, x.people["Tove"], x.now, agenda.SectionMost); err != nil || len(items) != 1 {
		t.Errorf("drafts: %+v %v", items, err)
	}
}

// TestH1H3ExaminationWithHands: hands are refused under a stop, a look is not; what was done is logged once
// and named in the examination.
func TestH1H3ExaminationWithHands(t *testing.T) {
	t.Parallel()
	x := newExamined(t)
	ctx, mara := t.Context(), x.people["Mara"]
	e := x.begin("Mara", examination.PeriodicCheck)
	if _, err := x.service.RaiseStop(ctx, x.people["Tove"], x.sheet.Object.ID, handling.NewStop{Note: "creaks"}); err != nil {
		t.Fatal(err)
	}
	yes, no := true, false
	c := e.Circumstances
	c.Handles = &yes
	if _, err := x.exams.Change(ctx, mara, e.ID, e.Version, examination.Changes{Circumstances: &c}); code(err) != "H3" {
		t.Errorf("with hands under a stop: %v", err)
	}
	c.Handles = &no
	e, err := x.exams.Change(ctx, mara, e.ID, e.Version, examination.Changes{Circumstances: &c})
	if err != nil {
		t.Fatalf("a look under a stop: %v", err)
	}
	e, _, stop, err := x.exams.Handle(ctx, mara, e.ID, e.Version, handling.Log{Minutes: 12, Purpose: "examination", Noticed: []string{"powder"}})
	if err != nil || stop == nil || e.HandlingID == nil || e.Handles == nil || !*e.Handles {
		t.Fatalf("what was done: %+v %v %v", e, stop, err)
	}
	event, err := x.service.One(ctx, mara, *e.HandlingID)
	if err != nil || event.Purpose != "examination" || !event.UnderStop {
		t.Errorf("handling: %+v %v", event, err)
	}
	if _, _, _, err := x.exams.Handle(ctx, mara, e.ID, e.Version, handling.Log{Minutes: 5, Purpose: "examination"}); code(err) != "handled" {
		t.Errorf("logged twice: %v", err)
	}
}

// TestDamageTerms: the published words are there, the museum adds its own with a source, and a word that
// is not there is refused with those near it.
func TestDamageTerms(t *testing.T) {
	t.Parallel()
	x := newExamined(t)
	ctx, mara := t.Context(), x.people["Mara"]
	published, err := examination.Published()
	if err != nil {
		t.Fatal(err)
	}
	all, err := x.exams.Terms(ctx, mara, "")
	if err != nil || len(all) != len(published) || len(all) != 88 {
		t.Errorf("%d of %d words: %v", len(all), len(published), err)
	}
	e := x.begin("Mara", examination.Survey)
	_, _, err = x.exams.Add(ctx, mara, e.ID, e.Version, examination.NewFinding{Finding: damage("tackines", 1, examination.Stable)})
	if err == nil || !strings.Contains(err.Error(), "Near it: tackiness") {
		t.Errorf("misspelt: %v", err)
	}
	own := examination.NewTerm{Name: "Lead bloom", Definition: "White powder on lead soles.", Classes: []string{"metal"}, Active: "yes", Source: "own observation, 2026"}
	if _, err := x.exams.AddTerm(ctx, x.people["Tove"], own); code(err) != "P2" {
		t.Errorf("added by a technician: %v", err)
	}
	if term, err := x.exams.AddTerm(ctx, mara, own); err != nil || term.Key != "lead_bloom" {
		t.Errorf("added: %+v %v", term, err)
	}
	if _, err := x.exams.AddTerm(ctx, mara, own); code(err) != "term_taken" {
		t.Errorf("added twice: %v", err)
	}
	if e = x.add(e, "", damage("lead bloom", 1, examination.Active)); e.Observations[0].TermName != "Lead bloom" || e.Observations[0].Called != "1968.14.2" {
		t.Errorf("used: %+v", e.Observations)
	}
}

// TestTwoAtOneDraft: who writes on an old version is refused, and nothing of either is lost.
func TestTwoAtOneDraft(t *testing.T) {
	t.Parallel()
	x := newExamined(t)
	ctx := t.Context()
	e := x.begin("Mara", examination.Survey)
	mine, theirs := "mine", "theirs"
	if _, err := x.exams.Change(ctx, x.people["Per"], e.ID, e.Version, examination.Changes{Description: &theirs}); err != nil {
		t.Fatal(err)
	}
	if _, err := x.exams.Change(ctx, x.people["Mara"], e.ID, e.Version, examination.Changes{Description: &mine}); code(err) != "stale" {
		t.Errorf("written over: %v", err)
	}
	if kept, err := x.exams.One(ctx, x.people["Mara"], e.ID); err != nil || kept.Description != theirs {
		t.Errorf("kept: %+v %v", kept, err)
	}
	if _, err := x.exams.Change(ctx, x.people["Rune"], e.ID, e.Version+1, examination.Changes{Description: &mine}); code(err) != "P2" {
		t.Errorf("written by who neither examines nor conserves: %v", err)
	}
}
