package photo

import (
	"slices"
	"strings"
)

// View is the side from which the object is seen. It is a fixed word, so that a photograph after
// treatment can be matched with the one before (T7).
type View string

// The views of a garment and its parts: common practice in costume and arms photography.
const (
	Front             View = "front"
	Back              View = "back"
	Left              View = "left"  // the wearer's left
	Right             View = "right" // the wearer's right
	ThreeQuarterLeft  View = "three_quarter_left"
	ThreeQuarterRight View = "three_quarter_right"
	Top               View = "top"
	Inside            View = "inside" // through an opening
	Detail            View = "detail"
	Label             View = "label" // labels, marks and inscriptions
	ClosureOpen       View = "closure_open"
	ClosureClosed     View = "closure_closed"
	Packed            View = "packed"
	OtherView         View = "other"
)

// Views lists every view in the order in which they are shown.
var Views = []View{
	Front, Back, Left, Right, ThreeQuarterLeft, ThreeQuarterRight, Top, Inside, Detail, Label,
	ClosureOpen, ClosureClosed, Packed, OtherView,
}

// Light is the light or radiation that made the picture.
type Light string

// The kinds of light of rule F3.
// source: Warda (ed.), The AIC Guide to Digital Photography and Conservation Documentation, 2nd ed.
// 2011, chapters on photographic techniques; from memory
const (
	Normal      Light = "normal"
	Raking      Light = "raking"
	Transmitted Light = "transmitted"
	Specular    Light = "specular"
	UV          Light = "uv"
	Infrared    Light = "infrared"
	XRay        Light = "x_ray"
	Microscope  Light = "microscope"
)

// Lights lists every kind of light in the order in which they are shown.
var Lights = []Light{Normal, Raking, Transmitted, Specular, UV, Infrared, XRay, Microscope}

// Stage says at which point of the object's story the picture was taken.
type Stage string

// The stages of rule F3. Before, During and After are those of a treatment.
const (
	Before    Stage = "before"
	During    Stage = "during"
	After     Stage = "after"
	Condition Stage = "condition"
	Incident  Stage = "incident"
	General   Stage = "general"
)

// Stages lists every stage in the order in which they are shown.
var Stages = []Stage{Before, During, After, Condition, Incident, General}

// Words is the view as people write it.
func (v View) Words() string { return words(string(v)) }

// Words is the light as people write it.
func (l Light) Words() string {
	switch l {
	case UV:
		return "UV"
	case XRay:
		return "X-ray"
	}
	return words(string(l))
}

// Words is the stage as people write it.
func (s Stage) Words() string {
	switch s {
	case Before, During, After:
		return string(s) + " treatment"
	}
	return words(string(s))
}

// Valid says whether v is one of Views.
func (v View) Valid() bool { return slices.Contains(Views, v) }

// Valid says whether l is one of Lights.
func (l Light) Valid() bool { return slices.Contains(Lights, l) }

// Valid says whether s is one of Stages.
func (s Stage) Valid() bool { return slices.Contains(Stages, s) }

func words(code string) string { return strings.ReplaceAll(code, "_", " ") }
