package api_test

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/agenda"
	"farthingale/domain/people"
)

// texts are the texts of somebody's notices, the newest first.
func texts(h *servetest.House, who servetest.Someone, query string) []string {
	page := servetest.JSON[domain.Page[agenda.Line]](h.API(who).Get("/notices" + query).Must(http.StatusOK))
	all := []string{}
	for _, n := range page.Items {
		all = append(all, n.Text)
	}
	return all
}

// TestNoticeReachesWhomItConcerns: the roles, curators only of the department, the named, each once,
// and nobody else.
func TestNoticeReachesWhomItConcerns(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	steward := h.Person("Simon Vane", domain.Steward)
	ines := h.Person("Ines Falkenberg", domain.Conservator)
	both := h.PersonOf("Maud Okonjo", []string{"Sea survival"}, domain.Curator, domain.Conservator)
	piet := h.PersonOf("Piet Lindqvist", []string{"Diving"}, domain.Curator)
	rosa := h.Person("Rosa Amsel", domain.Registrar)
	gone := h.Person("Tomas Wray", domain.Conservator)
	if _, err := h.People.Close(t.Context(), steward.Actor, gone.ID, 1); err != nil {
		t.Fatal(err)
	}
	for name, test := range map[string]struct {
		notice  agenda.Notice
		reaches []servetest.Someone
	}{
		"roles":              {agenda.Notice{Roles: []domain.Role{domain.Conservator}}, []servetest.Someone{ines, both}},
		"curators of one":    {agenda.Notice{Roles: []domain.Role{domain.Curator}, Department: "Diving"}, []servetest.Someone{piet}},
		"both":               {agenda.Notice{Roles: []domain.Role{domain.Curator, domain.Registrar}, Department: "Sea survival"}, []servetest.Someone{both, rosa}},
		"every curator":      {agenda.Notice{Roles: []domain.Role{domain.Curator}}, []servetest.Someone{both, piet}},
		"no curator for it":  {agenda.Notice{Roles: []domain.Role{domain.Curator}, Department: "Charts"}, []servetest.Someone{both, piet}},
		"named":              {agenda.Notice{People: []domain.ID{steward.ID}}, []servetest.Someone{steward}},
		"named and by role":  {agenda.Notice{People: []domain.ID{ines.ID}, Roles: []domain.Role{domain.Conservator}}, []servetest.Someone{ines, both}},
		"a person who left":  {agenda.Notice{People: []domain.ID{gone.ID, rosa.ID}}, []servetest.Someone{rosa}},
		"only who left":      {agenda.Notice{People: []domain.ID{gone.ID}}, nil},
		"a role nobody has":  {agenda.Notice{Roles: []domain.Role{domain.MountMaker}}, nil},
		"curators elsewhere": {agenda.Notice{Roles: []domain.Role{domain.Conservator}, Department: "Diving"}, []servetest.Someone{ines, both}},
	} {
		n := test.notice
		n.At, n.Area, n.Subject, n.Text = h.Now(), "treatment", domain.NewID(), "Of "+name+"."
		if err := h.Agenda.Notify(t.Context(), n); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for _, who := range []servetest.Someone{steward, ines, both, piet, rosa} {
			has := slices.Contains(texts(h, who, "?unread=true"), n.Text)
			wants := slices.ContainsFunc(test.reaches, func(s servetest.Someone) bool { return s.ID == who.ID })
			if has != wants {
				t.Errorf("%s: reaches %s: %v, want %v", name, who.Name, has, wants)
			}
		}
	}
}

