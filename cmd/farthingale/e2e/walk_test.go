package e2e_test

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/pdfcpu/pdfcpu/pkg/api"
	"github.com/pdfcpu/pdfcpu/pkg/pdfcpu/model"
	"github.com/xuri/excelize/v2"

	"farthingale/cmd/farthingale/serve/servetest"
	"farthingale/domain"
	"farthingale/domain/examination"
)

// walk is the main job, done by the pages alone in an empty house.
type walk struct {
	*testing.T
	h *servetest.House

	ines *tab // conservator, and curator of the same department
	maud *tab // curator
	rosa *tab // registrar

	treatment, loan string // paths of their pages
	examiner        domain.Actor
}

// TestMainJob walks the main job as three people with a tablet: an object is recorded, its treatment
// proposed, decided, carried out and signed; a stop is raised and released, a move made; the object is
// lent and comes back. Nothing is done but by the pages, and whatever a rule refuses is refused on them.
func TestMainJob(t *testing.T) {
	t.Parallel()
	h := servetest.New(t)
	people := map[string]servetest.Someone{}
	sit := func(name string, roles ...domain.Role) *tab {
		b := open(t, h)
		b.size(820)
		people[name] = h.Person(name, roles...)
		b.signIn(people[name])
		return b
	}
	w := &walk{T: t, h: h, ines: sit("Ines Falkenberg", domain.Conservator, domain.Curator), maud: sit("Maud Okonjo", domain.Curator), rosa: sit("Rosa Amsel", domain.Registrar)}
	w.examiner = people["Ines Falkenberg"].Actor
	w.record()
	w.photograph("before treatment", 40, 80)
	w.propose()
	w.decide()
	w.work()
	w.finish()
	w.settle()
	w.stop()
	w.lend()
	w.assess()
	w.agree()
	w.dispatch()
	w.bringBack()
	w.verify()
}

// record: the object, its components with their materials, and a joint.
func (w *walk) record() {
	b := w.ines
	b.follow("Objects")
	b.follow("Record an object")
	b.write("Number", "1974.6.1", "Title", "Cold-water dry suit", "Department", servetest.Department, "Kind", "protective dress > diving dress",
		"Short description", "Closed-cell body; rings of anodised aluminium at the cuffs, with detachable gloves.", "Maker 1", "unknown", "Date made", "1965/1972")
	b.tick("None, or not known › subject")
	b.done("Record the object", "1974.6.1 is on record. Its make-up comes next.")
	for _, c := range []struct{ label, name, of, side, layer, function, removal, why, material string }{
		{"1", "Suit body", "the object itself", "none", "0", "gas tight", "by two people", "", "polychloroprene, closed-cell foam"},
		{"1a", "Cuff ring, left", ".1 Suit body", "left", "1", "hardware", "never", "Vulcanised into the sleeve.", "anodised aluminium"},
		{"2", "Glove, left", "the object itself", "left", "0", "gas tight", "freely", "", "unidentified"},
	} {
		b.must("/objects/1974.6.1")
		b.follow("Add a component")
		b.write("Label", c.label, "Name", c.name, "Part of", c.of, "Layer", c.layer, "What it is for", c.function, "Why never", c.why,
			"Does it belong to the first make?", "original", "By what this is known", "The same stamp on all parts.")
		b.tick("Side › "+c.side, "Can it be taken off? › "+c.removal)
		b.done("Add the component", "is on record. Say of what it is made.")
		b.write("Material", c.material, "As what", "body", "Identified by", "sight", "How surely", "probable", "Say of what it is made › Evidence", "Looked at under the loupe.")
		b.done("Record the material", "is on record as body of ."+c.label)
	}
	b.follow("1974.6.1 Cold-water dry suit")
	b.follow("Add a joint")
	b.write("First component", ".1a Cuff ring, left", "Second component", ".2 Glove, left", "How they meet", "bayonet", "Contact", "direct", "State", "engaged")
	b.tick("Closed gas-tight")
	b.done("Add the joint", "The joint is on record.", "closed gas-tight", "unidentified")
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
	b.write("View", "front", "Stage", stage)
	b.tick("A scale is in the picture")
	b.attach("Pictures", files...)
	b.done("Add the photographs", "added.", "front, normal light, "+stage)
}

