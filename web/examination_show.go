package web

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/photo"
	"farthingale/domain/treatment"
)

// examinationPageData is an examination as it is read.
type examinationPageData struct {
	Frame
	Number, ObjectTitle, ObjectPath, Heading, Sub string
	State                                         Mark
	Grade                                         Mark
	Means                                         string
	Alarm                                         string // why it had to be heard of at once
	Open                                          bool   // and waits for an answer
	Answered                                      []fact
	Circumstances, Identified, Judgement          []said
	Description                                   []string
	Unseen                                        []unseenRow
	Seen                                          string
	Observations                                  []observationRow
	Photos                                        []photoTile
	Addenda                                       []addendumRow
	Seal                                          string
	Links                                         []Link
	Missing                                       []string
	Sign, AddendumForm, AnswerForm                *Form
	Review                                        bool // a draft looked over before it is signed
	Again                                         string
}

type unseenRow struct{ Called, Reason string }

// observationRow is an observation in the table of an examination.
type observationRow struct {
	ID, Number, Damage, On, Severity, Activity, Extent, Basis, Before string
	Now                                                               Mark
	Text                                                              []said
}

type addendumRow struct{ Number, Field, Old, New, Reason, By string }

// observationRows are the observations as a table shows them. What is gone or was not seen stands as it was
// last known.
func observationRows(all []examination.Observation) []observationRow {
	rows := make([]observationRow, len(all))
	for i, o := range all {
		r := observationRow{ID: "o-" + o.ID.String(), Number: strconv.Itoa(i + 1), Damage: o.TermName, On: o.Called, Activity: string(o.Activity), Extent: o.Extent.Words(), Now: statusMark(o.Finding)}
		if o.Severity > 0 {
			r.Severity = strconv.Itoa(o.Severity) + " " + severityWord(o.Severity)
		}
		if o.Extent != nil {
			r.Basis = o.Extent.Basis
		}
		if o.Before != nil && observed(*o.Before) != observed(o.Finding) {
			r.Before = observed(*o.Before)
		}
		r.Text = facts([2]string{"Seen", o.Note}, [2]string{"Probable cause", o.Cause}, [2]string{"Because", o.Reason})
		rows[i] = r
	}
	return rows
}

// identifiedFacts say what was examined.
func identifiedFacts(i *examination.Identified) []said {
	if i == nil {
		return nil
	}
	var sizes []string
	for _, d := range i.Dimensions {
		sizes = append(sizes, strings.TrimSpace(d.What+" "+d.MM.String()+" mm "+d.Note))
	}
	mass := ""
	if i.MassKG != nil {
		mass = i.MassKG.String() + " kg"
	}
	return facts([2]string{"Number", i.Number}, [2]string{"Title", i.Title}, [2]string{"Kind", i.Kind}, [2]string{"Made by", strings.Join(i.Makers, ", ")},
		[2]string{"Made", dateWords(i.DateMade)}, [2]string{"Place made", i.PlaceMade}, [2]string{"Department", i.Department}, [2]string{"Legal status", plain(string(i.Status))},
		[2]string{"Size", strings.Join(sizes, "; ")}, [2]string{"Mass", mass}, [2]string{"Parts", strconv.Itoa(i.Components)}, [2]string{"Materials", strings.Join(i.Materials, "\n")})
}

// circumstanceFacts say how the look was taken.
func circumstanceFacts(e *examination.Examination) []said {
	hands := ""
	switch {
	case e.Handles != nil && *e.Handles:
		hands = "it was handled"
	case e.Handles != nil:
		hands = "it was only looked at"
	}
	place := e.Place
	if e.PlacePath != nil {
		place = strings.Trim(*e.PlacePath+"\n"+e.Place, "\n")
	}
	lights := make([]string, len(e.Light))
	for i, l := range e.Light {
		lights[i] = plain(l)
	}
	return facts([2]string{"Occasion", occasionWords(e.Occasion)}, [2]string{"Day of the look", dayWords(e.ExaminedOn)}, [2]string{"Examined by", e.Examiner.Name}, [2]string{"With", e.AssistedBy},
		[2]string{"Asked for by", e.AskedBy}, [2]string{"Place", place}, [2]string{"Light", strings.Join(lights, ", ")}, [2]string{"Technique", e.Technique},
		[2]string{"Circumstances", e.Conditions}, [2]string{"Hands", hands})
}

