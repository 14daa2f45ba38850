package collection

import "slices"

// Headings of the published checklist for describing objects so that they can be recognised.
//
// source: Thornes, Dorrell & Lie, Introduction to Object ID: Guidelines for Making Records that
// Describe Art, Antiques, and Antiquities, Getty 1999; checklist kept by ICOM.
const (
	HeadPhotograph   = "photograph"
	HeadType         = "type"
	HeadMeasurements = "measurements"
	HeadMaterials    = "materials"
	HeadInscriptions = "inscriptions"
	HeadDate         = "date"
	HeadMaker        = "maker"
	HeadSubject      = "subject"
	HeadTitle        = "title"
	HeadFeatures     = "features"
	HeadDescription  = "description"
)

// ObjectIDHeadings lists the eleven in the order of the checklist.
var ObjectIDHeadings = []string{HeadPhotograph, HeadType, HeadMeasurements, HeadMaterials, HeadInscriptions, HeadFeatures,
	HeadTitle, HeadSubject, HeadDate, HeadMaker, HeadDescription}

// ObjectIDMissing lists the headings of the checklist that the sheet does not answer, in order. A
// heading is answered by a value, or by 'none' or 'not known' said of it (Object.NotKnown, whose author
// and date are in the event of the change). Empty is not 'none'.
func ObjectIDMissing(s *Sheet, hasPhoto bool) []string {
	o := &s.Object
	answered := map[string]bool{
		HeadPhotograph:   hasPhoto,
		HeadType:         o.Kind != "",
		HeadMeasurements: len(o.Dimensions) > 0,
		HeadMaterials:    len(s.Materials) > 0,
		HeadInscriptions: len(o.Marks) > 0,
		HeadFeatures:     o.Features != "",
		HeadTitle:        o.Title != "",
		HeadSubject:      o.Subject != "",
		HeadDate:         o.DateMade != "",
		HeadMaker:        len(o.Makers) > 0,
		HeadDescription:  o.Description != "",
	}
	missing := []string{}
	for _, h := range ObjectIDHeadings {
		if !answered[h] && !slices.Contains(o.NotKnown, h) {
			missing = append(missing, h)
		}
	}
	return missing
}