// examined signs an examination of the object, for a loan or for none; how one is written on the pages is walked by
// itself. It gives the words by which forms name it.
func (w *walk) examined(occasion examination.Occasion, forLoan bool) string {
	w.Helper()
	var objectID domain.ID
	var loanID *domain.ID
	if err := w.h.Database.OwnerPool().QueryRow(w.Context(), `select o.id, (select l.id from loan l where $2 limit 1) from object o where o.number = $1`, "1974.6.1", forLoan).Scan(&objectID, &loanID); err != nil {
		w.Fatal(err)
	}
	w.h.Examine(w.examiner, objectID, servetest.Look{Occasion: occasion, LoanID: loanID})
	return "Examination of " + w.h.Now().Format("2 January 2006") + " by Ines Falkenberg (" + strings.ReplaceAll(string(occasion), "_", " ") + ")"
}

// propose: the draft says what it lacks; it is submitted, and its author is told why another decides.
func (w *walk) propose() {
	b, today := w.ines, w.h.Now().Format(time.DateOnly)
	examined := w.examined(examination.BeforeTreatment, false)
	b.must("/objects/1974.6.1")
	b.follow("Propose a treatment")
	b.write("Title", "Consolidate the seal of the left cuff ring", "Examination", examined, "What of it matters here", "Cracks along the fold, powder below.",
		"Reasons", "The seal loses powder at every touch.")
	b.tick("Aims › remedial")
	b.done("Keep the draft", "The draft is kept.", "Still missing", "at least two options")
	b.follow("Edit the draft")
	for n, method := range map[string]string{"1": "no treatment", "2": "consolidation"} {
		b.write("Method of option "+n, method, "Benefit of option "+n, "The loss stops, or goes on.", "Risk to the object of option "+n, "Gloss.", "Risk to people of option "+n, "Vapour of ethanol.",
			"Effect on significance of option "+n, "None.", "Reversibility of option "+n, "Partly.", "Retreatability of option "+n, "Yes.")
	}
	b.write("Component of line 1", "1a Cuff ring, left", "Method of line 1", "consolidation", "The chosen method for each component › Material 1.1 › Material 1.1", "acrylic resin adhesive, solvent type", "Role of material 1.1", "consolidant",
		"Only in this solvent (material 1.1)", "ethanol", "Concentration of material 1.1, most", "5", "Unit for material 1.1", "% w/v",
		"Why this option", "It holds without filling.", "Why the materials are safe for what they touch", "Tested on a loose crumb.", "What is irreversible", "What has soaked in stays.",
		"Or no tests, because", "The crumb was the test.", "Hours expected", "6", "Begins", today[:7], "Ends", today[:7], "View 1", "front", "What will be removed from the object, and where it goes", "nothing")
	b.tick("Stages of view 1 › before", "Stages of view 1 › after")
	b.done("Keep the draft", "The draft is kept.")
	b.done("Submit to the curator", "a curator of Diving: decide on version 1")
	b.says("T2", "Maud Okonjo")
}

// decide: the curator approves with conditions; no step is taken before they are acknowledged.
func (w *walk) decide() {
	b := w.maud
	b.must("/")
	b.follow("Go to the treatment")
	b.tick("Decision › Approve with conditions")
	b.write("Statement", "Go on, with care.", "Condition 1", "Show me the first millimetre before you go further.", "Condition 1 binds", "during")
	b.done("Decide and seal", "The decision is sealed.", "approved with conditions", "not acknowledged")

	b = w.ines
	b.must("/")
	b.follow("Go to the treatment")
	w.treatment = b.at()
	b.follow("Log a step")
	w.step("ethanol")
	b.refused("Log the step", "T3", "Show me the first millimetre")
	b.holds("Batch of material 1", "B-7", "Solvent of material 1", "ethanol", "Note", "Brushed on along the fold.", "Minutes", "40")
	b.must(w.treatment)
	b.tick("Conditions › 1: Show me the first millimetre before you go further.")
	b.done("I have read these and will keep them", "Noted that the conditions were read")
}

