// Package examination knows in what condition an object was found: by whom, when, where and with what
// light; which components were seen and which not; what was found on each, how much, how grave, and
// whether it goes on; and what follows (rules E1, E3, E5). Each examination carries forward what the
// last signed one found, so that every finding is answered for and change can be shown.
//
// A draft is written by its examiner and by conservators, in groups that are saved one at a time. Signed,
// it is sealed and never changes; addenda stand beside it. Areas that need an examination (treatment,
// loan) ask Service; hands on the object go through handling (H1, H3).
package examination
