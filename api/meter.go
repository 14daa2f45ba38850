package api

import (
	"sync"
	"time"

	"farthingale/domain"
)

// meter counts requests of each person in the running minute.
type meter struct {
	mu     sync.Mutex
	minute int64
	counts map[domain.ID]int
}

// take counts one request and says how many are left (negative: too many) and how many seconds are
// left of the minute.
func (m *meter) take(id domain.ID, most int, at time.Time) (left, resetSeconds int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	minute := at.Unix() / 60
	if minute != m.minute || m.counts == nil {
		m.minute, m.counts = minute, map[domain.ID]int{}
	}
	m.counts[id]++
	return most - m.counts[id], int(60 - at.Unix()%60)
}
