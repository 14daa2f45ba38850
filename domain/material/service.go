package material

import (
	"context"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/google/uuid"
	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"

	"farthingale/domain"
)

// The acts of this area. They belong to the scope 'collection' of a token.
var (
	Read = domain.Act{Area: "collection", Name: "read the library of materials", Roles: domain.Readers}
	Keep = domain.Act{Area: "collection", Name: "add a material to the library", Write: true, Roles: []domain.Role{domain.Conservator}}
)

// Entry is a material as the site keeps it: of the published library, or its own.
type Entry struct {
	Material
	Site    bool       `json:"site"` // the museum's own
	AddedBy *domain.ID `json:"added_by,omitempty"`
	AddedAt *time.Time `json:"added_at,omitempty"`
	Objects int        `json:"objects"` // how many objects have it in their present make-up
}

// NewMaterial adds one of the museum's own. Its key is made from its name.
type NewMaterial struct {
	Name      string   `json:"name" validate:"required,max=200"`
	Family    string   `json:"family" validate:"required,max=60"` // a stable word: "rubber"
	Category  Category `json:"category" validate:"required,oneof=polymer fibre metal coating adhesive glass wood mount other"`
	Source    string   `json:"source" validate:"required,max=1000"`
	Health    string   `json:"health" validate:"max=1000"`
	HazardIDs []string `json:"hazard_ids" validate:"max=20,unique"`
}

// Use is a component that has a material.
type Use struct {
	ObjectID    domain.ID `json:"object_id"`
	Number      string    `json:"number"`
	Title       string    `json:"title"`
	ComponentID domain.ID `json:"component_id"`
	Label       string    `json:"label"`
	Name        string    `json:"name"`
	Role        string    `json:"role"`
	Confidence  string    `json:"confidence"`
	SortKey     string    `json:"-"`
	ID          domain.ID `json:"-"`
}

// Filter narrows a list of materials; zero values do not.
type Filter struct {
	Words    string   `json:"q,omitempty"` // each word in the name, the family or the key
	Category Category `json:"category,omitempty"`
	Site     bool     `json:"site,omitempty"` // only the museum's own
}

// Store keeps the library.
type Store interface {
	List(ctx context.Context, f Filter, q domain.PageQuery) (domain.Page[Entry], error)
	One(ctx context.Context, key string) (*Entry, error)
	Add(ctx context.Context, e *Entry, event domain.Event) error
	Uses(ctx context.Context, key string, q domain.PageQuery) (domain.Page[Use], error)
	// All are the keys, names and families of every material, by name, to choose from.
	All(ctx context.Context) ([]Choice, error)
	// Tests are those of a material, in the order in which they were done.
	Tests(ctx context.Context, key string) ([]Test, error)
	AddTest(ctx context.Context, t *Test, event domain.Event) error
}

// Choice is a material to choose.
type Choice struct{ Key, Name, Family string }

// Service knows the library.
type Service struct {
	store      Store
	cautions   []Caution
	behaviours map[string]Behaviour
	zone       *time.Location
	now        func() time.Time
}

// NewService makes the service; zone is the site's, now is the clock. It fails when a list in the program
// is damaged.
func NewService(store Store, zone *time.Location, now func() time.Time) (*Service, error) {
	cautions, err := Cautions()
	if err != nil {
		return nil, err
	}
	behaviours, err := Behaviours()
	if err != nil {
		return nil, err
	}
	return &Service{store: store, cautions: cautions, behaviours: behaviours, zone: zone, now: now}, nil
}

// Cautions are the usual cautions, in the order in which they are shown.
func (s *Service) Cautions() []Caution { return s.cautions }

// List lists materials by name.
func (s *Service) List(ctx context.Context, by domain.Actor, f Filter, q domain.PageQuery) (domain.Page[Entry], error) {
	if err := by.May(Read); err != nil {
		return domain.Page[Entry]{}, err
	}
	if f.Category != "" && !slices.Contains(Categories, f.Category) {
		return domain.Page[Entry]{}, domain.Invalid("/category", "oneof", "There is no such category.")
	}
	if len([]rune(f.Words)) > 200 || !domain.CleanText(f.Words) {
		return domain.Page[Entry]{}, domain.Invalid("/q", "max", "At most 200 characters, none of them invisible.")
	}
	return s.store.List(ctx, f, q)
}