// judgementFacts say what the examiner concludes.
func judgementFacts(e *examination.Examination) []said {
	return facts([2]string{"Priority", e.Priority}, [2]string{"Next check due", dayWords(e.NextCheckOn)}, [2]string{"Why no worse", e.OverallReason},
		[2]string{"If nothing is done", e.Risk}, [2]string{"Recommendation", e.Recommendation})
}

func (s *Server) addendumRows(e *examination.Examination) []addendumRow {
	rows := make([]addendumRow, len(e.Addenda))
	for i, a := range e.Addenda {
		rows[i] = addendumRow{strconv.Itoa(a.Number), a.Field, a.Old, a.New, a.Reason, a.By.Name + ", " + s.moment(a.At)}
	}
	return rows
}

// examinationData puts the page of an examination together.
func (s *Server) examinationData(c echo.Context, e *examination.Examination) (*examinationPageData, error) {
	ctx, by := c.Request().Context(), actor(c)
	w, err := s.Collection.Show(ctx, by, e.ObjectID)
	if err != nil {
		return nil, err
	}
	on := objectPath(w.Object.Number)
	p := &examinationPageData{Number: w.Object.Number, ObjectTitle: w.Object.Title, ObjectPath: on, Heading: "Examination of " + w.Object.Number,
		Sub: occasionWords(e.Occasion) + ", " + dayWords(e.ExaminedOn) + ", examined by " + e.Examiner.Name, State: draftMark("draft"), Grade: gradeMark(e.Overall), Means: e.Overall.Means(),
		Alarm: e.Alarm, Open: e.OpenSince != nil, Circumstances: circumstanceFacts(e), Identified: identifiedFacts(e.Identified), Judgement: judgementFacts(e),
		Description: paragraphs(e.Description), Observations: observationRows(e.Observations), Addenda: s.addendumRows(e)}
	p.Title, p.Here = p.Heading+", "+dayWords(e.ExaminedOn), "/objects"
	seen := 0
	for _, x := range e.Components {
		switch {
		case x.Unseen():
			p.Unseen = append(p.Unseen, unseenRow{x.Called, x.Reason})
		case x.Seen != nil:
			seen++
		}
	}
	if len(e.Components) > 0 {
		p.Seen = strconv.Itoa(seen) + " of " + count(len(e.Components), "part") + " seen"
	}
	all, err := s.Photo.List(ctx, by, e.ObjectID, photo.Filter{}, domain.PageQuery{Limit: domain.PageMost})
	if err != nil {
		return nil, err
	}
	p.Photos = s.examinationPhotos(e, w.Object.Number, all.Items)
	if e.FollowsID != nil {
		p.Links = append(p.Links, Link{Path: examinationPath(*e.FollowsID), Words: "The examination before, of " + dayWords(e.FollowsOn)})
		if _, served := s.acts["GET /objects/:number/compare"]; served {
			p.Links = append(p.Links, Link{Path: on + "/compare?a=" + e.FollowsID.String() + "&b=" + e.ID.String(), Words: "Compare with the one before"})
		}
	}
	p.Links = append(p.Links, Link{Path: examinationPath(e.ID) + "/report.pdf", Words: "On paper (PDF)"}, Link{Path: on + "/examinations", Words: "All examinations of " + w.Object.Number})
	for _, l := range []struct {
		id          *domain.ID
		path, words string
	}{{e.HandlingID, "/handlings/", "The handling"}, {e.TreatmentID, "/treatments/", "The treatment it was made for"}, {e.LoanID, "/loans/", "The loan it was made for"}} {
		if l.id != nil {
			p.Links = append(p.Links, Link{Path: l.path + l.id.String(), Words: l.words})
		}
	}
	if e.State == examination.Draft {
		return p, nil
	}
	return p, s.signedData(c, p, e)
}

