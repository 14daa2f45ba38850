package web

import (
	"strconv"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/examination"
)

// conditionNow is what condition an object is in, on its sheet.
type conditionNow struct {
	Grade                               Mark
	Means, Priority, NextCheck, Said    string
	Found                               []string // the gravest observations
	More                                int
	Path, AllPath, ExaminePath, Compare string
	Drafts                              []examinationRow
	Open                                string // an alarm that waits for an answer
	Overdue                             bool
}

// foundMost is how many observations the sheet names.
const foundMost = 5

// conditionSection says what condition an object is in, as its last signed examination has it.
func (s *Server) conditionSection(c echo.Context, w *collection.Whole) (section, error) {
	ctx, by := c.Request().Context(), actor(c)
	if by.May(examination.Read) != nil {
		return section{}, nil
	}
	at := objectPath(w.Object.Number)
	all, err := s.Examination.List(ctx, by, w.Object.ID, domain.PageQuery{Limit: 10})
	if err != nil {
		return section{}, err
	}
	d := &conditionNow{AllPath: at + "/examinations"}
	sec := section{ID: "condition", Heading: "Condition now", Template: "examination/_condition", Data: d}
	if by.May(examination.Write) == nil {
		d.ExaminePath = at + "/examine"
	}
	signed := 0
	for _, l := range all.Items {
		if l.State == examination.Draft {
			d.Drafts = append(d.Drafts, s.examinationRow(l))
			continue
		}
		signed++
		if l.OpenSince != nil {
			sec.Head = append(sec.Head, headLine{Mark: warnMark("waits for an answer"), Path: examinationPath(l.ID), Text: l.Alarm})
		}
	}
	if _, served := s.acts["GET /objects/:number/compare"]; served && signed > 1 {
		d.Compare = at + "/compare"
	}
	if signed == 0 && len(d.Drafts) == 0 && d.ExaminePath == "" {
		return section{}, nil
	}
	if signed == 0 {
		return sec, nil
	}
	e, err := s.Examination.Latest(ctx, by, w.Object.ID)
	if domain.KindOf(err) == domain.KindNotFound {
		return sec, nil
	}
	if err != nil {
		return section{}, err
	}
	d.Grade, d.Means, d.Path = gradeMark(e.Overall), e.Overall.Means(), examinationPath(e.ID)
	d.Said = occasionWords(e.Occasion) + ", " + dayWords(e.ExaminedOn) + ", " + e.Examiner.Name
	d.Priority, d.NextCheck = e.Priority, dayWords(e.NextCheckOn)
	d.Overdue = e.NextCheckOn < s.Now().In(s.Site.Zone).Format("2006-01-02")
	for _, severity := range []int{4, 3, 2, 1, 0} {
		for _, o := range e.Observations {
			if o.Severity != severity || o.Status == examination.Gone {
				continue
			}
			if len(d.Found) == foundMost {
				d.More++
				continue
			}
			said := o.TermName + " on " + o.Called + ": " + observed(o.Finding)
			if o.Status == examination.NotSeen {
				said += " (as last known; not seen this time)"
			}
			d.Found = append(d.Found, said)
		}
	}
	return sec, nil
}

// MoreWords says how many further observations there are.
func (d *conditionNow) MoreWords() string {
	if d.More == 0 {
		return ""
	}
	return "and " + strconv.Itoa(d.More) + " more"
}
