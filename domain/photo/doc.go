// Package photo knows what a photograph of an object must say and how a picture
// file from outside is read without trusting it (rules F1–F3).
//
// Read looks at a file by its content: it sniffs the kind, holds the header against the limits of
// bytes and pixels before anything is decoded, walks the structure to the end, and takes from the
// EXIF what is kept (F2). Derive makes the two upright pictures that pages show. Neither changes
// the original: it is kept byte for byte under its SHA-256 (F1), EXIF and all; only positions on
// the earth are never taken over into the record.
//
// api and web use Service; postgres implements the interfaces that it asks for.
package photo
