package domain

import "time"

// AnswerKey names a request that may be sent again (an Idempotency-Key), scoped to person, method
// and path.
type AnswerKey struct {
	PersonID   ID
	Method     string
	Path       string
	Key        string
	BodySHA256 []byte
	At         time.Time
}

// Answer is what was answered to such a request. Kept is true when it was answered before.
type Answer struct {
	Status  int
	Headers map[string]string
	Body    []byte
	Kept    bool
}
