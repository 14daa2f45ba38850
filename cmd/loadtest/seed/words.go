package seed

import (
	"fmt"
	"strings"
)

// family is a kind of object with the parts that it is made of, the commonest first.
type family struct {
	kind, noun, department string
	parts                  []part
}

// part is a component as it is invented. above is the index of the part that carries it, -1 for none;
// it comes before its parts.
type part struct {
	name, side, function string
	above                int
	materials            []string
}

var (
	rubbers = []string{"natural-rubber-vulcanised", "natural-rubber-latex", "polychloroprene", "polychloroprene-foam", "rubberised-cloth", "butyl-rubber"}
	cloths  = []string{"cotton", "linen", "wool", "nylon-fibre", "polyester-fibre", "rubberised-cloth", "silk"}
	metals  = []string{"copper", "brass", "aluminium-alloy", "steel-carbon", "lead", "bronze", "nickel-plate"}
	soft    = []string{"leather-vegetable", "cotton", "wool", "kapok", "cork", "polyurethane-ether-foam"}
	papers  = []string{"paper-label", "cotton", "cellulose-nitrate", "pvc-plasticised"}
	hard    = []string{"glass-soda-lime", "ebonite", "acrylic-sheet", "cellulose-acetate", "brass"}
)

// families are invented after no object in particular. Every one has twelve parts.
var families = []family{
	{"protective dress › diving dress", "diving dress", "Diving", []part{
		{"suit body", "none", "gas_tight", -1, rubbers}, {"cuff", "left", "seal", 0, rubbers}, {"cuff", "right", "seal", 0, rubbers},
		{"collar", "none", "gas_tight", 0, rubbers}, {"helmet", "none", "hardware", -1, metals}, {"corselet", "none", "hardware", -1, metals},
		{"window", "none", "other", 4, hard}, {"boot", "left", "weight", -1, soft}, {"boot", "right", "weight", -1, soft},
		{"wing nut", "none", "closure", 5, metals}, {"gasket", "none", "seal", 5, soft}, {"maker's label", "none", "label", 0, papers}}},
	{"protective dress › immersion suit", "immersion suit", "Survival", []part{
		{"outer suit", "none", "cover", -1, cloths}, {"lining", "none", "lining", 0, soft}, {"zip", "none", "closure", 0, metals},
		{"hood", "none", "gas_tight", 0, rubbers}, {"glove", "left", "gas_tight", -1, rubbers}, {"glove", "right", "gas_tight", -1, rubbers},
		{"seam tape", "none", "seal", 0, rubbers}, {"sole", "left", "padding", 0, soft}, {"sole", "right", "padding", 0, soft},
		{"reflective band", "none", "other", 0, papers}, {"lifting strap", "none", "harness", 0, cloths}, {"size label", "none", "label", 0, papers}}},
	{"breathing set › rebreather", "rebreather", "Diving", []part{
		{"counter-lung", "none", "gas_tight", -1, rubbers}, {"harness", "none", "harness", -1, cloths}, {"canister", "none", "container", -1, metals},
		{"mouthpiece", "none", "seal", 0, rubbers}, {"hose", "none", "gas_tight", 0, rubbers}, {"valve", "none", "hardware", 4, metals},
		{"buckle", "none", "closure", 1, metals}, {"gauge", "none", "instrument", 2, hard}, {"strap", "left", "harness", 1, cloths},
		{"strap", "right", "harness", 1, cloths}, {"cover plate", "none", "cover", 2, metals}, {"number plate", "none", "label", 2, metals}}},
	{"survival gear › life vest", "life vest", "Survival", []part{
		{"cover", "none", "cover", -1, cloths}, {"filling", "none", "padding", 0, soft}, {"tape", "none", "harness", 0, cloths},
		{"collar", "none", "padding", 0, soft}, {"whistle", "none", "other", -1, hard}, {"lamp", "none", "instrument", -1, hard},
		{"inflator", "none", "hardware", -1, metals}, {"bladder", "none", "gas_tight", 0, rubbers}, {"toggle", "none", "closure", 2, soft},
		{"pocket", "none", "other", 0, cloths}, {"cord", "none", "harness", 4, cloths}, {"inspection label", "none", "label", 0, papers}}},
	{"instrument › depth gauge", "depth gauge", "Instruments", []part{
		{"case", "none", "container", -1, metals}, {"dial", "none", "instrument", 0, metals}, {"glass", "none", "cover", 0, hard},
		{"strap", "none", "harness", -1, soft}, {"hand", "none", "instrument", 1, metals}, {"tube", "none", "instrument", 0, metals},
		{"crown", "none", "hardware", 0, metals}, {"buckle", "none", "closure", 3, metals}, {"gasket", "none", "seal", 0, rubbers},
		{"back plate", "none", "cover", 0, metals}, {"keeper", "none", "closure", 3, soft}, {"case label", "none", "label", 0, papers}}},
	{"protective dress › fire dress", "fire dress", "Industry", []part{
		{"jacket", "none", "cover", -1, cloths}, {"trousers", "none", "cover", -1, cloths}, {"jacket lining", "none", "lining", 0, soft},
		{"trouser lining", "none", "lining", 1, soft}, {"hood", "none", "insulation", -1, cloths}, {"visor", "none", "other", 4, hard},
		{"glove", "left", "insulation", -1, soft}, {"glove", "right", "insulation", -1, soft}, {"belt", "none", "harness", -1, soft},
		{"hook", "none", "hardware", 8, metals}, {"clasp", "none", "closure", 0, metals}, {"laundry label", "none", "label", 0, papers}}},
	{"breathing set › smoke helmet", "smoke helmet", "Industry", []part{
		{"helmet shell", "none", "hardware", -1, metals}, {"neck curtain", "none", "seal", 0, cloths}, {"window", "left", "other", 0, hard},
		{"window", "right", "other", 0, hard}, {"hose", "none", "gas_tight", -1, rubbers}, {"bellows", "none", "container", -1, soft},
		{"speaking plate", "none", "instrument", 0, metals}, {"head pad", "none", "padding", 0, soft}, {"coupling", "none", "hardware", 4, metals},
		{"belt", "none", "harness", -1, soft}, {"wing nut", "none", "closure", 0, metals}, {"brass plate", "none", "label", 0, metals}}},
	{"flying dress › pressure suit", "pressure suit", "Flight", []part{
		{"bladder", "none", "gas_tight", -1, rubbers}, {"restraint layer", "none", "restraint", 0, cloths}, {"cover layer", "none", "cover", 1, cloths},
		{"neck ring", "none", "hardware", -1, metals}, {"glove", "left", "gas_tight", -1, rubbers}, {"glove", "right", "gas_tight", -1, rubbers},
		{"wrist ring", "left", "hardware", 4, metals}, {"wrist ring", "right", "hardware", 5, metals}, {"entry zip", "none", "closure", 1, metals},
		{"vent hose", "none", "gas_tight", 0, rubbers}, {"cable", "none", "restraint", 1, metals}, {"name tape", "none", "label", 2, papers}}},
}

