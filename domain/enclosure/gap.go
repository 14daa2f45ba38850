package enclosure

import (
	"fmt"
	"math"
	"slices"

	"farthingale/domain"
)

// Shape is the form of an opening.
type Shape string

// The shapes. A slit, a hole or a lying ring is at one level, so no stack of warm or cold air drives
// it; a pair is one low and one high opening of the same make.
const (
	Slit         Shape = "slit"          // Width, Length, Depth; Count
	SlitPair     Shape = "slit-pair"     // Width, Length and Depth of each; Height between them; TempDiff
	RingStanding Shape = "ring-standing" // axis level: Diameter, Width, Depth; TempDiff
	RingLying    Shape = "ring-lying"    // axis upright: Diameter, Width, Depth
	Hole         Shape = "hole"          // round: Diameter, Depth; Count
	HolePair     Shape = "hole-pair"     // wide, round: Diameter of the lower, UpperDiameter unless the same, Depth, Height between, TempDiff
	TallOpening  Shape = "tall-opening"  // one wide opening: Width, Height of itself, Depth; TempDiff
)

// Shapes lists every shape in the order in which they are shown.
var Shapes = []Shape{Slit, SlitPair, RingStanding, RingLying, Hole, HolePair, TallOpening}

// Words is the shape as people would say it.
func (s Shape) Words() string {
	switch s {
	case Slit:
		return "a slit at one level"
	case SlitPair:
		return "two slits, one low and one high"
	case RingStanding:
		return "a ring gap, the ring's axis level"
	case RingLying:
		return "a ring gap, the ring's axis upright"
	case Hole:
		return "round holes at one level"
	case HolePair:
		return "two wide round holes, one low and one high"
	case TallOpening:
		return "one wide opening"
	}
	return string(s)
}

// Words is the shape with the measures that are given.
func (g *Gap) Words() string {
	words := g.Shape.Words()
	if g.Count > 1 {
		words += fmt.Sprintf("; %d of them", g.Count)
	}
	for _, m := range []struct {
		name, unit string
		q          Quantity
	}{{"diameter", "mm", g.DiameterMM}, {"width", "mm", g.WidthMM}, {"length", "mm", g.LengthMM}, {"depth", "mm", g.DepthMM}, {"upper diameter", "mm", g.UpperDiameterMM},
		{"height", "mm", g.HeightMM}, {"difference of temperature", "K", g.TempDiffK}} {
		if m.q.Given() {
			words += fmt.Sprintf("; %s %s, %s", m.name, m.q.Range(m.unit), m.q.Basis)
		}
	}
	if g.Blocked {
		words += "; blocked by a liner or packing"
	}
	return words
}

// Gap is an opening through which a space exchanges air, and what drives the exchange. Which fields a
// shape uses stands at the shape; others must be left out.
type Gap struct {
	Shape           Shape    `json:"shape" validate:"required,oneof=slit slit-pair ring-standing ring-lying hole hole-pair tall-opening"`
	Count           int      `json:"count,omitzero" validate:"gte=0,lte=1000"` // alike slits or holes at one level; 0 is one
	WidthMM         Quantity `json:"width_mm,omitzero"`                        // the narrow way across; of a tall opening its width
	LengthMM        Quantity `json:"length_mm,omitzero"`                       // along the slit
	DepthMM         Quantity `json:"depth_mm,omitzero"`                        // through the wall: the way the gas must go
	DiameterMM      Quantity `json:"diameter_mm,omitzero"`                     // of the ring or the hole
	UpperDiameterMM Quantity `json:"upper_diameter_mm,omitzero"`               // of the higher hole; missing: the same
	HeightMM        Quantity `json:"height_mm,omitzero"`                       // between low and high; of a tall opening its height
	TempDiffK       Quantity `json:"temp_diff_k,omitzero"`                     // size of the difference, inside to outside

	// DailyTempK and DailyPressureHPa are the daily changes that make the space breathe. Both missing:
	// 0.02 air changes per day are taken, and said.
	DailyTempK       Quantity `json:"daily_temp_k,omitzero"`
	DailyPressureHPa Quantity `json:"daily_pressure_hpa,omitzero"`

	// InnerDepthMM and InnerWidthMM are of the space behind the gap. When it is deeper than three times
	// its width, mixing inside it limits the exchange too. Both missing: taken as well mixed.
	InnerDepthMM Quantity `json:"inner_depth_mm,omitzero"`
	InnerWidthMM Quantity `json:"inner_width_mm,omitzero"`

	Blocked bool   `json:"blocked,omitzero"`                                          // by a liner or packing: counts as closed, unless a rate is measured
	Inside  Warmth `json:"inside,omitempty" validate:"omitempty,oneof=warmer colder"` // for words only
	Faces   Facing `json:"faces,omitempty" validate:"omitempty,oneof=up down"`        // for words only: a slit, a hole, a lying ring
}

