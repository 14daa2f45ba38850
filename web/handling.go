package web

import (
	"context"
	"errors"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
	"farthingale/domain/collection"
	"farthingale/domain/handling"
	"farthingale/domain/material"
	"farthingale/domain/photo"
)

func (s *Server) handlingRoutes(g *echo.Group) {
	s.route(g, http.MethodGet, "/objects/:number/handle", handling.Record, s.handlePage)
	s.route(g, http.MethodPost, "/objects/:number/handle", handling.Record, s.logHandling)
	s.uploads["/objects/:number/handle"] = 0 // the pictures have their bounds
	s.route(g, http.MethodGet, "/objects/:number/handlings", handling.Read, s.objectHandlings)
	s.route(g, http.MethodGet, "/handlings", handling.Read, s.allHandlings)
	s.route(g, http.MethodGet, "/handlings/:id", handling.Read, s.handlingPage)
	s.route(g, http.MethodPost, "/handlings/:id/addenda", handling.Record, s.amendHandling)
	s.stopRoutes(g)
}

// cautionLine is a danger to people as it is shown before hands are on the object.
type cautionLine struct {
	Mark     Mark
	On       string
	State    string
	Text     string
	Assessed string // what was assessed last; empty: nothing
}

// cautionsOf are the usual cautions about components of an object (none: the whole), for a page of
// another act than handling.
func (s *Server) cautionsOf(c echo.Context, sheet *collection.Sheet, components []domain.ID) ([]cautionLine, error) {
	all, err := s.Handling.Cautions(c.Request().Context(), actor(c), sheet)
	if err != nil {
		return nil, err
	}
	return s.cautionLines(handling.Touching(sheet, all, components)), nil
}

// cautionLines shows hazards; those that stop come first.
func (s *Server) cautionLines(all []handling.Caution) []cautionLine {
	var lines []cautionLine
	for _, c := range all {
		l := cautionLine{On: c.On, State: plain(c.State), Text: strings.TrimSuffix(c.Text, " "+material.CautionClosing)}
		if c.Controls != "" {
			l.State += ". Controls agreed: " + strings.TrimSuffix(strings.TrimSpace(c.Controls), ".")
		}
		if c.Proposed {
			l.State = c.Note + " Nobody has looked yet"
		}
		word := strings.ReplaceAll(c.Kind, "-", " ") + " " + plain(c.Certainty)
		switch c.Class {
		case material.Stop:
			l.Mark = stopMark(word)
		case material.Control:
			l.Mark = warnMark(word)
		default:
			l.Mark = draftMark(word)
		}
		if n := len(c.Assessments); n > 0 {
			a := c.Assessments[n-1]
			l.Assessed = "Assessed " + s.day(a.AssessedOn) + " by " + a.AssessorName + " (" + a.Competence + "): "
			if a.MayBeHandled {
				l.Assessed += "may be handled with " + a.Controls
			} else {
				l.Assessed += "not to be handled"
			}
			if a.ValidUntil != nil {
				l.Assessed += "; holds until " + s.day(*a.ValidUntil)
			}
			l.Assessed += "."
		}
		lines = append(lines, l)
	}
	return lines
}

// stopLine is a stop as it is shown where somebody might touch the object.
type stopLine struct {
	Path, On, Because, Since, By, Note string
}

func (s *Server) stopLines(all []handling.Stop) []stopLine {
	lines := make([]stopLine, len(all))
	for i, stop := range all {
		lines[i] = stopLine{Path: stopPath(stop.ID), On: stop.On(), Because: strings.TrimRight(stop.Because(), "."), Since: s.moment(stop.RaisedAt), By: stop.RaisedBy.Name, Note: stop.Note}
		if len(stop.Signs) == 0 {
			lines[i].Note = ""
		}
	}
	return lines
}

func stopPath(id domain.ID) string { return "/stops/" + id.String() }

type handlePage struct {
	Frame
	Number, ObjectTitle, ObjectPath string
	Stops                           []stopLine
	Cautions                        []cautionLine
	Closing                         string
	Limits                          []limitLine
	StopPath                        string // to raise a stop without a handling
	Form                            *Form
}

// limitLine is a limit of handling that a released stop left.
type limitLine struct{ Path, On, Limits, By string }

