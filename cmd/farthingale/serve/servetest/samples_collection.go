package servetest

import (
	"farthingale/domain"
	"farthingale/domain/collection"
)

// collectionSamples: finding objects, the sheet for who writes and for who reads, every form of the
// make-up, and the library of materials.
func collectionSamples(h *House, g *Ground) []Sample {
	ines, curator, registrar, technician, reader := g.People[domain.Conservator], g.People[domain.Curator], g.People[domain.Registrar], g.People[domain.Technician], g.People[domain.Reader]
	ctx := h.t.Context()
	if _, err := h.Collection.Create(ctx, registrar.Actor, collection.NewObject{ObjectFacts: collection.ObjectFacts{
		Number: "L1.2026 (2)", Title: "Wrist depth gauge", Kind: "instrument › depth gauge", LegalStatus: collection.LoanToUs, Owner: "Harbour Trust", Department: Department}}); err != nil {
		h.t.Fatal(err)
	}
	asbestos, err := h.Collection.AddHazard(ctx, technician.Actor, g.Object.ID, collection.NewHazard{HazardFacts: collection.HazardFacts{
		Kind: "asbestos", Certainty: "possible", KnownBy: "sight", State: "loose", Where: "pad inside the helmet", ReviewOn: "2027-01-31"}})
	if err != nil {
		h.t.Fatal(err)
	}
	glove := g.Parts["3"]
	sheet, err := h.Collection.Sheet(ctx, g.Object.ID)
	if err != nil {
		h.t.Fatal(err)
	}
	latex := "natural-rubber-latex"
	if _, err := h.Collection.Identify(ctx, ines.Actor, glove, collection.NewIdentification{MaterialKey: &latex, Role: "body", IdentifiedBy: "sight", Confidence: "possible"}); err != nil {
		h.t.Fatal(err)
	}
	at := "/objects/1968.14.2"
	return []Sample{
		{Route: "GET /objects", Path: "/objects", As: ines},
		{Route: "GET /objects", Path: "/objects?q=dry+siut&sort=newest", As: reader},
		{Route: "GET /objects", Path: "/objects?q=1968-14-9", As: ines},
		{Route: "GET /objects", Path: "/objects?department=Nowhere", As: ines},
		{Route: "GET /objects/new", Path: "/objects/new", As: registrar},
		{Route: "GET /objects/import", Path: "/objects/import", As: ines},
		{Route: "GET /objects/import/columns.csv", Path: "/objects/import/columns.csv", As: registrar, File: true},
		{Route: "GET /objects/list.csv", Path: "/objects/list.csv?q=suit", As: reader, File: true},
		{Route: "GET /objects/:number", Path: at, As: ines},
		{Route: "GET /objects/:number", Path: at, As: reader},
		{Route: "GET /objects/:number", Path: "/objects/L1.2026%20%282%29", As: curator},
		{Route: "GET /objects/:number/edit", Path: at + "/edit", As: ines},
		{Route: "GET /objects/:number/edit", Path: "/objects/L1.2026%20%282%29/edit", As: registrar},
		{Route: "GET /objects/:number/add-component", Path: at + "/add-component?below=1", As: ines},
		{Route: "GET /objects/:number/components/:label", Path: at + "/components/1a", As: ines},
		{Route: "GET /objects/:number/components/:label", Path: at + "/components/3", As: reader},
		{Route: "GET /objects/:number/add-joint", Path: at + "/add-joint", As: ines},
		{Route: "GET /objects/:number/joints/:id", Path: at + "/joints/" + sheet.Joints[0].ID.String(), As: curator},
		{Route: "GET /objects/:number/add-hazard", Path: at + "/add-hazard?kind=lead&certainty=possible&component=1a", As: technician},
		{Route: "GET /objects/:number/hazards/:id", Path: at + "/hazards/" + asbestos.ID.String(), As: ines},
		{Route: "GET /materials", Path: "/materials", As: ines},
		{Route: "GET /materials", Path: "/materials?q=latex&category=polymer", As: reader},
		{Route: "GET /materials/:key", Path: "/materials/natural-rubber-latex", As: reader},
	}
}
