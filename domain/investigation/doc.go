// Package investigation knows the open questions about objects: what is asked and why, by which technique
// it is to be answered, who consented to a sample or to a trace (rule I1), which samples were taken and
// what remains of them, what was found, and what that proves. A finding that identifies a material updates
// the identification of its component in the same act (rule I2).
//
// What was in fact done is never refused as a record; without consent it is never called authorised.
package investigation
