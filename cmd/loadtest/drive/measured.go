package drive

import (
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"farthingale/domain"
)

// measure names a spot on an object and reads its colour there, twice, then looks at the series.
func measure(v *Visit) {
	v.World.mu.Lock()
	v.World.made++
	name := fmt.Sprintf("Spot under load %s-%d", v.World.began.Format("150405"), v.World.made)
	v.World.mu.Unlock()
	a, ok := v.put("name a spot", http.MethodPost, "/api/v1/objects/"+v.object().ID.String()+"/spots", "", http.StatusCreated, map[string]any{"name": name, "place": "above the seam"})
	if !ok {
		return
	}
	var spot struct {
		ID domain.ID `json:"id"`
	}
	if json.Unmarshal(a.text(), &spot) != nil {
		return
	}
	path := "/api/v1/spots/" + spot.ID.String()
	for _, on := range []string{"2024-02-01", time.Now().UTC().Format(time.DateOnly)} {
		_, ok = v.put("record a measurement", http.MethodPost, path+"/measurements", "", http.StatusCreated, map[string]any{"quantity": "colour", "measured_on": on, "n": 5, "instrument": "sphere",
			"colour": map[string]any{"l": fmt.Sprintf("%d.5", 30+v.Rand.IntN(40)), "a": "4.1", "b": "-2.2", "sd_l": "0.1", "sd_a": "0.1", "sd_b": "0.1", "illuminant": "D65", "observer": "10",
				"geometry": "d8_specular_included", "aperture_mm": "6"}})
		if !ok {
			return
		}
	}
	v.get("series at a spot, JSON", path+"/series")
	v.look("series at a spot, page", "/spots/"+spot.ID.String())
}

// question asks a question about an object and plans how it is to be answered.
func question(v *Visit) {
	a, ok := v.put("ask a question", http.MethodPost, "/api/v1/objects/"+v.object().ID.String()+"/investigations", "", http.StatusCreated, map[string]any{"question": "Of what is the coat?"})
	if !ok {
		return
	}
	var made struct {
		ID domain.ID `json:"id"`
	}
	if json.Unmarshal(a.text(), &made) != nil {
		return
	}
	path := "/api/v1/investigations/" + made.ID.String()
	if a, ok = v.put("plan an investigation", http.MethodPost, path+"/plan", a.tag, http.StatusOK, map[string]any{"techniques": []string{"xrf"}, "who": "Seen under load"}); !ok {
		return
	}
	v.put("record a finding", http.MethodPost, path+"/findings", a.tag, http.StatusOK, map[string]any{"technique": "xrf", "found": "Copper and zinc.", "proves": "A brass.", "done_on": time.Now().UTC().Format(time.DateOnly), "done_by": "Seen under load"})
	v.look("question, page", "/investigations/"+made.ID.String())
}
