package web

import (
	"bytes"
	"context"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"farthingale/domain"
	"farthingale/domain/loan"
	"farthingale/web/document"
)

// LoanFaces gives the thumbnails of the photographs that stand for objects: JPEG or PNG, by photograph.
// One that has none is left out.
type LoanFaces interface {
	Faces(ctx context.Context, photoIDs []domain.ID) (map[domain.ID][]byte, error)
}

// LoanPaper makes a paper of a loan as somebody may see it (L5, P3). number 0 is the latest version of
// the agreement, or a draft where none was issued.
func (s *Server) LoanPaper(ctx context.Context, by domain.Actor, id domain.ID, number int, format loan.Format) (domain.Paper, error) {
	p, err := s.Loan.Paper(ctx, by, id, number)
	if err != nil {
		return domain.Paper{}, err
	}
	paper := loanPaper{Paper: p, site: s.Site, created: s.Now()}
	if at, err := time.Parse(time.RFC3339Nano, p.Content.IssuedAt); err == nil {
		paper.created = at
	}
	var b bytes.Buffer
	switch format {
	case loan.AgreementPDF, loan.AgreementDOCX:
		faces, err := s.loanFaces(ctx, p.Content.Schedule)
		if err != nil {
			return domain.Paper{}, err
		}
		write := document.WritePDF
		if format == loan.AgreementDOCX {
			write = document.WriteDOCX
		}
		if err := write(&b, paper.agreement(faces)); err != nil {
			return domain.Paper{}, fmt.Errorf("agreement of loan %s: %w", p.Content.Reference, err)
		}
	case loan.ScheduleXLSX:
		err = document.WriteXLSX(&b, document.Workbook{Title: "Schedule of objects, loan " + p.Content.Reference, Author: p.Content.Lender.Name, Created: paper.created,
			Sheets: []document.Sheet{paper.schedule(false)}, About: paper.about()})
	case loan.ScheduleCSV:
		err = document.WriteCSV(&b, paper.schedule(true))
	}
	if err != nil {
		return domain.Paper{}, fmt.Errorf("schedule of loan %s: %w", p.Content.Reference, err)
	}
	kind, ending, _ := strings.Cut(format.Name, ".")
	return domain.Paper{Name: p.Content.Reference + "-" + kind + "-" + paper.short() + "." + ending, MediaType: format.MediaType, Content: b.Bytes()}, nil
}

func (s *Server) loanFaces(ctx context.Context, schedule []loan.Entry) (map[domain.ID][]byte, error) {
	var ids []domain.ID
	for _, e := range schedule {
		if e.FacePhotoID != nil && !slices.Contains(ids, *e.FacePhotoID) {
			ids = append(ids, *e.FacePhotoID)
		}
	}
	if len(ids) == 0 || s.LoanFaces == nil {
		return nil, nil
	}
	return s.LoanFaces.Faces(ctx, ids)
}

// loanPaper fills the papers of one version.
type loanPaper struct {
	*loan.Paper
	site    domain.Site
	created time.Time
}

// short is the version for a file's name: "v2", "draft".
func (p loanPaper) short() string {
	version := fmt.Sprintf("v%d", p.Content.Number)
	if p.Draft {
		version = "draft"
	}
	if p.Content.ValuesLeftOut {
		version += "-without-values"
	}
	return version
}

// version is the version in words.
func (p loanPaper) version() string {
	if p.Draft {
		return "draft"
	}
	return fmt.Sprintf("version %d", p.Content.Number)
}

// notice stands at the head of every page.
func (p loanPaper) notice() string {
	var said []string
	if p.Content.Demonstration {
		said = append(said, "Demonstration: the museum, its people and its objects are invented")
	}
	switch {
	case p.Draft:
		said = append(said, "Draft: not issued, binds nobody")
	case !p.Holds:
		said = append(said, "This version is no longer in force")
	}
	if p.Content.ValuesLeftOut {
		said = append(said, "Copy without values")
	}
	return strings.Join(said, ". ")
}

