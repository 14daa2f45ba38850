package api_test

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
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
}