// examinationPhotos are the photographs of an examination in their order.
func (s *Server) examinationPhotos(e *examination.Examination, number string, all []photo.Photo) []photoTile {
	var tiles []photoTile
	for _, id := range e.PhotoIDs() {
		if i := slices.IndexFunc(all, func(x photo.Photo) bool { return x.ID == id }); i >= 0 {
			tiles = append(tiles, s.photoTiles(&photo.Subject{ObjectID: e.ObjectID, Number: number}, all[i:i+1])...)
			continue
		}
		tiles = append(tiles, photoTile{Path: "/photos/" + id.String(), NoImage: "An older photograph", Says: "An older photograph"})
	}
	return tiles
}

// signedData adds what there is once an examination is signed: its seal, what may be written beside it.
func (s *Server) signedData(c echo.Context, p *examinationPageData, e *examination.Examination) error {
	by, at := actor(c), examinationPath(e.ID)
	roles := make([]string, len(e.SignedAs))
	for i, r := range e.SignedAs {
		roles[i] = r.Words()
	}
	p.State = doneMark("signed")
	seals, err := s.Record.Of(c.Request().Context(), e.ID)
	if err != nil {
		return err
	}
	for _, x := range seals {
		if x.Kind == examination.SealKind {
			p.Seal = "Signed by " + e.Examiner.Name + " (" + strings.Join(roles, ", ") + "), " + s.moment(*e.SignedAt) + ". Sealed as number " + strconv.FormatInt(x.Number, 10) + ", SHA-256 " + x.SHA256.String() + "."
		}
	}
	if a := e.Answer; a != nil {
		what := "Noted: nothing more is done now"
		if a.TreatmentID != nil {
			what = "A treatment"
			p.Links = append(p.Links, Link{Path: "/treatments/" + a.TreatmentID.String(), Words: "The treatment that answers it"})
		}
		p.Answered = []fact{{"Answer", what}, {"Reason", a.Reason}, {"By", a.By.Name + ", " + s.moment(a.At)}}
	}
	if by.Has(domain.Conservator) || by.ID == e.Examiner.ID && by.May(examination.Write) == nil {
		p.AddendumForm = (&Form{Part: "addendum", Action: at + "/addenda", Version: e.Version, Legend: "Write an addendum", Below: true, Submit: "Sign and seal the addendum",
			Help: "The examination itself stays as it was signed.", Fields: []Field{
				{Kind: "text", Name: "field", Label: "What it is about", Required: true, Max: 120},
				{Kind: "textarea", Name: "old_statement", Label: "What stands there", Help: "Empty: nothing was said of it.", Max: 10000, Rows: 2},
				{Kind: "textarea", Name: "new_statement", Label: "What is true", Required: true, Max: 10000, Rows: 2},
				{Kind: "textarea", Name: "reason", Label: "Reason", Required: true, Max: 4000, Rows: 2}}}).ready(c)
	}
	if p.Open && by.May(examination.Answer) == nil {
		return s.answerForm(c, p, e)
	}
	return nil
}

// answerForm asks for the answer to an alarm.
func (s *Server) answerForm(c echo.Context, p *examinationPageData, e *examination.Examination) error {
	all, err := s.Treatment.List(c.Request().Context(), actor(c), treatment.Filter{ObjectID: &e.ObjectID}, domain.PageQuery{Limit: 25})
	if err != nil {
		return err
	}
	picked := []Option{{Label: "none"}}
	for _, t := range all.Items {
		picked = append(picked, Option{Value: t.ID.String(), Label: "Treatment " + strconv.Itoa(t.Number) + ", " + t.Title})
	}
	p.AnswerForm = (&Form{Part: "answer", Action: examinationPath(e.ID) + "/answer", Version: e.Version, Legend: "Answer it", Below: true, Submit: "Answer",
		Help: "It stands on the agenda of conservators and of the department's curators until it is answered.", Fields: []Field{
			{Kind: "radio", Name: "kind", Label: "Answer", Required: true, Options: []Option{{Value: "treatment", Label: "with a treatment"}, {Value: "noted", Label: "noted; nothing more is done now, because"}}},
			{Kind: "select", Name: "treatment_id", Label: "Treatment", Options: picked},
			{Kind: "textarea", Name: "reason", Label: "Reason", Max: 4000, Rows: 3}}}).ready(c)
	return nil
}

