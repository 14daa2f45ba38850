package agenda_test

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"farthingale/domain"
	"farthingale/domain/agenda"
)

// TestToday: a section lists as many items as are asked for and says whether there are more; what has none is
// left out of the day, but is there, empty, when it is asked for. One kind by itself lists more.
func TestToday(t *testing.T) {
	t.Parallel()
	of := func(n int) func(context.Context, domain.Actor, time.Time, int) ([]agenda.Item, error) {
		return func(_ context.Context, _ domain.Actor, _ time.Time, most int) ([]agenda.Item, error) {
			var items []agenda.Item
			for i := range min(n, most+1) {
				items = append(items, agenda.Item{Text: fmt.Sprint(i)})
			}
			return items, nil
		}
	}
	s := agenda.NewService(nil, time.Now, agenda.Waiting{Kind: "few", For: of(3)}, agenda.Waiting{Kind: "none", For: of(0)}, agenda.Waiting{Kind: "many", For: of(500)})
	by := domain.Actor{ID: domain.NewID(), Roles: []domain.Role{domain.Conservator}, Scopes: []string{"all"}}
	day, err := s.Today(t.Context(), by, 3)
	if err != nil || len(day) != 2 || day[0].Kind != "few" || day[0].More || len(day[0].Items) != 3 || day[1].Kind != "many" || !day[1].More || len(day[1].Items) != 3 {
		t.Errorf("today: %+v, %v", day, err)
	}
	if one, err := s.Due(t.Context(), by, "many"); err != nil || !one.More || len(one.Items) != agenda.DueMost {
		t.Errorf("many: %d items, further ones: %t, %v", len(one.Items), one.More, err)
	}
	if one, err := s.Due(t.Context(), by, "none"); err != nil || one.More || one.Items == nil || len(one.Items) != 0 {
		t.Errorf("none: %+v, %v", one, err)
	}
	if _, err := s.Due(t.Context(), by, "nonsense"); domain.KindOf(err) != domain.KindNotFound {
		t.Errorf("an unknown kind: %v", err)
	}
	broken := errors.New("broken")
	s = agenda.NewService(nil, time.Now, agenda.Waiting{Kind: "few", For: of(3)}, agenda.Waiting{Kind: "broken", For: func(context.Context, domain.Actor, time.Time, int) ([]agenda.Item, error) { return nil, broken }})
	if _, err := s.Today(t.Context(), by, 3); !errors.Is(err, broken) {
		t.Errorf("one that cannot be read: %v", err)
	}
}
