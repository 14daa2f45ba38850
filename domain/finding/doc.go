// Package finding knows what endangers what in each object of the collection (rules M1, M2): how its
// make-up follows from what is recorded, which findings are new, graver or gone since they were last
// computed, who accepted one with which reason until when, and how far the computation is behind the
// record. The rules themselves are those of the area material.
//
// Findings are computed by the program and by nobody else; a person may accept one until a day, and
// nobody deletes one. What no longer holds is marked as gone.
package finding