// Warmth says how the inside compares with the outside; empty: not known.
type Warmth string

// The two ways.
const (
	Warmer Warmth = "warmer"
	Colder Warmth = "colder"
)

// Facing says where an opening looks; empty: not known.
type Facing string

// The two ways that matter.
const (
	Up   Facing = "up"
	Down Facing = "down"
)

// BreathingPerDay is taken for a leaky space whose daily changes are not given. Common practice.
const BreathingPerDay = 0.02

const (
	wideMM      = 10.0 // from here on an opening is wide: friction at its walls matters little
	bendLoss    = 1.5  // loss of speed at the ends of a straight crack
	holeOutflow = 0.6  // share of the ideal flow through a wide sharp opening
	deepShare   = 3.0  // deeper than so many widths: not well mixed
)

// Cautions that go with every gap.
const (
	cautionDirt  = "A gap also lets in dust, insects, ozone and damp."
	cautionRing  = "The ring must stay supported; never force a ring to make a gap."
	cautionNot   = "Not counted: what passes through rubber or cloth itself, wind and handling (each raises the exchange)."
	cautionBlock = "The gap is blocked by a liner or packing: it counts as closed. Measure the exchange if you need better."
)

// GapExchange is the exchange of one gas through one gap.
type GapExchange struct {
	Gas       Gas      `json:"gas"`
	PerDay    Figure   `json:"per_day"`   // the whole, in air changes of the inner space
	Diffusion Figure   `json:"diffusion"` // its parts
	Stack     Figure   `json:"stack"`
	Breathing Figure   `json:"breathing"`
	Inside    Figure   `json:"inside,omitzero"` // mixing inside a deep narrow space, which limits the whole
	Deep      bool     `json:"deep,omitzero"`
	FlowM3H   Figure   `json:"flow_m3_h"`         // PerDay as a flow
	Missing   []string `json:"missing,omitempty"` // inputs that are not there: no figure is given then
	Cautions  []string `json:"cautions"`
	How       string   `json:"how,omitempty"` // how the ranges were found
	Inputs    []Input  `json:"inputs"`
}

// Exchange computes the exchange of a gas between a space of the given volume and what lies outside
// the gap. A pressure that is missing is taken as StandardHPa.
func (g Gap) Exchange(gas Gas, volumeM3 Quantity, air Air) (GapExchange, error) {
	var faults []domain.Field
	g.check("", &faults)
	volumeM3.check("", "/volume_m3", boundsVolume, &faults)
	air.check("", &faults)
	s, ok := gas.Substance()
	if !ok {
		faults = append(faults, domain.Field{Pointer: "/gas", Rule: "gas", Message: fmt.Sprintf("No gas %q is known here.", string(gas))})
	}
	if err := domain.InvalidFields(faults); err != nil {
		return GapExchange{}, err
	}
	f := func(l *look) []float64 {
		volume := l.take(&volumeM3, either, "volume", "") // lowers the rate but not the flow
		tempK, pa := air.take(l)
		d := s.take(l, tempK, pa, raises)
		k := g.leak(l, d, tempK, pa, volume, "of gap")
		return []float64{k.perDay, k.diffusion, k.stack, k.breathing, k.inside, k.perDay * volume / hoursPerDay}
	}
	l := firstLook(16)
	middle := f(l)
	x := GapExchange{Gas: gas, Cautions: l.notes.cautions, Inputs: l.notes.listed(), Missing: l.notes.missing}
	if len(x.Missing) > 0 {
		return x, nil
	}
	figures, how := l.notes.spread(f, middle, 100)
	x.PerDay, x.Diffusion, x.Stack, x.Breathing = figures[0], figures[1], figures[2], figures[3]
	x.Inside, x.FlowM3H, x.How, x.Deep = figures[4], figures[5], how, middle[4] > 0
	return x, nil
}

