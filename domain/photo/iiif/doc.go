// Package iiif reads requests of the IIIF Image API 3.0 and writes its descriptions and those of the
// Presentation API 3.0. It knows addresses and sizes, not pixels: what Plan says is done by photo.
//
// source: IIIF Image API 3.0 and IIIF Presentation API 3.0, editors Appleby, Crane, Sanderson, Stroop,
// Warner, 2020
package iiif
