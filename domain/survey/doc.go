// Package survey knows how to learn the condition of many objects from a few: how many to look at for a
// wanted precision, which ones (drawn at random, so that the draw can be repeated), and what their
// conditions say of all, with how sure that is. Each look is a signed examination on the occasion of a
// survey; this area keeps only which object was drawn and what became of it.
package survey
