package postgres_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/collection"
	"farthingale/domain/investigation"
	"farthingale/domain/people"
	"farthingale/postgres"
)

// departmentCurators gives the curators of the fixture.
type departmentCurators struct{ d *dressed }

func (c departmentCurators) CuratorsOf(_ context.Context, _ string) ([]people.Person, error) {
	return []people.Person{{ID: c.d.people["Karin"].ID, Name: "Karin"}}, nil
}

// I1 and I2 through the database: asked, consented, sampled, found; the identification is written in the
// same act with the finding as its evidence, or nothing is.
func TestI2FindingIdentifies(t *testing.T) {
	t.Parallel()
	d := newDressed(t)
	ctx, mara, karin := t.Context(), d.people["Mara"], d.people["Karin"]
	if _, err := d.data.OwnerPool().Exec(ctx, `insert into material (key, name, family, category, source) values ('pu', 'Polyurethane', 'x', 'polymer', 'x') on conflict do nothing`); err != nil {
		t.Fatal(err)
	}
	objects, err := collection.NewService(postgres.NewCollection(d.db), func() time.Time { return d.now })
	if err != nil {
		t.Fatal(err)
	}
	service, err := investigation.NewService(postgres.NewInvestigations(d.db), objects, d.notices, departmentCurators{d}, func() time.Time { return d.now })
	if err != nil {
		t.Fatal(err)
	}
	cuff := d.parts["1a"]
	i, err := service.Ask(ctx, mara, d.sheet.Object.ID, investigation.NewQuestion{ComponentID: &cuff, Question: "What is the cuff?"})
	if err != nil || i.Number != 1 || i.Component != ".1a cuff" {
		t.Fatalf("%+v %v", i, err)
	}
	must := func(next *investigation.Investigation, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		i = next
	}
	must(service.Plan(ctx, mara, i.ID, i.Version, investigation.NewPlan{Techniques: []string{"ftir-sample"}, ComponentIDs: []domain.ID{cuff}, Who: "Mara", PlannedFor: "2026-03-01"}))
	must(service.AskConsent(ctx, mara, i.ID, i.Version, investigation.NewConsent{Technique: "ftir-sample", Reason: "Reflection was not clear.",
		Sites: []investigation.Site{{ComponentID: cuff, Place: "inside edge", Size: "1 mm", Count: 1}}}))
	waiting, err := service.List(ctx, karin, investigation.Filter{State: "open", Waiting: true, Department: "Diving", Technique: "ftir-sample", Words: "CUFF"}, domain.PageQuery{})
	if err != nil || len(waiting.Items) != 1 || !waiting.Items[0].Waiting {
		t.Fatalf("%+v %v", waiting, err)
	}
	if due, err := postgres.NewAgenda(d.db, time.UTC).Consents(ctx, karin, d.now, agenda.SectionMost); err != nil || len(due) != 1 || due[0].SubjectID != i.ID {
		t.Errorf("%+v %v", due, err)
	}
	if _, err := service.Decide(ctx, karin, i.ID, i.Version-1, 1, investigation.NewConsentDecision{Granted: true, Statement: "Yes."}); domain.KindOf(err) != domain.KindStale {
		t.Errorf("stale: %v", err)
	}
	must(service.Decide(ctx, karin, i.ID, i.Version, 1, investigation.NewConsentDecision{Granted: true, Statement: "At the inside edge only."}))
	must(service.Sample(ctx, mara, i.ID, i.Version, investigation.NewSample{Technique: "ftir-sample", ComponentID: cuff, Site: "inside edge", Size: "0.8 mm", MassMG: dec("0.25"), TakenOn: "2026-02-06",
		TakenBy: "Mara", Remainder: investigation.NewRemainder{State: "kept", Amount: "half of it", Where: "sample box 2"}}))
	if s := i.Samples[0]; s.Called != "1968.14.2.S1" || s.MassMG.String() != "0.25" || s.ConsentID == nil || s.Remainders[0].Where != "sample box 2" {
		t.Errorf("%+v", s)
	}
	polyurethane, unknown := "pu", "no such material"
	finding := investigation.NewFinding{Technique: "ftir-sample", SampleID: &i.Samples[0].ID, Found: "Bands at 1730 and 1530.", Proves: "The coat is a polyurethane.", DoneOn: "2026-02-06", DoneBy: "Mara",
		Files: []investigation.File{{Name: "spectrum.spc", SHA256: strings.Repeat("AB", 32)}}, Identifies: &investigation.Identification{MaterialKey: &unknown, Role: "coating", Confidence: "certain"}}
	if _, err := service.Record(ctx, mara, i.ID, i.Version, finding); err == nil {
		t.Error("an unknown material is taken")
	}
	if now, err := service.One(ctx, mara, i.ID); err != nil || len(now.Findings) != 0 || now.Version != i.Version {
		t.Errorf("half an act is kept: %+v %v", now, err)
	}
	finding.Identifies.MaterialKey = &polyurethane
	must(service.Record(ctx, mara, i.ID, i.Version, finding))
	f := i.Findings[0]
	if f.Identified != "Polyurethane" || f.IdentificationID == nil || f.Component != ".1a cuff" || f.Files[0].SHA256 != strings.Repeat("ab", 32) {
		t.Errorf("%+v", f)
	}
	said, err := objects.Identifications(ctx, mara, cuff)
	if err != nil || len(said) != 1 || said[0].ID != *f.IdentificationID || !strings.Contains(said[0].Evidence, "Question 1 on 1968.14.2") || said[0].IdentifiedBy != "test" {
		t.Errorf("%+v %v", said, err)
	}
	must(service.Left(ctx, mara, i.Samples[0].ID, i.Version, investigation.NewRemainder{State: "used_up"}))
	must(service.Finish(ctx, mara, i.ID, i.Version, investigation.NewEnd{Outcome: investigation.Done, Text: "It is a polyurethane."}))
	if i.State != investigation.Done || len(i.Samples[0].Remainders) != 2 || i.End.Text == "" {
		t.Errorf("%+v", i)
	}
	if len(d.notices.all) != 2 {
		t.Errorf("%d notices", len(d.notices.all))
	}
	// The database keeps what was said, whatever the program does.
	for _, sql := range []string{`update investigation set question = 'x'`, `delete from investigation`, `update sample set size = 'x'`, `delete from investigation_finding`, `update investigation set end_text = 'x'`,
		`insert into investigation_consent_decision select c.id, true, 'x', now(), now(), c.asked_by from investigation_consent c`} {
		if _, err := d.data.OwnerPool().Exec(ctx, sql); err == nil {
			t.Errorf("%s is done", sql)
		}
	}
	// A sample without consent is told to the curators.
	other, err := service.Ask(ctx, mara, d.sheet.Object.ID, investigation.NewQuestion{Question: "What came off?"})
	if err != nil || other.Number != 2 {
		t.Fatalf("%+v %v", other, err)
	}
	if _, err := service.Sample(ctx, mara, other.ID, other.Version, investigation.NewSample{Technique: "xrd", ComponentID: cuff, Site: "floor", Size: "dust", TakenOn: "2026-02-06", TakenBy: "Mara",
		Explanation: "It fell off.", Remainder: investigation.NewRemainder{State: "away", Amount: "all", Where: "the university"}}); err != nil {
		t.Fatal(err)
	}
	if last := d.notices.all[len(d.notices.all)-1]; !strings.Contains(last.Text, "without consent") || last.Department != "Diving" {
		t.Errorf("%+v", last)
	}
}
