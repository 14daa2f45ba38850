package loan

import _ "embed" // for the text

// ExampleTerms are neutral terms that stand in a new loan where the site has set none of its own.
// Their first sentence says that they are an example and no legal advice.
//
// source: topics after ICOM Guidelines for Loans, 1974, and published conditions of lending museums;
// the words are this program's.
//
//go:embed terms.txt
var ExampleTerms string
