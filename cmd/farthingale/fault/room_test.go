//go:build unix

package fault

import (
	"net/http"
	"strings"
	"testing"
)

// TestNoRoom: there is room for the first bytes of a file only, where it is taken in and where it is kept.
// The upload is refused in words, nothing of it is left, and with room it is done.
func TestNoRoom(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	k := kinds[1]
	if k.name != "upload" {
		t.Fatalf("%s is no upload", k.name)
	}
	full := w.start(withRoom(2000))
	for _, key := range []string{"", "taken in to a file of its own first"} {
		a := k.ready(w, 0)
		a.key = key
		before := w.image()
		got, err := full.send(t.Context(), a, 0)
		if err != nil || got.status != http.StatusServiceUnavailable || got.retryAfter == "" || !strings.Contains(got.body, `"code":"no_room"`) {
			t.Errorf("key %q: %+v %v", key, got, err)
		}
		if found := w.found(a); found != 0 {
			t.Errorf("key %q: refused, and found %d times", key, found)
		}
		if names := changed(before, w.image()); len(names) > 0 {
			t.Errorf("key %q: half a record: %v", key, names)
		}
	}
	full.kill()
	a := k.ready(w, 0)
	if got, err := w.start().send(t.Context(), a, 0); err != nil || got.status != http.StatusCreated {
		t.Errorf("with room: %+v %v", got, err)
	}
	w.whole()
}
