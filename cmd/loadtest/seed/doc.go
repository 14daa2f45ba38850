// Package seed fills an empty database with an invented collection of any size, for measuring: objects
// with components, materials, joints, hazards, photographs, handlings, moves and treatments in every
// state, all valid under every rule and constraint.
//
// The same seed and number of objects give the same rows, whatever the number of writers; only the
// accounts' password hashes and the chain's origin differ. Each object is invented by itself from the
// seed and its place in the row. Treatments and releases are made by the domain's own rules, so what is
// sealed about them is what the program would have sealed. Rows go in by COPY with every trigger and
// foreign key at work: nothing is switched off, so what the database accepts is valid.
//
// Photographs share a few hundred drawn pictures: every row of a photograph is its own, its files are
// not.
//
// Only the command loadtest and tests use it. The museum and everybody in it are invented.
package seed