// TestNoticeBelongsToItsAct: a notice is written with the act that it tells of or not at all.
func TestNoticeBelongsToItsAct(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines := h.Person("Ines Falkenberg", domain.Conservator)
	refused := errors.New("the act is refused")
	err := h.DB.Do(t.Context(), func(ctx context.Context) error {
		n := agenda.Notice{At: h.Now(), Roles: []domain.Role{domain.Conservator}, Area: "treatment", Subject: domain.NewID(), Text: "It never happened."}
		if err := h.Agenda.Notify(ctx, n); err != nil {
			return err
		}
		return refused
	})
	if !errors.Is(err, refused) {
		t.Fatal(err)
	}
	if got := texts(h, ines, ""); len(got) != 0 {
		t.Errorf("notices of what never happened: %v", got)
	}
	for name, n := range map[string]agenda.Notice{
		"without a text":  {At: h.Now(), Roles: []domain.Role{domain.Conservator}, Area: "treatment", Subject: domain.NewID()},
		"to nobody":       {At: h.Now(), Area: "treatment", Subject: domain.NewID(), Text: "x"},
		"to no such role": {At: h.Now(), Roles: []domain.Role{"king"}, Area: "treatment", Subject: domain.NewID(), Text: "x"},
		"about nothing":   {At: h.Now(), Roles: []domain.Role{domain.Conservator}, Area: "treatment", Text: "x"},
		"dirty":           {At: h.Now(), Roles: []domain.Role{domain.Conservator}, Area: "treatment", Subject: domain.NewID(), Text: "a\x00b"},
	} {
		if err := h.Agenda.Notify(t.Context(), n); err == nil {
			t.Errorf("a notice %s is given", name)
		}
	}
	if rows := h.Rows("notice"); rows["notice"] != 0 {
		t.Errorf("%d notices are kept", rows["notice"])
	}
}

// TestReading: once, by whom the notice was given to; the time stays.
func TestReading(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	ines, rosa := h.Person("Ines Falkenberg", domain.Conservator), h.Person("Rosa Amsel", domain.Registrar)
	for i := range 3 {
		n := agenda.Notice{At: h.Now(), People: []domain.ID{ines.ID}, Area: "treatment", Subject: domain.NewID(), Text: "Notice " + strconv.Itoa(i) + "."}
		if err := h.Agenda.Notify(t.Context(), n); err != nil {
			t.Fatal(err)
		}
	}
	c := h.API(ines)
	first := servetest.JSON[domain.Page[agenda.Line]](c.Get("/notices?limit=2").Must(http.StatusOK))
	if len(first.Items) != 2 || first.Next == "" || first.Items[0].Text != "Notice 2." {
		t.Fatalf("first page: %+v", first)
	}
	rest := servetest.JSON[domain.Page[agenda.Line]](c.Get("/notices?limit=2&cursor=" + first.Next).Must(http.StatusOK))
	if len(rest.Items) != 1 || rest.Items[0].Text != "Notice 0." || rest.Next != "" {
		t.Fatalf("second page: %+v", rest)
	}
	c.Get("/notices?unread=true&cursor="+first.Next).Refused(http.StatusBadRequest, "cursor")

	at := "/notices/" + first.Items[0].ID.String() + "/reading"
	before := h.Rows("event", "notice", "notice_reader")
	h.API(rosa).Post(at, nil).Refused(http.StatusNotFound, "not_found")
	c.Post("/notices/"+domain.NewID().String()+"/reading", nil).Refused(http.StatusNotFound, "not_found")
	if after := h.Rows("event", "notice", "notice_reader"); after["event"] != before["event"] {
		t.Error("a refusal left an event")
	}
	read := servetest.JSON[agenda.Line](c.Post(at, nil).Must(http.StatusOK))
	if read.ReadAt == nil {
		t.Fatalf("not read: %+v", read)
	}
	h.Wait(time.Hour)
	again := servetest.JSON[agenda.Line](c.Post(at, nil).Must(http.StatusOK))
	if !again.ReadAt.Equal(*read.ReadAt) {
		t.Errorf("read at %v, then at %v", read.ReadAt, again.ReadAt)
	}
	if after := h.Rows("event"); after["event"] != before["event"]+1 {
		t.Errorf("%d events for one reading", after["event"]-before["event"])
	}
	if got := texts(h, ines, "?unread=true"); !slices.Equal(got, []string{"Notice 1.", "Notice 0."}) {
		t.Errorf("unread: %v", got)
	}
	for _, sql := range []string{
		`update notice_reader set read_at = null`, `delete from notice_reader`, `update notice set text = 'other'`, `delete from notice`,
	} {
		if _, err := h.Database.OwnerPool().Exec(t.Context(), sql); err == nil {
			t.Errorf("the owner of the database may %s", sql)
		}
	}
	// A token that only reads says nothing was read.
	reader, err := h.People.AddToken(t.Context(), ines.Actor, people.NewToken{Name: "reads", Scopes: []string{"read"}, Days: 1})
	if err != nil {
		t.Fatal(err)
	}
	narrow := ines
	narrow.Token = reader.Secret
	h.API(narrow).Post("/notices/"+rest.Items[0].ID.String()+"/reading", nil).Refused(http.StatusForbidden, "P2")
	servetest.JSON[struct {
		Sections []agenda.Section `json:"sections"`
	}](h.API(narrow).Get("/agenda").Must(http.StatusOK))
	if one := servetest.JSON[agenda.Section](h.API(narrow).Get("/agenda/drafts").Must(http.StatusOK)); one.Kind != "drafts" || one.Items == nil || len(one.Items) != 0 {
		t.Errorf("one's drafts: %+v", one)
	}
	h.API(narrow).Get("/agenda/nonsense").Refused(http.StatusNotFound, "not_found")
}

