package photo

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"image/png"
	"sync"
	"time"

	"github.com/disintegration/imaging"

	"farthingale/domain"
	"farthingale/domain/photo/iiif"
	"farthingale/domain/photo/pyramid"
)

// TilesTask is the job that makes the pyramid of a photograph; its subject is a photograph.
const TilesTask = "photo.tiles"

// tiledFrom is the number of pixels from which a pyramid is made at once. Smaller pictures are decoded
// when a part is asked for, which is as quick.
const tiledFrom = 4_000_000

// Large says whether a pyramid is made of the photograph without anybody asking for a part of it.
func (p *Photo) Large() bool { return p.Original.WidthPX*p.Original.HeightPX >= tiledFrom }

// Tiles keeps which file holds the pyramid of a photograph.
type Tiles interface {
	// Tiles is the SHA-256 of the pyramid, "" when there is none.
	Tiles(ctx context.Context, id domain.ID) (string, error)
	SetTiles(ctx context.Context, id domain.ID, sha256 string, at time.Time) error
	// AskTiles asks for the job that makes it.
	AskTiles(ctx context.Context, id domain.ID) error
}

// darkroom bounds the memory that pictures take: one original is decoded at a time, and it stays for
// a few moments because whoever asks for one part of it asks for the next; two parts are put together
// at a time.
type darkroom struct {
	enlarger chan struct{} // of one
	trays    chan struct{}

	mu     sync.Mutex
	sha256 string // of the original that was decoded last
	last   *negative
	gone   *time.Timer
}

// negative is a decoded original, as it lies in the file.
type negative struct {
	picture image.Image
	profile []byte
}

// How long a decoded original is held, and how large it may be.
const (
	heldFor  = 10 * time.Second
	heldMost = 256 << 20
)

func newDarkroom() *darkroom {
	return &darkroom{enlarger: make(chan struct{}, 1), trays: make(chan struct{}, 2)}
}

