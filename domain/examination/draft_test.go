package examination

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"

	"farthingale/domain"
	"farthingale/domain/collection"
)

var (
	testDay  = time.Date(2026, 2, 6, 12, 0, 0, 0, time.UTC)
	mara     = domain.Actor{ID: domain.NewID(), Name: "Mara Holm", Roles: []domain.Role{domain.Conservator}}
	rune_    = domain.Actor{ID: domain.NewID(), Name: "Rune Vik", Roles: []domain.Role{domain.Registrar}}
	tove     = domain.Actor{ID: domain.NewID(), Name: "Tove Amsel", Roles: []domain.Role{domain.Technician}}
	lars     = domain.Actor{ID: domain.NewID(), Name: "Lars Wray", Roles: []domain.Role{domain.Reader}}
	testList = func() *Terms {
		all, err := Published()
		if err != nil {
			panic(err) // the list is part of the program
		}
		return &Terms{All: all}
	}()
)

// suit is an object of so many parts.
func suit(parts int) *collection.Sheet {
	s := &collection.Sheet{Object: collection.Object{ID: domain.NewID(), Number: "1968.14.2", Title: "Dry suit", Department: "Diving"}}
	for i := range parts {
		s.Components = append(s.Components, collection.Component{ID: domain.NewID(), ObjectID: s.Object.ID, Label: fmt.Sprint(i + 1), Name: "part"})
	}
	return s
}