// step fills the form of a step with the approved resin in a solvent.
func (w *walk) step(solvent string) {
	b := w.ines
	b.write("Minutes", "40", "Materials used › Material 1", "acrylic resin adhesive, solvent type", "Product of material 1", "Resin 72", "Batch of material 1", "B-7",
		"Concentration of material 1", "3", "Unit for material 1", "% w/v", "Solvent of material 1", solvent, "Note", "Brushed on along the fold.")
	b.tick("The usual controls for the hazards above were › kept")
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
	b.write("Title", "Acetone as solvent", "Reasons", "Ethanol swells the tape beside the seal.", "Component of line 1", "1a Cuff ring, left", "Method of line 1", "consolidation",
		"Material 1.1 › Material 1.1", "acrylic resin adhesive, solvent type", "Only in this solvent (material 1.1)", "acetone", "Why the materials are safe for what they touch", "Tried beside the tape: no swelling.")
	b.done("Keep the draft", "The draft is kept.")
	b.done("Submit amendment 1", "a curator of Diving: decide on amendment 1")

	b = w.maud
	b.must("/")
	b.follow("Go to the treatment")
	b.tick("Decide on amendment 1 › Decision › Approve")
	b.write("Decide on amendment 1 › Statement", "Agreed.")
	b.done("Decide and seal", "The decision is sealed.")

	b = w.ines
	b.must(w.treatment)
	b.follow("Log a step")
	w.step("acetone")
	b.tick("Noticed › nothing")
	b.done("Log the step", "The step is logged.", "under way, approved with conditions", "Resin 72 (batch B-7), 3 % w/v in acetone")
}

// finish: the report says what is missing; with the photograph after treatment the treatment is completed
// and signed. Then only an addendum is offered.
func (w *walk) finish() {
	b := w.ines
	examined := w.examined(examination.AfterTreatment, false)
	b.follow("Completion report")
	b.write("Examination after treatment", examined, "Was the aim reached?", "Yes: no powder at a light touch.", "Beside the examination, of 1974.6.1.1a Cuff ring, left", "Firm, matt.", "Deviations from the proposal", "None beyond the amendment.",
		"What was removed, and where it is", "nothing", "Condition 1 was", "met", "Advice for handling", "Do not flex the cuff.", "Advice for display", "Closed case.",
		"Advice for storage", "Lying, cuff supported.", "Next check due", w.h.Now().AddDate(1, 0, 0).Format("2006-01"))
	b.done("Keep the report", "The report is kept.", "Still missing", "a photograph after treatment of 1974.6.1.1a Cuff ring, left")
	b.refused("Complete the treatment", "T7", "a photograph after treatment of 1974.6.1.1a Cuff ring, left, or a reason why there is none")
	b.follow("Photographs of the object")
	w.photograph("after treatment", 120)
	b.must(w.treatment)
	b.follow("Completion report")
	b.holds("Advice for storage", "Lying, cuff supported.", "Photographs of this treatment › front, after treatment", "")
	b.tick("Photographs of this treatment › front, after treatment")
	b.done("Keep the report", "The report is kept.")
	b.done("Complete the treatment", "The treatment is completed.")
	b.write("Statement", "All of it is as I found and did it.")
	b.done("Sign and seal the whole", "Signed and sealed.", "Signed by Ines Falkenberg")
	for _, words := range []string{"Edit the draft", "Log a step", "Log another step", "Completion report", "Write an amendment", "Record a departure"} {
		if b.offers(words) {
			w.Errorf("a signed treatment offers %q", words)
		}
	}
	b.follow("Write an addendum")
	b.write("What it corrects", "The completion report", "Which part of it", "advice for storage", "It says", "Lying, cuff supported.", "It should say", "Lying face up, cuff supported.", "Why", "The side was left out.")
	b.done("Sign and seal the addendum", "The addendum is sealed.", "Addendum 1: advice for storage", "Instead of", "Lying face up, cuff supported.")
}

