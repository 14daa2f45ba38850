package postgres

import (
	"context"
	"io/fs"
)

// MigrateFilesUp migrates with other files than those of this program.
func MigrateFilesUp(ctx context.Context, ownerURL string, files fs.FS) error {
	return newMigration(ownerURL, files, nil).up(ctx)
}

// MigrateFilesDown takes such steps back.
func MigrateFilesDown(ctx context.Context, ownerURL string, files fs.FS, steps int) error {
	return newMigration(ownerURL, files, nil).down(ctx, steps)
}
