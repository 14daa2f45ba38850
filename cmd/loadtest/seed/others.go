package seed

import (
	"fmt"
	"time"

	"farthingale/domain"
)

// tellOf is a notice to somebody. What is older than ten days was read the next day.
func (t *thing) tellOf(at time.Time, reader, subject domain.ID, text string) {
	id := t.id(at)
	var read *time.Time
	if next := at.AddDate(0, 0, 1); next.Before(t.Until.AddDate(0, 0, -10)) {
		read = &next
	}
	t.b.add(notices, id, at, "treatment", subject, t.sheet.Object.ID, []string{}, "", text)
	t.b.add(noticeReaders, id, reader, read)
}

// lentEach says that a loan of every so many-th object was asked for.
const lentEach = 512

// lend asks for a loan of the object. Every eighth request waits; the others were declined.
func (t *thing) lend() {
	if t.number%lentEach != 9 {
		return
	}
	n := t.number / lentEach
	at := t.when(t.at.AddDate(0, 0, 1), t.Until)
	who := t.somebody(t.dice, domain.Registrar)
	id, state := t.id(at), "declined"
	if n%8 == 0 {
		state = "request"
	}
	day := at.Truncate(24 * time.Hour)
	t.b.add(loans, id, at.Year(), n+1, fmt.Sprintf("L.%d.%d", at.Year(), n+1), state, town(t.IntN(400))+" Museum", "Exhibition on the "+pick(t.dice, occasions),
		day.AddDate(0, 6, 0), day.AddDate(0, 12, 0), day, "The museum's terms of loan.", int64(1), at, who.ID, who.Name)
	t.b.add(loanLines, t.id(at), id, 1, t.sheet.Object.ID)
	if state == "declined" {
		t.b.add(loanStages, t.id(at), id, "declined", "It is not fit to travel.", who.ID, who.Name, at.AddDate(0, 0, 3))
	}
}