// settle: the registrar makes the places and says where the object is.
func (w *walk) settle() {
	b := w.rosa
	b.must("/")
	for _, place := range [][]string{{"nothing: it is a site", "site", "Museum of the Tide", "MT"}, {"Museum of the Tide (MT)", "building", "Main house", "MH"},
		{"Main house (MH)", "room", "Laboratory", "LAB"}, {"Main house (MH)", "room", "Store 1", "S1"}, {"nothing: it is a site", "site", "Hall under water", "HALL"}} {
		b.follow("Places")
		b.write("Stands in", place[0], "Kind", place[1], "Name", place[2], "Code", place[3])
		if place[3] == "HALL" {
			b.tick("A site of somebody else, such as a borrower")
		}
		b.done("Make the place", "is made.")
	}
	w.find("1974.6.1")
	b.follow("Move it")
	b.write("To the place with the code", "LAB", "Reason", "Treatment.")
	b.tick("The usual controls for the hazards above were › kept")
	b.done("Record the move", "1974.6.1 is recorded: Museum of the Tide › Main house › Laboratory.")
}

// find looks an object up as the registrar, from the list.
func (w *walk) find(number string) {
	b := w.rosa
	b.follow("Objects")
	b.write("Number, or words", number)
	b.press("Find")
	b.follow(number)
}

// stop: a noise stops the object for everybody; the registrar's move is refused and its form kept. Whose
// handling raised the stop does not release it alone. Then the move passes.
func (w *walk) stop() {
	b := w.ines
	b.size(360)
	b.must("/objects/1974.6.1")
	b.follow("Log a handling")
	b.tick("Noticed › noise", "The usual controls for the hazards above were › kept")
	b.write("Note", "A crack when the cuff was lifted.")
	b.done("Log it", "Stop. Set it down in the nearest safe position.", "It is stopped for everybody until a conservator releases it.")
	b.size(820)

	b = w.rosa
	w.find("1974.6.1")
	b.says("1974.6.1 since", "noise")
	b.follow("Move it")
	b.write("To the place with the code", "S1", "Reason", "The bench is needed.")
	b.tick("The usual controls for the hazards above were › kept")
	b.refused("Record the move", "H3", "until a conservator releases it")
	b.holds("To the place with the code", "S1", "Reason", "The bench is needed.")

	b = w.ines
	b.follow("To the stop")
	release := []string{"Reason", "Looked at with the curator.", "What was found", "The ring clicks in its seat; nothing is loose.", "New limits of handling", "Never by the cuff."}
	b.write(release...)
	b.refused("Release the stop", "H3", "A curator of Diving must first write a note")
	b.holds(release...)

	b = w.maud
	b.must("/")
	b.follow("Go to the stop")
	b.write("Note", "I saw it with Ines: the ring clicks in its seat.")
	b.done("Keep the note", "The note is kept.")

	b = w.ines
	b.done("Release the stop", "The stop is released.", "Never by the cuff.", "With the curator's note")

	b = w.rosa
	b.done("Record the move", "1974.6.1 is recorded: Museum of the Tide › Main house › Store 1.")
	b.says("Main house › Store 1")
}

// lend: the registrar opens a loan of the object, with its value.
func (w *walk) lend() {
	b := w.rosa
	b.follow("Loans")
	b.follow("A new loan")
	b.write("Borrower", "Muzeum pod Wodą, Łódź", "Address of the borrower", "ul. Wodna 1, Łódź", "Purpose", "Exhibition 'Under Pressure'", "Requested in writing on", w.day(-60),
		"Leaves the house on", w.day(0), "Is back on", w.day(120), "Venue 1 › Name", "Main hall", "Venue 1 › From", w.day(0), "Venue 1 › Until", w.day(110))
	b.done("Open the loan", "is open. Add what is lent.", "at least one object")
	w.loan = b.at()
	b.follow("Add an object or a part")
	b.write("Object number", "1974.6.1")
	b.done("Look it up", "Cold-water dry suit", "Never taken off", "Vulcanised into the sleeve.")
	b.done("Put it on the loan", "1974.6.1 is on the loan.")
	b.unfold("Set the value")
	b.write("Value", "148250.00", "Currency", "EUR")
	b.done("Set the value", "EUR 148 250.00")
}

// day is a day from today, as a date field has it.
func (w *walk) day(plus int) string { return w.h.Now().UTC().AddDate(0, 0, plus).Format(time.DateOnly) }