// Air is the state of the air, the same in every space of a network.
type Air struct {
	TempC       Quantity `json:"temp_c,omitzero"`
	PressureHPa Quantity `json:"pressure_hpa,omitzero"` // missing: StandardHPa
}

func (a *Air) check(pointer string, faults *[]domain.Field) {
	a.TempC.check(pointer, "/temp_c", boundsTempC, faults)
	a.PressureHPa.check(pointer, "/pressure_hpa", boundsPressure, faults)
}

// take is kelvin and pascal.
func (a *Air) take(l *look) (tempK, pa float64) {
	group := l.group
	l.group = noGroup
	defer func() { l.group = group }()
	tempK = l.take(&a.TempC, either, "temperature", "") + kelvin
	return tempK, a.pascal(l)
}

func (a *Air) pascal(l *look) float64 {
	if !a.PressureHPa.Given() {
		l.caution("No pressure is given: 1013 hPa is taken.")
		return standardPa
	}
	return l.take(&a.PressureHPa, either, "pressure", "") * pascalPerHPa
}

// take is the diffusion coefficient in m²/s, with its own uncertainty among the inputs.
func (s *Substance) take(l *look, tempK, pa float64, e effect) float64 {
	if s.Method == None {
		l.miss("diffusion coefficient of", s.Name)
		return math.NaN()
	}
	if s.Method == Fuller {
		l.caution("The diffusion coefficient of " + s.Name + " is an estimate from the make-up of its molecule, good to 30 %.")
	}
	group := l.group
	l.group = noGroup
	defer func() { l.group = group }()
	return l.take(&s.spread, e, "factor on the diffusion coefficient of", s.Name) * s.diffusion(tempK, pa)
}

// leak is the exchange by its parts, in air changes per day.
type leak struct {
	perDay, diffusion, stack, breathing float64
	inside                              float64 // 0 when well mixed
}

