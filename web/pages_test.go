package web

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"path"
	"slices"
	"strings"
	"testing"

	"github.com/jba/templatecheck"
	"github.com/labstack/echo/v4"

	"farthingale/domain/collection"
)

// pages names for every template the struct that it shows. A template without one fails.
var pages = map[string]framed{
	"agenda/due":     &duePage{},
	"agenda/notices": &noticesPage{},
	"agenda/today":   &todayPage{},

	"contract/area":     &contractAreaPage{},
	"contract/contract": &contractPage{},

	"collection/component": &componentPage{},
	"collection/describe":  &describePage{},
	"collection/import":    &importPage{},
	"collection/object":    &objectPage{},
	"collection/objects":   &objectsPage{},

	"enclosure/enclosure":      &enclosurePageData{},
	"enclosure/enclosures":     &enclosuresPage{},
	"enclosure/form":           &enclosureFormPage{},
	"enclosure/recommendation": &recommendationPageData{},
	"enclosure/what_if":        &whatIfPage{},

	"examination/draft":        &draftPage{},
	"examination/examination":  &examinationPageData{},
	"examination/examinations": &examinationsPage{},
	"examination/examine":      &examinePage{},
	"examination/terms":        &damageTermsPageData{},

	"error/error":   &errorPage{},
	"error/problem": &problemPage{},

	"finding/finding":  &findingPage{},
	"finding/findings": &findingsPage{},

	"handling/form":      &objectFormPage{},
	"handling/handle":    &handlePage{},
	"handling/handling":  &handlingPage{},
	"handling/handlings": &handlingsPage{},
	"handling/set_down":  &setDownPage{},
	"handling/stop":      &stopPageData{},
	"handling/stops":     &stopsPage{},

	"incident/incident":            &incidentPage{},
	"incident/incidents":           &incidentsPage{},
	"investigation/form":           &investigationFormPage{},
	"investigation/investigation":  &investigationPageData{},
	"investigation/investigations": &investigationsPage{},

	"measurement/measure":     &measureFormPage{},
	"measurement/measurement": &measurementPageData{},
	"measurement/spot":        &spotPageData{},
	"measurement/spots":       &spotsPage{},

	"movement/label":  &labelPage{},
	"movement/move":   &movePage{},
	"movement/moves":  &movesPage{},
	"movement/place":  &placePageData{},
	"movement/places": &placesPage{},

	"material/material":  &materialPage{},
	"material/materials": &materialsPage{},

	"loan/form":     &loanFormPage{},
	"loan/line":     &loanLinePage{},
	"loan/loan":     &loanPage{},
	"loan/loans":    &loansPage{},
	"loan/new_line": &newLoanLinePage{},

	"people/account": &accountPage{},
	"people/first":   &formPage{},
	"people/code":    &formPage{},
	"people/factor":  &factorPage{},
	"people/people":  &peoplePage{},
	"people/person":  &personPage{},
	"people/sign_in": &formPage{},

	"examination/compare": &comparePage{},
	"photo/photo":         &photoPage{},
	"photo/photos":        &photosPage{},
	"photo/alignment":     &alignmentPage{},
	"photo/marks":         &markingPage{},

	"record/record": &recordPage{},

	"survey/look":    &lookPage{},
	"survey/new":     &newSurveyPage{},
	"survey/survey":  &surveyPageData{},
	"survey/surveys": &surveysPage{},

	"treatment/emergencies":   &emergenciesPage{},
	"treatment/emergency":     &emergencyPage{},
	"treatment/form":          &treatmentFormPage{},
	"treatment/material_uses": &materialUsesPage{},
	"treatment/treatment":     &treatmentPage{},
	"treatment/treatments":    &treatmentsPage{},
}

// sections names for every section of an object's sheet the data that it shows.
var sections = map[string]any{
	"collection/_description":  descriptionData{},
	"collection/_hazards":      hazardData{},
	"collection/_make_up":      makeUpData{},
	"enclosure/_air":           objectEnclosures{},
	"finding/_findings":        findingsData{},
	"handling/_handling":       handlingData{},
	"incident/_incidents":      objectIncidents{},
	"investigation/_questions": objectQuestions{},
	"measurement/_measured":    objectMeasured{},
	"movement/_where":          whereData{},
	"loan/_loans":              loansData{},
}

// Every section is checked against its data, too.
func TestSectionsFitTheirData(t *testing.T) {
	partials, err := readPartials()
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range sections {
		section := partials[name].Lookup(strings.TrimPrefix(path.Base(name), "_"))
		if section == nil {
			t.Errorf("%s does not define its template", name)
			continue
		}
		if err := templatecheck.CheckHTMLStrict(section, data); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Every template is checked against its struct along all its paths, also those that no test takes.
func TestTemplatesFitTheirPages(t *testing.T) {
	templates, err := readTemplates()
	if err != nil {
		t.Fatal(err)
	}
	for name, template := range templates {
		page, ok := pages[name]
		if !ok {
			t.Errorf("%s: say in pages which struct it shows", name)
			continue
		}
		if err := templatecheck.CheckHTMLStrict(template.Lookup("layout"), page); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for name := range pages {
		if templates[name] == nil {
			t.Errorf("%s: there is no such template", name)
		}
	}
}

// TestFilterLinks: each link that narrows a list changes one thing; the others it leaves as they are.
func TestFilterLinks(t *testing.T) {
	t.Parallel()
	c := echo.New().NewContext(httptest.NewRequest(http.MethodGet, "/objects?kind=k&q=dress&cursor=x", nil), httptest.NewRecorder())
	var got []string
	for _, g := range filterLinks(c, collection.Filters{Departments: []string{"A", "B"}, Kinds: []string{"k", "l"}}) {
		if g.Name == "Department" || g.Name == "Kind" {
			for _, l := range g.Links {
				got = append(got, fmt.Sprint(l.Path, " ", l.Present))
			}
		}
	}
	if want := []string{"/objects?department=A&kind=k&q=dress false", "/objects?department=B&kind=k&q=dress false", "/objects?q=dress true", "/objects?kind=l&q=dress false"}; !slices.Equal(got, want) {
		t.Errorf("links %q, want %q", got, want)
	}
	if got := more(c, "next"); got != "/objects?cursor=next&kind=k&q=dress" {
		t.Errorf("the next page is %s", got)
	}
	if got := filterLink(c, "newest", "sort", "newest", false).Path; got != "/objects?kind=k&q=dress&sort=newest" {
		t.Errorf("after the next page, a link is %s", got)
	}
}
