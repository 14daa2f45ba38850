package web

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/photo"
	"farthingale/domain/record"
	"farthingale/web/document"
)

// ExaminationPaper makes the paper of an examination as somebody may see it: everything of it, its
// photographs, and a condition map of each photograph with marks.
func (s *Server) ExaminationPaper(ctx context.Context, by domain.Actor, id domain.ID) (domain.Paper, error) {
	e, err := s.Examination.One(ctx, by, id)
	if err != nil {
		return domain.Paper{}, err
	}
	p, err := s.examinationPaper(ctx, by, e)
	if err != nil {
		return domain.Paper{}, err
	}
	d, err := p.document()
	if err != nil {
		return domain.Paper{}, err
	}
	var b bytes.Buffer
	if err := document.WritePDF(&b, d); err != nil {
		return domain.Paper{}, fmt.Errorf("paper of examination %s: %w", id, err)
	}
	return domain.Paper{Name: fileName(e.ObjectNumber + "-examination-" + e.ExaminedOn + p.short() + ".pdf"), MediaType: "application/pdf", Content: b.Bytes()}, nil
}

// fileName is a name that every system takes.
func fileName(text string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '.' || r == '-' || r == '_' {
			return r
		}
		return '-'
	}, text)
}

// examinationPaper is what stands on the paper of an examination.
type examinationPaper struct {
	*examination.Examination
	title    string // of the object
	site     domain.Site
	created  time.Time
	seal     *record.Seal
	head     record.Head
	pictures []paperPicture
}

// paperPicture is a photograph on paper, with the marks of the examination on it.
type paperPicture struct {
	photo   photo.Photo
	picture []byte // nil: there is none, and why
	why     string
	marks   []photo.Mark
}

// picturesMost is how many photographs a paper shows; the others are named.
const picturesMost = 60

func (s *Server) examinationPaper(ctx context.Context, by domain.Actor, e *examination.Examination) (*examinationPaper, error) {
	p := &examinationPaper{Examination: e, site: s.Site, created: e.ChangedAt}
	if e.SignedAt != nil {
		p.created = *e.SignedAt
	}
	o, err := s.Collection.Object(ctx, by, e.ObjectID)
	if err != nil {
		return nil, err
	}
	p.title = o.Title
	seals, err := s.Record.Of(ctx, e.ID)
	if err != nil {
		return nil, err
	}
	for i := range seals {
		if seals[i].Kind == examination.SealKind {
			p.seal = &seals[i]
		}
	}
	if p.head, err = s.Record.Head(ctx); err != nil {
		return nil, err
	}
	observations := make([]domain.ID, len(e.Observations))
	for i, o := range e.Observations {
		observations[i] = o.ID
	}
	marks, err := s.Photo.MarksOf(ctx, by, observations)
	if err != nil {
		return nil, err
	}
	ids := e.PhotoIDs()
	on := map[domain.ID][]photo.Mark{}
	for _, o := range e.Observations {
		for _, m := range marks[o.ID] {
			on[m.PhotoID] = append(on[m.PhotoID], m)
			if !slices.Contains(ids, m.PhotoID) {
				ids = append(ids, m.PhotoID)
			}
		}
	}
	all, err := s.Photo.List(ctx, by, e.ObjectID, photo.Filter{}, domain.PageQuery{Limit: domain.PageMost})
	if err != nil {
		return nil, err
	}
	for _, id := range ids {
		x := paperPicture{marks: on[id]}
		if i := slices.IndexFunc(all.Items, func(p photo.Photo) bool { return p.ID == id }); i >= 0 {
			x.photo = all.Items[i]
		} else {
			one, err := s.Photo.One(ctx, by, id) // an old one of an object with very many
			if err != nil {
				return nil, err
			}
			x.photo = *one
		}
		if len(p.pictures) < picturesMost {
			if x.picture, x.why, err = s.paperPicture(ctx, by, id); err != nil {
				return nil, err
			}
		} else {
			x.why = "not printed: too many photographs for one paper"
		}
		p.pictures = append(p.pictures, x)
	}
	return p, nil
}

// paperPicture reads the picture of a photograph that pages show; why says why there is none.
func (s *Server) paperPicture(ctx context.Context, by domain.Actor, id domain.ID) (b []byte, why string, err error) {
	c, err := s.Photo.Open(ctx, by, id, photo.ScreenSize)
	switch domain.KindOf(err) {
	case domain.KindNotFound, domain.KindConflict:
		return nil, "there is only the original of it", nil
	}
	if err != nil {
		return nil, "", err
	}
	defer func() { _ = c.Close() }() // only read
	b, err = io.ReadAll(c)
	return b, "", err
}

// short is the state for the file's name.
func (p *examinationPaper) short() string {
	if p.State == examination.Draft {
		return "-draft"
	}
	if len(p.Addenda) > 0 {
		return "-with-addenda-to-" + strconv.Itoa(len(p.Addenda))
	}
	return ""
}

