package web

import (
	"testing"

	"github.com/jba/templatecheck"
)

// pages names for every template the struct that it shows. A template without one fails.
var pages = map[string]framed{
	"agenda/notices": &noticesPage{},
	"agenda/today":   &todayPage{},

	"contract/area":     &contractAreaPage{},
	"contract/contract": &contractPage{},

	"error/error":   &errorPage{},
	"error/problem": &problemPage{},

	"people/account": &accountPage{},
	"people/first":   &formPage{},
	"people/people":  &peoplePage{},
	"people/person":  &personPage{},
	"people/sign_in": &formPage{},

	"photo/photo":  &photoPage{},
	"photo/photos": &photosPage{},

	"record/record": &recordPage{},
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