// limits are the limits that the last released stops of an object left.
func (s *Server) limits(c echo.Context, objectID domain.ID) ([]limitLine, error) {
	released, err := s.Handling.Stops(c.Request().Context(), actor(c), handling.StopFilter{ObjectID: &objectID, State: "released"}, domain.PageQuery{Limit: 5})
	if err != nil {
		return nil, err
	}
	var lines []limitLine
	for _, stop := range released.Items {
		lines = append(lines, limitLine{Path: stopPath(stop.ID), On: stop.On(), Limits: stop.Release.Limits, By: stop.Release.By.Name + ", " + s.day(stop.Release.At)})
	}
	return lines, nil
}

// minuteTiles are how long a handling took, to press.
var minuteTiles = []int{2, 5, 10, 20, 45, 90}

// quickLog is a log as the page asks for it.
type quickLog struct {
	handling.Log
	Other int    `json:"other_minutes"` // instead of a tile
	Names string `json:"other_names"`   // one in a line
}

func (q quickLog) log() handling.Log {
	l := q.Log
	if q.Other > 0 {
		l.Minutes = q.Other
	}
	for name := range strings.SplitSeq(q.Names, "\n") {
		if name = strings.TrimSpace(name); name != "" {
			l.OtherHandlers = append(l.OtherHandlers, name)
		}
	}
	return l
}

// withNone puts an empty choice before the others.
func withNone(label string, chosen bool, all []Option) []Option {
	return append([]Option{{Label: label, Chosen: chosen}}, all...)
}

// staffOptions are the people who may have hands on an object, the acting person first.
func (s *Server) staffOptions(c echo.Context) ([]Option, error) {
	a := actor(c)
	all, err := s.People.List(c.Request().Context(), a, false, domain.PageQuery{Limit: domain.PageMost})
	if err != nil {
		return nil, err
	}
	options := []Option{{Value: a.ID.String(), Label: a.Name, Chosen: true}}
	for _, p := range all.Items {
		if p.ID != a.ID && slices.ContainsFunc(p.Roles, func(r domain.Role) bool { return slices.Contains(domain.Staff, r) }) {
			options = append(options, Option{Value: p.ID.String(), Label: p.Name})
		}
	}
	return options, nil
}

// partOptions are the components of an object to choose from.
func partOptions(sheet *collection.Sheet, chosen string) []Option {
	options := make([]Option, len(sheet.Components))
	for i, c := range sheet.Components {
		options[i] = Option{Value: c.ID.String(), Label: "." + c.Label + " " + c.Name, Chosen: c.ID.String() == chosen}
	}
	return options
}