// waits are the texts of a section of somebody's agenda, with " (overdue)" where it is.
func (b *bench) waits(who servetest.Someone, kind string) []string {
	b.t.Helper()
	day := servetest.JSON[struct {
		Sections []agenda.Section `json:"sections"`
	}](b.API(who).Get("/agenda").Must(http.StatusOK))
	found := []string{}
	for _, s := range day.Sections {
		if s.Kind != kind {
			continue
		}
		for _, i := range s.Items {
			text := i.Text
			if i.Due != nil && !b.Now().Before(*i.Due) {
				text += " (overdue)"
			}
			if i.ObjectNumber != "1968.14.2" || i.SubjectID == (domain.ID{}) || i.Record == "" {
				b.t.Errorf("%s: an item without its object, subject or record: %+v", kind, i)
			}
			found = append(found, text)
		}
	}
	return found
}

// has fails unless exactly these people have the text in the section.
func (b *bench) has(kind, text string, whom ...servetest.Someone) {
	b.t.Helper()
	for _, who := range []servetest.Someone{b.ines, b.jon, b.piet, b.maud, b.rosa, b.tove, b.rae} {
		wants := slices.ContainsFunc(whom, func(s servetest.Someone) bool { return s.ID == who.ID })
		if got := b.waits(who, kind); wants != slices.Contains(got, text) {
			b.t.Errorf("%s: %s has %q, want %q: %v", kind, who.Name, got, text, wants)
		}
	}
}

// TestWhatWaitsInATreatment: the draft for its author, the decision for the curators who may take it
// (T2), the work for who is in charge, the term of the approval.
func TestWhatWaitsInATreatment(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	elsewhere := b.PersonOf("Otto Linde", []string{"Charts"}, domain.Curator)
	b.begin()
	b.has("drafts", "Treatment 1, Consolidate the cuff: drafting", b.ines)
	b.has("decisions_asked", "Treatment 1, Consolidate the cuff: version 1 submitted")

	// A curator who is named to carry out the work stands on the doing side and is not asked.
	text := b.text()
	text["performers"] = []domain.ID{b.jon.ID, b.maud.ID}
	b.put(b.ines, "", text).act(b.ines, "/submissions", nil)
	b.has("decisions_asked", "Treatment 1, Consolidate the cuff: version 1 submitted", b.piet)
	b.has("drafts", "Treatment 1, Consolidate the cuff: drafting")
	if got := b.waits(elsewhere, "decisions_asked"); len(got) != 0 {
		t.Errorf("a curator of another department is asked: %q", got)
	}
	b.act(b.piet, "/decisions", body{"version_number": 1, "outcome": "approve", "statement": "Yes."})
	b.has("decisions_asked", "Treatment 1, Consolidate the cuff: version 1 submitted")
	b.has("treatments_in_charge", "Treatment 1, Consolidate the cuff: approved", b.ines)
	b.Wait(400 * 24 * time.Hour)
	for _, who := range []*servetest.Someone{&b.ines, &b.jon, &b.piet, &b.maud, &b.rosa, &b.tove, &b.rae} {
		fresh, err := b.People.AddToken(t.Context(), who.Actor, people.NewToken{Name: "later", Scopes: []string{"all"}, Days: 30})
		if err != nil {
			t.Fatal(err)
		}
		who.Token = fresh.Secret
	}
	b.has("treatments_in_charge", "Treatment 1, Consolidate the cuff: approved (overdue)", b.ines)
}

