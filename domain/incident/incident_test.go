package incident

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"farthingale/domain"
)

var (
	noon = time.Date(2026, 2, 6, 12, 0, 0, 0, time.UTC)
	ines = domain.Actor{ID: domain.NewID(), Name: "Ines", Roles: []domain.Role{domain.Conservator}}
	maud = domain.Actor{ID: domain.NewID(), Name: "Maud", Roles: []domain.Role{domain.Curator}, Departments: []string{"Diving"}}
	piet = domain.Actor{ID: domain.NewID(), Name: "Piet", Roles: []domain.Role{domain.Curator}, Departments: []string{"Charts"}}
	rosa = domain.Actor{ID: domain.NewID(), Name: "Rosa", Roles: []domain.Role{domain.Registrar}}
	hugo = domain.Actor{ID: domain.NewID(), Name: "Hugo", Roles: []domain.Role{domain.Technician}}
	olga = domain.Actor{ID: domain.NewID(), Name: "Olga", Roles: []domain.Role{domain.Reader}}
)

func opened(t *testing.T) *Incident {
	t.Helper()
	i, err := open(rosa, Opening{Department: "Diving", LoanReference: "L.2026.3", Facts: Facts{ObjectID: domain.NewID(), LoanID: domain.NewID(), LineID: domain.NewID(), HandOverID: domain.NewID(),
		Stage: "returned", Called: "1968.14.2.1a cuff", BeforeID: domain.NewID(), ExaminationID: domain.NewID(), Found: "new: tear on 1968.14.2.1a cuff."}}, noon)
	if err != nil {
		t.Fatal(err)
	}
	return i
}

// TestL4IncidentAnswered: every kind of answer by every person. Only a conservator's about the object ends the waiting;
// of insurance only who may see values speaks, and reads (P3).
func TestL4IncidentAnswered(t *testing.T) {
	t.Parallel()
	about := []Kind{TreatmentProposed, Watched, NoAction}
	may := map[string][]Kind{
		"Ines": append(slices.Clone(about), BorrowerTold),
		"Maud": {BorrowerTold, InsurerTold, ClaimMade},
		"Piet": {BorrowerTold}, // curator of another department
		"Rosa": {BorrowerTold, InsurerTold, ClaimMade},
		"Hugo": {}, "Olga": {},
	}
	for _, by := range []domain.Actor{ines, maud, piet, rosa, hugo, olga} {
		if by.May(Respond) == nil {
			if got := Offered(by, "Diving"); !slices.Equal(got, may[by.Name]) {
				t.Errorf("%s is offered %v", by.Name, got)
			}
		}
		for _, kind := range Kinds {
			i := opened(t)
			err := i.Answer(by, NewAnswer{Kind: kind, Text: " As it is. "}, noon.Add(time.Hour))
			if allowed := slices.Contains(may[by.Name], kind); allowed != (err == nil) {
				t.Errorf("%s, %s: %v", by.Name, kind, err)
				continue
			}
			if err != nil {
				if domain.KindOf(err) != domain.KindForbidden || len(i.Answers) != 0 || i.AnsweredAt != nil {
					t.Errorf("%s, %s: %v, %+v", by.Name, kind, err, i)
				}
				continue
			}
			if settled := i.AnsweredAt != nil; settled != slices.Contains(about, kind) || i.Answers[0].Text != "As it is." || i.Answers[0].By.Name != by.Name {
				t.Errorf("%s, %s: %+v", by.Name, kind, i)
			}
		}
	}
}

// TestP3InsuranceHidden: what insurers are told is absent for whom P3 does not allow, in the incident and in its events.
func TestP3InsuranceHidden(t *testing.T) {
	t.Parallel()
	i := opened(t)
	for _, kind := range []Kind{BorrowerTold, InsurerTold, ClaimMade} {
		if err := i.Answer(rosa, NewAnswer{Kind: kind, Text: "Of " + string(kind)}, noon); err != nil {
			t.Fatal(err)
		}
	}
	for _, e := range i.Events() {
		if n, ok := e.Change.(NewAnswer); ok && manners[n.Kind].guarded && n.Text != "" {
			t.Errorf("an event tells %q", n.Text)
		}
	}
	for who, want := range map[*domain.Actor]int{&rosa: 3, &maud: 3, &piet: 1, &ines: 1, &olga: 1} {
		copied := *i
		copied.Answers = slices.Clone(i.Answers)
		if got := copied.seen(*who); len(got.Answers) != want {
			t.Errorf("%s reads %d answers, not %d", who.Name, len(got.Answers), want)
		}
	}
}

// TestIncidentAnswersGrow: a later answer stands beside an earlier; the first about the object says when it was
// answered. Empty and unknown answers are refused and change nothing.
func TestIncidentAnswersGrow(t *testing.T) {
	t.Parallel()
	i := opened(t)
	for text, n := range map[string]NewAnswer{"no text": {Kind: NoAction, Text: "  "}, "no kind": {Text: "Nothing."}, "unknown": {Kind: "forgotten", Text: "Nothing."}} {
		var e *domain.Error
		if err := i.Answer(ines, n, noon); !errors.As(err, &e) || e.Kind != domain.KindInvalid || len(i.Answers) != 0 {
			t.Errorf("%s: %v", text, err)
		}
	}
	for k, n := range []NewAnswer{{BorrowerTold, "By letter."}, {NoAction, "Within what the material does."}, {TreatmentProposed, "It opens further after all."}} {
		if err := i.Answer(ines, n, noon.Add(time.Duration(k)*time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	if len(i.Answers) != 3 || i.AnsweredAt == nil || !i.AnsweredAt.Equal(noon.Add(time.Hour)) {
		t.Errorf("%+v", i)
	}
}

// TestIncidentNotice: conservators, registrars and the department's curators hear of it, and the notice holds its text
// however much was found.
func TestIncidentNotice(t *testing.T) {
	t.Parallel()
	i := opened(t)
	i.Found = strings.Repeat("new: πτύχωση on the cuff; ", 400)
	n := i.notice()
	if !slices.Equal(n.Roles, []domain.Role{domain.Conservator, domain.Curator, domain.Registrar}) || n.Department != "Diving" || n.Subject != i.ID ||
		!strings.HasPrefix(n.Text, "Incident: 1968.14.2.1a cuff on loan L.2026.3 was found changed: new: ") || utf8.RuneCountInString(n.Text) != 2000 || !strings.HasSuffix(n.Text, "…") {
		t.Errorf("%d characters: %+v", utf8.RuneCountInString(n.Text), n)
	}
	if err := domain.Validate(n); err != nil {
		t.Error(err)
	}
}