// enter waits for a place at one of the darkroom's benches.
func enter(ctx context.Context, bench chan struct{}) error {
	if err := ctx.Err(); err != nil { // of two ways that are open a select takes either
		return err
	}
	select {
	case bench <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// held is the original that was decoded last, if it is the one of this name.
func (r *darkroom) held(sha256 string) *negative {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.sha256 != sha256 {
		return nil
	}
	r.gone.Reset(heldFor)
	return r.last
}

func (r *darkroom) hold(sha256 string, n *negative) {
	if bytesOf(n.picture) > heldMost {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.gone != nil {
		r.gone.Stop()
	}
	r.sha256, r.last = sha256, n
	r.gone = time.AfterFunc(heldFor, func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		if r.last == n {
			r.sha256, r.last = "", nil
		}
	})
}

// bytesOf is the memory that a decoded picture takes.
func bytesOf(m image.Image) int {
	switch m := m.(type) {
	case *image.YCbCr:
		return len(m.Y) + len(m.Cb) + len(m.Cr)
	case *image.Gray:
		return len(m.Pix)
	case *image.RGBA:
		return len(m.Pix)
	}
	return 8 * m.Bounds().Dx() * m.Bounds().Dy()
}

// negative decodes the original of a photograph, or takes the one that is still there.
func (s *Service) negative(ctx context.Context, p *Photo) (*negative, error) {
	if err := enter(ctx, s.room.enlarger); err != nil {
		return nil, err
	}
	defer func() { <-s.room.enlarger }()
	if n := s.room.held(p.Original.SHA256); n != nil {
		return n, nil
	}
	original, err := s.files.Fetch(ctx, p.Original.SHA256)
	if err != nil {
		return nil, err
	}
	n, err := decoded(ctx, original, p.Original.MediaType)
	if err := errors.Join(err, original.Close()); err != nil {
		return nil, err
	}
	s.room.hold(p.Original.SHA256, n)
	return n, nil
}

// decoded decodes an original whole. A *NotDrawn says that it cannot be; any other error is of the
// storage or of ctx.
func decoded(ctx context.Context, original File, kind Kind) (n *negative, err error) {
	defer func() {
		if p := recover(); p != nil { // the decoders are not ours
			n, err = nil, notDecoded(fmt.Errorf("decoder fell over: %v", p))
		}
	}()
	in := &watched{ctx: ctx, r: original, size: original.Size()}
	var m image.Image
	switch kind {
	case JPEG:
		m, err = jpeg.Decode(in.section())
	case PNG:
		m, err = png.Decode(in.section())
	case TIFF:
		m, err = wholeTIFF(in)
	}
	switch {
	case in.err != nil:
		return nil, in.err
	case err != nil:
		return nil, notDecoded(err)
	}
	return &negative{pyramid.Plain(m), rgbProfile(in, kind)}, nil
}

// wholeTIFF decodes a TIFF in bands into a picture of 8 bits on white.
func wholeTIFF(in *watched) (image.Image, error) {
	var white *image.RGBA
	err := bands(in, bandBytes, func(band image.Image, row int, whole image.Point) {
		if white == nil {
			white = image.NewRGBA(image.Rectangle{Max: whole})
			draw.Draw(white, white.Rect, image.NewUniform(color.White), image.Point{}, draw.Src)
		}
		draw.Draw(white, band.Bounds().Sub(band.Bounds().Min).Add(image.Pt(0, row)), band, band.Bounds().Min, draw.Over)
	})
	if err != nil {
		return nil, err
	}
	return white, nil
}

// MakeTiles makes the pyramid of a photograph and keeps it. It is a job; done twice it does no harm.
func (s *Service) MakeTiles(ctx context.Context, id domain.ID) error {
	p, err := s.store.One(ctx, id)
	if err != nil {
		return err
	}
	if had, err := s.store.Tiles(ctx, id); err != nil || had != "" || p.Preview.State == None {
		return err
	}
	n, err := s.negative(ctx, p)
	var not *NotDrawn
	if errors.As(err, &not) {
		return nil // the job that makes the pictures for the pages says why
	}
	if err != nil {
		return err
	}
	if err := enter(ctx, s.room.trays); err != nil {
		return err
	}
	defer func() { <-s.room.trays }()
	r, size, err := pyramid.Build(pyramid.Plain(upright(n.picture, p.Original.Orientation)), kept(n.profile))
	if err != nil {
		return err
	}
	staged, err := s.files.Stage(ctx, r, size)
	if err != nil {
		return err
	}
	at := s.now()
	err = s.files.Keep(ctx, staged, pyramid.MediaType, at)
	if err := errors.Join(err, staged.Discard()); err != nil {
		return err
	}
	return s.store.SetTiles(ctx, id, staged.SHA256(), at)
}

// kept is a colour profile that is small enough to go with every tile.
func kept(profile []byte) []byte {
	if len(profile) > 8<<10 {
		return nil
	}
	return profile
}

// Crop is a part of a photograph as somebody asked for it.
type Crop struct {
	Bytes     []byte
	MediaType Kind
	Canonical string // its one address, behind that of the photograph
	Tag       string // changes when the bytes may
}

// Drawable is a photograph of which parts can be shown; one of which no picture can be made is
// KindNotFound with the reason.
func (s *Service) Drawable(ctx context.Context, by domain.Actor, id domain.ID) (*Photo, error) {
	p, err := s.One(ctx, by, id)
	if err != nil {
		return nil, err
	}
	if p.Preview.State == None {
		return nil, &domain.Error{Kind: domain.KindNotFound, Code: "no_preview", Message: p.Preview.Reason}
	}
	return p, nil
}

// PlanCrop reads a request for a part of a photograph, by the four words of the IIIF Image API.
func (s *Service) PlanCrop(ctx context.Context, by domain.Actor, id domain.ID, region, size, rotation, file string) (*Photo, iiif.Plan, error) {
	p, err := s.Drawable(ctx, by, id)
	if err != nil {
		return nil, iiif.Plan{}, err
	}
	plan, err := iiif.Read(region, size, rotation, file, p.Original.WidthPX, p.Original.HeightPX)
	return p, plan, err
}

// CropTag says what a part is of and which, so that a reader who has it need not have it again.
func CropTag(p *Photo, plan iiif.Plan) string {
	sum := sha256.Sum256([]byte(p.Original.SHA256 + plan.Canonical()))
	return hex.EncodeToString(sum[:16])
}

// Crop makes a part of a photograph: from its pyramid, which takes milliseconds, or while there is none
// from the original, and then the pyramid is asked for.
func (s *Service) Crop(ctx context.Context, p *Photo, plan iiif.Plan) (*Crop, error) {
	part := &Crop{MediaType: JPEG, Canonical: plan.Canonical(), Tag: CropTag(p, plan)}
	if plan.Format == "png" {
		part.MediaType = PNG
	}
	tiles, err := s.store.Tiles(ctx, p.ID)
	if err != nil {
		return nil, err
	}
	if tiles == "" {
		part.Bytes, err = s.partOfOriginal(ctx, p, plan)
	} else {
		part.Bytes, err = s.partOfTiles(ctx, p, tiles, plan)
	}
	if err != nil {
		return nil, err
	}
	return part, nil
}

// partOfTiles takes a part from the pyramid. A whole tile is given as it lies there.
func (s *Service) partOfTiles(ctx context.Context, p *Photo, sha string, plan iiif.Plan) ([]byte, error) {
	f, err := s.files.Open(ctx, sha)
	if domain.KindOf(err) == domain.KindNotFound { // it can be made anew
		return s.partOfOriginal(ctx, p, plan)
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	t, err := pyramid.Open(f)
	if err != nil {
		return nil, fmt.Errorf("tiles of photo %s: %w", p.ID, err)
	}
	level, factor := t.LevelOf(plan.Reduced())
	if x, y, ok := wholeTile(t, plan, level, factor); ok {
		b, err := t.Tile(level, x, y)
		if err != nil {
			return nil, err
		}
		return withProfile(b, t.Profile), nil
	}
	if err := enter(ctx, s.room.trays); err != nil {
		return nil, err
	}
	defer func() { <-s.room.trays }()
	m, err := t.Region(level, image.Rect(plan.X/factor, plan.Y/factor, up(plan.X+plan.RegionWidth, factor), up(plan.Y+plan.RegionHeight, factor)))
	if err != nil {
		return nil, err
	}
	return finished(m, plan, t.Profile)
}

// up is n / by, rounded up.
func up(n, by int) int { return (n + by - 1) / by }

// wholeTile says which tile a request is for, if it is for one.
func wholeTile(t *pyramid.Pyramid, plan iiif.Plan, level, factor int) (x, y int, ok bool) {
	side := pyramid.TilePX * factor
	x, y = plan.X/side, plan.Y/side
	ok = plan.AsIs() && plan.X%side == 0 && plan.Y%side == 0 &&
		plan.RegionWidth == min(side, t.Width-plan.X) && plan.RegionHeight == min(side, t.Height-plan.Y) &&
		plan.Width == up(plan.RegionWidth, factor) && plan.Height == up(plan.RegionHeight, factor)
	return x, y, ok
}

// partOfOriginal cuts a part out of the decoded original, and asks for the pyramid.
func (s *Service) partOfOriginal(ctx context.Context, p *Photo, plan iiif.Plan) ([]byte, error) {
	n, err := s.negative(ctx, p)
	var not *NotDrawn
	if errors.As(err, &not) {
		return nil, &domain.Error{Kind: domain.KindNotFound, Code: "no_preview", Message: not.Reason, Err: not.Err}
	}
	if err != nil {
		return nil, err
	}
	if p.Large() {
		if err := s.store.AskTiles(ctx, p.ID); err != nil {
			return nil, err
		}
	}
	if err := enter(ctx, s.room.trays); err != nil {
		return nil, err
	}
	defer func() { <-s.room.trays }()
	part := image.Rect(plan.X, plan.Y, plan.X+plan.RegionWidth, plan.Y+plan.RegionHeight)
	m := pyramid.Cropped(n.picture, lying(part, p.Original.Orientation, image.Pt(p.Original.WidthPX, p.Original.HeightPX)))
	for reduced := plan.Reduced(); reduced >= 2; reduced /= 2 {
		m = pyramid.Halved(m)
	}
	return finished(upright(m, p.Original.Orientation), plan, kept(n.profile))
}

// lying is where a part of the upright picture lies in the file.
// source: CIPA DC-008-2019 (EXIF 2.32), 4.6.4 A, Orientation
func lying(part image.Rectangle, orientation int, uprightSize image.Point) image.Rectangle {
	w, h := uprightSize.X, uprightSize.Y
	left, top, right, bottom := part.Min.X, part.Min.Y, part.Max.X, part.Max.Y
	switch orientation {
	case 2:
		return image.Rect(w-right, top, w-left, bottom)
	case 3:
		return image.Rect(w-right, h-bottom, w-left, h-top)
	case 4:
		return image.Rect(left, h-bottom, right, h-top)
	case 5:
		return image.Rect(top, left, bottom, right)
	case 6:
		return image.Rect(top, w-right, bottom, w-left)
	case 7:
		return image.Rect(h-bottom, w-right, h-top, w-left)
	case 8:
		return image.Rect(h-bottom, left, h-top, right)
	}
	return part
}

// finished resizes, mirrors, turns and drains a part as it is asked for, and encodes it.
func finished(m image.Image, plan iiif.Plan, profile []byte) ([]byte, error) {
	if size := m.Bounds().Size(); size != image.Pt(plan.Width, plan.Height) {
		m = imaging.Resize(m, plan.Width, plan.Height, imaging.Lanczos)
	}
	if plan.Mirror {
		m = imaging.FlipH(m)
	}
	switch plan.Turn {
	case 90:
		m = imaging.Rotate270(m) // it counts against the clock
	case 180:
		m = imaging.Rotate180(m)
	case 270:
		m = imaging.Rotate90(m)
	}
	if plan.Gray {
		grey := image.NewGray(image.Rectangle{Max: m.Bounds().Size()})
		draw.Draw(grey, grey.Rect, m, m.Bounds().Min, draw.Src)
		m, profile = grey, nil
	}
	m = pyramid.Plain(m)
	var b bytes.Buffer
	if plan.Format == "png" {
		if err := (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(&b, m); err != nil {
			return nil, fmt.Errorf("encode part: %w", err)
		}
		return b.Bytes(), nil
	}
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: screenQuality}); err != nil {
		return nil, fmt.Errorf("encode part: %w", err)
	}
	return withProfile(b.Bytes(), profile), nil
}
