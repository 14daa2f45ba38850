package loan

import (
	"context"
	"time"

	"farthingale/domain"
)

// The kinds of seals of this area.
const (
	SealAssessment = "loan_assessment"
	SealConsent    = "loan_consent"
	SealCondition  = "outgoing_condition"
	SealAddendum   = "outgoing_condition_addendum"
	SealApproval   = "loan_approval"
	SealFacilities = "loan_facilities"
	SealAgreement  = "loan_agreement"
	SealSignature  = "loan_signature"
	SealHandOver   = "loan_hand_over"
	SealStage      = "loan_stage"
)

// Kinds names, for each kind of seal, what its subject is.
var Kinds = map[string]Owned{
	SealAssessment: OwnedAssessment, SealConsent: OwnedConsent, SealCondition: OwnedStatement, SealAddendum: OwnedAddendum, SealApproval: OwnedApproval,
	SealFacilities: OwnedFacilities, SealAgreement: OwnedAgreement, SealSignature: OwnedSignature, SealHandOver: OwnedHandOver, SealStage: OwnedStage,
}

// paper is a document to be sealed. What it holds comes from rows that never change; a member that is
// added to one of these types later must be absent when it is empty, or old seals no longer fit.
type paper struct {
	kind    string
	subject domain.ID
	object  *domain.ID
	content any
}

func utc(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

// of is the document of something that was signed in the course of this loan.
func (l *Loan) of(name string, content any) map[string]any {
	return map[string]any{"loan": l.ID, "reference": l.Reference, name: content}
}

// papers are the documents of what was added.
func (l *Loan) papers(a Added) []paper {
	var all []paper
	object := func(lineID domain.ID) *domain.ID {
		if n := l.Line(lineID); n != nil {
			return &n.ObjectID
		}
		return nil
	}
	for _, x := range a.Assessments {
		x.At = utc(x.At)
		all = append(all, paper{SealAssessment, x.ID, object(x.LineID), l.of("assessment", x)})
	}
	for _, x := range a.Consents {
		x.At = utc(x.At)
		all = append(all, paper{SealConsent, x.ID, object(x.LineID), l.of("consent", x)})
	}
	for _, x := range a.Statements {
		x.At, x.Addenda = utc(x.At), []Addendum{}
		all = append(all, paper{SealCondition, x.ID, object(x.LineID), l.of("condition", x)})
	}
	for _, x := range a.Addenda {
		x.At = utc(x.At)
		all = append(all, paper{SealAddendum, x.ID, nil, l.of("addendum", x)})
	}
	for _, x := range a.Approvals {
		x.At, x.Holds = utc(x.At), true
		all = append(all, paper{SealApproval, x.ID, nil, l.of("approval", x)})
	}
	for _, x := range a.Facilities {
		x.At = utc(x.At)
		all = append(all, paper{SealFacilities, x.ID, nil, l.of("facilities", x)})
	}
	for _, x := range a.Agreements {
		all = append(all, paper{SealAgreement, x.ID, nil, x.Content})
	}
	for _, x := range a.Signatures {
		x.At = utc(x.At)
		all = append(all, paper{SealSignature, x.ID, nil, l.of("signature", x)})
	}
	for _, x := range a.HandOvers {
		x.At = utc(x.At)
		all = append(all, paper{SealHandOver, x.ID, nil, l.of("hand_over", x)})
	}
	for _, x := range a.Stages {
		x.At = utc(x.At)
		all = append(all, paper{SealStage, x.ID, nil, l.of("stage", x)})
	}
	return all
}

// all is everything that was ever added to the loan.
func (l *Loan) all() Added {
	a := Added{Approvals: l.Approvals, Facilities: l.Facilities, Agreements: l.Agreements, HandOvers: l.HandOvers, Stages: l.Stages}
	for _, n := range l.Lines {
		a.Assessments, a.Consents, a.Statements = append(a.Assessments, n.Assessments...), append(a.Consents, n.Consents...), append(a.Statements, n.Statements...)
		for _, s := range n.Statements {
			a.Addenda = append(a.Addenda, s.Addenda...)
		}
	}
	for _, g := range l.Agreements {
		a.Signatures = append(a.Signatures, g.Signatures...)
	}
	return a
}

// seal seals what the act added.
func (s *Service) seal(ctx context.Context, by domain.Actor, l *Loan, at time.Time) error {
	for _, p := range l.papers(l.Added) {
		if _, err := s.Seals.Seal(ctx, by.ID, p.kind, p.subject, p.object, p.content, at); err != nil {
			return err
		}
	}
	return nil
}

// Sealed gives back the document of a kind of seal, for record.Service.Register.
func (s *Service) Sealed(kind string) func(ctx context.Context, subjectID domain.ID) (any, error) {
	return func(ctx context.Context, subjectID domain.ID) (any, error) {
		id, err := s.store.Owner(ctx, Kinds[kind], subjectID)
		if err != nil {
			return nil, err
		}
		l, err := s.store.One(ctx, id)
		if err != nil {
			return nil, err
		}
		for _, p := range l.papers(l.all()) {
			if p.kind == kind && p.subject == subjectID {
				return p.content, nil
			}
		}
		return nil, domain.NotFound("There is no such record.")
	}
}
