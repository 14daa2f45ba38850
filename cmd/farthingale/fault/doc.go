// Package fault holds tests that break the house while it works: the program is killed at every step of
// an act and at any moment, a write fails in the middle, the database stops, hangs or loses a session, the
// store of files is full, two copies work side by side.
//
// What is asked each time is the same. An act whose answer was received is found again. An act without an
// answer is there whole or not at all, and sent again under the same Idempotency-Key it is there once.
// Seals and files are verified clean, and no file is left that no record needs.
package fault