// assess: the conservator says that it is fit to travel and on which conditions; the curator approves.
func (w *walk) assess() {
	b := w.ines
	b.must("/")
	b.says("is 1974.6.1 fit to travel?")
	b.follow("Go to the loan")
	b.follow("1. 1974.6.1")
	b.unfold("Set mount, handling and display")
	b.write("Mount", "Padded torso; carries the inner layer.", "Handling", "By two people, never by the cuff.", "Display", "Closed case.", "At most, lx", "50")
	b.done("Set the conditions", "The conditions are set.", "at most 50 lx")
	b.unfold("Assess whether it is fit to travel")
	b.tick("Fit to travel › fit with conditions")
	b.write("Assess whether it is fit to travel › Statement", "Sound; the ring clicks.", "Assess whether it is fit to travel › Conditions", "Lying on its board.")
	b.done("Sign the assessment", "The assessment is signed.", "Only so: Lying on its board.")
	w.examined(examination.Outgoing, true)
	b.must(b.at())
	b.unfold("Sign the outgoing condition")
	b.write("To be said beside it", "Stiff along the fold; seal of the left cuff ring firm.")
	b.done("Sign the condition", "The condition is signed.")

	b = w.maud
	b.must("/")
	b.follow("Go to the loan")
	b.unfold("Approve")
	b.write("Statement", "Agreed, on these conditions.")
	b.done("Approve in principle", "You have approved the loan for your department.")
}

// agree: the agreement is issued and signed by both; its papers can be opened.
func (w *walk) agree() {
	b := w.rosa
	b.must(w.loan)
	b.unfold("Issue the agreement")
	b.done("Issue the next version", "The agreement is issued.", "waits for signatures")
	w.papers()
	w.maud.must(w.loan)
	w.maud.unfold("Sign for the museum")
	w.maud.write("Your office", "curator")
	w.maud.done("Sign for the museum", "You have signed for the museum.")
	b.must(w.loan)
	b.unfold("Record the borrower's signature")
	b.write("Who signed", "Žofie Nováková", "Office", "director", "Signed on", w.day(0))
	b.done("Record the signature", "The borrower's signature is recorded.")
	b.follow("Change")
	b.write("Transport by", "Carrier of Køge", "Courier", "Ines Falkenberg")
	b.done("Keep the change", "The loan is changed.")
	b.unfold("Record that everything is prepared")
	b.write("What was prepared", "One crate, board and cuffs cushioned.")
	b.done("It is prepared", "The loan is prepared.")
}

// papers downloads the agreement and the schedule, and opens them with other programs' readers.
func (w *walk) papers() {
	b := w.rosa
	api.DisableConfigDir()
	pdf, err := api.ReadValidateAndOptimize(bytes.NewReader(b.fetch("Agreement as PDF")), model.NewDefaultConfiguration())
	if err != nil || pdf.PageCount < 2 {
		w.Errorf("the agreement as PDF: %v", err)
	}
	docx := b.fetch("Agreement as DOCX")
	packed, err := zip.NewReader(bytes.NewReader(docx), int64(len(docx)))
	if err != nil {
		w.Fatalf("the agreement as DOCX: %v", err)
	}
	text, err := fs.ReadFile(packed, "word/document.xml")
	if err != nil || !bytes.Contains(text, []byte("Muzeum pod Wodą, Łódź")) || !bytes.Contains(text, []byte("1974.6.1")) || !bytes.Contains(text, []byte("Lying on its board.")) {
		w.Errorf("the agreement as DOCX: %v, %d bytes", err, len(text))
	}
	sheet, err := excelize.OpenReader(bytes.NewReader(b.fetch("Schedule as XLSX")), excelize.Options{RawCellValue: true})
	if err != nil {
		w.Fatalf("the schedule as XLSX: %v", err)
	}
	rows, err := sheet.GetRows("Schedule")
	if err != nil || len(rows) != 2 || !slices.Contains(rows[1], "1974.6.1") || !slices.Contains(rows[1], "148250") {
		w.Errorf("the schedule as XLSX: %v %q", err, rows)
	}
}

