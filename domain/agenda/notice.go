// Package agenda knows what is due and what somebody must hear of at once, for whom.
package agenda

import (
	"time"

	"farthingale/domain"
)

// Notice is something that people must hear of at once (T6, T11, H2). It goes to everybody who holds
// one of Roles (a curator only for Department) and to the named People, and is written in the
// transaction of the act that it tells of.
type Notice struct {
	At         time.Time
	Roles      []domain.Role
	Department string
	People     []domain.ID
	ObjectID   domain.ID
	Area       string    // where it belongs: "treatment"
	Subject    domain.ID // the record it tells of
	Text       string    // a sentence
}
