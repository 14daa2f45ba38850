package web

import (
	"cmp"
	"slices"

	"farthingale/domain"
	"farthingale/domain/treatment"
)

// examinePath is where somebody examines an object, for an occasion.
func examinePath(number, occasion string) string {
	return objectPath(number) + "/examine?occasion=" + occasion
}

// restsWords is the condition on which a text rests.
func restsWords(p treatment.Proposal, legend map[string]string) string {
	rests := p.RestsOn.Text
	for _, id := range p.RestsOn.Observations {
		rests += "\n" + legend[id.String()]
	}
	if p.RestsOn.ExaminationID == nil && (p.RestsOn.Date != "" || p.RestsOn.By != "") {
		rests += "\nSeen " + dateWords(p.RestsOn.Date) + " by " + p.RestsOn.By + "."
	}
	return rests
}

// restsLink leads to the examination on which a text rests; nil when it names none.
func restsLink(p treatment.Proposal, legend map[string]string) *Link {
	if p.RestsOn.ExaminationID == nil {
		return nil
	}
	return &Link{Path: examinationPath(*p.RestsOn.ExaminationID), Words: cmp.Or(legend[p.RestsOn.ExaminationID.String()], "an examination")}
}

// examinedOptions are signed examinations to choose from.
func examinedOptions(all []treatment.Examined, chosen *domain.ID) []Option {
	options := []Option{{Label: "choose"}}
	for i := range all {
		e := &all[i]
		options = append(options, Option{Value: e.ID.String(), Label: capital(e.Called()) + " (" + plain(e.Occasion) + ")", Chosen: chosen != nil && e.ID == *chosen})
	}
	return options
}

// restsFields are the fields about the examination on which a proposal rests.
func (w writing) restsFields(p treatment.Proposal) Field {
	group := Field{Kind: "group", Label: "The examination on which it rests", Fields: []Field{
		{Kind: "select", Name: "rests_on.examination_id", Label: "Examination", Options: examinedOptions(w.examined, p.RestsOn.ExaminationID), Help: "A signed one of the last 12 months."},
	}}
	if len(w.examined) > 0 {
		of := &w.examined[0]
		if i := slices.IndexFunc(w.examined, func(e treatment.Examined) bool {
			return p.RestsOn.ExaminationID != nil && e.ID == *p.RestsOn.ExaminationID
		}); i >= 0 {
			of = &w.examined[i]
		}
		observed := make([]Option, len(of.Observations))
		for i, o := range of.Observations {
			observed[i] = Option{Value: o.ID.String(), Label: o.Called, Chosen: slices.Contains(p.RestsOn.Observations, o.ID)}
		}
		if len(observed) > 0 {
			group.Fields = append(group.Fields, Field{Kind: "checks", Name: "rests_on.observations", Label: "What it answers", Options: observed,
				Help: "Observations of the " + of.Called() + ". To choose among those of another one, keep the draft with that one first."})
		}
	}
	group.Fields = append(group.Fields, field("textarea", "rests_on.text", "What of it matters here", p.RestsOn.Text, 10000, ""))
	return group
}

// examineFirst leads to where what the form of a text needs is examined.
func (w writing) examineFirst() []Link {
	words := "Examine it before treatment"
	if len(w.examined) == 0 {
		words = "There is no signed examination yet: examine it first"
	}
	return []Link{{Path: examinePath(w.sheet.Object.Number, "before_treatment"), Words: words}}
}
