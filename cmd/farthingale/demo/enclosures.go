package demo

import (
	"fmt"
	"time"

	"farthingale/domain/enclosure"
)

// airSpace is an enclosure of the invented museum with what lies in each of its spaces.
type airSpace struct {
	label     string
	kind      enclosure.Form
	placeCode string
	note      string
	lies      []lying
	network   enclosure.Network
}

// lying is an object, or a part of it by its label, in a space.
type lying struct{ space, number, label string }

func assumed(v, least, greatest float64) enclosure.Quantity {
	return enclosure.Assumed.Of(v, "").Between(least, greatest)
}

func assumedJust(v float64) enclosure.Quantity { return enclosure.Assumed.Of(v, "") }

func measured(v, least, greatest float64, source string) enclosure.Quantity {
	return enclosure.Measured.Of(v, source).Between(least, greatest)
}

func cleanOf(name string, gases ...enclosure.Gas) []enclosure.Room {
	room := enclosure.Room{Name: name}
	for _, g := range gases {
		room.Levels = append(room.Levels, enclosure.GasLevel{Gas: g, UGM3: enclosure.Assumed.Of(0, "taken as free of it")})
	}
	return []enclosure.Room{room}
}

func gives(name string, area enclosure.Quantity, all ...enclosure.Emission) enclosure.Surface {
	return enclosure.Surface{Name: name, AreaM2: area, Emissions: all}
}

func at(tempC float64) enclosure.Air {
	return enclosure.Air{TempC: enclosure.Measured.Of(tempC, "thermohygrograph of the room (invented)")}
}

func rh(pct float64) enclosure.Quantity {
	return enclosure.Measured.Of(pct, "thermohygrograph of the room (invented)")
}

