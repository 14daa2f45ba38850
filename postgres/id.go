package postgres

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	pgxuuid "github.com/vgarvardt/pgx-google-uuid/v5"

	"farthingale/domain"
)

// Prepare teaches a new connection to take and give identifiers in their sixteen bytes. Without it each goes
// through its text, there and back.
func Prepare(_ context.Context, conn *pgx.Conn) error {
	pgxuuid.Register(conn.TypeMap())
	conn.TypeMap().RegisterType(&pgtype.Type{Name: "uuid", OID: pgtype.UUIDOID, Codec: idCodec{}})
	return nil
}

// idCodec reads identifiers from their bytes: pgx gives the text to every type that can read itself from text.
type idCodec struct{ pgxuuid.UUIDCodec }

// PlanScan chooses how to read into a target.
func (c idCodec) PlanScan(m *pgtype.Map, oid uint32, format int16, target any) pgtype.ScanPlan {
	if _, ok := target.(*domain.ID); ok && format == pgtype.BinaryFormatCode {
		return scanID{}
	}
	return c.UUIDCodec.PlanScan(m, oid, format, target)
}

type scanID struct{}

// Scan reads sixteen bytes, or none for null, into a *domain.ID.
func (scanID) Scan(src []byte, target any) error {
	id := target.(*domain.ID)
	if src == nil {
		*id = domain.ID{}
		return nil
	}
	if len(src) != len(id) {
		return fmt.Errorf("an identifier of %d bytes", len(src))
	}
	copy(id[:], src)
	return nil
}
