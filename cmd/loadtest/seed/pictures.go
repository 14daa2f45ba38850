package seed

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"time"

	"farthingale/domain/photo"
)

// picture is a drawn picture that photographs share: the original and what is made of it.
type picture struct {
	original, screen, thumbnail photo.Picture
}

// The size of a drawn picture.
const width, height = 640, 480

func shade(d dice) uint8 { return uint8(d.IntN(256)) } // #nosec G115 -- below 256

// drawn draws a few hundred pictures and keeps them in the bucket, as an upload and its job would.
func drawn(ctx context.Context, files photo.Files, seed uint64, count int, at time.Time) ([]picture, error) {
	d := newDice(seed, pictureDice)
	all := make([]picture, count)
	for i := range all {
		m := image.NewRGBA(image.Rect(0, 0, width, height))
		base, part := color.RGBA{shade(d), shade(d), shade(d), 255}, image.Rect(d.IntN(width/3), d.IntN(height/3), d.between(width/2, width), d.between(height/2, height))
		draw.Draw(m, m.Rect, image.NewUniform(base), image.Point{}, draw.Src)
		draw.Draw(m, part, image.NewUniform(color.RGBA{shade(d), shade(d), shade(d), 255}), image.Point{}, draw.Src)
		var b bytes.Buffer
		if err := jpeg.Encode(&b, m, nil); err != nil {
			return nil, fmt.Errorf("draw picture %d: %w", i, err)
		}
		derived, err := photo.Derive(ctx, bytes.NewReader(b.Bytes()), int64(b.Len()), photo.DefaultLimits)
		if err != nil {
			return nil, fmt.Errorf("draw picture %d: %w", i, err)
		}
		for _, k := range []struct {
			to *photo.Picture
			of photo.JPEGPicture
		}{{&all[i].original, photo.JPEGPicture{Bytes: b.Bytes(), WidthPX: width, HeightPX: height}}, {&all[i].screen, derived.Screen}, {&all[i].thumbnail, derived.Thumbnail}} {
			if *k.to, err = keep(ctx, files, k.of, at); err != nil {
				return nil, fmt.Errorf("keep picture %d: %w", i, err)
			}
		}
	}
	return all, nil
}

func keep(ctx context.Context, files photo.Files, p photo.JPEGPicture, at time.Time) (photo.Picture, error) {
	staged, err := files.Stage(ctx, bytes.NewReader(p.Bytes), int64(len(p.Bytes)))
	if err != nil {
		return photo.Picture{}, err
	}
	err = files.Keep(ctx, staged, string(photo.JPEG), at)
	if err := errors.Join(err, staged.Discard()); err != nil {
		return photo.Picture{}, err
	}
	return photo.Picture{SHA256: staged.SHA256(), Bytes: staged.Size(), WidthPX: p.WidthPX, HeightPX: p.HeightPX}, nil
}