// draftOf is a draft as it is begun.
func draftOf(t testing.TB, by domain.Actor, s *collection.Sheet, occasion Occasion, last *Examination, at time.Time) *Examination {
	t.Helper()
	e, err := Begin(by, NewExamination{Occasion: occasion}, s, last, time.UTC, at)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// answered answers everything of a draft but its observations.
func answeredDraft(t testing.TB, by domain.Actor, s *collection.Sheet, e *Examination, at time.Time) *Examination {
	t.Helper()
	no, yes := false, true
	c := e.Circumstances
	c.Place, c.Light, c.Technique, c.Handles = "laboratory", []string{"normal"}, "by eye", &no
	looked := []Looked{}
	for _, x := range s.Components {
		looked = append(looked, Looked{ComponentID: x.ID, Seen: &yes})
	}
	j := Judgement{Overall: Unacceptable, Priority: "low", NextCheckOn: at.AddDate(1, 0, 0).Format(time.DateOnly)}
	if err := e.Change(by, Changes{Circumstances: &c, Components: &looked, Judgement: &j}, s, time.UTC, at); err != nil {
		t.Fatal(err)
	}
	return e
}

// TestRequiredContents: what a condition report must hold is asked for before it can be signed, or taken down
// by itself; nothing else is.
//
// source: EN 16095:2012, contents of a condition report (from memory): administrative data, identification,
// description, condition, assessment, recommendations, supporting material.
func TestRequiredContents(t *testing.T) {
	t.Parallel()
	s := suit(2)
	whole := func() *Examination {
		e := answeredDraft(t, mara, s, draftOf(t, mara, s, PeriodicCheck, nil, testDay), testDay)
		if _, err := e.Add(mara, NewFinding{ComponentID: &s.Components[0].ID, Finding: Finding{Term: "tear", Severity: 2, Activity: Stable}}, testList, s, testDay); err != nil {
			t.Fatal(err)
		}
		return e
	}
	if missing := whole().Missing(s); len(missing) != 0 {
		t.Fatalf("a whole one lacks %q", missing)
	}
	for name, c := range map[string]struct {
		take func(e *Examination)
		want string // empty: it may be left out
	}{
		"1 place":                       {func(e *Examination) { e.Place = "" }, "where the object was looked at"},
		"1 conditions: light":           {func(e *Examination) { e.Light = nil }, "the light"},
		"1 conditions: technique":       {func(e *Examination) { e.Technique = "" }, "the technique"},
		"1 conditions: handled or not":  {func(e *Examination) { e.Handles = nil }, "whether hands were"},
		"1 conditions: the handling":    {func(e *Examination) { yes := true; e.Handles = &yes }, "the handling, logged"},
		"1 who asked for it":            {func(e *Examination) { e.AskedBy = "" }, ""},
		"3 description":                 {func(e *Examination) { e.Description = "" }, ""},
		"4 each part: not answered":     {func(e *Examination) { e.Components[1].Seen = nil }, "whether 1968.14.2.2 part was seen"},
		"4 each part: never named":      {func(e *Examination) { e.Components = e.Components[:1] }, "whether 1968.14.2.2 part was seen"},
		"4 limits: why not seen":        {func(e *Examination) { no := false; e.Components[1].Seen = &no }, "why 1968.14.2.2 part was not seen"},
		"4 how severe":                  {func(e *Examination) { e.Observations[0].Severity = 0 }, "tear on 1968.14.2.1 part: how severe"},
		"4 active or not":               {func(e *Examination) { e.Observations[0].Activity = "" }, "tear on 1968.14.2.1 part: whether it is active"},
		"4 how much":                    {func(e *Examination) { e.Observations[0].Extent = nil }, ""},
		"4 probable cause":              {func(e *Examination) { e.Observations[0].Cause = "" }, ""},
		"4 overall statement":           {func(e *Examination) { e.Overall = "" }, "the overall condition"},
		"5 risk":                        {func(e *Examination) { e.Risk = "" }, ""},
		"5 urgency":                     {func(e *Examination) { e.Priority = "" }, "the priority"},
		"6 next check":                  {func(e *Examination) { e.NextCheckOn = "" }, "when the next check is due"},
		"6 recommendation":              {func(e *Examination) { e.Recommendation = "" }, ""},
		"7 photographs":                 {func(e *Examination) { e.Photos = nil }, ""},
		"better than what was found is": {func(e *Examination) { e.Observations[0].Severity = 4; e.Overall = Good }, "why the overall condition is good and not poor"},
	} {
		e := whole()
		c.take(e)
		missing := strings.Join(e.Missing(s), "; ")
		if c.want == "" && missing != "" || !strings.Contains(missing, c.want) {
			t.Errorf("%s: %q, want %q", name, missing, c.want)
		}
		if err := e.Sign(mara, s, nil, time.UTC, testDay); (err == nil) != (c.want == "") {
			t.Errorf("%s: signed: %v", name, err)
		}
	}
	// Who, when, on what occasion and of which object is never open.
	e := whole()
	if err := e.Sign(mara, s, nil, time.UTC, testDay); err != nil || e.Identified.Number != "1968.14.2" || e.Examiner.Name != "Mara Holm" || e.ExaminedOn != "2026-02-06" || e.Occasion == "" || e.SignedAt == nil {
		t.Errorf("%+v %v", e, err)
	}
}

// TestE1WhoMayDoWhat: the grid of state, act and person.
func TestE1WhoMayDoWhat(t *testing.T) {
	t.Parallel()
	s := suit(1)
	people := map[string]domain.Actor{"the examiner": rune_, "a conservator": mara, "a technician": tove, "a reader": lars}
	text := "seen"
	acts := map[string]func(by domain.Actor, e *Examination) error{
		"change": func(by domain.Actor, e *Examination) error {
			return e.Change(by, Changes{Description: &text}, s, time.UTC, testDay)
		},
		"add": func(by domain.Actor, e *Examination) error {
			_, err := e.Add(by, NewFinding{Finding: Finding{Term: "dent"}}, testList, s, testDay)
			return err
		},
		"drop":     func(by domain.Actor, e *Examination) error { return e.Drop(by, e.Observations[0].ID, testDay) },
		"takeover": func(by domain.Actor, e *Examination) error { return e.TakeOver(by, testDay) },
		"sign":     func(by domain.Actor, e *Examination) error { return e.Sign(by, s, nil, time.UTC, testDay) },
		"amend": func(by domain.Actor, e *Examination) error {
			_, err := e.Amend(by, NewAddendum{Field: "light", New: "raking", Reason: "left out"}, testDay)
			return err
		},
		"answer": func(by domain.Actor, e *Examination) error {
			return e.Respond(by, NewAnswer{Kind: "noted", Reason: "seen"}, testDay)
		},
	}
	// What is refused, by state, act and person; all else is done.
	refused := map[string]string{
		"draft takeover the examiner": "examiner",
		"draft sign a conservator":    "P2",
		"draft amend the examiner":    "E1", "draft amend a conservator": "E1", "draft amend a technician": "E1",
		"draft answer the examiner": "P2", "draft answer a conservator": "E5", "draft answer a technician": "P2",
		"signed amend a technician": "P2", "signed answer the examiner": "P2", "signed answer a technician": "P2",
		"signed sign the examiner": "E1", "signed sign a conservator": "E1", "signed sign a technician": "P2",
	}
	for _, act := range []string{"change", "add", "drop", "takeover", "sign"} {
		refused["draft "+act+" a technician"] = "P2"
		if act != "sign" {
			for person := range people {
				refused["signed "+act+" "+person] = "E1"
			}
		}
	}
	for _, state := range []State{Draft, Signed} {
		for name, act := range acts {
			for person, by := range people {
				e := answeredDraft(t, rune_, s, draftOf(t, rune_, s, Incident, nil, testDay), testDay)
				if _, err := e.Add(rune_, NewFinding{Finding: Finding{Term: "tear", Severity: 4, Activity: Active}}, testList, s, testDay); err != nil {
					t.Fatal(err)
				}
				if state == Signed {
					if err := e.Sign(rune_, s, nil, time.UTC, testDay); err != nil {
						t.Fatal(err)
					}
				}
				key := string(state) + " " + name + " " + person
				want, not := refused[key]
				if by.Has(domain.Reader) { // reads only
					want, not = "P2", true
					if state == Signed && slices.Contains([]string{"change", "add", "drop", "takeover"}, name) {
						want = "E1"
					}
				}
				before := fmt.Sprint(e.Version, e.Description, len(e.Observations), e.Examiner, e.State, len(e.Addenda), e.Answer)
				err := act(by, e)
				got := ""
				if refusal, ok := err.(*domain.Error); ok {
					got = refusal.Code
				}
				if got != want || (err != nil) != not {
					t.Errorf("%s: %v, want %q", key, err, want)
				}
				if after := fmt.Sprint(e.Version, e.Description, len(e.Observations), e.Examiner, e.State, len(e.Addenda), e.Answer); (before == after) != (err != nil) {
					t.Errorf("%s: was %s, is %s", key, before, after)
				}
			}
		}
	}
	// A registrar signs at hand-overs; an examination before treatment is a conservator's.
	for _, occasion := range Occasions {
		e := answeredDraft(t, rune_, s, draftOf(t, rune_, s, occasion, nil, testDay), testDay)
		if err := e.Sign(rune_, s, nil, time.UTC, testDay); (err == nil) != slices.Contains(handOvers, occasion) {
			t.Errorf("a registrar signs %s: %v", occasion, err)
		}
	}
}

// TestE3CarryForward: whatever is answered at whichever examination, an observation is carried on until it is
// gone, once in each examination, and one that was not seen never goes away.
func TestE3CarryForward(t *testing.T) {
	t.Parallel()
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 5))
		s := suit(1 + r.IntN(6))
		at := testDay
		var last *Examination
		alive := map[domain.ID]bool{} // observations of the last examination that go on
		for range 6 {
			e := draftOf(t, mara, s, PeriodicCheck, last, at)
			met := map[domain.ID]bool{}
			for _, o := range e.Observations {
				if o.ContinuesID == nil || met[*o.ContinuesID] || !alive[*o.ContinuesID] {
					t.Fatalf("seed %d: carried twice, or from nothing: %+v", seed, o)
				}
				met[*o.ContinuesID] = true
			}
			if len(met) != len(alive) {
				t.Fatalf("seed %d: %d carried of %d", seed, len(met), len(alive))
			}
			e = answeredDraft(t, mara, s, e, at)
			no, yes := false, true
			looked := []Looked{}
			for _, c := range s.Components {
				if r.IntN(3) == 0 {
					looked = append(looked, Looked{ComponentID: c.ID, Seen: &no, Reason: "in its bag"})
				} else {
					looked = append(looked, Looked{ComponentID: c.ID, Seen: &yes})
				}
			}
			if err := e.Change(mara, Changes{Components: &looked}, s, time.UTC, at); err != nil {
				t.Fatal(err)
			}
			for i := range e.Observations {
				o := e.Observations[i]
				if e.unseen(o.ComponentID) {
					if o.Status != NotSeen {
						t.Fatalf("seed %d: on a part that was not seen: %+v", seed, o)
					}
					for _, answer := range []Status{Confirmed, Changed, Gone} {
						f := o.Finding
						f.Status, f.Reason = answer, "because"
						if err := e.Set(mara, o.ID, f, testList, s, at); err == nil {
							t.Fatalf("seed %d: %s on a part that was not seen", seed, answer)
						}
					}
					continue
				}
				f := o.Finding
				f.Status, f.Reason = Answers[r.IntN(len(Answers))], "because"
				if err := e.Set(mara, o.ID, f, testList, s, at); err != nil {
					t.Fatal(err)
				}
			}
			for range r.IntN(4) {
				part := s.Components[r.IntN(len(s.Components))].ID
				_, err := e.Add(mara, NewFinding{ComponentID: &part, Finding: Finding{Term: testList.All[r.IntN(len(testList.All))].Key, Severity: 1 + r.IntN(4), Activity: Activities[r.IntN(3)]}}, testList, s, at)
				if unseen := e.unseen(&part); (err != nil) != unseen {
					t.Fatalf("seed %d: added: %v", seed, err)
				}
			}
			if err := e.Sign(mara, s, idOf(last), time.UTC, at); err != nil {
				t.Fatalf("seed %d: %v", seed, err)
			}
			alive = map[domain.ID]bool{}
			for _, o := range e.Observations {
				if o.Status != Gone {
					alive[o.ID] = true
				}
				if o.Urgent() && (e.Alarm == "" || e.OpenSince == nil) {
					t.Fatalf("seed %d: no alarm for %+v", seed, o)
				}
			}
			last, at = e, at.AddDate(0, r.IntN(5), 0)
		}
	}
}