// TestT6WhatWaitsAfterAnEmergency: the ratification for the curators who took no part; once overdue it
// stands on everybody's agenda.
func TestT6WhatWaitsAfterAnEmergency(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	rescue := b.rescue(func(e body) { e["hands"] = []domain.ID{b.ines.ID, b.maud.ID} })
	made := b.API(b.ines).Post("/objects/"+b.object.String()+"/emergencies", rescue).Must(http.StatusCreated)
	b.has("ratifications_due", "The helmet slides off its stand.", b.piet)
	b.Wait(9 * 24 * time.Hour)
	b.has("ratifications_due", "The helmet slides off its stand. (overdue)", b.ines, b.jon, b.piet, b.maud, b.rosa, b.tove)
	at := "/emergencies/" + servetest.JSON[struct {
		ID domain.ID `json:"id"`
	}](made).ID.String()
	b.API(b.piet).Post(at+"/ratifications", body{"outcome": "ratified", "statement": "Rightly done."}, made.Tag()).Must(http.StatusOK)
	b.has("ratifications_due", "The helmet slides off its stand. (overdue)")
	// The notice of it leads to the emergency, not to a treatment that is none.
	notice := servetest.JSON[domain.Page[agenda.Line]](b.API(b.rosa).Get("/notices").Must(http.StatusOK)).Items
	if len(notice) == 0 || notice[len(notice)-1].Record != "emergency" {
		t.Errorf("notices: %+v", notice)
	}
}

// TestH3WhatWaitsUnderAStop: a stop binds everybody, so whoever works on records sees it; it is gone
// when it is released.
func TestH3WhatWaitsUnderAStop(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	elsewhere := b.PersonOf("Otto Linde", []string{"Charts"}, domain.Curator)
	b.approved()
	b.act(b.jon, "/steps", b.step(func(s body) { s["noticed"] = []string{"powder"} }))
	standing, err := b.Handling.Standing(t.Context(), b.object)
	if err != nil || len(standing) != 1 {
		t.Fatalf("stops: %+v, %v", standing, err)
	}
	got := b.waits(b.tove, "stops_in_force")
	if len(got) != 1 || !strings.Contains(got[0], "cuff seal") || !strings.Contains(got[0], "powder") {
		t.Fatalf("stops: %q", got)
	}
	b.has("stops_in_force", got[0], b.ines, b.jon, b.piet, b.maud, b.rosa, b.tove)
	if other := b.waits(elsewhere, "stops_in_force"); len(other) != 0 {
		t.Errorf("a curator of another department has %q", other)
	}
}

// TestT10WhatWaitsForADisposal: the second authorisation is asked of registrars and of curators who did
// not designate, never of who treated.
func TestT10WhatWaitsForADisposal(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.approved()
	b.act(b.jon, "/steps", b.step(func(s body) {
		s["came_away"] = []body{{"from_component_id": b.cuffSeal, "name": "crumb of the seal", "where_it_lay": "below the cuff", "belongs_there": "certain", "kept_at": "bag 1"}}
	}))
	sheet, err := b.Collection.Sheet(t.Context(), b.object)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range sheet.Components {
		if c.Function == "fragment" {
			b.act(b.piet, "/designations", body{"component_id": c.ID, "designation": "disposal", "reason": "mould"})
		}
	}
	got := b.waits(b.rosa, "decisions_asked")
	if len(got) != 1 || !strings.Contains(got[0], "crumb of the seal") {
		t.Fatalf("asked of the registrar: %q", got)
	}
	b.has("decisions_asked", got[0], b.rosa, b.maud)
}