// All are the materials to choose from.
func (s *Service) All(ctx context.Context, by domain.Actor) ([]Choice, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	return s.store.All(ctx)
}

// One is a material.
func (s *Service) One(ctx context.Context, by domain.Actor, key string) (*Entry, error) {
	if err := by.May(Read); err != nil {
		return nil, err
	}
	if !stableWord.MatchString(key) || len(key) > 100 {
		return nil, domain.NotFound("There is no such material.")
	}
	return s.store.One(ctx, key)
}

// Uses lists the components that have a material in their present make-up, by object number.
func (s *Service) Uses(ctx context.Context, by domain.Actor, key string, q domain.PageQuery) (domain.Page[Use], error) {
	if _, err := s.One(ctx, by, key); err != nil {
		return domain.Page[Use]{}, err
	}
	return s.store.Uses(ctx, key, q)
}

// Add adds one of the museum's own materials.
func (s *Service) Add(ctx context.Context, by domain.Actor, n NewMaterial) (*Entry, error) {
	if err := by.May(Keep); err != nil {
		return nil, err
	}
	e, err := n.entry(s.cautions)
	if err != nil {
		return nil, err
	}
	at := s.now()
	e.AddedBy, e.AddedAt = &by.ID, &at
	event := domain.Event{At: at, ActorID: &by.ID, Area: "material", Subject: subject(e.Key), Kind: "added", Change: e.Material}
	return e, s.store.Add(ctx, e, event)
}

// entry checks what is said of a new material, every fault at once.
func (n NewMaterial) entry(cautions []Caution) (*Entry, error) {
	var fields []domain.Field
	if err := domain.Validate(n); err != nil {
		e, ok := err.(*domain.Error)
		if !ok {
			return nil, err
		}
		fields = e.Fields
	}
	name := strings.Join(strings.Fields(n.Name), " ")
	key := keyOf(name)
	if name != "" && key == "" {
		fields = append(fields, domain.Field{Pointer: "/name", Rule: "letters", Message: "A name holds at least one letter from a to z or a digit."})
	}
	family := keyOf(n.Family)
	if strings.TrimSpace(n.Family) != "" && family == "" {
		fields = append(fields, domain.Field{Pointer: "/family", Rule: "letters", Message: "Name a family of materials that behave alike, such as rubber."})
	}
	source := strings.TrimSpace(n.Source)
	for i, id := range n.HazardIDs {
		if !slices.ContainsFunc(cautions, func(c Caution) bool { return c.ID == id }) {
			fields = append(fields, domain.Field{Pointer: "/hazard_ids/" + strconv.Itoa(i), Rule: "oneof", Message: "This is not a hazard of the list of cautions."})
		}
	}
	if err := domain.InvalidFields(fields); err != nil {
		return nil, err
	}
	m := Material{Key: ownPrefix + key, Name: name, Family: family, Category: n.Category, Source: source, Health: strings.TrimSpace(n.Health), HazardIDs: n.HazardIDs}
	if m.Health != "" {
		m.HealthBasis = Practice
	}
	if m.HazardIDs == nil {
		m.HazardIDs = []string{}
	}
	return &Entry{Material: m, Site: true}, nil
}

// ownPrefix begins the keys of the museum's own materials, so that a later library never takes one.
const ownPrefix = "own-"

var notWord = regexp.MustCompile(`[^a-z0-9]+`)

// keyOf makes a stable word: "Złota folia, 3 µm" is "zlota-folia-3-m".
func keyOf(name string) string {
	name = strings.NewReplacer("ł", "l", "ø", "o", "ß", "ss", "æ", "ae", "œ", "oe", "đ", "d").Replace(strings.ToLower(name))
	plain, _, err := transform.String(transform.Chain(norm.NFKD, runes.Remove(runes.In(unicode.Mn))), name)
	if err != nil {
		return ""
	}
	key := strings.Trim(notWord.ReplaceAllString(plain, "-"), "-")
	if len(key) > 80 {
		key = strings.Trim(key[:80], "-")
	}
	return key
}

// subject names a material in the record of events, which names everything by an ID.
func subject(key string) domain.ID { return uuid.NewSHA1(uuid.NameSpaceURL, []byte("material:"+key)) }
