package web

import (
	"cmp"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/examination"
	"farthingale/domain/measurement"
	"farthingale/domain/photo"
)

func comparePath(number string) string { return objectPath(number) + "/compare" }

type comparePage struct {
	Frame
	Number, ObjectTitle, ObjectPath string
	Choices                         []compareChoice
	None                            string // why there is nothing to compare
	Sides                           []compareSide
	Sum                             string
	Grave                           Mark
	Groups                          []compareGroup
	Readings                        []pairRow
	Pairs                           []template.HTML // photographs of one view
	PairsNote                       string
}

// compareChoice is a choice of one of the two examinations.
type compareChoice struct {
	Name, Label string
	Options     []Option
}

type compareSide struct{ Name, Path, When, Occasion, Examiner, Overall, Draft string }

// compareGroup is what has one outcome.
type compareGroup struct {
	Mark    Mark
	Heading string
	Folded  bool // not opened until it is asked for
	Rows    []compareRow
}

type compareRow struct {
	Part, Damage, Before, After, Because string
}

// pairRow is what was measured of one quantity at one spot.
type pairRow struct {
	Path, Spot, Part, Quantity, Before, After, Says string
	Proven                                          bool
}

// outcomeMark is an outcome as word and shape.
func outcomeMark(o examination.Outcome) Mark {
	switch o {
	case examination.Worse, examination.Appeared:
		return warnMark(plain(string(o)))
	case examination.Unlooked, examination.NotStated, examination.NoProvenChange:
		return waitMark(plain(string(o)))
	}
	return doneMark(plain(string(o)))
}

// foundWords is a damage in one line: "severity 2, active, 120 ± 6 mm² (k = 2)".
func foundWords(f *examination.AsFound) string {
	if f == nil {
		return "not there"
	}
	var said []string
	switch f.Status {
	case examination.NotSeen:
		said = append(said, "not seen; last known:")
	case examination.Gone:
		return "gone"
	case examination.Unanswered:
		return "not answered yet"
	}
	if f.Severity > 0 {
		said = append(said, "severity "+strconv.Itoa(f.Severity)+",")
	}
	if f.Activity != "" {
		said = append(said, activityWords(f.Activity)+",")
	}
	if f.Extent != nil {
		said = append(said, f.Extent.Words())
	}
	return strings.TrimSuffix(strings.Join(said, " "), ",")
}

func activityWords(a examination.Activity) string {
	if a == examination.UnknownActivity {
		return "activity unknown"
	}
	return string(a)
}

// compareExaminations serves GET /objects/{number}/compare.
func (s *Server) compareExaminations(c echo.Context) error {
	w, err := s.whole(c)
	if err != nil {
		return err
	}
	ctx, by := c.Request().Context(), actor(c)
	p := &comparePage{Number: w.Object.Number, ObjectTitle: w.Object.Title, ObjectPath: objectPath(w.Object.Number)}
	p.Title, p.Here, p.Scripts = "Compare examinations of "+w.Object.Number, "/objects", []string{"alignment.js"}
	var ids [2]*domain.ID
	for i, name := range []string{"a", "b"} {
		if text := c.QueryParam(name); text != "" {
			id, err := domain.ParseID(text)
			if err != nil {
				return err
			}
			ids[i] = &id
		}
	}
	before, after, err := s.Examination.Pair(ctx, by, w.Object.ID, ids[0], ids[1])
	if e, known := err.(*domain.Error); known && e.Code == "one_examination" {
		p.None = e.Message
		return s.render(c, http.StatusOK, "examination/compare", p)
	}
	if err != nil {
		return err
	}
	compared, err := s.Examination.CompareThese(ctx, by, before, after)
	if err != nil {
		return err
	}
	p.show(compared)
	pairs, err := s.Measurement.Between(ctx, by, w.Object.ID, measurement.Moment{ExaminationID: before.ID, On: before.ExaminedOn}, measurement.Moment{ExaminationID: after.ID, On: after.ExaminedOn})
	if err != nil {
		return err
	}
	for i := range pairs {
		p.Readings = append(p.Readings, pairedRow(&pairs[i]))
	}
	if err := s.compareChoices(c, p, w.Object.ID, compared); err != nil {
		return err
	}
	if err := s.comparePhotos(c, p, before, after); err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "examination/compare", p)
}

// show puts a comparison into words.
func (p *comparePage) show(c *examination.Comparison) {
	for _, side := range []struct {
		name string
		of   examination.Side
	}{{"Earlier", c.Before}, {"Later", c.After}} {
		v := compareSide{Name: side.name, Path: "/examinations/" + side.of.ID.String(), When: dayWords(side.of.ExaminedOn), Occasion: plain(string(side.of.Occasion)),
			Examiner: side.of.Examiner.Name, Overall: cmp.Or(string(side.of.Overall), "not said yet")}
		if side.of.State == examination.Draft {
			v.Draft = "draft, not signed"
		}
		p.Sides = append(p.Sides, v)
	}
	var sum []string
	for _, o := range examination.Outcomes {
		if n := c.Counts[o]; n > 0 {
			sum = append(sum, strconv.Itoa(n)+" "+plain(string(o)))
		}
	}
	p.Sum = strings.Join(sum, ", ")
	if len(sum) == 0 {
		p.Sum = "Neither found any damage."
	}
	if c.Alarming() {
		p.Grave = warnMark("something is new or worse")
	}
	for _, o := range examination.Outcomes {
		g := compareGroup{Mark: outcomeMark(o), Heading: outcomeHeadings[o], Folded: o == examination.Unchanged}
		for _, change := range c.Changes {
			if change.Outcome == o {
				g.Rows = append(g.Rows, compared(&change))
			}
		}
		if len(g.Rows) > 0 {
			p.Groups = append(p.Groups, g)
		}
	}
}

