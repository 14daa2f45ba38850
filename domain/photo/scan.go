package photo

import (
	"context"
	"errors"
	"fmt"
	"io"

	"farthingale/domain"
)

// Scanner looks for viruses in a file that has arrived.
type Scanner interface {
	// Scan gives the name of what was found, or "". ErrScanSize says that the scanner does not take a
	// file of this size; any other error that it could not look.
	Scan(ctx context.Context, r io.Reader) (found string, err error)
}

// ErrScanSize says that a file is larger than the scanner takes.
var ErrScanSize = errors.New("larger than the scanner takes")

// NotScanned is the code of the refusal of a file because the scanner does not answer.
const NotScanned = "not_scanned"

// scan refuses a file in which the site's scanner finds something, and one at which it could not look:
// where a site has a scanner, nothing gets past it (F2).
func (s *Service) scan(ctx context.Context, staged Staged) error {
	if s.scanner == nil {
		return nil
	}
	found, err := s.scanner.Scan(ctx, io.NewSectionReader(staged, 0, staged.Size()))
	switch {
	case errors.Is(err, ErrScanSize):
		return &domain.Error{Kind: domain.KindTooLarge, Code: "scan_size", Message: "The virus scanner of this site takes no files of this size, so the file was not kept. Whoever keeps the program can raise its limit."}
	case err != nil:
		return &domain.Error{Kind: domain.KindUnavailable, Code: NotScanned, RetryAfterSeconds: 60, Err: fmt.Errorf("scan a file: %w", err),
			Message: "The virus scanner of this site does not answer, so the file was not kept. Try again in a while, or tell whoever keeps the program."}
	case found != "":
		return domain.Refuse("F2", "The virus scanner of this site found "+found+" in this file. It was not kept. Tell whoever looks after the machine that it came from.")
	}
	return nil
}
