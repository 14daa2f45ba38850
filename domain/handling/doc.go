// Package handling knows every touch of an object: who had hands on it, how, and what was noticed;
// the stops that follow a noise, a powder, a resistance, a loss or a tear; who releases them; which
// dangers to people must be assessed first; and how often an object was touched (rules H1–H3, H6).
//
// Areas that plan an act with hands (treatment, movement, loan) ask Service.Refusal and
// Service.Cleared first and log the touch through Service.Log in the same act (H1). What was in fact
// done is never refused as a record.
package handling
