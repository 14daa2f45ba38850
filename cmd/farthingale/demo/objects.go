package demo

import (
	"farthingale/domain/collection"
)

// piece is a component with its materials and the components below it.
type piece struct {
	label, name, side, function, joined string
	layer                               int
	count                               int                    // 0: one
	removal                             collection.Removal     // empty: by two people
	never                               string                 // why it is never taken off
	attribution                         collection.Attribution // empty: original, by construction
	evidence                            string
	made                                []stuff
	parts                               []piece
	cameFrom                            string // of a fragment: the label it came from
}

// stuff is a material of a component: library key ("" unidentified), role, how and how surely it was
// identified.
type stuff struct{ key, role, by, confidence string }

func certain(key string) stuff     { return stuff{key, "body", "sight", "certain"} }
func probable(key string) stuff    { return stuff{key, "body", "sight", "probable"} }
func possible(key string) stuff    { return stuff{key, "body", "sight", "possible"} }
func tested(key string) stuff      { return stuff{key, "body", "test", "certain"} }
func as(role, key string) stuff    { return stuff{key, role, "sight", "probable"} }
func unidentified(as string) stuff { return stuff{"", as, "sight", "possible"} }

// meeting is a joint between two components named by their labels.
type meeting struct {
	a, b, meets, contact, gapMM, state string
	gasTight                           bool
}

// danger is a hazard; label is empty for the whole object.
type danger struct{ label, kind, certainty, knownBy, where, state, controls, note string }

// exhibit is an object of the invented museum.
type exhibit struct {
	facts    collection.ObjectFacts
	drawn    thing
	parts    []piece
	joints   []meeting
	hazards  []danger
	assessed []danger // hazards that a competent person has looked at
	homeCode string   // where it is kept
}

func inscription(kind, where, text, meaning string) collection.Inscription {
	return collection.Inscription{Kind: kind, Where: where, Transcription: text, Meaning: meaning}
}

