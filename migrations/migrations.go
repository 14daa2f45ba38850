// Package migrations holds the numbered SQL steps of the schema. One step per area or change; a
// step that has been released is never edited. The comment of a table that begins with
// "append-only" takes UPDATE and DELETE from the running program's role.
package migrations

import "embed"

// Files are the steps, named NNNNNN_subject.up.sql and .down.sql.
//
//go:embed *.sql
var Files embed.FS
