// Package mark knows the geometry of marks on photographs (rule F4): shapes in pixels of the upright
// original, what an outline encloses and how surely, the scale that turns pixels into millimetres
// (E4), and the selectors of the W3C Web Annotation Data Model in which marks are exchanged.
//
// Everything here is pure computation. photo keeps the marks.
package mark