// departments of the invented museum, each of some families.
var departments = []string{"Diving", "Survival", "Instruments", "Industry", "Flight"}

var (
	qualities = strings.Fields(`early heavy light folded patched repaired waxed oiled padded quilted laced riveted stitched ribbed lined sealed
		studded buckled hooded strapped weighted banded reinforced collared sleeved boxed issued unissued trial training ceremonial spare
		winter tropical coastal harbour deepwater shallow rescue escape standard modified experimental cutdown`)
	states = strings.Fields(`cracked stiff soft sticky dusty creased faded stained torn frayed corroded pitted tarnished brittle split
		loose detached flattened blistered crazed bloomed browned yellowed softened swollen shrunken worn abraded perforated rusted verdigris
		powdery greasy mouldy wrinkled bent dented scratched chipped missing mended darned`)
	places = strings.Fields(`shoulder elbow knee ankle wrist neck waist chest back seat crotch sleeve hem seam placket yoke gusset fold
		edge rim flange thread socket spigot valve seat eyelet grommet strap loop pocket flap lining face inside outside underside`)
	doings = strings.Fields(`found bought given issued returned repaired tested inspected cleaned stored shown copied drawn measured
		weighed listed marked renumbered transferred salvaged washed dried pressed hung rolled packed unpacked`)
	sources = strings.Fields(`estate family crew yard station workshop school arsenal depot lifeboat trawler tender barge pilot
		salvor dealer collector hospital laboratory mine brigade squadron survey expedition lighthouse`)
	occasions = strings.Fields(`regatta sinking fire survey trial wreck rescue storm auction closure refit parade exhibition expedition
		jubilee strike blockade thaw flood`)
	givenNames = strings.Fields(`Ada Bruno Clio Dorte Emil Frida Gustav Hedda Ivo Jonna Karl Lene Mats Nora Olaf Petra Quirin Rosa Sven Thea
		Ulf Vera Wim Ylva Zeno Agnes Birk Carla Dag Elsa Finn Greta Hans Ida Jens Kaja Lars Mona Nils Oda`)
	familyNames = strings.Fields(`Abel Brandt Corvin Drost Elster Falk Grote Holm Isaksen Jansen Kvist Lund Morck Nyberg Osten Pryce Quill
		Rask Stove Thorn Urban Vane Winter Ystad Zander Amsel Beck Crane Dunn Ebbe Fenn Gale Hext Ibsen Juul Keel Loom Mast Noble Oakes`)
	onsets  = strings.Fields(`Al Bar Cor Dun Er Fen Gal Har Il Jor Kel Lor Mar Nor Or Pel Ros Sel Tor Ul Var Wen Yar Zel`)
	middles = strings.Fields(`an be co di en fa go hi in ko la mi no or pa ri sa te um vo`)
	ends    = strings.Fields(`berg dale ford gate haven holm mouth ness port sand stad strand sund vik wick`)
	trades  = []string{"& Sons", "Brothers", "Works", "Rubber", "Marine", "Apparatus", "Supply", "Foundry", "Instrument", "Weavers"}
)

// makers is how many makers there are; every one has a name of its own.
const makers = 4800

// maker is a maker's name by its number.
func maker(n int) string {
	return town(n%(len(onsets)*len(middles)*len(ends))) + " " + trades[n/len(ends)%len(trades)]
}

// town is an invented place by its number.
func town(n int) string {
	return onsets[n%len(onsets)] + middles[n/len(onsets)%len(middles)] + ends[n/len(onsets)/len(middles)%len(ends)]
}

// described is a description of a few sentences.
func described(d dice, f family) string {
	var b strings.Builder
	fmt.Fprintf(&b, "A %s %s, %s and %s at the %s. ", pick(d, qualities), f.noun, pick(d, states), pick(d, states), pick(d, places))
	fmt.Fprintf(&b, "The %s is %s; the %s was %s at the %s.", pick(d, f.parts).name, pick(d, states), pick(d, f.parts).name, pick(d, doings), pick(d, sources))
	if d.often(500) {
		fmt.Fprintf(&b, " It was %s after the %s of %s and %s for the %s.", pick(d, doings), pick(d, occasions), town(d.IntN(400)), pick(d, doings), pick(d, occasions))
	}
	return b.String()
}

// noted is a short note on a handling or a move.
func noted(d dice) string {
	return "Laid on the " + pick(d, places) + "; " + pick(d, states) + " " + pick(d, places) + " seen."
}