// leak computes it from d (m²/s) and the state of the air. Every part only grows with each length but
// the depth, and with each difference that drives it; the inner depth only lowers the whole.
//
// source: Fick's law with the end correction of a round hole (Brown & Escombe 1900; from memory), the
// depth of a slit lengthened by its width (assumed); Baker, Sharples & Ward 1987, Air flow through
// cracks (from memory); ASHRAE Handbook Fundamentals 1997, eq. 25.37.
func (g *Gap) leak(l *look, d, tempK, pa, volume float64, of string) leak {
	l.caution(cautionDirt)
	if g.Shape == RingStanding || g.Shape == RingLying {
		l.caution(cautionRing)
	}
	l.caution(cautionNot)
	if g.Blocked {
		l.caution(cautionBlock)
		return leak{}
	}
	mm := func(q *Quantity, e effect, what string) float64 { return l.take(q, e, what, of) / 1000 }
	diffuse := func(area, way float64) float64 { return d * area / way }
	drive := func(height float64) (pressure, share float64) {
		share = l.take(&g.TempDiffK, raises, "difference of temperature", of) / tempK
		return airDensity(tempK, pa) * gravity * height * share, share
	}
	var diffusion, stack float64 // m³/s
	switch g.Shape {
	case Slit, Hole:
		depth := mm(&g.DepthMM, lowers, "depth")
		if g.Shape == Slit {
			w, length := mm(&g.WidthMM, raises, "width"), mm(&g.LengthMM, raises, "length")
			diffusion = diffuse(w*length, depth+w)
			g.narrow(l, w)
		} else {
			r := mm(&g.DiameterMM, raises, "diameter") / 2
			diffusion = diffuse(math.Pi*r*r, depth+math.Pi*r/2)
		}
		diffusion *= float64(max(1, g.Count))
		g.turnsOver(l)
	case SlitPair:
		w, length, depth := mm(&g.WidthMM, raises, "width"), mm(&g.LengthMM, raises, "length"), mm(&g.DepthMM, lowers, "depth")
		pressure, _ := drive(mm(&g.HeightMM, raises, "height"))
		diffusion = 2 * diffuse(w*length, depth+w)
		stack = crackPair(w, length, depth, pressure, tempK, pa)
		g.narrow(l, w)
	case RingStanding, RingLying:
		ring, w, depth := mm(&g.DiameterMM, raises, "diameter"), mm(&g.WidthMM, raises, "width"), mm(&g.DepthMM, lowers, "depth")
		diffusion = diffuse(w*math.Pi*ring, depth+w)
		g.narrow(l, w)
		if g.Shape == RingLying {
			g.turnsOver(l)
			break
		}
		// The lower and the upper half lie apart by the distance of their middles.
		pressure, _ := drive(2 * ring / math.Pi)
		stack = crackPair(w, math.Pi*ring/2, depth, pressure, tempK, pa)
	case HolePair:
		depth, lower := mm(&g.DepthMM, lowers, "depth"), mm(&g.DiameterMM, raises, "diameter")
		upper := lower
		if g.UpperDiameterMM.Given() {
			upper = mm(&g.UpperDiameterMM, raises, "diameter of the higher hole")
		}
		height := mm(&g.HeightMM, raises, "height")
		_, share := drive(height)
		a1, a2 := math.Pi*lower*lower/4, math.Pi*upper*upper/4
		diffusion = diffuse(a1, depth+math.Pi*lower/4) + diffuse(a2, depth+math.Pi*upper/4)
		if both := math.Hypot(a1, a2); both > 0 {
			stack = holeOutflow * a1 * a2 / both * math.Sqrt(2*gravity*height*share)
		}
		g.wide(l, math.Min(lower, upper))
	case TallOpening:
		depth, w, height := mm(&g.DepthMM, lowers, "depth"), mm(&g.WidthMM, raises, "width"), mm(&g.HeightMM, raises, "height")
		_, share := drive(height)
		narrow := math.Min(w, height)
		if narrow > 0 {
			diffusion = diffuse(w*height, depth+narrow)
		}
		stack = holeOutflow / 3 * w * height * math.Sqrt(gravity*height*share)
		g.wide(l, narrow)
	}
	k := leak{diffusion: diffusion / volume * secondsADay, stack: stack / volume * secondsADay, breathing: g.breathing(l, tempK, pa, of)}
	k.perDay = k.diffusion + k.stack + k.breathing
	g.limit(l, &k, d, of)
	return k
}

// crackPair is the flow through two like cracks in series, m³/s.
func crackPair(w, length, depth, pressure, tempK, pa float64) float64 {
	if w <= 0 || length <= 0 || pressure <= 0 {
		return 0
	}
	friction := 2 * 12 * airViscosity(tempK) * depth / (w * w * w * length)
	loss := 2 * airDensity(tempK, pa) * bendLoss / (2 * w * w * length * length)
	return 2 * pressure / (friction + math.Sqrt(friction*friction+4*loss*pressure))
}

// breathing is what daily changes of temperature and pressure push out and draw in.
func (g *Gap) breathing(l *look, tempK, pa float64, of string) float64 {
	if !g.DailyTempK.Given() && !g.DailyPressureHPa.Given() {
		l.caution("Daily changes of temperature and pressure are not given: breathing of 0.02 air changes per day is taken (common practice).")
		return BreathingPerDay
	}
	return l.take(&g.DailyTempK, raises, "daily change of temperature", of)/tempK +
		l.take(&g.DailyPressureHPa, raises, "daily change of pressure", of)*pascalPerHPa/pa
}

// limit lowers the exchange of a deep narrow space to what mixing inside it lets through.
func (g *Gap) limit(l *look, k *leak, d float64, of string) {
	if !g.InnerDepthMM.Given() && !g.InnerWidthMM.Given() {
		l.caution("The space behind the gap is taken as well mixed. Give its depth and width when it is deep and narrow.")
		return
	}
	x := l.take(&g.InnerDepthMM, lowers, "depth of the space behind", of) / 1000
	across := l.take(&g.InnerWidthMM, raises, "width of the space behind", of) / 1000
	if !(x > deepShare*across) {
		return
	}
	k.inside = math.Pi * math.Pi / 4 * d / (x * x) * secondsADay
	if k.perDay > 0 {
		k.perDay = 1 / (1/k.perDay + 1/(k.inside+k.stack))
	}
}

