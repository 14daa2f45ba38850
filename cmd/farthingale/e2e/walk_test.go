package e2e_test

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
)

// walk is the main job, done by the pages alone in an empty house.
type walk struct {
	*testing.T
	h *servetest.House

	ines *tab // conservator, and curator of the same department
	maud *tab // curator
	rosa *tab // registrar

	treatment string // path of its page
}

// TestMainJob walks the main job as three people with a tablet: an object is recorded, its treatment
// proposed, decided, carried out and signed; a stop is raised and released, a move made; the object is
// lent and comes back. Nothing is done but by the pages, and whatever a rule refuses is refused on them.
func TestMainJob(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	sit := func(name string, roles ...domain.Role) *tab {
		b := open(t, h)
		b.size(820)
		b.signIn(h.Person(name, roles...))
		return b
	}
	w := &walk{T: t, h: h, ines: sit("Ines Falkenberg", domain.Conservator, domain.Curator), maud: sit("Maud Okonjo", domain.Curator), rosa: sit("Rosa Amsel", domain.Registrar)}
	w.record()
	w.photograph("before treatment", 40, 80)
	w.propose()
	w.decide()
	w.work()
}

// record: the object, its components with their materials, and a joint.
func (w *walk) record() {
	b := w.ines
	b.picture("00 today")
	b.follow("Objects")
	b.picture("01 objects")
	b.follow("Record an object")
	b.picture("02 record")
	b.write("Number", "1974.6.1", "Title", "Cold-water dry suit", "Department", servetest.Department, "Kind", "protective dress > diving dress",
		"Short description", "Closed-cell body; rings of anodised aluminium at the cuffs, with detachable gloves.", "Maker 1", "unknown", "Date made", "1965/1972")
	b.tick("None, or not known › subject")
	b.done("Record the object", "1974.6.1 is on record. Its make-up comes next.")
	b.picture("03 object")
	for _, c := range []struct{ label, name, of, side, layer, function, removal, why, material string }{
		{"1", "Suit body", "the object itself", "none", "0", "gas tight", "by two people", "", "polychloroprene, closed-cell foam"},
		{"1a", "Cuff ring, left", ".1 Suit body", "left", "1", "hardware", "never", "Vulcanised into the sleeve.", "anodised aluminium"},
		{"2", "Glove, left", "the object itself", "left", "0", "gas tight", "freely", "", "unidentified"},
	} {
		b.must("/objects/1974.6.1")
		b.follow("Add a component")
		b.picture("04 component")
		b.write("Label", c.label, "Name", c.name, "Part of", c.of, "Layer", c.layer, "What it is for", c.function, "Why never", c.why,
			"Does it belong to the first make?", "original", "By what this is known", "The same stamp on all parts.")
		b.tick("Side › "+c.side, "Can it be taken off? › "+c.removal)
		b.done("Add the component", "is on record. Say of what it is made.")
		b.picture("05 component made")
		b.write("Material", c.material, "As what", "body", "Identified by", "sight", "How surely", "probable", "Say of what it is made › Evidence", "Looked at under the loupe.")
		b.done("Record the material", "is on record as body of ."+c.label)
	}
	b.follow("1974.6.1 Cold-water dry suit")
	b.follow("Add a joint")
	b.write("First component", ".1a Cuff ring, left", "Second component", ".2 Glove, left", "How they meet", "bayonet", "Contact", "direct", "State", "engaged")
	b.tick("Closed gas-tight")
	b.picture("06 joint")
	b.done("Add the joint", "The joint is on record.", "closed gas-tight", "unidentified")
	b.picture("07 object made up")
}

// photograph uploads drawn pictures of one stage, of the whole object from the front.
func (w *walk) photograph(stage string, shades ...uint8) {
	b, folder := w.ines, w.TempDir()
	var files []string
	for _, shade := range shades {
		name := filepath.Join(folder, "picture-"+string('a'+rune(len(files)))+".jpg")
		if err := os.WriteFile(name, servetest.JPEG(shade), 0o600); err != nil {
			w.Fatal(err)
		}
		files = append(files, name)
	}
	b.must("/objects/1974.6.1")
	b.follow("Add photographs")
	b.picture("10 photographs")
	b.write("View", "front", "Stage", stage)
	b.tick("A scale is in the picture")
	b.attach("Pictures", files...)
	b.done("Add the photographs", "added.", "front, normal light, "+stage)
	b.picture("11 photographs added")
}