// reviewPage serves GET /examinations/{id}/review: the whole as it will be sealed, and the button that signs it.
func (s *Server) reviewPage(c echo.Context) error {
	e, err := s.examinationOf(c)
	if err != nil {
		return err
	}
	if e.State == examination.Signed {
		return c.Redirect(http.StatusSeeOther, examinationPath(e.ID))
	}
	p, err := s.reviewData(c, e)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "examination/examination", p)
}

func (s *Server) reviewData(c echo.Context, e *examination.Examination) (*examinationPageData, error) {
	p, err := s.examinationData(c, e)
	if err != nil {
		return nil, err
	}
	w, err := s.Collection.Show(c.Request().Context(), actor(c), e.ObjectID)
	if err != nil {
		return nil, err
	}
	p.Review, p.Missing = true, e.Missing(&w.Sheet)
	if e.MayWrite(actor(c)) == nil {
		p.Again = examinationPath(e.ID)
	}
	if actor(c).ID == e.Examiner.ID && actor(c).May(examination.Sign) == nil {
		p.Sign = (&Form{Part: "sign", Action: examinationPath(e.ID) + "/signature", Version: e.Version, Legend: "Sign", Below: true, Submit: "Sign and seal it", Grave: true,
			Help: "What stands above is sealed as it is, with the hashes of the photographs. Afterwards it never changes; corrections stand beside it."}).ready(c)
	}
	return p, nil
}

// signedAct acts on a whole examination from its reading page.
func (s *Server) signedAct(c echo.Context, command any, form func(*examinationPageData) *Form, said string, act func(id domain.ID, version int64) error) error {
	e, err := s.examinationOf(c)
	if err != nil {
		return err
	}
	version, typed, err := s.decode(c, command)
	if err == nil {
		err = act(e.ID, version)
	}
	if err == nil {
		return s.done(c, said, examinationPath(e.ID))
	}
	data := s.examinationData
	if e.State == examination.Draft {
		data = s.reviewData
	}
	p, fault := data(c, e)
	if fault != nil {
		return fault
	}
	f := form(p)
	if f == nil {
		return err
	}
	return s.answer(c, f, typed, err, "examination/examination", p)
}

// signExamination serves POST /examinations/{id}/signature.
func (s *Server) signExamination(c echo.Context) error {
	return s.signedAct(c, &struct{}{}, func(p *examinationPageData) *Form { return p.Sign }, "The examination is signed and sealed.", func(id domain.ID, version int64) error {
		_, err := s.Examination.Sign(c.Request().Context(), actor(c), id, version)
		return err
	})
}

// amendExamination serves POST /examinations/{id}/addenda.
func (s *Server) amendExamination(c echo.Context) error {
	var n examination.NewAddendum
	return s.signedAct(c, &n, func(p *examinationPageData) *Form { return p.AddendumForm }, "The addendum is signed and sealed.", func(id domain.ID, version int64) error {
		_, err := s.Examination.Amend(c.Request().Context(), actor(c), id, version, n)
		return err
	})
}

// answerExamination serves POST /examinations/{id}/answer.
func (s *Server) answerExamination(c echo.Context) error {
	var n examination.NewAnswer
	return s.signedAct(c, &n, func(p *examinationPageData) *Form { return p.AnswerForm }, "It is answered.", func(id domain.ID, version int64) error {
		_, err := s.Examination.Respond(c.Request().Context(), actor(c), id, version, n)
		return err
	})
}