// dispatch: all that is missing is told at once; with it the loan leaves.
func (w *walk) dispatch() {
	b := w.rosa
	b.follow("1. 1974.6.1")
	b.follow("1974.6.1")
	b.follow("Stop it")
	b.write("Why", "The label on the board is another object's.")
	b.done("Stop it", "It is stopped.")
	b.must(w.loan)
	b.unfold("Dispatch")
	leaves := []string{"Given by", "Rosa Amsel", "Received by", "P. Holm", "Crates and seals", "1 crate, seal 11", "Carrier", "Carrier of Køge", "On its way to the place", "HALL"}
	b.write(leaves...)
	b.tick("Found › crate only")
	b.refused("Let it leave", "L3", "an assessment of the facilities of Main hall", "insurance or indemnity in EUR up to the total of the values", "the release of a stop")
	b.holds(leaves...)
	b.holds("Found › crate only", "ticked")

	w.ines.must("/")
	w.ines.follow("Go to the stop")
	w.ines.write("Reason", "Looked at.", "What was found", "The label is its own; an old number stood above.", "New limits of handling", "None.")
	w.ines.done("Release the stop", "The stop is released.")
	w.ines.must(w.loan)
	w.ines.unfold("Assess the facilities of a venue")
	w.ines.write("Date of the facilities report", w.day(-40), "What it found", "Good.", "Exception 1 › What is needed", "RH 45–55 %", "Exception 1 › What the venue has", "40–60 %",
		"Exception 1 › Why, and with what in its place", "Buffered case.")
	w.ines.tick("Exception 1 › I accept it")
	w.ines.done("Sign the assessment", "The assessment of the facilities is kept.")

	b.must(w.loan)
	b.unfold("Enter a certificate of insurance or indemnity")
	b.tick("Kind › indemnity")
	b.write("Insurer, or scheme of the indemnity", "State indemnity", "Number of the certificate", "SI-17", "Sum", "148250.00", "Currency", "EUR")
	b.done("Enter the certificate", "The certificate is entered.")
	b.unfold("Dispatch")
	b.write(leaves...)
	b.tick("Found › crate only")
	b.done("Let it leave", "The loan is on its way.", "Exit authorised by Rosa Amsel")
}

// bringBack: the conservator as courier unpacks, shows and packs it; the registrar takes it back and
// closes the loan.
func (w *walk) bringBack() {
	for _, act := range []struct {
		by                   *tab
		fold, button, answer string
		hands                bool
		place                string
		field, text          string
		occasion             examination.Occasion
	}{
		{w.ines, "Record the arrival at a venue", "Record the arrival", "The arrival is recorded.", true, "HALL", "", "", examination.Arrival},
		{w.ines, "Record the installation", "It is on display", "The loan is on display.", false, "", "Installation", "Case 2, closed by P. Holm.", ""},
		{w.ines, "Record the packing at the venue", "Record the packing", "The packing is recorded.", true, "", "", "", examination.Departure},
		{w.rosa, "Record the return", "It is back", "The loan is back.", true, "S1", "", "", examination.Return},
		{w.rosa, "Close the loan", "Close the loan", "The loan is closed.", false, "", "Statement", "Costs settled; the file is whole.", ""},
	} {
		b := act.by
		if act.occasion != "" {
			w.examined(act.occasion, true)
		}
		b.must(w.loan)
		b.unfold(act.fold)
		if act.hands {
			b.write("Given by", "P. Holm", "Received by", "Ines Falkenberg", "Crates and seals", "1 crate, seal 11")
			b.tick("Found › unchanged")
		}
		if act.place != "" {
			b.write("Stands now in", act.place)
		}
		if act.field != "" {
			b.write(act.field, act.text)
		}
		b.done(act.button, act.answer)
	}
	w.find("1974.6.1")
	w.rosa.says("Main house › Store 1")
}

// verify: the registrar reads the head of the chain of seals, and the chain is whole.
func (w *walk) verify() {
	b := w.rosa
	b.follow("Record")
	report, err := w.h.Record.Verify(w.Context(), nil)
	if err != nil || !report.Clean || report.Head.Count == 0 {
		w.Fatalf("verify: %+v %v", report, err)
	}
	b.says(fmt.Sprintf("Seals %d", report.Head.Count), report.Head.Hash.String())
}
