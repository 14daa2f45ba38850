package domain

import "github.com/google/uuid"

// ID names a row for ever. It is a UUIDv7, so IDs made later sort later.
// People see and type object numbers, never IDs.
type ID = uuid.UUID

// NewID makes an ID. It panics only when the system has no random source.
func NewID() ID {
	return uuid.Must(uuid.NewV7())
}

// ParseID reads the canonical text form of an ID (36 characters). Anything else is NotFound,
// because a thing with a malformed name does not exist.
func ParseID(s string) (ID, error) {
	id, err := uuid.Parse(s)
	if err != nil || len(s) != 36 {
		return ID{}, NotFound("There is nothing under this address.")
	}
	return id, nil
}