func (g *Gap) narrow(l *look, width float64) {
	if width*1000 > wideMM {
		l.caution("The gap is wider than 10 mm but computed as a narrow one: take the figure as rough, or describe it as a wide opening.")
	}
}

func (g *Gap) wide(l *look, width float64) {
	if width*1000 < wideMM {
		l.caution("The opening is narrower than 10 mm but computed as a wide one: friction makes the true exchange smaller.")
	}
}

// turnsOver says what a single level does to the air.
func (g *Gap) turnsOver(l *look) {
	switch {
	case g.Faces == Up && g.Inside == Warmer, g.Faces == Down && g.Inside == Colder:
		l.caution("Unstable: warm air below cold air turns over through this opening, so the exchange is faster than computed.")
	case g.Faces == "" || g.Inside == "":
		l.caution("Taken as stable. If the air inside is warmer below an upward opening, or colder above a downward one, it turns over: faster.")
	}
}

// uses are the measures that the shape has; none for an unknown shape.
func (g *Gap) uses() []*Quantity {
	switch g.Shape {
	case Slit:
		return []*Quantity{&g.WidthMM, &g.LengthMM, &g.DepthMM}
	case SlitPair:
		return []*Quantity{&g.WidthMM, &g.LengthMM, &g.DepthMM, &g.HeightMM, &g.TempDiffK}
	case RingStanding:
		return []*Quantity{&g.DiameterMM, &g.WidthMM, &g.DepthMM, &g.TempDiffK}
	case RingLying:
		return []*Quantity{&g.DiameterMM, &g.WidthMM, &g.DepthMM}
	case Hole:
		return []*Quantity{&g.DiameterMM, &g.DepthMM}
	case HolePair:
		return []*Quantity{&g.DiameterMM, &g.UpperDiameterMM, &g.DepthMM, &g.HeightMM, &g.TempDiffK}
	case TallOpening:
		return []*Quantity{&g.WidthMM, &g.HeightMM, &g.DepthMM, &g.TempDiffK}
	}
	return nil
}

func (g *Gap) check(pointer string, faults *[]domain.Field) {
	fault := func(at, rule, message string) {
		*faults = append(*faults, domain.Field{Pointer: pointer + at, Rule: rule, Message: message})
	}
	used := g.uses()
	if len(used) == 0 {
		fault("/shape", "oneof", fmt.Sprintf("%q is no shape of a gap. Choose one of %v.", string(g.Shape), Shapes))
		return
	}
	for _, f := range []struct {
		name string
		q    *Quantity
		b    bounds
	}{
		{"/width_mm", &g.WidthMM, boundsGap}, {"/length_mm", &g.LengthMM, boundsLength}, {"/depth_mm", &g.DepthMM, boundsLength},
		{"/diameter_mm", &g.DiameterMM, boundsLength}, {"/upper_diameter_mm", &g.UpperDiameterMM, boundsLength},
		{"/height_mm", &g.HeightMM, boundsLength}, {"/temp_diff_k", &g.TempDiffK, boundsTempK},
	} {
		if f.q.Given() && !slices.Contains(used, f.q) {
			fault(f.name, "unused", fmt.Sprintf("A gap of shape %s has no such measure. Leave it out or choose another shape.", g.Shape))
			continue
		}
		f.q.check(pointer, f.name, f.b, faults)
	}
	g.DailyTempK.check(pointer, "/daily_temp_k", boundsTempK, faults)
	g.DailyPressureHPa.check(pointer, "/daily_pressure_hpa", boundsSwing, faults)
	g.InnerDepthMM.check(pointer, "/inner_depth_mm", boundsLength, faults)
	g.InnerWidthMM.check(pointer, "/inner_width_mm", boundsLength, faults)
	switch {
	case g.Count < 0 || g.Count > 1000:
		fault("/count", "range", "Give how many there are, at most 1000.")
	case g.Count > 1 && g.Shape != Slit && g.Shape != Hole:
		fault("/count", "unused", "Only slits and holes at one level are counted; give each other gap on its own.")
	}
	if g.Inside != "" && g.Inside != Warmer && g.Inside != Colder {
		fault("/inside", "oneof", "Say warmer or colder, or leave it out.")
	}
	if g.Faces != "" && g.Faces != Up && g.Faces != Down {
		fault("/faces", "oneof", "Say up or down, or leave it out.")
	}
}
