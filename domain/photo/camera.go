package photo

import (
	"encoding/json"
	"fmt"
	"time"
)

// Camera is what the file says about the instrument. Empty text and zero mean: not said.
type Camera struct {
	Make          string  `json:"make,omitempty"`
	Model         string  `json:"model,omitempty"`
	Serial        string  `json:"serial,omitempty"`
	Lens          string  `json:"lens,omitempty"`
	LensSerial    string  `json:"lens_serial,omitempty"`
	FocalLengthMM float64 `json:"focal_length_mm,omitempty"`
	FNumber       float64 `json:"f_number,omitempty"`
	ExposureS     float64 `json:"exposure_s,omitempty"`
	ISO           int     `json:"iso,omitempty"`
}

// Words is the camera in one line, or "" when the file says nothing: "Camera K2, 50 mm f/8, 1/60 s, ISO 100".
func (c Camera) Words() string {
	name := c.Model
	if c.Make != "" && !startsWithWord(c.Model, c.Make) {
		name = join(" ", c.Make, c.Model)
	}
	var focal, stop, exposure, iso string
	if c.FocalLengthMM > 0 {
		focal = fmt.Sprintf("%.3g mm", c.FocalLengthMM)
	}
	if c.FNumber > 0 {
		stop = fmt.Sprintf("f/%.3g", c.FNumber)
	}
	switch {
	case c.ExposureS >= 0.3:
		exposure = fmt.Sprintf("%.3g s", c.ExposureS)
	case c.ExposureS > 0:
		exposure = fmt.Sprintf("1/%.0f s", 1/c.ExposureS)
	}
	if c.ISO > 0 {
		iso = fmt.Sprintf("ISO %d", c.ISO)
	}
	return join(", ", name, c.Lens, join(" ", focal, stop), exposure, iso)
}

func startsWithWord(s, word string) bool {
	return len(s) > len(word) && s[:len(word)] == word && s[len(word)] == ' '
}

func join(with string, parts ...string) string {
	text := ""
	for _, p := range parts {
		if p == "" {
			continue
		}
		if text != "" {
			text += with
		}
		text += p
	}
	return text
}

// CameraTime is a time by a camera's clock. Many cameras do not say how far their clock is from
// UTC: then only the wall clock is known, and the instant is not.
type CameraTime struct {
	Clock         time.Time // the wall clock, held as if it were UTC; whole seconds
	OffsetMinutes *int      // of the clock from UTC, east positive; nil: not said
}

const (
	clockForm = "2006-01-02T15:04:05"
	exifForm  = "2006:01:02 15:04:05"
)

// Instant is the moment in UTC, when the camera said its offset.
func (c CameraTime) Instant() (time.Time, bool) {
	if c.OffsetMinutes == nil {
		return time.Time{}, false
	}
	return c.Clock.Add(-time.Duration(*c.OffsetMinutes) * time.Minute), true
}

// String is ISO 8601: "2025-02-11T10:12:13+01:00", without the offset when it is not known.
func (c CameraTime) String() string {
	text := c.Clock.Format(clockForm)
	if c.OffsetMinutes == nil {
		return text
	}
	sign, m := '+', *c.OffsetMinutes
	if m < 0 {
		sign, m = '-', -m
	}
	return fmt.Sprintf("%s%c%02d:%02d", text, sign, m/60, m%60)
}

// MarshalJSON writes the ISO 8601 text.
func (c CameraTime) MarshalJSON() ([]byte, error) { return json.Marshal(c.String()) }

// UnmarshalJSON reads what MarshalJSON writes.
func (c *CameraTime) UnmarshalJSON(b []byte) error {
	var s string
	if err := json.Unmarshal(b, &s); err != nil {
		return err
	}
	if len(s) < len(clockForm) {
		return fmt.Errorf("a camera time such as 2025-02-11T10:12:13, not %q", s)
	}
	clock, err := time.Parse(clockForm, s[:len(clockForm)])
	if err != nil {
		return err
	}
	c.Clock, c.OffsetMinutes = clock, nil
	if rest := s[len(clockForm):]; rest != "" {
		m, ok := offset(rest)
		if !ok {
			return fmt.Errorf("an offset such as +01:00, not %q", rest)
		}
		c.OffsetMinutes = &m
	}
	return nil
}

// cameraTime reads EXIF's DateTimeOriginal and OffsetTimeOriginal. A clock that was never set
// (before 1990, or all zeros and blanks) says nothing.
// source: CIPA DC-008-2019 (EXIF 2.32), 4.6.5 and 4.6.6
func cameraTime(clock, zone string) *CameraTime {
	t, err := time.Parse(exifForm, clock)
	if err != nil || t.Year() < 1990 {
		return nil
	}
	c := &CameraTime{Clock: t}
	if m, ok := offset(zone); ok {
		c.OffsetMinutes = &m
	}
	return c
}

// offset reads "+01:00", "-03:30" or "Z" as minutes east of UTC.
func offset(s string) (int, bool) {
	if s == "Z" {
		return 0, true
	}
	if len(s) != 6 || s[3] != ':' || (s[0] != '+' && s[0] != '-') {
		return 0, false
	}
	t, err := time.Parse("15:04", s[1:])
	if err != nil || t.Hour() > 14 {
		return 0, false
	}
	m := t.Hour()*60 + t.Minute()
	if s[0] == '-' {
		m = -m
	}
	return m, true
}