func (p *examinationPaper) notice() string {
	var said []string
	if p.site.Demonstration {
		said = append(said, "Demonstration: the museum, its people and its objects are invented")
	}
	if p.State == examination.Draft {
		said = append(said, "Draft: not signed")
	}
	return strings.Join(said, ". ")
}

// factsOnPaper turns what a page says into the facts of a paper.
func factsOnPaper(all []said) document.Facts {
	facts := make(document.Facts, len(all))
	for i, f := range all {
		facts[i] = document.Fact{Label: f.Label, Value: strings.Join(f.Lines, "\n")}
	}
	return facts
}

func (p *examinationPaper) document() (document.Document, error) {
	e := p.Examination
	head := fmt.Sprintf("head of the chain: origin %s, %s, %s", p.head.Origin.Short(), count(int(p.head.Count), "seal"), p.head.Hash.Short())
	seal := "Not sealed. " + head
	if p.seal != nil {
		seal = "SHA-256 of the sealed examination " + p.seal.SHA256.String()[:16] + "…; " + head
	}
	d := document.Document{Title: "Examination of " + e.ObjectNumber, Subtitle: p.title + ": " + occasionWords(e.Occasion) + ", " + dayWords(e.ExaminedOn), Language: "en-GB", Author: p.site.Name,
		Created: p.created, Notice: p.notice(), Footer: document.Footer{Left: e.ObjectNumber + ", examination of " + dayWords(e.ExaminedOn) + ", " + string(e.State), Seal: seal}}
	add := func(blocks ...document.Block) { d.Blocks = append(d.Blocks, blocks...) }
	section := func(title string, blocks ...document.Block) {
		add(append([]document.Block{document.Heading{Level: 1, Text: title}}, blocks...)...)
	}
	if len(e.Addenda) > 0 {
		section("Addenda", document.Emphasis("The examination below stays as it was signed."))
		for _, a := range e.Addenda {
			add(document.Heading{Level: 2, Text: strconv.Itoa(a.Number) + ". " + a.Field}, factsOnPaper(facts([2]string{"It says", a.Old}, [2]string{"True is", a.New}, [2]string{"Reason", a.Reason},
				[2]string{"Signed", a.By.Name + ", " + p.moment(a.At)})))
		}
	}
	condition := document.Facts{{Label: "Overall condition", Value: strings.TrimSuffix(string(e.Overall)+": "+e.Overall.Means(), ": ")}, {Label: "Scale", Value: examination.Scale}}
	section("Condition", append(condition, factsOnPaper(judgementFacts(e))...))
	if e.Alarm != "" {
		caution := document.Caution{Word: "Heard of at once", Paragraphs: []document.Paragraph{document.Text(capital(e.Alarm) + ".")}}
		if a := e.Answer; a != nil {
			caution.Paragraphs = append(caution.Paragraphs, document.Text("Answered by "+a.By.Name+", "+p.moment(a.At)+": "+strings.TrimSpace(plain(a.Kind)+". "+a.Reason)))
		}
		add(caution)
	}
	if len(e.Observations) > 0 {
		section("Observations", p.observations())
	} else {
		section("Observations", document.Text("No damage was found."))
	}
	section("Parts seen and not seen", p.parts())
	section("Circumstances", factsOnPaper(circumstanceFacts(e)))
	if e.Description != "" {
		section("Description", document.Text(e.Description))
	}
	if len(p.pictures) > 0 {
		section("Photographs")
		for i := range p.pictures {
			blocks, err := p.picture(&p.pictures[i])
			if err != nil {
				return d, err
			}
			add(blocks...)
		}
	}
	if e.Identified != nil {
		section("The object, as it was known", factsOnPaper(identifiedFacts(e.Identified)))
	}
	if e.State == examination.Signed {
		roles := make([]string, len(e.SignedAs))
		for i, r := range e.SignedAs {
			roles[i] = r.Words()
		}
		section("Signature", document.Signatures{{Role: "Examined by", Name: e.Examiner.Name + ", " + strings.Join(roles, ", "), Sign: "Signed in the record", Date: p.moment(*e.SignedAt)}})
	}
	section("Version, seal and chain", folded(p.about()))
	return d, nil
}

func (p *examinationPaper) moment(t time.Time) string {
	return t.In(p.site.Zone).Format("2 January 2006, 15:04 MST")
}

// about tells what this paper is, its seal, and the head of the chain (R2).
func (p *examinationPaper) about() document.Facts {
	e := p.Examination
	facts := document.Facts{{Label: "Examination", Value: e.ID.String()}, {Label: "State", Value: string(e.State) + ", version " + strconv.FormatInt(e.Version, 10)},
		{Label: "Issued by", Value: p.site.Name + ", farthingale " + p.site.Version}}
	if p.seal != nil {
		facts = append(facts, document.Fact{Label: "SHA-256 of the sealed examination", Value: p.seal.SHA256.String()},
			document.Fact{Label: "Seal", Value: fmt.Sprintf("number %d, %s", p.seal.Number, p.seal.Hash)})
	}
	return append(facts,
		document.Fact{Label: "Head of the chain of seals", Value: fmt.Sprintf("origin %s, %s, hash %s", p.head.Origin, count(int(p.head.Count), "seal"), p.head.Hash)},
		document.Fact{Label: "How to check", Value: "Keep this paper. 'farthingale verify --against' compares the chain with this head later."})
}

