// Package domain is the shared kernel of what the laboratory knows: identifiers,
// the acting person, the one error a person may read, validation of commands,
// events, and keyset pages. It knows no area, no SQL, no HTTP, no files and no
// clock. Every area package below it may use it; it uses none of them.
package domain