var outcomeHeadings = map[examination.Outcome]string{
	examination.Worse: "Worse", examination.Appeared: "New", examination.NoProvenChange: "Looks different, no proven change", examination.Unlooked: "Not seen this time",
	examination.NotStated: "Not said", examination.Better: "Better", examination.Ended: "Gone", examination.Unchanged: "Unchanged",
}

func compared(c *examination.Change) compareRow {
	r := compareRow{Part: cmp.Or(c.Called, "the whole object"), Before: foundWords(c.Before), After: foundWords(c.After), Because: strings.Join(c.Because, "; ")}
	switch {
	case c.After != nil:
		r.Damage = c.After.TermName
	case c.Before != nil:
		r.Damage, r.After = c.Before.TermName, "–"
	}
	return r
}

// pairedRow is a pair of readings in words.
func pairedRow(p *measurement.Pair) pairRow {
	read := func(r *measurement.Reading) string {
		if r == nil {
			return "–"
		}
		return r.Shown() + ", " + dayWords(r.MeasuredOn)
	}
	return pairRow{Path: seriesPath(p.SpotID, p.Quantity), Spot: p.SpotName, Part: p.Component, Quantity: quantityTitle(p.Quantity), Before: read(p.Before), After: read(p.After), Says: p.Says(), Proven: p.Proven()}
}

// compareChoices are the examinations to choose from.
func (s *Server) compareChoices(c echo.Context, p *comparePage, objectID domain.ID, compared *examination.Comparison) error {
	all, err := s.Examination.List(c.Request().Context(), actor(c), objectID, domain.PageQuery{Limit: domain.PageMost})
	if err != nil {
		return err
	}
	for _, side := range []struct {
		name, label string
		of          examination.Side
	}{{"a", "Earlier", compared.Before}, {"b", "Later", compared.After}} {
		choice := compareChoice{Name: side.name, Label: side.label}
		listed := false
		for _, e := range all.Items {
			listed = listed || e.ID == side.of.ID
			choice.Options = append(choice.Options, compareOption(e.ID, e.ExaminedOn, e.Occasion, e.State, side.of.ID))
		}
		if !listed { // older than those that are listed
			choice.Options = append(choice.Options, compareOption(side.of.ID, side.of.ExaminedOn, side.of.Occasion, side.of.State, side.of.ID))
		}
		p.Choices = append(p.Choices, choice)
	}
	return nil
}

func compareOption(id domain.ID, on string, occasion examination.Occasion, state examination.State, chosen domain.ID) Option {
	label := dayWords(on) + ", " + plain(string(occasion))
	if state == examination.Draft {
		label += " (draft)"
	}
	return Option{Value: id.String(), Label: label, Chosen: id == chosen}
}

// pairsMost is how many pairs of photographs a page shows.
const pairsMost = 12

// comparePhotos pairs the photographs of both that show the same view in the same light.
func (s *Server) comparePhotos(c echo.Context, p *comparePage, before, after *examination.Examination) error {
	ctx, by := c.Request().Context(), actor(c)
	all, err := s.Photo.Some(ctx, by, append(before.PhotoIDs(), after.PhotoIDs()...))
	if err != nil {
		return err
	}
	pairs := sameView(all, before.PhotoIDs(), after.PhotoIDs())
	if more := len(pairs) - pairsMost; more > 0 {
		pairs = pairs[:pairsMost]
		p.PairsNote = fmt.Sprintf("%d further pairs are not shown.", more)
	}
	if len(pairs) == 0 {
		p.PairsNote = "The two have no photograph of the same view in the same light."
		return nil
	}
	ids := make([][2]domain.ID, len(pairs))
	for i, pair := range pairs {
		ids[i] = [2]domain.ID{pair[0].ID, pair[1].ID}
	}
	lie, err := s.Photo.Alignments(ctx, by, ids)
	if err != nil {
		return err
	}
	for i, pair := range pairs {
		var how *photo.Alignment
		if a, ok := lie[ids[i]]; ok {
			how = &a
		}
		shown, err := s.partial("photo/_aligned_pair", s.alignedPair(by, pair[0], pair[1], how))
		if err != nil {
			return err
		}
		p.Pairs = append(p.Pairs, shown)
	}
	return nil
}

// sameView pairs photographs of the earlier and the later examination by view, light and components, in the order of
// the later ones. A photograph of both is no pair.
func sameView(all []photo.Photo, before, after []domain.ID) [][2]*photo.Photo {
	of := func(p *photo.Photo) string {
		parts := make([]string, len(p.Components))
		for i, id := range p.Components {
			parts[i] = id.String()
		}
		slices.Sort(parts)
		return strings.Join(append([]string{string(p.View), string(p.Light)}, parts...), " ")
	}
	earlier := map[string][]*photo.Photo{}
	for i := range all {
		if slices.Contains(before, all[i].ID) && !slices.Contains(after, all[i].ID) {
			earlier[of(&all[i])] = append(earlier[of(&all[i])], &all[i])
		}
	}
	var pairs [][2]*photo.Photo
	for i := range all {
		p := &all[i]
		if !slices.Contains(after, p.ID) || slices.Contains(before, p.ID) {
			continue
		}
		if left := earlier[of(p)]; len(left) > 0 {
			pairs = append(pairs, [2]*photo.Photo{left[0], p})
			earlier[of(p)] = left[1:]
		}
	}
	return pairs
}
