package serve

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"testing"
	"time"
)

// TestLeaving: a failure is an error, unless whoever asked has gone; running out of time is not going.
func TestLeaving(t *testing.T) {
	t.Parallel()
	var said bytes.Buffer
	log := slog.New(leaving{slog.NewTextHandler(&said, nil)}).With("a", 1).WithGroup("g")
	gone, leave := context.WithCancel(t.Context())
	leave()
	late, end := context.WithDeadline(t.Context(), time.Now().Add(-time.Second))
	defer end()
	for _, test := range []struct {
		ctx  context.Context
		want string
	}{{t.Context(), "level=ERROR"}, {late, "level=ERROR"}, {gone, "level=INFO"}} {
		said.Reset()
		log.ErrorContext(test.ctx, "fault", "b", 2)
		if got := said.String(); !strings.Contains(got, test.want) || !strings.Contains(got, "g.b=2") || strings.Contains(got, "left=true") != (test.ctx == gone) {
			t.Errorf("said %q, want %s", got, test.want)
		}
	}
	said.Reset()
	slog.New(leaving{slog.NewTextHandler(&said, &slog.HandlerOptions{Level: slog.LevelWarn})}).ErrorContext(gone, "fault")
	if said.Len() > 0 {
		t.Errorf("said %q, where information is not asked for", said.String())
	}
}
