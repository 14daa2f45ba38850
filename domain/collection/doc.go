// Package collection knows the objects: what they are, of which components they are made, of which
// materials, how the components meet, and who says so (rules C1–C5). It knows nothing of treatments,
// handling, moves or loans; those areas know it.
package collection
