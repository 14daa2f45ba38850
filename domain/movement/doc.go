// Package movement knows the places and where every object and every detached part is and was: one
// place or in transit between two, at any time, for all time (rules V1–V3, V5), which parts are away
// from their whole (C1, C2, C5), and that a move with hands on the object is a handling (H1).
//
// Security-sensitive places are absent for whoever may not see them (P3). Areas that send things out
// (loan) call Service.Move inside their own transaction.
package movement