// airSpaces are what the laboratory has described. Every figure that is not published is invented.
var airSpaces = []airSpace{
	{label: "Right glove of the dry suit, closed on its ring", kind: enclosure.Glove, placeCode: "S1-B", note: "The ring lock is seized; the glove has been closed since it came.",
		lies: []lying{{"glove", "1984.3.1", "4"}, {"glove", "1984.3.1", "1c"}},
		network: enclosure.Network{Air: at(16), Rooms: cleanOf("store 1", enclosure.HydrogenChloride),
			Spaces: []enclosure.Space{{Name: "glove", VolumeM3: assumed(0.002, 0.0017, 0.0023), RHPct: rh(48),
				Surfaces: []enclosure.Surface{gives("polychloroprene, inside", assumed(0.1, 0.08, 0.12), enclosure.Emission{Gas: enclosure.HydrogenChloride, RateUGM2H: assumed(0.5, 0.1, 1)})}}},
			Exchanges: []enclosure.Exchange{{Name: "ring", Inner: "glove", Outer: "store 1", Gap: &enclosure.Gap{Shape: enclosure.RingLying, DiameterMM: measured(100, 99, 101, "calliper, 1984 (invented)"),
				DepthMM: assumed(10, 8, 12), WidthMM: assumedJust(0), DailyTempK: assumedJust(2), DailyPressureHPa: assumedJust(10)}}}}},
	{label: "Trainee's suit, zip held open", kind: enclosure.Garment, placeCode: "S1-A", note: "The twin that does well: the same rubber, but the zip stands open on a form.",
		lies: []lying{{"suit", "2003.7.1", ""}},
		network: enclosure.Network{Air: at(16), Rooms: cleanOf("store 1", enclosure.HydrogenChloride),
			Spaces: []enclosure.Space{{Name: "suit", VolumeM3: assumed(0.12, 0.1, 0.15), RHPct: rh(48),
				Surfaces: []enclosure.Surface{gives("polychloroprene coating, inside", assumed(3, 2.5, 3.5), enclosure.Emission{Gas: enclosure.HydrogenChloride, RateUGM2H: assumed(0.5, 0.1, 1)})}}},
			Exchanges: []enclosure.Exchange{{Name: "zip", Inner: "suit", Outer: "store 1", Gap: &enclosure.Gap{Shape: enclosure.TallOpening, WidthMM: assumed(60, 40, 80), HeightMM: assumed(600, 500, 700), DepthMM: assumedJust(5),
				TempDiffK: assumed(0.5, 0.2, 1), DailyTempK: assumedJust(2), DailyPressureHPa: assumedJust(10)}}}}},
	{label: "Closed box of the diving mask", kind: enclosure.Box, note: "Clear plastic box with a tight lid, used for the exhibition of 1990 and since.",
		lies: []lying{{"box", "1968.14.7", ""}},
		network: enclosure.Network{Air: at(18), Rooms: cleanOf("store 2", enclosure.NitrogenDioxide),
			Spaces: []enclosure.Space{{Name: "box", VolumeM3: measured(0.006, 0.0058, 0.0062, "ruler (invented)"), RHPct: rh(38),
				Surfaces: []enclosure.Surface{gives("cellulose nitrate lens, both sides", measured(0.03, 0.028, 0.032, "ruler (invented)"),
					enclosure.Emission{Gas: enclosure.NitrogenDioxide, RateUGM2H: measured(2, 1.2, 3, "diffusive sampler in the box, 14 days (invented)")})}}},
			Exchanges: []enclosure.Exchange{{Name: "lid", Inner: "box", Outer: "store 2", Rate: &enclosure.Rate{PerDay: assumed(0.1, 0.05, 0.3)}}}}},
	{label: "Store box of the escape suit", kind: enclosure.Box, placeCode: "S1-B", note: "Board box, lined with polyester film. No rate of the foam is known: a sampler is asked for.",
		lies: []lying{{"box", "1979.22.1", ""}},
		network: enclosure.Network{Air: at(16), Rooms: cleanOf("store 1", enclosure.AceticAcid),
			Spaces: []enclosure.Space{{Name: "box", VolumeM3: measured(0.18, 0.175, 0.185, "ruler (invented)"), RHPct: rh(48),
				Surfaces: []enclosure.Surface{gives("polyurethane ester foam lining", assumed(2.4, 2, 3), enclosure.Emission{Gas: enclosure.AceticAcid})}}},
			Exchanges: []enclosure.Exchange{{Name: "lid", Inner: "box", Outer: "store 1", Rate: &enclosure.Rate{PerDay: assumed(1, 0.5, 2)}}}}},
	{label: "Plywood drawer of the weight belt", kind: enclosure.Cupboard, placeCode: "LAB-2", note: "Bare plywood; white powder grows on two of the weights.",
		lies: []lying{{"drawer", "1968.14.6", ""}},
		network: enclosure.Network{Air: at(20), Rooms: cleanOf("laboratory", enclosure.AceticAcid),
			Spaces: []enclosure.Space{{Name: "drawer", VolumeM3: measured(0.06, 0.058, 0.062, "ruler (invented)"), RHPct: rh(52),
				Surfaces: []enclosure.Surface{gives("plywood", measured(0.3, 0.29, 0.31, "ruler (invented)"), enclosure.Emission{Gas: enclosure.AceticAcid,
					RateUGM2H: enclosure.Published.Of(55, "Smedemark et al. 2020, Heritage Science 8:58: wood and paper, formic and acetic acid together").Between(10, 300),
					TempC:     enclosure.Published.Of(23, "as the rate")})}}},
			Exchanges: []enclosure.Exchange{{Name: "drawer front", Inner: "drawer", Outer: "laboratory", Rate: &enclosure.Rate{PerDay: assumed(2, 1, 4)}}}}},
	{label: "Bag of the rebreather", kind: enclosure.Bag, note: "Polyethylene bag against dust, twisted shut. Silver plate and vulcanised rubber in one air.",
		lies: []lying{{"bag", "1971.8.1", "1"}, {"bag", "1971.8.1", "1a"}, {"bag", "1971.8.1", "1b"}},
		network: enclosure.Network{Air: at(18), Rooms: cleanOf("store 2", enclosure.HydrogenSulfide),
			Spaces: []enclosure.Space{{Name: "bag", VolumeM3: assumed(0.04, 0.03, 0.05), RHPct: rh(38),
				Surfaces: []enclosure.Surface{gives("vulcanised rubber of counter-lung and hose", assumed(0.5, 0.4, 0.6), enclosure.Emission{Gas: enclosure.HydrogenSulfide,
					RateUGM2H: measured(0.01, 0.005, 0.02, "diffusive sampler in the bag, 28 days (invented)")})}}},
			Exchanges: []enclosure.Exchange{{Name: "twisted neck", Inner: "bag", Outer: "store 2", Rate: &enclosure.Rate{PerDay: assumed(0.5, 0.2, 1)}}}}},
	{label: "Case 2 in the gallery", kind: enclosure.Case, placeCode: "G-2", note: "Painted steel with a plinth of coated board.",
		lies: []lying{{"case", "1969.2.1", ""}},
		network: enclosure.Network{Air: at(21), Rooms: cleanOf("gallery", enclosure.AceticAcid, enclosure.Formaldehyde),
			Spaces: []enclosure.Space{{Name: "case", VolumeM3: measured(0.8, 0.78, 0.82, "ruler (invented)"), RHPct: rh(45),
				Surfaces: []enclosure.Surface{gives("coated board of the plinth", measured(0.5, 0.49, 0.51, "ruler (invented)"),
					enclosure.Emission{Gas: enclosure.AceticAcid, RateUGM2H: assumed(30, 10, 100)},
					enclosure.Emission{Gas: enclosure.Formaldehyde, RateUGM2H: enclosure.Published.Of(60, "EN 717-1, class E1, at most 124 (from memory)").Between(0, 124)}),
					{Name: "glass and steel", AreaM2: measured(4.5, 4.3, 4.7, "ruler (invented)"), Uptakes: []enclosure.Uptake{{Gas: enclosure.AceticAcid, VelocityCMS: enclosure.Published.Of(0.01, "order of size after Grøntoft 2014 (from memory)").Between(0.001, 0.1)}}}}}},
			Exchanges: []enclosure.Exchange{{Name: "door", Inner: "case", Outer: "gallery", Rate: &enclosure.Rate{PerDay: assumed(0.6, 0.3, 1)}}}}},
}

