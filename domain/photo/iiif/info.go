package iiif

import (
	"farthingale/domain/photo/pyramid"
)

// The addresses of the standards.
const (
	ImageContext        = "http://iiif.io/api/image/3/context.json"
	ImageProfile        = `application/ld+json;profile="http://iiif.io/api/image/3/context.json"`
	PresentationContext = "http://iiif.io/api/presentation/3/context.json"
	PresentationProfile = `application/ld+json;profile="http://iiif.io/api/presentation/3/context.json"`
	imageProtocol       = "http://iiif.io/api/image"
	level2              = "level2"
	physicalContext     = "http://iiif.io/api/annex/services/physdim/1/context.json"
	physicalProfile     = "http://iiif.io/api/annex/services/physdim"
)

// Info describes a picture to programs that show it (info.json).
// source: Image API 3.0, 5
type Info struct {
	Context        string   `json:"@context"`
	ID             string   `json:"id"`
	Type           string   `json:"type"`
	Protocol       string   `json:"protocol"`
	Profile        string   `json:"profile"`
	Width          int      `json:"width"`
	Height         int      `json:"height"`
	MaxArea        int      `json:"maxArea"`
	Sizes          []Sized  `json:"sizes"`
	Tiles          []Tiles  `json:"tiles"`
	ExtraQualities []string `json:"extraQualities"`
	ExtraFeatures  []string `json:"extraFeatures"`
}

// Sized is a size at which the whole picture is quickly had.
type Sized struct {
	Width  int `json:"width"`
	Height int `json:"height"`
}

// Tiles are the tiles that a picture is kept in.
type Tiles struct {
	Width        int   `json:"width"`
	ScaleFactors []int `json:"scaleFactors"`
}

// InfoOf describes a picture of this size under an address without a slash at its end.
func InfoOf(id string, width, height int) Info {
	i := Info{
		Context: ImageContext, ID: id, Type: "ImageService3", Protocol: imageProtocol, Profile: level2,
		Width: width, Height: height, MaxArea: AreaMost, Sizes: []Sized{}, Tiles: []Tiles{{Width: pyramid.TilePX}},
		ExtraQualities: []string{"color", "gray"}, ExtraFeatures: []string{"canonicalLinkHeader", "mirroring", "profileLinkHeader", "sizeUpscaling"},
	}
	for n, level := range pyramid.Levels(width, height) {
		i.Tiles[0].ScaleFactors = append(i.Tiles[0].ScaleFactors, 1<<n)
		if level.X*level.Y <= AreaMost {
			i.Sizes = append([]Sized{{level.X, level.Y}}, i.Sizes...)
		}
	}
	return i
}

// Text is words by language.
type Text map[string][]string

// In is text of one language; "none" for what is of no language, such as a number.
func In(language, words string) Text { return Text{language: {words}} }

// Labelled is a pair of metadata.
type Labelled struct {
	Label Text `json:"label"`
	Value Text `json:"value"`
}

// Manifest describes the photographs of one object.
// source: Presentation API 3.0, 5.2
type Manifest struct {
	Context  string     `json:"@context"`
	ID       string     `json:"id"`
	Type     string     `json:"type"`
	Label    Text       `json:"label"`
	Metadata []Labelled `json:"metadata"`
	Required Labelled   `json:"requiredStatement"`
	Items    []Canvas   `json:"items"`
}

// Canvas is one photograph.
// source: Presentation API 3.0, 5.3
type Canvas struct {
	ID          string           `json:"id"`
	Type        string           `json:"type"`
	Label       Text             `json:"label"`
	Summary     Text             `json:"summary,omitempty"`
	Height      int              `json:"height"`
	Width       int              `json:"width"`
	Thumbnail   []Image          `json:"thumbnail,omitempty"`
	Service     []Physical       `json:"service,omitempty"`
	Items       []AnnotationPage `json:"items"`
	Annotations []AnnotationPage `json:"annotations,omitempty"`
}

// Physical says how large a canvas is. The published text warns that a canvas may show ruler and ground
// too: it is the scale of the picture, not the size of the object.
// source: IIIF Registry of Services, physical dimensions, 1
type Physical struct {
	Context string  `json:"@context"`
	ID      string  `json:"id"`
	Type    string  `json:"type"`
	Profile string  `json:"profile"`
	Scale   float64 `json:"physicalScale"`
	Units   string  `json:"physicalUnits"`
}

// AnnotationPage is a list of annotations.
type AnnotationPage struct {
	Context string `json:"@context,omitempty"`
	ID      string `json:"id"`
	Type    string `json:"type"`
	Items   []any  `json:"items"`
}

// Painting puts the picture on its canvas.
type Painting struct {
	ID         string `json:"id"`
	Type       string `json:"type"`
	Motivation string `json:"motivation"`
	Body       Image  `json:"body"`
	Target     string `json:"target"`
}

// Image is a picture that can be fetched.
type Image struct {
	ID      string    `json:"id"`
	Type    string    `json:"type"`
	Format  string    `json:"format"`
	Height  int       `json:"height"`
	Width   int       `json:"width"`
	Service []Service `json:"service"`
}

// Service is where parts and sizes of a picture are had.
type Service struct {
	ID      string `json:"id"`
	Type    string `json:"type"`
	Profile string `json:"profile"`
}

// CanvasOf is a photograph of this size as a canvas; base is the address of its image service.
func CanvasOf(base string, label Text, width, height int) Canvas {
	canvas := base + "/canvas"
	service := []Service{{base, "ImageService3", level2}}
	whole, thumbnail := Plan{RegionWidth: width, RegionHeight: height}, Plan{RegionWidth: width, RegionHeight: height}
	_, _ = whole.readSize("max"), thumbnail.readSize("!320,320") // both are always possible
	picture := func(size string, p Plan) Image {
		return Image{base + "/full/" + size + "/0/default.jpg", "Image", "image/jpeg", p.Height, p.Width, service}
	}
	return Canvas{
		ID: canvas, Type: "Canvas", Label: label, Width: width, Height: height,
		Thumbnail: []Image{picture("!320,320", thumbnail)},
		Items: []AnnotationPage{{ID: canvas + "/page", Type: "AnnotationPage", Items: []any{
			Painting{canvas + "/painting", "Annotation", "painting", picture("max", whole), canvas},
		}}},
	}
}

// PhysicalOf is the scale of a canvas in millimetres a pixel.
func PhysicalOf(base string, mmPerPX float64) Physical {
	return Physical{physicalContext, base + "/scale", "Service", physicalProfile, mmPerPX, "mm"}
}
