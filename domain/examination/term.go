package examination

import (
	_ "embed" // for the list
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"farthingale/domain"
)

// Term is a word for damage.
type Term struct {
	Key        string     `json:"key"` // stable word: "fold_cracking"
	Name       string     `json:"name"`
	Definition string     `json:"definition"`
	Classes    []string   `json:"classes"` // of materials it can be found on; "all"
	Active     string     `json:"active"`  // whether it usually goes on: yes, no, depends. A prompt, never an answer.
	Decay      bool       `json:"decay"`   // the material itself breaks down and gives off what it gives off; findings count it as active decay
	AAT        string     `json:"aat"`     // nine digits of the Art & Architecture Thesaurus, or empty
	Source     string     `json:"source"`  // published sources divided by " | ", "common practice", "from memory"
	Basis      string     `json:"basis"`   // how the meaning is known: published, practice, memory
	Site       bool       `json:"site"`    // the museum's own
	AddedBy    *domain.ID `json:"added_by,omitempty"`
	AddedAt    *time.Time `json:"added_at,omitempty"`
}

// Classes of materials that a term can be found on, in the order in which they are shown.
var Classes = []string{"all", "textile", "coated_textile", "rubber", "plastic", "foam", "leather", "metal", "glass", "adhesive", "wood_cork"}

//go:embed terms.csv
var termsCSV []byte

var stableWord = regexp.MustCompile(`^[a-z0-9]+(_[a-z0-9]+)*$`)

// Published is the list that every site begins with. An error means that the list in the program is
// damaged; it names the row.
func Published() ([]Term, error) {
	rows, err := domain.Table(termsCSV, "key", "name", "definition", "classes", "active", "decay", "aat", "source", "basis")
	if err != nil {
		return nil, fmt.Errorf("read the words for damage: %w", err)
	}
	terms := make([]Term, 0, len(rows))
	keys := map[string]bool{}
	for _, r := range rows {
		t := Term{Key: r["key"], Name: r["name"], Definition: r["definition"], Classes: strings.Split(r["classes"], ";"), Active: r["active"], Decay: r["decay"] == "yes",
			AAT: r["aat"], Source: r["source"], Basis: r["basis"]}
		if err := t.whole(); err != nil {
			return nil, fmt.Errorf("word %q for damage: %w", t.Key, err)
		}
		if keys[t.Key] || keys[fold(t.Name)] {
			return nil, fmt.Errorf("word %q for damage stands twice in the list", t.Key)
		}
		keys[t.Key], keys[fold(t.Name)] = true, true
		terms = append(terms, t)
	}
	return terms, nil
}

func (t Term) whole() error {
	switch {
	case !stableWord.MatchString(t.Key):
		return errors.New("the key is no stable word")
	case t.Name == "", t.Definition == "", t.Source == "":
		return errors.New("name, definition or source is missing")
	case slices.ContainsFunc(t.Classes, func(c string) bool { return !slices.Contains(Classes, c) }):
		return errors.New("there is no such class of materials")
	case !slices.Contains([]string{"yes", "no", "depends"}, t.Active):
		return errors.New("whether it goes on is yes, no or depends")
	case !slices.Contains([]string{"published", "practice", "memory"}, t.Basis):
		return errors.New("the basis is published, practice or memory")
	}
	return nil
}

// NewTerm adds a word of the museum's own to the list.
type NewTerm struct {
	Name       string   `json:"name" validate:"required,max=60"`
	Definition string   `json:"definition" validate:"required,max=1000"`
	Classes    []string `json:"classes" validate:"required,min=1,max=11,unique,dive,oneof=all textile coated_textile rubber plastic foam leather metal glass adhesive wood_cork"`
	Active     string   `json:"active" validate:"required,oneof=yes no depends"`
	Decay      bool     `json:"decay"`
	Source     string   `json:"source" validate:"required,max=500"`
}

var notOfKey = regexp.MustCompile(`[^a-z0-9]+`)

func (n NewTerm) term(by domain.Actor, terms *Terms, at time.Time) (*Term, error) {
	if err := domain.Validate(n); err != nil {
		return nil, err
	}
	t := Term{Name: tidy(n.Name), Definition: tidy(n.Definition), Classes: n.Classes, Active: n.Active, Decay: n.Decay, Source: tidy(n.Source),
		Basis: "practice", Site: true, AddedBy: &by.ID, AddedAt: &at}
	t.Key = strings.Trim(notOfKey.ReplaceAllString(strings.ToLower(t.Name), "_"), "_")
	if t.Key == "" {
		return nil, domain.Invalid("/name", "word", "Write the name with letters a to z, so that it can be found again.")
	}
	if had, _ := terms.Find(t.Name); had != nil {
		return nil, &domain.Error{Kind: domain.KindConflict, Code: "term_taken", Message: "The list has '" + had.Name + "' already: " + had.Definition}
	}
	return &t, nil
}

// Terms is the list of words for damage.
type Terms struct{ All []Term }

// Find finds a word by its key or name; when there is none it gives the nearest ones.
func (l *Terms) Find(word string) (*Term, []Term) {
	want := fold(word)
	for i := range l.All {
		if t := &l.All[i]; t.Key == word || fold(t.Name) == want || fold(t.Key) == want {
			return t, nil
		}
	}
	return nil, l.near(want)
}

// near are at most five words that are written much like one, the nearest first.
func (l *Terms) near(want string) []Term {
	type scored struct {
		term Term
		far  int
	}
	var all []scored
	for _, t := range l.All {
		name := fold(t.Name)
		far := distance(want, name)
		for word := range strings.FieldsSeq(name) {
			if len(word) > 3 && word != name {
				far = min(far, distance(want, word)+1)
			}
		}
		if len(want) >= 3 && (strings.Contains(name, want) || strings.Contains(want, name)) {
			far = min(far, 1)
		}
		if far <= max(2, len(want)/3) {
			all = append(all, scored{t, far})
		}
	}
	slices.SortStableFunc(all, func(a, b scored) int { return a.far - b.far })
	var near []Term
	for _, s := range all[:min(5, len(all))] {
		near = append(near, s.term)
	}
	return near
}

func unknownTerm(word string, near []Term) string {
	text := "'" + word + "' is not in the list of words for damage."
	if len(near) == 0 {
		return text + " Choose one of the list, or have a conservator add it with a source."
	}
	names := make([]string, len(near))
	for i, t := range near {
		names[i] = t.Name
	}
	return text + " Near it: " + strings.Join(names, ", ") + "."
}

// fold is a word as it is compared: lower case, with single spaces.
func fold(word string) string {
	return strings.Join(strings.Fields(strings.ToLower(strings.NewReplacer("_", " ", "-", " ").Replace(word))), " ")
}

func tidy(text string) string { return strings.Join(strings.Fields(text), " ") }

// distance is how many letters must be added, taken away or exchanged to make one word the other.
//
// source: Levenshtein 1966, with the two rows of Wagner and Fischer 1974.
func distance(a, b string) int {
	from, to := []rune(a), []rune(b)
	if len(from) > 60 || len(to) > 60 {
		return 60
	}
	row := make([]int, len(to)+1)
	for j := range row {
		row[j] = j
	}
	for i, x := range from {
		before := row[0]
		row[0] = i + 1
		for j, y := range to {
			cost := before
			if x != y {
				cost++
			}
			before = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(to)]
}