// logForm asks for a handling: what is most often true is chosen already, what is seldom asked for is
// folded away.
func (s *Server) logForm(c echo.Context, b handling.Before) (*Form, error) {
	staff, err := s.staffOptions(c)
	if err != nil {
		return nil, err
	}
	minutes := make([]Option, len(minuteTiles))
	for i, m := range minuteTiles {
		minutes[i] = Option{Value: strconv.Itoa(m), Label: count(m, "minute"), Chosen: m == 5}
	}
	fields := []Field{{Kind: "checks", Name: "noticed", Label: "Noticed", Tiles: true, Options: options("", handling.Signs[1:]...),
		Help: "Nothing chosen means nothing was noticed. Noise, powder, resistance, loss and tear stop the object for everybody."}}
	if needsControls(b.Cautions) {
		fields = append(fields, Field{Kind: "radio", Name: "controls", Label: "The usual controls for the hazards above were", Tiles: true, Required: true,
			Options: options("", "kept", "not_kept")})
	}
	fields = append(fields,
		Field{Kind: "radio", Name: "purpose", Label: "For", Tiles: true, Options: options("examination", handling.Purposes...)},
		Field{Kind: "radio", Name: "minutes", Label: "It took", Tiles: true, Options: minutes},
		Field{Kind: "folded", Label: leftWords(b.LastPosition), Fields: []Field{
			{Kind: "radio", Name: "to", Label: "It is left", Tiles: true, Options: withNone("not noted", b.LastPosition == "", options(b.LastPosition, handling.Positions...))},
			{Kind: "radio", Name: "gloves", Label: "Gloves", Tiles: true, Options: options("nitrile", handling.Gloves...)}}},
		Field{Kind: "textarea", Name: "note", Label: "Note", Max: 4000, Rows: 2},
		Field{Kind: "folded", Label: "Only parts of it", Value: opened(c.QueryParam("part")), Fields: []Field{
			{Kind: "checks", Name: "component_ids", Label: "Parts handled", Help: "None chosen: the whole object.", Tiles: true, Options: partOptions(b.Sheet, c.QueryParam("part"))}}},
		Field{Kind: "folded", Label: "Who, when, how", Fields: []Field{
			{Kind: "checks", Name: "handler_ids", Label: "Hands on it", Tiles: true, Options: staff},
			{Kind: "textarea", Name: "other_names", Label: "Others without an account here", Help: "One name in a line.", Max: 2000, Rows: 2},
			{Kind: "datetime-local", Name: "started_at", Label: "Begun", Help: "Left empty: just now."},
			{Kind: "number", Name: "other_minutes", Label: "Another number of minutes"},
			{Kind: "select", Name: "from", Label: "It lay before", Options: withNone("not noted", b.LastPosition == "", options(b.LastPosition, handling.Positions...))},
			{Kind: "number", Name: "lifts", Label: "Lifts", Help: "How often the weight was taken up. Left empty: once when the position changed."},
			{Kind: "checks", Name: "support", Label: "Support", Tiles: true, Options: options("", handling.Supports...)},
			{Kind: "select", Name: "evacuation", Label: "Out of danger", Options: withNone("no", true, options("", handling.Evacuations...))},
		}},
		Field{Kind: "folded", Label: "Joints moved", Fields: []Field{flexFields(0), flexFields(1), flexFields(2)}},
		Field{Kind: "checkbox", Name: "stop", Label: "Stop it all the same: nobody handles it before a conservator has looked"},
	)
	if actor(c).May(photo.Keep) == nil { // last, so that all else is read when the pictures come
		fields = append(fields, Field{Kind: "file", Name: "files", Label: "Photographs", Accept: "image/*", Multiple: true, Camera: true})
	}
	token, _ := c.Get(csrfKey).(string)
	return (&Form{Action: objectPath(b.Sheet.Object.Number) + "/handle?csrf=" + url.QueryEscape(token), Multipart: true, Quick: true, Submit: "Log it", Fields: fields}).ready(c), nil
}

// leftWords says what is chosen in the folded fields: "Left lying face up, nitrile gloves".
func leftWords(last string) string {
	if last == "" {
		return "Nitrile gloves; how it is left"
	}
	return "Left " + plain(last) + ", as before; nitrile gloves"
}

func opened(part string) string {
	if part != "" {
		return "open"
	}
	return ""
}

// needsControls says whether a hazard wants the handler to say that its controls were kept.
func needsControls(all []handling.Caution) bool {
	return slices.ContainsFunc(all, func(c handling.Caution) bool { return c.Class != material.Note })
}

func flexFields(i int) Field {
	at := "flexes." + strconv.Itoa(i) + "."
	return Field{Kind: "group", Label: "Joint " + strconv.Itoa(i+1), Fields: []Field{
		{Kind: "select", Name: at + "joint", Label: "Joint", Options: withNone("none", true, options("", handling.Joints...))},
		{Kind: "select", Name: at + "side", Label: "Side", Options: withNone("none", true, options("", "left", "right"))},
		{Kind: "select", Name: at + "movement", Label: "Movement", Options: withNone("not noted", true, options("", handling.Movements...))},
		{Kind: "number", Name: at + "degrees", Label: "Furthest angle (degrees)"},
		{Kind: "number", Name: at + "times", Label: "Times"},
	}}
}

func (s *Server) handleData(c echo.Context) (*handlePage, *collection.Whole, error) {
	w, err := s.whole(c)
	if err != nil {
		return nil, nil, err
	}
	before, err := s.Handling.BeforeSheet(c.Request().Context(), actor(c), &w.Sheet)
	if err != nil {
		return nil, nil, err
	}
	at := objectPath(w.Object.Number)
	p := &handlePage{Number: w.Object.Number, ObjectTitle: w.Object.Title, ObjectPath: at, StopPath: at + "/stop",
		Stops: s.stopLines(before.Standing), Cautions: s.cautionLines(before.Cautions), Closing: material.CautionClosing}
	p.Title, p.Here = "Log a handling of "+w.Object.Number, "/objects"
	if p.Limits, err = s.limits(c, w.Object.ID); err != nil {
		return nil, nil, err
	}
	p.Form, err = s.logForm(c, before)
	return p, w, err
}