// airs describes the air spaces, measures one, and recommends.
func (l *loader) airs() error {
	l.on(27, 10)
	ines := l.people["ines"]
	made := map[string]*enclosure.Enclosure{}
	for _, a := range airSpaces {
		f := enclosure.Facts{Label: a.label, Kind: a.kind, Note: a.note, Network: a.network}
		if a.placeCode != "" {
			place := l.places[a.placeCode]
			f.PlaceID = &place
		}
		for _, m := range a.lies {
			obj := l.objects[m.number]
			placed := enclosure.Placed{Space: m.space, ObjectID: obj.id}
			if m.label != "" {
				part := obj.component[m.label]
				placed.ComponentID = &part
			}
			f.Members = append(f.Members, placed)
		}
		e, err := l.h.Enclosure.Add(l.ctx, ines, f)
		if err != nil {
			return fmt.Errorf("%s: %w", a.label, err)
		}
		made[a.label] = e
	}
	if err := l.tracer(made["Case 2 in the gallery"]); err != nil {
		return err
	}
	l.on(26, 11)
	return l.recommendations(made)
}

// tracer measures the case by a night and a day of carbon dioxide.
func (l *loader) tracer(e *enclosure.Enclosure) error {
	d := enclosure.Decay{Tracer: enclosure.CarbonDioxide, BackgroundPPM: measured(425, 415, 435, "second logger in the gallery (invented)"), NoisePPM: 10, MixingHours: 1}
	for i, ppm := range []float64{4600, 4105, 3508, 2963, 2545, 2163, 1874, 1521, 1266, 1058} {
		d.Readings = append(d.Readings, enclosure.Reading{Hours: []float64{0, 2, 6, 10, 14, 18, 22, 28, 34, 40}[i], PPM: ppm})
	}
	_, _, err := l.h.Enclosure.Measure(l.ctx, l.people["tomas"], e.ID, e.Version, enclosure.NewTracer{Exchange: "door", MeasuredOn: l.clock.AddDate(0, 0, -2).Format(time.DateOnly),
		Note: "Carbon dioxide from a cartridge through the lock, logger on the plinth.", Use: true, Decay: d.Entered()})
	return err
}

func (l *loader) recommendations(made map[string]*enclosure.Enclosure) error {
	ines := l.people["ines"]
	glove, drawer := made["Right glove of the dry suit, closed on its ring"], made["Plywood drawer of the weight belt"]
	_, err := l.h.Enclosure.Recommend(l.ctx, ines, glove.ID, enclosure.NewRecommendation{ObjectID: l.objects["1984.3.1"].id,
		Text:    "When the lock can be freed without force, hold the ring open by 3 mm on two spacers and support the glove. Do not force the ring. Open it only under extraction.",
		Changes: []enclosure.Change{{Act: enclosure.SetGap, Exchange: "ring", WidthMM: enclosure.Assumed.Of(3, "planned").Between(2, 4)}}})
	if err != nil {
		return err
	}
	r, err := l.h.Enclosure.Recommend(l.ctx, ines, drawer.ID, enclosure.NewRecommendation{ObjectID: l.objects["1968.14.6"].id, Text: "Line the drawer with barrier film, sealed at the edges.",
		Changes: []enclosure.Change{{Act: enclosure.CoverSurface, Space: "drawer", Surface: "plywood", Passing: enclosure.Assumed.Of(0.05, "planned").Between(0.01, 0.2)}}})
	if err != nil {
		return err
	}
	l.on(24, 9)
	_, err = l.h.Enclosure.Finish(l.ctx, l.people["tomas"], r.ID, enclosure.NewEnd{Outcome: enclosure.Withdrawn, Reason: "The belt moves to a steel cabinet instead."})
	return err
}
