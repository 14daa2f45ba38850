// Package hostile holds tests that send hostile input through both doors. The walk of the API takes
// every operation and every field from the contract; the walk of the pages takes every form from the
// pages themselves. Neither knows an area: a new operation or a new form is walked, or the test fails.
package hostile