// handlePage serves GET /objects/{number}/handle: log a handling in a few seconds.
func (s *Server) handlePage(c echo.Context) error {
	p, _, err := s.handleData(c)
	if err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "handling/handle", p)
}

// logHandling serves POST /objects/{number}/handle. The handling is logged before its pictures are
// taken: it is never lost for a picture's sake.
func (s *Server) logHandling(c echo.Context) error {
	parts, err := c.Request().MultipartReader()
	if err != nil {
		return unreadableForm(err)
	}
	w, err := s.whole(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	var e *handling.Event
	var stop *handling.Stop
	log := func(typed url.Values) error {
		var q quickLog
		if _, _, err = s.read(typed, &q); err == nil {
			e, stop, err = s.Handling.Log(ctx, actor(c), w.Object.ID, q.log())
		}
		return err
	}
	var refused []string
	typed, logErr, err := readParts(parts, log, func(part *multipart.Part) error {
		why, err := s.attachPhoto(ctx, c, w.Object.ID, e, part)
		if why != "" {
			refused = append(refused, why)
		}
		return err
	})
	if err != nil {
		return err
	}
	_, _ = io.Copy(io.Discard, io.LimitReader(c.Request().Body, 1<<30)) // a browser shows an answer only when all that it sends was taken
	if logErr != nil {
		p, _, err := s.handleData(c)
		if err != nil {
			return err
		}
		return s.answer(c, p.Form, typed, logErr, "handling/handle", p)
	}
	said := "The handling is logged."
	if len(refused) > 0 {
		said += " Not every picture was kept: " + strings.Join(refused, " ")
	}
	if stop != nil {
		return s.done(c, said, stopPath(stop.ID)+"/set-down")
	}
	return s.done(c, said, objectPath(w.Object.Number))
}

// attachPhoto keeps a picture and adds it to a handling. why says in a sentence why it was not kept.
func (s *Server) attachPhoto(ctx context.Context, c echo.Context, objectID domain.ID, e *handling.Event, part *multipart.Part) (why string, err error) {
	d := photo.Description{Components: e.ComponentIDs(), View: photo.Detail, Light: photo.Normal, Stage: photo.General, Caption: "At the handling of " + s.moment(e.StartedAt)}
	if len(e.Signs()) > 0 {
		d.Stage = photo.Incident
	}
	p, err := s.Photo.Upload(ctx, actor(c), objectID, d, part.FileName(), part)
	if err == nil {
		_, err = s.Handling.Attach(ctx, actor(c), e.ID, handling.Attachment{PhotoID: p.ID})
	}
	var refusal *domain.Error
	switch {
	case err == nil:
		return "", nil
	case lost(err):
		return "", err
	default:
		errors.As(err, &refusal)
		s.noteRefusal(c, refusal)
		return part.FileName() + ": " + refusal.Message, nil
	}
}

// readParts reads a form of fields and then files as it comes. act is called once, when the fields are
// there; when it fails its error is actErr and no file is taken.
func readParts(parts *multipart.Reader, act func(typed url.Values) error, file func(part *multipart.Part) error) (typed url.Values, actErr, err error) {
	typed = url.Values{}
	acted := false
	for fields := 0; ; fields++ {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, nil, unreadableForm(err)
		}
		if part.FormName() != "files" {
			b, err := io.ReadAll(io.LimitReader(part, photoFieldBytes+1))
			if err != nil || len(b) > photoFieldBytes || fields > photoFields {
				return nil, nil, unreadableForm(errors.Join(err, errors.New("a field is too long, or there are too many")))
			}
			typed.Add(part.FormName(), string(b))
			continue
		}
		if part.FileName() == "" { // a browser sends an empty part when nothing was chosen
			continue
		}
		if !acted {
			acted = true
			if actErr = act(typed); actErr != nil {
				return typed, actErr, nil
			}
		}
		if err := file(part); err != nil {
			return nil, nil, err
		}
	}
	if !acted {
		actErr = act(typed)
	}
	return typed, actErr, nil
}