// exhibits is the collection. Everything in it is invented.
var exhibits = []exhibit{
	{
		facts: collection.ObjectFacts{Number: "1968.14.2", FormerNumbers: []string{"D 17"}, Title: "Standard helmet dress", Kind: "protective dress › diving dress › helmet dress",
			Description: "Dress of rubberised cotton twill in three plies with a copper helmet and corselet, worn by the harbour's own diver until 1961.",
			Makers:      []string{"Havnsund Rubber Works (invented)"}, DateMade: "1938~", PlaceMade: "Havnsund", LegalStatus: collection.Accessioned, Department: "Diving",
			Features: "Patch in the shape of a fish on the right knee; corselet studs numbered with punches.", Subject: "Harbour work under water",
			Dimensions: dims("height", "1760", "lying flat, helmet off", "width", "1580", "arms out"), MassKG: dec("68.5"),
			Marks: []collection.Inscription{inscription("stencil", "inside the neck, left", "H.R.W. 38 No 4", "maker's mark, size 4"), inscription("stamp", "corselet, rim, front", "214", "number of helmet and corselet, which match")}},
		drawn: helmetDress, homeCode: "S1-A",
		parts: []piece{
			{label: "1", name: "suit", function: "gas_tight", layer: 1, made: []stuff{certain("rubberised-cloth"), as("body", "natural-rubber-vulcanised")}, parts: []piece{
				{label: "1a", name: "cuff", side: "left", function: "seal", layer: 1, joined: "cemented", made: []stuff{tested("natural-rubber-vulcanised")}},
				{label: "1b", name: "cuff", side: "right", function: "seal", layer: 1, joined: "cemented", attribution: collection.LaterReplacement, evidence: "Paler rubber and machine-cut edge; workshop book 1955 records 'new cuff, right'.", made: []stuff{probable("natural-rubber-vulcanised")}},
				{label: "1c", name: "collar with bolt holes", function: "gas_tight", layer: 1, joined: "cemented", made: []stuff{certain("natural-rubber-vulcanised")}},
				{label: "1d", name: "knee patch", side: "right", function: "cover", layer: 2, joined: "cemented and sewn", attribution: collection.ContemporaryReplacement, evidence: "Same cloth; repair by the user.", made: []stuff{certain("rubberised-cloth"), as("adhesive", "rubber-solution")}},
			}},
			{label: "2", name: "corselet", function: "hardware", layer: 2, joined: "bolted through the collar", made: []stuff{certain("copper")}, parts: []piece{
				{label: "2a", name: "studs and wing nuts", function: "hardware", layer: 2, count: 12, made: []stuff{certain("brass")}},
				{label: "2b", name: "gasket", function: "seal", layer: 2, joined: "lies between corselet and collar", made: []stuff{certain("leather-vegetable"), as("residue", "leather-dressing")}},
			}},
			{label: "3", name: "helmet", function: "container", layer: 3, joined: "eighth-turn thread", made: []stuff{certain("copper")}, parts: []piece{
				{label: "3a", name: "front window", function: "hardware", layer: 3, joined: "threaded", made: []stuff{certain("brass"), certain("glass-soda-lime")}},
				{label: "3b", name: "exhaust valve", side: "right", function: "hardware", layer: 3, made: []stuff{certain("brass"), as("body", "natural-rubber-vulcanised")}},
				{label: "3c", name: "air inlet elbow", function: "hardware", layer: 3, removal: collection.Never, never: "Soft-soldered to the shell; taking it off would destroy the joint.", made: []stuff{certain("brass"), as("adhesive", "solder-lead-tin")}},
			}},
			{label: "4", name: "boots", function: "weight", layer: 2, count: 2, removal: collection.Freely, joined: "laced", made: []stuff{certain("leather-vegetable"), certain("cotton")}, parts: []piece{
				{label: "4a", name: "soles", function: "weight", layer: 3, count: 2, joined: "riveted", made: []stuff{certain("lead"), certain("copper")}},
			}},
		},
		joints: []meeting{
			{a: "1c", b: "2b", meets: "rests_on", contact: "direct", state: "engaged", gasTight: true}, {a: "2", b: "2b", meets: "rests_on", contact: "direct", state: "engaged"},
			{a: "2", b: "3", meets: "bayonet", contact: "direct", state: "seized", gasTight: true}, {a: "1", b: "4", meets: "laced", contact: "direct", state: "held_open"},
		},
		hazards: []danger{{"4a", "lead", "certain", "sight", "soles of both boots", "intact", "Nitrile gloves; wash hands; no dry brushing.", "Grey, no white powder at present."}},
	},
	{
		facts: collection.ObjectFacts{Number: "1984.3.1", Title: "Cold-water constant-volume dry suit", Kind: "protective dress › diving dress › dry suit",
			Description: "Back-entry suit of closed-cell polychloroprene with a nylon cover coat, aluminium rings at neck and cuffs, detachable gloves and hood-helmet.",
			Makers:      []string{"Nordvik Diving (invented)"}, DateMade: "1967/1972", PlaceMade: "Nordvik", LegalStatus: collection.Accessioned, Department: "Diving", Subject: "Work under ice",
			Features: "Orange cover coat with the name tape cut away.", Dimensions: dims("height", "1720", "", "width", "1490", "arms out"), MassKG: dec("14.2"),
			Marks: []collection.Inscription{inscription("label", "inside the back entry", "SIZE 3 – DO NOT FOLD", "care label, printed on coated cloth")}},
		drawn: drySuit, homeCode: "S1-B",
		parts: []piece{
			{label: "1", name: "body", function: "gas_tight", layer: 1, made: []stuff{tested("polychloroprene-foam"), as("body", "nylon-fibre")}, parts: []piece{
				{label: "1a", name: "neck ring, suit half", function: "hardware", layer: 1, removal: collection.Never, never: "Bonded into the body.", made: []stuff{certain("anodised-aluminium"), as("adhesive", "polychloroprene-adhesive")}},
				{label: "1b", name: "cuff ring", side: "left", function: "hardware", layer: 1, removal: collection.Never, never: "Bonded into the sleeve.", made: []stuff{certain("anodised-aluminium"), as("adhesive", "polychloroprene-adhesive")}},
				{label: "1c", name: "cuff ring", side: "right", function: "hardware", layer: 1, removal: collection.Never, never: "Bonded into the sleeve.", made: []stuff{certain("anodised-aluminium"), as("adhesive", "polychloroprene-adhesive")}},
				{label: "1d", name: "back-entry zip", function: "closure", layer: 1, made: []stuff{certain("brass"), as("body", "polychloroprene")}},
			}},
			{label: "2", name: "cover coat", function: "cover", layer: 2, removal: collection.Freely, made: []stuff{certain("nylon-fibre"), as("coating", "polyurethane-unspecified")}},
			{label: "3", name: "glove", side: "left", function: "gas_tight", layer: 1, removal: collection.Freely, joined: "ring lock", made: []stuff{probable("polychloroprene")}},
			{label: "4", name: "glove", side: "right", function: "gas_tight", layer: 1, removal: collection.ByTwoPeople, joined: "ring lock", made: []stuff{probable("polychloroprene")}},
			{label: "5", name: "hood-helmet", function: "container", layer: 3, removal: collection.ByTwoPeople, joined: "ring lock", made: []stuff{probable("grp-polyester"), certain("polycarbonate")}},
		},
		joints: []meeting{
			{a: "1b", b: "3", meets: "ring_lock", contact: "direct", state: "held_open"}, {a: "1c", b: "4", meets: "ring_lock", contact: "direct", state: "seized", gasTight: true},
			{a: "1a", b: "5", meets: "ring_lock", contact: "direct", state: "held_open"}, {a: "1", b: "2", meets: "rests_on", contact: "direct", state: "engaged"},
		},
		hazards: []danger{{"4", "acid-vapour", "possible", "sight", "inside the closed right glove", "intact", "Open only under extraction.", "Closed since it came."}},
	},
	{
		facts: collection.ObjectFacts{Number: "1979.22.1", Title: "Submarine-escape immersion suit", Kind: "protective dress › survival dress › immersion suit",
			Description: "One-piece suit of polyurethane-coated nylon with a foam lining, attached boots and hood, bronze-tooth zip, glued seams.", Makers: []string{"Tidewater Safety Equipment (invented)"},
			DateMade: "1974", PlaceMade: "Tidehaven", LegalStatus: collection.Accessioned, Department: "Sea survival", Subject: "Escape from a sunken submarine", Features: "Whistle on a lanyard missing; lanyard kept.",
			Dimensions: dims("height", "1900", "", "width", "1500", "arms out"), MassKG: dec("5.6"), Marks: []collection.Inscription{inscription("stencil", "chest", "ESCAPE 31", "issue number")}},
		drawn: escapeSuit, homeCode: "S1-B",
		parts: []piece{
			{label: "1", name: "lining", function: "insulation", layer: 0, made: []stuff{tested("polyurethane-ester-foam"), as("body", "nylon-fibre")}},
			{label: "2", name: "shell", function: "gas_tight", layer: 1, made: []stuff{certain("nylon-fibre"), as("coating", "polyurethane-ester-coating")}, parts: []piece{
				{label: "2a", name: "zip", function: "closure", layer: 1, made: []stuff{certain("bronze"), as("coating", "grease")}},
				{label: "2b", name: "seam tapes", function: "seal", layer: 1, joined: "glued", made: []stuff{as("adhesive", "polychloroprene-adhesive"), probable("nylon-fibre")}},
				{label: "2c", name: "boot", side: "left", function: "gas_tight", layer: 1, removal: collection.Never, never: "Moulded to the shell.", made: []stuff{unidentified("body")}},
				{label: "2d", name: "boot", side: "right", function: "gas_tight", layer: 1, removal: collection.Never, never: "Moulded to the shell.", made: []stuff{unidentified("body")}},
				{label: "2e", name: "wrist seal", side: "left", function: "seal", layer: 1, made: []stuff{probable("natural-rubber-latex")}},
				{label: "2f", name: "wrist seal", side: "right", function: "seal", layer: 1, made: []stuff{probable("natural-rubber-latex")}},
			}},
			{label: "3", name: "foam crumbs from the left knee", function: "fragment", layer: 0, removal: collection.Freely, cameFrom: "1", made: []stuff{tested("polyurethane-ester-foam")}},
		},
		joints: []meeting{{a: "1", b: "2", meets: "glued", contact: "direct", state: "engaged", gasTight: true}, {a: "2", b: "2a", meets: "zip", contact: "direct", state: "engaged", gasTight: true}},
	},
	{
		facts: collection.ObjectFacts{Number: "1971.8.1", Title: "Oxygen rebreather", Kind: "breathing apparatus › rebreather", Description: "Counter-lung on a canvas harness with absorbent canister, oxygen bottle bracket and mouthpiece hose.",
			Makers: []string{"Havnsund Rubber Works (invented)"}, DateMade: "1944~", PlaceMade: "not known", LegalStatus: collection.Accessioned, Department: "Diving", Subject: "Attack swimmers' training", Features: "Repair with a bicycle patch on the counter-lung.",
			Dimensions: dims("height", "520", "", "width", "360", ""), MassKG: dec("7.9"), Marks: []collection.Inscription{inscription("engraving", "canister lid", "FILL TO MARK", "")}},
		drawn: rebreather, homeCode: "S2-C",
		assessed: []danger{{label: "3", kind: "soda-lime", note: "Charge caked, canister tight."}, {label: "3", kind: "asbestos", note: "No filter pad in this pattern of canister; seen through the port."},
			{kind: "chemical-oxygen", note: "No chemical charge in this pattern; the lid was seen."}, {kind: "compressed-gas", note: "The bottle is gone; the bracket is empty."}},
		parts: []piece{
			{label: "1", name: "counter-lung", function: "gas_tight", layer: 1, made: []stuff{certain("natural-rubber-vulcanised"), as("filler", "cotton")}, parts: []piece{
				{label: "1a", name: "relief valve", function: "hardware", layer: 2, made: []stuff{certain("silver-plate"), certain("brass")}},
				{label: "1b", name: "hose and mouthpiece", function: "gas_tight", layer: 1, made: []stuff{probable("natural-rubber-vulcanised"), certain("nickel-plate")}},
			}},
			{label: "2", name: "harness", function: "harness", layer: 2, made: []stuff{certain("cotton"), certain("nickel-plate")}},
			{label: "3", name: "canister", function: "container", layer: 2, removal: collection.ByTwoPeople, made: []stuff{certain("nickel-plate"), probable("soda-lime-absorbent")}},
			{label: "4", name: "bottle bracket", function: "hardware", layer: 2, made: []stuff{certain("steel-carbon"), as("coating", "lead-paint")}},
		},
		joints: []meeting{{a: "1", b: "3", meets: "threaded", contact: "direct", state: "seized", gasTight: true}, {a: "1", b: "2", meets: "laced", contact: "direct", state: "engaged"}, {a: "1", b: "1a", meets: "threaded", contact: "direct", state: "engaged"}},
		hazards: []danger{
			{"3", "soda-lime", "probable", "record", "charge of the canister, not recorded as removed", "intact", "Keep upright; do not open, tip or shake.", ""},
			{"1", "oxygen-fouled", "possible", "sight", "grease at the valve", "intact", "Never pressurise.", ""}},
	},
	{
		facts: collection.ObjectFacts{Number: "1968.14.5", Title: "Kapok life vest", Kind: "survival equipment › life vest", Description: "Two-lobed vest with kapok in PVC covers under a cotton cover, with tapes.", DateMade: "1956", PlaceMade: "Tidehaven", Makers: []string{},
			NotKnown: []string{"maker"}, LegalStatus: collection.Accessioned, Department: "Sea survival", Subject: "Pilot boat service", Features: "", Dimensions: dims("height", "560", "", "width", "480", ""), MassKG: dec("1.9"),
			Marks: []collection.Inscription{inscription("stencil", "back", "PILOT 7", "boat and number")}},
		drawn: lifeVest, homeCode: "S2-C",
		parts: []piece{
			{label: "1", name: "filling", function: "padding", layer: 1, count: 2, made: []stuff{certain("kapok")}},
			{label: "2", name: "inner covers", function: "gas_tight", layer: 2, count: 2, joined: "welded", made: []stuff{tested("pvc-plasticised")}},
			{label: "3", name: "outer cover", function: "cover", layer: 3, made: []stuff{certain("cotton")}},
			{label: "4", name: "tapes", function: "closure", layer: 3, count: 4, made: []stuff{certain("cotton")}},
		},
		joints:  []meeting{{a: "1", b: "2", meets: "loose", contact: "direct", state: "engaged", gasTight: true}, {a: "2", b: "3", meets: "sewn", contact: "direct", state: "engaged"}},
		hazards: []danger{{"1", "pesticide", "possible", "record", "kapok filling", "sealed", "Gloves; no opening of the covers.", "Store lists of the time name treated kapok."}},
	},
	{
		facts: collection.ObjectFacts{Number: "1968.14.6", Title: "Weight belt", Kind: "diving equipment › weight belt", Description: "Canvas belt with five cast lead weights and a brass buckle.", DateMade: "195X", Makers: []string{}, NotKnown: []string{"maker", "inscriptions"}, PlaceMade: "not known",
			LegalStatus: collection.Accessioned, Department: "Diving", Dimensions: dims("length", "820", "", "height", "90", ""), MassKG: dec("11.4")},
		drawn: weightBelt, homeCode: "S2-C",
		parts: []piece{
			{label: "1", name: "belt", function: "harness", layer: 0, made: []stuff{certain("cotton")}},
			{label: "2", name: "weights", function: "weight", layer: 1, count: 5, removal: collection.Freely, made: []stuff{certain("lead")}},
			{label: "3", name: "buckle", function: "closure", layer: 1, made: []stuff{certain("brass")}},
		},
		joints:  []meeting{{a: "1", b: "2", meets: "loose", contact: "direct", state: "engaged"}, {a: "1", b: "3", meets: "sewn", contact: "direct", state: "engaged"}},
		hazards: []danger{{"2", "lead", "certain", "sight", "white powder on two weights", "damaged", "Gloves, mask; HEPA; own tray.", "White corrosion grows."}},
	},
	{
		facts: collection.ObjectFacts{Number: "1968.14.7", Title: "Diving mask", Kind: "diving equipment › mask", Description: "Oval mask of black rubber with a plastic lens in a nickel-plated band.", DateMade: "1939?", Makers: []string{"Havnsund Rubber Works (invented)"}, PlaceMade: "Havnsund",
			LegalStatus: collection.Accessioned, Department: "Diving", Features: "Lens yellowed on one side.", Dimensions: dims("width", "180", "", "height", "110", ""), MassKG: dec("0.34"), NotKnown: []string{"inscriptions"}},
		drawn: mask, homeCode: "S2-D",
		parts: []piece{
			{label: "1", name: "skirt", function: "seal", layer: 1, made: []stuff{certain("natural-rubber-vulcanised")}},
			{label: "2", name: "lens", function: "hardware", layer: 2, made: []stuff{tested("cellulose-nitrate")}},
			{label: "3", name: "band", function: "hardware", layer: 2, made: []stuff{certain("nickel-plate"), certain("brass")}},
			{label: "4", name: "strap", function: "harness", layer: 2, attribution: collection.Reproduction, evidence: "Bought for the exhibition of 1990; order in the file.", made: []stuff{probable("silicone-rubber")}},
		},
		joints:  []meeting{{a: "1", b: "2", meets: "loose", contact: "direct", state: "engaged", gasTight: true}, {a: "2", b: "3", meets: "loose", contact: "direct", state: "engaged"}},
		hazards: []danger{{"2", "cellulose-nitrate", "certain", "test", "lens", "intact", "Apart, cool, aired; no ignition; the fire officer knows the place.", ""}},
	},
	{
		facts: collection.ObjectFacts{Number: "1968.14.8", Title: "Wrist depth gauge", Kind: "diving equipment › depth gauge", Description: "Gauge with a luminous dial on a leather strap.", DateMade: "1952", Makers: []string{"Lodestar Instruments (invented)"}, PlaceMade: "Tidehaven",
			LegalStatus: collection.Accessioned, Department: "Diving", Dimensions: dims("diameter", "88", "", "length", "200", "strap closed"), MassKG: dec("0.21"), Marks: []collection.Inscription{inscription("engraving", "back of the case", "LODESTAR 60 M", "maker and range")}},
		drawn: depthGauge, homeCode: "S2-D",
		assessed: []danger{{label: "1a", kind: "radium", note: "Dose rate at 100 mm measured; glass sound, no flakes."}},
		parts: []piece{
			{label: "1", name: "case", function: "instrument", layer: 1, made: []stuff{certain("brass"), certain("chromium-plate")}, parts: []piece{{label: "1a", name: "dial and hand", function: "instrument", layer: 1, made: []stuff{possible("luminous-radium")}}}},
			{label: "2", name: "strap", function: "harness", layer: 0, made: []stuff{certain("leather-vegetable")}},
		},
		joints:  []meeting{{a: "1", b: "2", meets: "sewn", contact: "direct", state: "engaged"}},
		hazards: []danger{{"1a", "radium", "probable", "sight", "luminous paint of dial and hand", "intact", "Do not open; short time, distance; aired store.", "Not yet measured."}},
	},
	{
		facts: collection.ObjectFacts{Number: "1991.5.3", Title: "Pair of latex dry gloves", Kind: "diving equipment › gloves", Description: "Thin gloves of dipped latex, already crumbling at the cuffs.", DateMade: "198X", Makers: []string{}, NotKnown: []string{"maker", "inscriptions"}, PlaceMade: "not known",
			LegalStatus: collection.Study, Department: "Diving", Dimensions: dims("length", "260", ""), MassKG: dec("0.11")},
		drawn: gloves, homeCode: "S2-D",
		parts:   []piece{{label: "1", name: "glove", side: "left", function: "gas_tight", layer: 0, removal: collection.Freely, made: []stuff{certain("natural-rubber-latex")}}, {label: "2", name: "glove", side: "right", function: "gas_tight", layer: 0, removal: collection.Freely, made: []stuff{certain("natural-rubber-latex")}}},
		joints:  []meeting{{a: "1", b: "2", meets: "loose", contact: "barrier", state: "engaged"}},
		hazards: []danger{{"", "latex", "certain", "sight", "crumbs", "damaged", "Nitrile gloves; mask for dust.", ""}},
	},
	{
		facts: collection.ObjectFacts{Number: "1968.14.9", Title: "Diver's knife with cork handle", Kind: "diving equipment › knife", Description: "Steel blade, brass guard, handle of turned cork so that it floats.", DateMade: "1940/1950", Makers: []string{"E. Strand (invented)"}, PlaceMade: "Tidehaven",
			LegalStatus: collection.Accessioned, Department: "Diving", Dimensions: dims("length", "300", ""), MassKG: dec("0.26"), Marks: []collection.Inscription{inscription("stamp", "blade, near the guard", "E. STRAND", "maker")}},
		drawn: knife, homeCode: "S2-D",
		parts:   []piece{{label: "1", name: "blade", function: "other", layer: 0, made: []stuff{certain("steel-carbon")}}, {label: "2", name: "guard", function: "hardware", layer: 1, made: []stuff{certain("brass")}}, {label: "3", name: "handle", function: "other", layer: 1, made: []stuff{certain("cork"), as("coating", "oil-alkyd-paint")}}},
		joints:  []meeting{{a: "1", b: "3", meets: "glued", contact: "direct", state: "engaged"}},
		hazards: []danger{{"1", "physical", "certain", "sight", "edge of the blade", "intact", "Guard the edge.", ""}},
	},
	{
		facts: collection.ObjectFacts{Number: "1975.1.4", Title: "Diver's telephone set", Kind: "diving equipment › telephone", Description: "Set in a leather-covered case with a phenolic panel, loudspeaker and battery.", DateMade: "1949", Makers: []string{"Lodestar Instruments (invented)"}, PlaceMade: "Tidehaven",
			LegalStatus: collection.Deposit, Owner: "Harbour Authority of Tidehaven (invented)", Department: "Diving", Dimensions: dims("width", "400", "", "height", "280", "", "depth", "180", ""), MassKG: dec("9.3"), Marks: []collection.Inscription{inscription("engraving", "panel", "SPEAK CLEARLY", "")}},
		drawn: telephone, homeCode: "S2-C",
		assessed: []danger{{label: "2", kind: "asbestos", note: "Moulding sound, edges closed; no dust."}},
		parts: []piece{
			{label: "1", name: "case", function: "container", layer: 0, made: []stuff{certain("leather-chrome"), certain("plywood")}}, {label: "2", name: "panel", function: "instrument", layer: 1, made: []stuff{certain("phenolic-plastic")}},
			{label: "3", name: "loudspeaker", function: "instrument", layer: 1, made: []stuff{certain("brass"), unidentified("body")}}, {label: "4", name: "battery", function: "instrument", layer: 1, removal: collection.Freely, made: []stuff{probable("zinc-alloy")}},
		},
		joints:  []meeting{{a: "1", b: "2", meets: "threaded", contact: "direct", state: "engaged"}, {a: "1", b: "4", meets: "loose", contact: "direct", state: "engaged"}},
		hazards: []danger{{"4", "batteries", "certain", "sight", "in the left compartment", "intact", "No charging, no probing.", ""}, {"2", "asbestos", "possible", "record", "filler of the phenolic panel", "intact", "No drilling, no dust.", "Not tested."}},
	},
	{
		facts: collection.ObjectFacts{Number: "1969.2.1", Title: "Spare copper helmet", Kind: "diving equipment › helmet", Description: "Three-window helmet with its corselet, without dress.", DateMade: "192X", Makers: []string{"Havnsund Rubber Works (invented)"}, PlaceMade: "Havnsund",
			LegalStatus: collection.Accessioned, Department: "Diving", Subject: "Harbour work under water", Features: "Dent above the left window.", Dimensions: dims("height", "480", "", "width", "460", ""), MassKG: dec("17.8"), Marks: []collection.Inscription{inscription("stamp", "neck ring", "88", "helmet number")}},
		drawn: helmet, homeCode: "G-1",
		parts:  []piece{{label: "1", name: "shell", function: "container", layer: 1, made: []stuff{certain("copper"), as("plating", "tin-coating")}}, {label: "2", name: "windows", function: "hardware", layer: 1, count: 3, made: []stuff{certain("brass"), certain("glass-soda-lime")}}, {label: "3", name: "corselet", function: "hardware", layer: 1, removal: collection.ByTwoPeople, made: []stuff{certain("copper")}}},
		joints: []meeting{{a: "1", b: "3", meets: "bayonet", contact: "direct", state: "engaged"}},
	},
	{
		facts: collection.ObjectFacts{Number: "2003.7.1", Title: "Trainee's immersion suit", Kind: "protective dress › survival dress › immersion suit", Description: "Training suit of polychloroprene-coated nylon, well aired, zip held open.", DateMade: "2001", Makers: []string{"Tidewater Safety Equipment (invented)"}, PlaceMade: "Tidehaven",
			LegalStatus: collection.Accessioned, Department: "Sea survival", Dimensions: dims("height", "1850", ""), MassKG: dec("4.9"), Marks: []collection.Inscription{inscription("label", "collar", "TRAINING ONLY", "")}},
		drawn: escapeSuit, homeCode: "S1-A",
		parts:  []piece{{label: "1", name: "shell", function: "gas_tight", layer: 1, made: []stuff{certain("nylon-fibre"), as("coating", "polychloroprene")}}, {label: "2", name: "zip", function: "closure", layer: 1, made: []stuff{certain("polyamide-moulding")}}},
		joints: []meeting{{a: "1", b: "2", meets: "zip", contact: "direct", state: "held_open"}},
	},
	{
		facts: collection.ObjectFacts{Number: "1984.3.2", Title: "Dry-suit glove on its ring", Kind: "diving equipment › gloves", Description: "Left glove of a second suit on its cuff ring, kept apart by three glass-fibre spacers so that air passes.", DateMade: "1967/1972", Makers: []string{"Nordvik Diving (invented)"}, PlaceMade: "Nordvik",
			LegalStatus: collection.Accessioned, Department: "Diving", Dimensions: dims("length", "330", "ring to finger tip"), MassKG: dec("0.42"), NotKnown: []string{"inscriptions"}},
		drawn: gloves, homeCode: "S2-D",
		parts: []piece{
			{label: "1", name: "cuff ring", side: "left", function: "hardware", layer: 1, made: []stuff{certain("anodised-aluminium")}},
			{label: "2", name: "glove", side: "left", function: "gas_tight", layer: 1, removal: collection.Freely, made: []stuff{certain("polychloroprene")}},
		},
		joints: []meeting{{a: "1", b: "2", meets: "ring_lock", contact: "gap", gapMM: "3", state: "held_open"}},
	},
	{
		facts: collection.ObjectFacts{Number: "1975.1.9", Title: "Sounding lead in its box", Kind: "navigation equipment › sounding lead", Description: "Hand lead with a hollow for tallow, in a fitted oak box whose sliding lid closes tight.", DateMade: "191X", Makers: []string{"E. Strand (invented)"}, PlaceMade: "Tidehaven",
			LegalStatus: collection.Accessioned, Department: "Diving", Dimensions: dims("length", "330", "box", "width", "110", "box"), MassKG: dec("5.6"), Marks: []collection.Inscription{inscription("stamp", "lid, inside", "E. STRAND", "maker")}},
		drawn: soundingLead, homeCode: "S2-C",
		parts: []piece{
			{label: "1", name: "lead", function: "weight", layer: 0, removal: collection.Freely, made: []stuff{certain("lead")}},
			{label: "2", name: "box", function: "container", layer: 1, made: []stuff{certain("oak")}},
			{label: "3", name: "lid", function: "container", layer: 1, made: []stuff{certain("oak")}},
		},
		joints: []meeting{
			{a: "1", b: "2", meets: "rests_on", contact: "direct", state: "engaged", gasTight: true},
			{a: "2", b: "3", meets: "loose", contact: "direct", state: "engaged", gasTight: true}},
		hazards: []danger{{"1", "lead", "certain", "sight", "white bloom at the eye", "damaged", "Gloves, mask; own tray.", "Grows since the box is kept shut."}},
	},
}
