package photo

import (
	"slices"
	"time"

	"farthingale/domain"
)

// Photo is one photograph of an object: what it shows (F3), where it came from, and the original
// file that is kept for ever (F1).
type Photo struct {
	ID                  domain.ID   `json:"id"`
	ObjectID            domain.ID   `json:"object_id"`
	Components          []domain.ID `json:"components"` // empty: the whole object
	View                View        `json:"view"`
	Light               Light       `json:"light"`
	Stage               Stage       `json:"stage"`
	ScalePresent        bool        `json:"scale_present"`
	ColourTargetPresent bool        `json:"colour_target_present"`
	Caption             string      `json:"caption"`
	Photographer        string      `json:"photographer"`

	TakenAt  *CameraTime `json:"taken_at"` // by the camera's clock; nil: the file does not say
	Camera   Camera      `json:"camera"`
	Original Original    `json:"original"`
	Preview  Preview     `json:"preview"`

	UploadedBy     domain.ID `json:"uploaded_by"`
	UploadedByName string    `json:"uploaded_by_name"`
	UploadedAt     time.Time `json:"uploaded_at"`
	Version        int64     `json:"version"`

	domain.Raised `json:"-" db:"-"`
}

// Original is the file as it came. WidthPX and HeightPX are those of the upright image, so marks
// refer to them; Orientation is what the camera wrote (EXIF 1–8; 1: already upright).
type Original struct {
	SHA256    string `json:"sha256"` // 64 hexadecimal digits, lower case
	Bytes     int64  `json:"bytes"`
	MediaType Kind   `json:"media_type"`
	FileName  string `json:"file_name"` // as the sender called it: to recognise it by, trusted for nothing
	WidthPX   int    `json:"width_px"`
	HeightPX  int    `json:"height_px"`

	Orientation   int  `json:"orientation"`
	HoldsPosition bool `json:"holds_position"` // the file carries a position on the earth; the record does not
}

// PreviewState says whether the pictures for the pages have been made.
type PreviewState string

// The states of a preview.
const (
	Waiting PreviewState = "waiting"
	Made    PreviewState = "made"
	None    PreviewState = "none" // Reason says why; the original is kept all the same
)

// Preview is the pair of upright pictures made from the original: a screen picture and a
// thumbnail, each a JPEG without EXIF, named by its own SHA-256.
type Preview struct {
	State     PreviewState `json:"state"`
	Reason    string       `json:"reason,omitempty"`
	Screen    *Picture     `json:"screen,omitempty"`
	Thumbnail *Picture     `json:"thumbnail,omitempty"`
}

// Picture is one made picture.
type Picture struct {
	SHA256   string `json:"sha256"`
	Bytes    int64  `json:"bytes"`
	WidthPX  int    `json:"width_px"`
	HeightPX int    `json:"height_px"`
}

// Description is what a person says about a photograph (F3), at upload and later.
type Description struct {
	Components          []domain.ID `json:"components" validate:"max=500,unique"`
	View                View        `json:"view" validate:"required,oneof=front back left right three_quarter_left three_quarter_right top inside detail label closure_open closure_closed packed other"`
	Light               Light       `json:"light" validate:"required,oneof=normal raking transmitted specular uv infrared x_ray microscope"`
	Stage               Stage       `json:"stage" validate:"required,oneof=before during after condition incident general"`
	ScalePresent        bool        `json:"scale_present"`
	ColourTargetPresent bool        `json:"colour_target_present"`
	Caption             string      `json:"caption" validate:"max=2000"`
	Photographer        string      `json:"photographer" validate:"max=200"`
}

// Description is what the photograph now says.
func (p *Photo) Description() Description {
	return Description{
		Components: slices.Clone(p.Components), View: p.View, Light: p.Light, Stage: p.Stage,
		ScalePresent: p.ScalePresent, ColourTargetPresent: p.ColourTargetPresent,
		Caption: p.Caption, Photographer: p.Photographer,
	}
}

// Describe changes what the photograph says it shows (F3). The picture itself never changes.
func (p *Photo) Describe(by domain.Actor, d Description, at time.Time) error {
	if err := domain.Validate(d); err != nil {
		return err
	}
	was := p.Description()
	p.say(d)
	p.Raise(domain.Event{
		At: at, ActorID: &by.ID, Area: "photo", Subject: p.ID, Object: &p.ObjectID, Kind: "described",
		Change: map[string]any{"from": was, "to": p.Description()},
	})
	return nil
}

func (p *Photo) say(d Description) {
	p.Components = slices.Clone(d.Components)
	if p.Components == nil {
		p.Components = []domain.ID{}
	}
	p.View, p.Light, p.Stage = d.View, d.Light, d.Stage
	p.ScalePresent, p.ColourTargetPresent = d.ScalePresent, d.ColourTargetPresent
	p.Caption, p.Photographer = d.Caption, d.Photographer
}

// Shows says whether the photograph is of this component. One without components is of the whole
// object and so of every component that can be seen in it.
func (p *Photo) Shows(component domain.ID) bool {
	return len(p.Components) == 0 || slices.Contains(p.Components, component)
}

// Made records that the pictures for the pages exist.
func (p *Photo) Made(screen, thumbnail Picture) {
	p.Preview = Preview{State: Made, Screen: &screen, Thumbnail: &thumbnail}
}

// NotMade records why there can be no pictures for the pages.
func (p *Photo) NotMade(reason string) {
	p.Preview = Preview{State: None, Reason: reason}
}