func (p *examinationPaper) observations() document.Table {
	t := document.Table{Caption: "What was found; what is gone or was not seen stands as it was last known", Columns: []document.Column{
		{Title: "No.", WidthShare: 0.7, Align: document.Right}, {Title: "Damage and part", WidthShare: 2.2}, {Title: "Now", WidthShare: 1}, {Title: "Severity, activity", WidthShare: 1.3},
		{Title: "Extent", WidthShare: 1.8}, {Title: "What was seen", WidthShare: 3}}}
	for _, r := range observationRows(p.Examination.Observations) {
		var seen []string
		for _, x := range r.Text {
			text := strings.Join(x.Lines, " ")
			if x.Label != "Seen" {
				text = x.Label + ": " + text
			}
			seen = append(seen, text)
		}
		if r.Before != "" {
			seen = append(seen, "Before: "+r.Before)
		}
		damage := document.Cell{Paragraphs: []document.Paragraph{document.Strong(r.Damage), document.Text(r.On)}}
		t.Rows = append(t.Rows, []document.Cell{document.TextCell(r.Number), damage, document.TextCell(r.Now.Word), document.TextCell(r.Severity, r.Activity),
			document.TextCell(r.Extent, r.Basis), document.TextCell(seen...)})
	}
	return t
}

func (p *examinationPaper) parts() document.Block {
	if len(p.Components) == 0 {
		return document.Text("The object is recorded without parts.")
	}
	t := document.Table{Columns: []document.Column{{Title: "Part", WidthShare: 3}, {Title: "Seen", WidthShare: 1}, {Title: "Why not", WidthShare: 3}}}
	for _, x := range p.Components {
		seen := "not answered"
		if x.Seen != nil {
			seen = map[bool]string{true: "seen", false: "not seen"}[*x.Seen]
		}
		t.Rows = append(t.Rows, []document.Cell{document.TextCell(x.Called), document.TextCell(seen), document.TextCell(x.Reason)})
	}
	return t
}

// picture is a photograph with its caption, and with marks as a condition map.
func (p *examinationPaper) picture(x *paperPicture) ([]document.Block, error) {
	caption := photoWords(&x.photo)
	if x.photo.Caption != "" {
		caption += ": " + x.photo.Caption
	}
	caption += ". SHA-256 " + x.photo.Original.SHA256[:16] + "…"
	if x.picture == nil {
		return []document.Block{document.Text(capital(caption) + " (" + x.why + ")")}, nil
	}
	picture := document.Picture{Bytes: x.picture, Alt: caption}
	if len(x.marks) == 0 {
		return []document.Block{document.Figure{Picture: picture, Caption: caption}}, nil
	}
	m := document.Map{Picture: picture, Caption: caption, Width: float64(x.photo.Original.WidthPX), Height: float64(x.photo.Original.HeightPX)}
	hatches, told := map[string]document.Hatch{}, map[int]bool{}
	for _, k := range x.marks {
		i := slices.IndexFunc(p.Observations, func(o examination.Observation) bool { return k.ObservationID != nil && o.ID == *k.ObservationID })
		o := p.Observations[i]
		hatch, known := hatches[o.Term]
		if !known {
			hatch = document.Hatch(len(hatches))
			hatches[o.Term] = hatch
		}
		var points [][2]float64
		for _, at := range k.Shape.Outline() {
			points = append(points, [2]float64{at[0], at[1]})
		}
		m.Marks = append(m.Marks, document.MapMark{Number: i + 1, Closed: k.Shape.Kind.Encloses(), Points: points, Hatch: hatch})
		if !told[i] {
			told[i] = true
			line := document.MapLine{Number: i + 1, Hatch: hatch, Term: o.TermName + ", " + o.Called, Extent: o.Extent.Words(), Note: o.Note}
			if o.Severity > 0 {
				line.Severity = strconv.Itoa(o.Severity) + " " + severityWord(o.Severity)
			}
			m.Legend = append(m.Legend, line)
		}
	}
	slices.SortStableFunc(m.Legend, func(a, b document.MapLine) int { return a.Number - b.Number })
	return m.Blocks()
}

// examinationPaperFile serves GET /examinations/{id}/report.pdf.
func (s *Server) examinationPaperFile(c echo.Context) error {
	id, err := domain.ParseID(c.Param("id"))
	if err != nil {
		return err
	}
	f, err := s.ExaminationPaper(c.Request().Context(), actor(c), id)
	if err != nil {
		return err
	}
	return sendPaper(c, f)
}
