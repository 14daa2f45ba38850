package collection

import (
	"cmp"
	"regexp"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"farthingale/domain"
)

// Query finds objects. Zero values do not narrow. Words are looked for in numbers, former numbers,
// titles, makers, materials, marks, kinds, places, names of components and descriptions: the number as
// a whole first, then numbers that begin so, then objects that have every word. Where nothing is
// found, words that are nearly so are taken instead, and the answer says which.
type Query struct {
	Words       string      `json:"q,omitempty"`
	Number      string      `json:"number,omitempty"` // exactly this number, as LooseKey compares
	Department  string      `json:"department,omitempty"`
	Kind        string      `json:"kind,omitempty"` // this kind or one below it
	LegalStatus LegalStatus `json:"legal_status,omitempty"`
	Material    string      `json:"material,omitempty"`  // key of the library: present in a component
	Hazard      string      `json:"hazard,omitempty"`    // kind of a hazard that stands; AnyHazard
	Condition   string      `json:"condition,omitempty"` // overall, as the last signed examination has it
	Sort        string      `json:"sort,omitempty"`      // "number" (default), "newest"
}

// Conditions are what a list can be narrowed to by the overall condition.
var Conditions = []string{"good", "fair", "poor", "unacceptable"}

// Sorts are the orders of a list of objects.
var Sorts = []string{"number", "newest"}

// How many characters and how many words a search takes.
const (
	QueryMost = 200
	WordsMost = 12
)

// check refuses filters that can find nothing because they are no words of the area.
func (q Query) check() error {
	var fields []domain.Field
	add := func(pointer, message string) {
		fields = append(fields, domain.Field{Pointer: pointer, Rule: "oneof", Message: message})
	}
	if q.LegalStatus != "" && !slices.Contains(LegalStatuses, q.LegalStatus) {
		add("/legal_status", "There is no such legal status.")
	}
	if q.Condition != "" && !slices.Contains(Conditions, q.Condition) {
		add("/condition", "A condition is good, fair, poor or unacceptable.")
	}
	if q.Sort != "" && !slices.Contains(Sorts, q.Sort) {
		add("/sort", "Sort by number or newest.")
	}
	for pointer, text := range map[string]string{"/q": q.Words, "/number": q.Number, "/department": q.Department, "/kind": q.Kind, "/material": q.Material, "/hazard": q.Hazard} {
		switch {
		case !domain.CleanText(text):
			fields = append(fields, domain.Field{Pointer: pointer, Rule: "text", Message: "This holds characters that cannot be read."})
		case len([]rune(text)) > QueryMost:
			fields = append(fields, domain.Field{Pointer: pointer, Rule: "max", Message: "At most 200 characters."})
		}
	}
	return domain.InvalidFields(fields)
}

// ObjectLine is an object as a list shows it.
type ObjectLine struct {
	ID          domain.ID    `json:"id"`
	Number      string       `json:"number"`
	Title       string       `json:"title"`
	Kind        string       `json:"kind"`
	Makers      []string     `json:"makers"`
	DateMade    string       `json:"date_made"`
	Department  string       `json:"department"`
	LegalStatus LegalStatus  `json:"legal_status"`
	FacePhotoID *domain.ID   `json:"face_photo_id,omitempty"`
	Hazards     []HazardLine `json:"hazards" db:"-"` // that stand, each kind once
}

// HazardLine is a hazard as a list shows it.
type HazardLine struct {
	Kind      string `json:"kind"`
	Certainty string `json:"certainty"` // the surest of this kind
}

// AnyHazard is asked for when it does not matter which hazard it is.
const AnyHazard = "any"

// Surest is each kind of hazard once, in alphabetical order, as it is known most surely.
func Surest(all []HazardLine) []HazardLine {
	slices.SortFunc(all, func(a, b HazardLine) int {
		return cmp.Or(strings.Compare(a.Kind, b.Kind), slices.Index(Certainties, a.Certainty)-slices.Index(Certainties, b.Certainty))
	})
	return slices.CompactFunc(all, func(a, b HazardLine) bool { return a.Kind == b.Kind })
}

// Found is a page of objects and what the search made of the words.
type Found struct {
	domain.Page[ObjectLine]
	// Instead are the words that were taken in place of words that nothing holds.
	Instead []Replaced `json:"instead,omitempty"`
	// NoSuchNumber is the text of the search when it is written like a number and no object has it,
	// now or formerly.
	NoSuchNumber string `json:"no_such_number,omitempty"`
}

// Replaced is a word that nothing holds and the nearest that something holds.
type Replaced struct {
	Typed string `json:"typed"`
	Taken string `json:"taken"`
}

// Filters are the values that a list of objects can be narrowed by.
type Filters struct {
	Departments []string `json:"departments"`
	Kinds       []string `json:"kinds"`
	Hazards     []string `json:"hazards"`
}

// LooseKey compares numbers as they are typed in haste: capitals, width, leading zeros and the kind of
// sign between the runs do not matter, nor whether there is one behind letters that begin it, so that
// 1968-014-2 and "1968 14 2" find 1968.14.2, and "e 2561" finds E2561. It is "" for text without a
// letter or a digit.
func LooseKey(s string) string {
	joined := strings.Join(strings.FieldsFunc(foldCase(norm.NFKC.String(s)), isSign), ".")
	joined = firstLetters.ReplaceAllString(joined, "$1.$2")
	return digitRuns.ReplaceAllStringFunc(joined, func(run string) string {
		if value := strings.TrimLeft(run, "0"); value != "" {
			return value
		}
		return "0"
	})
}

var (
	digitRuns    = regexp.MustCompile(`[0-9]+`)
	firstLetters = regexp.MustCompile(`^(\pL+)([0-9])`)
)

// isSign says whether r divides words and the runs of a number.
func isSign(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) && !unicode.IsMark(r) }

// LikeNumber says whether text is written like an object number and not like words: it begins with at
// most four letters, holds digits, and has no run of more than two letters after them.
func LikeNumber(text string) bool {
	digits, letters := 0, 0
	for _, r := range norm.NFKC.String(strings.TrimSpace(text)) {
		switch {
		case unicode.IsDigit(r):
			digits++
			letters = 0
		case unicode.IsLetter(r):
			letters++
			if letters > 4 || digits > 0 && letters > 2 {
				return false
			}
		case unicode.IsMark(r):
		case strings.ContainsRune(numberSigns+"/\\", r) || unicode.Is(unicode.Pd, r) || unicode.IsSpace(r):
			letters = 0
		default:
			return false
		}
	}
	return digits > 0
}

// SearchWords takes text apart into the words that a search looks for. They are folded further (case,
// accents) where they are compared.
func SearchWords(text string) []string {
	words := strings.FieldsFunc(norm.NFKC.String(text), isSign)
	var kept []string
	for _, w := range words {
		if r := []rune(w); len(r) > 60 {
			w = string(r[:60])
		}
		if len(kept) < WordsMost && !slices.Contains(kept, w) {
			kept = append(kept, w)
		}
	}
	return kept
}