// propose: the draft says what it lacks; it is submitted, and its author is told why another decides.
func (w *walk) propose() {
	b, today := w.ines, w.h.Now().Format(time.DateOnly)
	b.must("/objects/1974.6.1")
	b.follow("Propose a treatment")
	b.picture("20 proposal")
	b.write("Title", "Consolidate the seal of the left cuff ring", "What it is", "Cracks along the fold, powder below.", "Seen on", today, "Seen by", "Ines Falkenberg",
		"Reasons", "The seal loses powder at every touch.")
	b.tick("Aims › remedial")
	b.done("Keep the draft", "The draft is kept.", "Still missing", "at least two options")
	b.picture("21 draft")
	b.follow("Edit the draft")
	for n, method := range map[string]string{"1": "no treatment", "2": "consolidation"} {
		b.write("Method of option "+n, method, "Benefit of option "+n, "The loss stops, or goes on.", "Risk to the object of option "+n, "Gloss.", "Risk to people of option "+n, "Vapour of ethanol.",
			"Effect on significance of option "+n, "None.", "Reversibility of option "+n, "Partly.", "Retreatability of option "+n, "Yes.")
	}
	b.write("Component of line 1", "1a Cuff ring, left", "Method of line 1", "consolidation", "Material 1.1", "acrylic-adhesive", "Role of material 1.1", "consolidant",
		"Only in this solvent (material 1.1)", "ethanol", "Concentration of material 1.1, most", "5", "Unit for material 1.1", "% w/v",
		"Why this option", "It holds without filling.", "Why the materials are safe for what they touch", "Tested on a loose crumb.", "What is irreversible", "What has soaked in stays.",
		"Or no tests, because", "The crumb was the test.", "Hours expected", "6", "Begins", today[:7], "Ends", today[:7], "View 1", "front", "What will be removed from the object, and where it goes", "nothing")
	b.tick("Stages of view 1 › before", "Stages of view 1 › after")
	b.picture("22 proposal written")
	b.done("Keep the draft", "The draft is kept.")
	b.picture("23 draft whole")
	b.done("Submit to the curator", "a curator of Diving: decide on version 1")
	b.picture("24 submitted, its author")
	b.says("T2", "Maud Okonjo")
}

// decide: the curator approves with conditions; no step is taken before they are acknowledged.
func (w *walk) decide() {
	b := w.maud
	b.must("/")
	b.picture("30 curator today")
	b.follow("Go to the treatment")
	b.picture("31 curator decides")
	b.tick("Decision › Approve with conditions")
	b.write("Statement", "Go on, with care.", "Condition 1", "Show me the first millimetre before you go further.", "Condition 1 binds", "during")
	b.done("Decide and seal", "The decision is sealed.", "approved with conditions", "not acknowledged")
	b.picture("32 decided")

	b = w.ines
	b.must("/")
	b.picture("33 conservator today")
	b.follow("Go to the treatment")
	b.picture("34 conservator reads the decision")
	w.treatment = b.at()
	b.follow("Log a step")
	b.picture("35 step")
	w.step("ethanol")
	b.refused("Log the step", "T3", "Show me the first millimetre")
	b.holds("Batch of material 1", "B-7", "Solvent of material 1", "ethanol", "Note", "Brushed on along the fold.", "Minutes", "40")
	b.must(w.treatment)
	b.tick("Conditions › 1: Show me the first millimetre before you go further.")
	b.done("I have read these and will keep them", "Noted that the conditions were read")
	b.picture("36 acknowledged")
}

// step fills the form of a step with the approved resin in a solvent.
func (w *walk) step(solvent string) {
	b := w.ines
	b.write("Minutes", "40", "Materials used › Material 1", "acrylic resin adhesive, solvent type", "Product of material 1", "Resin 72", "Batch of material 1", "B-7",
		"Concentration of material 1", "3", "Unit for material 1", "% w/v", "Solvent of material 1", solvent, "Note", "Brushed on along the fold.")
}

// work: a step with another solvent is outside; an amendment takes it in; then the step is logged.
func (w *walk) work() {
	b := w.ines
	b.must(w.treatment)
	b.follow("Log a step")
	w.step("acetone")
	b.refused("Log the step", "T1", "Outside the approved scope", "solvent 'acetone' (approved: 'ethanol') of acrylic resin adhesive, solvent type")
	b.holds("Product of material 1", "Resin 72", "Solvent of material 1", "acetone", "Note", "Brushed on along the fold.")
	b.follow("Write an amendment")
	b.picture("40 amendment")
}
