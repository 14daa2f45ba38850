package demo

import (
	"fmt"
	"time"

	"farthingale/domain"
	"farthingale/domain/investigation"
	"farthingale/domain/measurement"
)

// tint is a colour of the demonstration: the mean of five readings with one instrument.
func tint(l, a, b string) *measurement.NewTint {
	return &measurement.NewTint{L: dec(l), A: dec(a), B: dec(b), SDL: dec("0.15"), SDA: dec("0.10"), SDB: dec("0.12"), Illuminant: "D65", Observer: "10", Geometry: "d8_specular_included", ApertureMM: dec("8")}
}

// spot names a spot on a part of an exhibit.
func (l *loader) spot(number, label, name, place string) (domain.ID, error) {
	obj := l.objects[number]
	part := obj.component[label]
	s, err := l.h.Measurement.Name(l.ctx, l.people["ines"], obj.id, measurement.NewSpot{ComponentID: &part, Name: name, Place: place})
	if err != nil {
		return domain.ID{}, fmt.Errorf("spot on %s: %w", number, err)
	}
	return s.ID, nil
}

// read records a reading of today.
func (l *loader) read(spot domain.ID, n measurement.NewReading) error {
	five := 5
	n.MeasuredOn, n.N = l.clock.Format(time.DateOnly), &five
	if _, err := l.h.Measurement.Record(l.ctx, l.people["ines"], spot, n); err != nil {
		return fmt.Errorf("reading: %w", err)
	}
	return nil
}

// firstReadings are the baselines: the colour of the cover coat where it was in the light and where it was not, the
// hardness of a cuff, the acidity of a lens.
func (l *loader) firstReadings() error {
	l.on(731, 15)
	for _, s := range []struct {
		number, label, name, place string
		reading                    measurement.NewReading
	}{
		{"1984.3.1", "2", "left shoulder", "Cover coat, left shoulder, 40 mm from the collar seam.", measurement.NewReading{Quantity: "colour", Role: "baseline", Colour: tint("58.20", "48.10", "46.30"), Instrument: "colorimeter of the laboratory (invented)"}},
		{"1968.14.2", "1a", "edge of the left cuff", "Outside, 10 mm from the edge, opposite the seam.", measurement.NewReading{Quantity: "hardness_shore_a", Role: "baseline", Value: dec("78"), PlusMinus: dec("3"), Instrument: "durometer, type A", Method: "three seconds, five places"}},
		{"1968.14.7", "2", "inside of the lens", "Inside, lower middle.", measurement.NewReading{Quantity: "ph", Role: "baseline", Value: dec("5.1"), PlusMinus: dec("0.3"), Instrument: "flat electrode", Method: "0.05 ml of water, two minutes"}},
	} {
		id, err := l.spot(s.number, s.label, s.name, s.place)
		if err != nil {
			return err
		}
		if l.spots == nil {
			l.spots = map[string]domain.ID{}
		}
		l.spots[s.number] = id
		if err := l.read(id, s.reading); err != nil {
			return err
		}
	}
	return l.read(l.spots["1984.3.1"], measurement.NewReading{Quantity: "colour", Role: "protected_area", Colour: tint("55.40", "52.60", "50.90"), Instrument: "colorimeter of the laboratory (invented)", Source: "Under the flap of the back entry, never in the light."})
}

// laterReadings are those of the second survey: the coat has faded further, the lens has become more acid, the cuff is
// as it was within what the readings can tell.
func (l *loader) laterReadings() error {
	l.on(306, 15)
	for number, n := range map[string]measurement.NewReading{
		"1984.3.1":  {Quantity: "colour", Colour: tint("60.10", "45.20", "43.00"), Instrument: "colorimeter of the laboratory (invented)"},
		"1968.14.2": {Quantity: "hardness_shore_a", Value: dec("80"), PlusMinus: dec("3"), Instrument: "durometer, type A", Method: "three seconds, five places"},
		"1968.14.7": {Quantity: "ph", Value: dec("4.2"), PlusMinus: dec("0.3"), Instrument: "flat electrode", Method: "0.05 ml of water, two minutes"},
	} {
		if err := l.read(l.spots[number], n); err != nil {
			return err
		}
	}
	return nil
}

// questions are two: what the boots of the escape suit are made of, which waits for a curator's consent to a sample;
// and one that was answered without touching.
func (l *loader) questions() error {
	l.on(20, 10)
	ines := l.people["ines"]
	suit := l.objects["1979.22.1"]
	boot := suit.component["2c"]
	q, err := l.h.Investigation.Ask(l.ctx, ines, suit.id, investigation.NewQuestion{ComponentID: &boot, Question: "What are the boots made of?", Why: "Unidentified, and in the same closed suit as the foam."})
	if err == nil {
		q, err = l.h.Investigation.Plan(l.ctx, ines, q.ID, q.Version, investigation.NewPlan{Techniques: []string{"ftir-sample"}, ComponentIDs: []domain.ID{boot}, Who: "Ines Falkenberg, with the university's laboratory (invented)"})
	}
	if err == nil {
		_, err = l.h.Investigation.AskConsent(l.ctx, ines, q.ID, q.Version, investigation.NewConsent{Technique: "ftir-sample", Reason: "Reflection gave no usable spectrum through the grease.",
			Sites: []investigation.Site{{ComponentID: boot, Place: "inner edge of the upper, already torn", Size: "1 mm", Count: 1}}, Analyst: "University of Tidehaven (invented)", Returns: "Used up in part; the rest comes back."})
	}
	if err != nil {
		return fmt.Errorf("question about the boots: %w", err)
	}
	mask := l.objects["1968.14.7"]
	lens := mask.component["2"]
	q, err = l.h.Investigation.Ask(l.ctx, ines, mask.id, investigation.NewQuestion{ComponentID: &lens, Question: "Is the lens cracked inside?", Why: "It decides how it may travel."})
	if err == nil {
		q, err = l.h.Investigation.Plan(l.ctx, ines, q.ID, q.Version, investigation.NewPlan{Techniques: []string{"transmitted-light"}, ComponentIDs: []domain.ID{lens}, Who: "Ines Falkenberg"})
	}
	if err == nil {
		q, err = l.h.Investigation.Record(l.ctx, ines, q.ID, q.Version, investigation.NewFinding{Technique: "transmitted-light", ComponentID: &lens, Found: "No crack; a cloudy zone of 20 mm at the wearer's right.", Proves: "The lens is whole.", Limits: "Seen with the skirt on.",
			DoneOn: l.clock.Format(time.DateOnly), DoneBy: "Ines Falkenberg"})
	}
	if err == nil {
		_, err = l.h.Investigation.Finish(l.ctx, ines, q.ID, q.Version, investigation.NewEnd{Outcome: investigation.Done, Text: "It is whole."})
	}
	if err != nil {
		return fmt.Errorf("question about the lens: %w", err)
	}
	return nil
}