func idOf(e *Examination) *domain.ID {
	if e == nil {
		return nil
	}
	return &e.ID
}

// TestSuggested: the grade that observations suggest.
//
// source: common practice, on the four grades of Keene 1991.
func TestSuggested(t *testing.T) {
	t.Parallel()
	type seen struct {
		severity int
		activity Activity
		status   Status
	}
	for name, c := range map[string]struct {
		all  []seen
		want Grade
	}{
		"nothing":                     {nil, ""},
		"one moderate":                {[]seen{{2, Stable, New}}, ""},
		"three moderate":              {[]seen{{2, Stable, New}, {2, Active, Confirmed}, {2, UnknownActivity, Changed}}, Fair},
		"serious, stable":             {[]seen{{3, Stable, New}}, Fair},
		"serious, active":             {[]seen{{3, Active, New}}, Poor},
		"severe, stable":              {[]seen{{4, Stable, New}}, Poor},
		"severe, active":              {[]seen{{4, Active, New}}, Unacceptable},
		"severe and active, but gone": {[]seen{{4, Active, Gone}}, ""},
		"severe, not seen this time":  {[]seen{{4, Active, NotSeen}}, ""},
	} {
		e := &Examination{}
		for _, x := range c.all {
			e.Observations = append(e.Observations, Observation{Finding: Finding{Severity: x.severity, Activity: x.activity, Status: x.status}})
		}
		if got, _ := e.Suggested(); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

// TestExtents: what can and what cannot be an extent.
func TestExtents(t *testing.T) {
	t.Parallel()
	s := suit(1)
	for name, c := range map[string]struct {
		x    Extent
		want string // the field that is at fault
	}{
		"an area":                        {Extent{Kind: Area, Value: decimal.RequireFromString("12.5"), Basis: "by eye"}, ""},
		"a percentage of something":      {Extent{Kind: Percent, Value: decimal.NewFromInt(100), Of: "lining", Basis: "by eye"}, ""},
		"a percentage of nothing":        {Extent{Kind: Percent, Value: decimal.NewFromInt(5), Basis: "by eye"}, "/extent/of"},
		"more than all":                  {Extent{Kind: Percent, Value: decimal.NewFromInt(101), Of: "lining", Basis: "by eye"}, "/extent/value"},
		"half a hole":                    {Extent{Kind: Count, Value: decimal.RequireFromString("1.5"), Basis: "counted"}, "/extent/value"},
		"none":                           {Extent{Kind: Length, Basis: "by eye"}, "/extent/value"},
		"less than none":                 {Extent{Kind: Length, Value: decimal.NewFromInt(-1), Basis: "by eye"}, "/extent/value"},
		"nobody knows how":               {Extent{Kind: Length, Value: decimal.NewFromInt(4)}, "/extent/basis"},
		"an area of something":           {Extent{Kind: Area, Value: decimal.NewFromInt(4), Of: "lining", Basis: "by eye"}, "/extent/of"},
		"finer than anybody can measure": {Extent{Kind: Area, Value: decimal.RequireFromString("0.0000001"), Basis: "by eye"}, "/extent/value"},
	} {
		e := draftOf(t, mara, s, Survey, nil, testDay)
		_, err := e.Add(mara, NewFinding{Finding: Finding{Term: "stain", Extent: &c.x}}, testList, s, testDay)
		got := ""
		if refusal, ok := err.(*domain.Error); ok && len(refusal.Fields) > 0 {
			got = refusal.Fields[0].Pointer
		}
		if got != c.want || (err == nil) != (c.want == "") {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
	}
}

// TestTerms: words are found in any case, by key or name, and a misspelt one leads to those near it.
func TestTerms(t *testing.T) {
	t.Parallel()
	for word, want := range map[string]string{"Tear": "tear", "fold-cracking": "fold_cracking", "fold  Cracking": "fold_cracking", "brittleness": "brittleness", "Embrittlement": "brittleness"} {
		if term, near := testList.Find(word); term == nil || term.Key != want || near != nil {
			t.Errorf("%s: %+v %+v", word, term, near)
		}
	}
	for word, want := range map[string]string{"tackines": "tackiness", "crak": "crack", "corosion": "corrosion", "moult": "mould growth", "bronze diseese": "bronze disease"} {
		term, near := testList.Find(word)
		if term != nil || !slices.ContainsFunc(near, func(x Term) bool { return x.Name == want }) || len(near) > 5 {
			t.Errorf("%s: %+v %+v", word, term, near)
		}
	}
	if _, near := testList.Find("xylophone"); len(near) != 0 {
		t.Errorf("xylophone: %+v", near)
	}
	// source: Levenshtein 1966; the worked pair kitten, sitting is the usual example (from memory).
	for pair, want := range map[[2]string]int{{"kitten", "sitting"}: 3, {"", "abc"}: 3, {"same", "same"}: 0, {"fold", "flod"}: 2} {
		if got := distance(pair[0], pair[1]); got != want || distance(pair[1], pair[0]) != want {
			t.Errorf("distance of %q: %d, want %d", pair, got, want)
		}
	}
}