func (p loanPaper) agreement(faces map[domain.ID][]byte) document.Document {
	c := p.Content
	d := document.Document{
		Title: "Agreement for an outgoing loan", Subtitle: "Loan " + c.Reference + ", " + p.version() + ": " + c.Borrower.Name, Language: "en-GB", Author: c.Lender.Name,
		Created: p.created, Notice: p.notice(),
		Footer: document.Footer{Left: "Loan " + c.Reference + ", agreement " + p.version(), Seal: p.seal()},
	}
	add := func(blocks ...document.Block) { d.Blocks = append(d.Blocks, blocks...) }
	add(document.Heading{Level: 1, Text: "Parties and purpose"}, p.parties(), document.Heading{Level: 1, Text: "Terms"})
	add(termBlocks(c.Terms)...)
	add(document.Heading{Level: 1, Text: "Schedule of objects"}, p.table(faces))
	if warnings := p.warnings(); len(warnings) > 0 {
		add(document.Heading{Level: 1, Text: "Hazards and cautions"}, document.Caution{Paragraphs: warnings})
	}
	add(document.Heading{Level: 1, Text: "Signatures"}, p.signatures(), document.Heading{Level: 1, Text: "Version, seal and chain"}, folded(p.about()))
	return d
}

func (p loanPaper) day(d loan.Day) string { return d.Words() }

func (p loanPaper) parties() document.Facts {
	c := p.Content
	lines := func(texts ...string) string {
		return strings.Join(slices.DeleteFunc(texts, func(s string) bool { return s == "" }), "\n")
	}
	var venues []string
	for _, v := range c.Venues {
		venues = append(venues, lines(v.Name, v.Address, v.Span.Words()))
	}
	var approved []string
	for _, a := range c.Approvals {
		approved = append(approved, a.By.Name+" for "+a.Department)
	}
	facts := document.Facts{
		{Label: "Lender", Value: lines(c.Lender.Name, c.Lender.Address)},
		{Label: "Borrower", Value: lines(c.Borrower.Name, c.Borrower.Address, c.Borrower.Contact)},
		{Label: "Purpose", Value: c.Purpose},
		{Label: "Requested on", Value: p.day(c.RequestedOn)},
		{Label: "Period of the loan", Value: c.Period.Words() + ", both days included, from leaving the lender's house to the return"},
		{Label: "Venues", Value: strings.Join(venues, "\n")},
	}
	if !c.ValuesLeftOut {
		var totals []string
		for _, t := range c.Totals {
			totals = append(totals, money(t.Currency, t.Sum))
		}
		facts = append(facts, document.Fact{Label: "Total of the values", Value: strings.Join(totals, "\n")})
	}
	return append(facts, document.Fact{Label: "Agreed to for the lender by", Value: strings.Join(approved, "\n")})
}

// termBlocks sets the terms: a line that begins with "# " is a heading, an empty line parts paragraphs.
func termBlocks(terms string) []document.Block {
	var blocks []document.Block
	var open []string
	shut := func() {
		if len(open) > 0 {
			blocks = append(blocks, document.Text(strings.Join(open, "\n")))
			open = nil
		}
	}
	for line := range strings.SplitSeq(strings.ReplaceAll(terms, "\r\n", "\n"), "\n") {
		heading, is := strings.CutPrefix(line, "# ")
		switch {
		case is:
			shut()
			blocks = append(blocks, document.Heading{Level: 2, Text: strings.TrimSpace(heading)})
		case strings.TrimSpace(line) == "":
			shut()
		default:
			open = append(open, strings.TrimSpace(line))
		}
	}
	shut()
	return blocks
}

