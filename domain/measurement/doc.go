// Package measurement knows what was measured on objects, again and again at the same spots: colour,
// acidity, thickness, hardness, mass, dimensions, each with its method and its uncertainty; and what a
// series of readings proves. A reading is never changed; a wrong one is withdrawn with a reason. A change
// smaller than its uncertainty is no proven change (rule E2).
//
// The arithmetic of colour is in the package colour below.
package measurement