func (p loanPaper) table(faces map[domain.ID][]byte) document.Table {
	c := p.Content
	t := document.Table{
		Caption: "Schedule: " + count(len(c.Schedule), "line"),
		Columns: []document.Column{{Title: "Object", WidthShare: 2}, {Title: "Number, title, parts, materials, size", WidthShare: 3.4}, {Title: "Conditions and cautions", WidthShare: 3.6}},
	}
	valued := slices.ContainsFunc(c.Schedule, func(e loan.Entry) bool { return e.Value != "" })
	if valued {
		t.Columns = append(t.Columns, document.Column{Title: "Value", WidthShare: 1.5, Align: document.Right})
	}
	for _, e := range c.Schedule {
		face := document.TextCell(fmt.Sprintf("%d", e.Position))
		if e.FacePhotoID != nil {
			if picture, ok := faces[*e.FacePhotoID]; ok {
				face.Picture = &document.Picture{Bytes: picture, Alt: "Photograph of " + e.Number + " " + e.Title}
			}
		}
		row := []document.Cell{face, entryCell(e), conditionCell(e)}
		if valued {
			row = append(row, valueCell(e))
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func entryCell(e loan.Entry) document.Cell {
	cell := document.Cell{Paragraphs: []document.Paragraph{document.Strong(e.Number), document.Text(e.Title)}}
	add := func(label, text string) {
		if text != "" {
			cell.Paragraphs = append(cell.Paragraphs, document.Paragraph{{Text: label}, {Text: text}})
		}
	}
	add("", strings.Join(slices.DeleteFunc([]string{e.Maker, dateMade(e.DateMade)}, func(s string) bool { return s == "" }), ", "))
	add("Lent: ", strings.Join(e.Included, "; "))
	if len(e.NotIncluded) > 0 {
		cell.Paragraphs = append(cell.Paragraphs, document.Paragraph{{Text: "Not lent: ", Bold: true}, {Text: strings.Join(e.NotIncluded, "; ")}})
	}
	if len(e.Materials) > 0 {
		cell.Paragraphs = append(cell.Paragraphs, document.Emphasis(strings.Join(e.Materials, ", ")))
	}
	add("", strings.Join(e.Dimensions, "; "))
	add("Mass: ", strings.Join(e.Mass, "; "))
	return cell
}

// dateMade is an uncertain date in words, or as it stands when it cannot be read.
func dateMade(text string) string {
	if text == "" {
		return ""
	}
	d, err := domain.ParseEDTF(text)
	if err != nil {
		return text
	}
	return d.Words()
}

func conditionCell(e loan.Entry) document.Cell {
	var cell document.Cell
	for _, text := range e.Conditions {
		cell.Paragraphs = append(cell.Paragraphs, document.Text(text))
	}
	if e.FitConditions != "" {
		cell.Paragraphs = append(cell.Paragraphs, document.Paragraph{{Text: "Fit to travel only so: ", Bold: true}, {Text: e.FitConditions}})
	}
	if e.Condition != "" {
		cell.Paragraphs = append(cell.Paragraphs, document.Text("Condition: "+e.Condition))
	}
	for _, w := range e.Cautions {
		cell.Paragraphs = append(cell.Paragraphs, document.Paragraph{{Text: "⚠ Caution: ", Bold: true}, {Text: w.Hazard + " (" + w.Certainty + ") on " + w.On + ". " + strings.TrimSpace(strings.TrimSuffix(w.Text, loan.Closing))}})
	}
	if len(e.Cautions) > 0 {
		cell.Paragraphs = append(cell.Paragraphs, document.Text(loan.Closing))
	}
	return cell
}

func valueCell(e loan.Entry) document.Cell {
	if e.Value == "" {
		return document.Cell{}
	}
	cell := document.TextCell(money(e.Currency, e.Value))
	if e.Insurer != "" {
		cell.Paragraphs = append(cell.Paragraphs, document.Text("Insurer: "+e.Insurer))
	}
	return cell
}

// money groups an amount by thousands: "EUR 148 250.00", with spaces that do not break.
func money(currency, amount string) string {
	whole, cents, ok := strings.Cut(amount, ".")
	var b strings.Builder
	for i, digit := range whole {
		if i > 0 && (len(whole)-i)%3 == 0 {
			b.WriteString("\u00a0")
		}
		b.WriteRune(digit)
	}
	if ok {
		b.WriteString("." + cents)
	}
	return currency + "\u00a0" + b.String()
}

// warnings gathers the cautions of all lines, with the closing sentence once.
func (p loanPaper) warnings() []document.Paragraph {
	var all []document.Paragraph
	for _, e := range p.Content.Schedule {
		for _, w := range e.Cautions {
			text := strings.TrimSpace(strings.TrimSuffix(w.Text, loan.Closing))
			all = append(all, document.Paragraph{{Text: fmt.Sprintf("%d. %s, %s: ", e.Position, w.On, w.Hazard), Bold: true}, {Text: w.Certainty + ". " + text}})
		}
	}
	if len(all) > 0 {
		all = append(all, document.Strong(loan.Closing))
	}
	return all
}

func (p loanPaper) signatures() document.Signatures {
	block := func(role string, side loan.Side) document.Signature {
		s := document.Signature{Role: role}
		for _, signed := range p.Signatures {
			if signed.Side != side {
				continue
			}
			s.Name, s.Date = strings.TrimSuffix(signed.Name+", "+signed.Office, ", "), p.day(signed.SignedOn)
			s.Sign = "Signed in the record: " + p.SHA256[:min(12, len(p.SHA256))]
			if signed.SignedOutside {
				s.Sign = "Signed outside; recorded by " + signed.By.Name
			}
		}
		return s
	}
	return document.Signatures{block("For the lender, "+p.Content.Lender.Name, loan.Lender), block("For the borrower, "+p.Content.Borrower.Name, loan.BorrowerOf)}
}

// seal is the fingerprint for the foot of each page.
func (p loanPaper) seal() string {
	head := fmt.Sprintf("head of the chain: origin %s, %s, %s", p.Head.Origin.Short(), count(int(p.Head.Count), "seal"), p.Head.Hash.Short())
	if p.Draft {
		return "Not sealed. " + head
	}
	return "SHA-256 of the sealed version " + p.SHA256[:min(16, len(p.SHA256))] + "…; " + head
}

// about tells which version this is, its seal, and the head of the chain (R2).
func (p loanPaper) about() document.Facts {
	c := p.Content
	facts := document.Facts{{Label: "Loan", Value: c.Reference}, {Label: "Version of the agreement", Value: p.version()}}
	if n := p.notice(); n != "" {
		facts = append(facts, document.Fact{Label: "Notice", Value: n})
	}
	if !p.Draft {
		facts = append(facts, document.Fact{Label: "Issued", Value: p.created.In(p.site.Zone).Format("2 January 2006, 15:04 MST") + " by " + c.IssuedBy.Name},
			document.Fact{Label: "SHA-256 of the sealed version", Value: p.SHA256})
	}
	if p.Seal != nil {
		facts = append(facts, document.Fact{Label: "Seal", Value: fmt.Sprintf("number %d, %s", p.Seal.Number, p.Seal.Hash)})
	}
	return append(facts,
		document.Fact{Label: "Head of the chain of seals", Value: fmt.Sprintf("origin %s, %s, hash %s", p.Head.Origin, count(int(p.Head.Count), "seal"), p.Head.Hash)},
		document.Fact{Label: "How to check", Value: "Keep this paper. 'farthingale verify --against' compares the chain with this head later."})
}

// folded sets each hash on two lines of 32 digits, so that it can be read and compared on paper.
func folded(facts document.Facts) document.Facts {
	for i := range facts {
		facts[i].Value = sha256Form.ReplaceAllString(facts[i].Value, "\n$1\n$2")
		facts[i].Value = strings.Trim(strings.ReplaceAll(facts[i].Value, "\n, ", "\n"), "\n ")
	}
	return facts
}

var sha256Form = regexp.MustCompile(`\b([0-9a-f]{32})([0-9a-f]{32})\b`)

// schedule is the schedule as a table to compute with. Alone (CSV) it carries version and seal in
// every row, because nothing else in the file can.
func (p loanPaper) schedule(alone bool) document.Sheet {
	c := p.Content
	sheet := document.Sheet{Name: "Schedule", Columns: []string{"Position", "Number", "Title", "Lent", "Not lent", "Maker", "Date made (EDTF)", "Materials", "Dimensions", "Mass"}}
	valued := slices.ContainsFunc(c.Schedule, func(e loan.Entry) bool { return e.Value != "" })
	if valued {
		sheet.Columns = append(sheet.Columns, "Value", "Currency", "Insurer")
	}
	sheet.Columns = append(sheet.Columns, "Conditions", "Fit to travel only so", "Cautions")
	if alone {
		sheet.Columns = append(sheet.Columns, "Loan", "Version", "SHA-256 of the sealed version", "Head of the chain")
	}
	for _, e := range c.Schedule {
		var cautions []string
		for _, w := range e.Cautions {
			cautions = append(cautions, w.Hazard+" ("+w.Certainty+") on "+w.On+": "+w.Text)
		}
		row := []document.Value{document.Number(fmt.Sprint(e.Position))}
		for _, text := range []string{e.Number, e.Title, strings.Join(e.Included, "; "), strings.Join(e.NotIncluded, "; "), e.Maker, e.DateMade,
			strings.Join(e.Materials, ", "), strings.Join(e.Dimensions, "; "), strings.Join(e.Mass, "; ")} {
			row = append(row, document.Words(text))
		}
		if valued {
			row = append(row, document.Number(e.Value), document.Words(e.Currency), document.Words(e.Insurer))
		}
		row = append(row, document.Words(strings.Join(e.Conditions, "; ")), document.Words(e.FitConditions), document.Words(strings.Join(cautions, "\n")))
		if alone {
			row = append(row, document.Words(c.Reference), document.Words(p.version()), document.Words(p.SHA256), document.Words(fmt.Sprintf("%d %s", p.Head.Count, p.Head.Hash)))
		}
		sheet.Rows = append(sheet.Rows, row)
	}
	return sheet
}
