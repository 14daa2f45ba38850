package serve

import (
	"context"
	"errors"
	"log/slog"
)

// requests is the log of requests.
func requests(log *slog.Logger) *slog.Logger { return slog.New(leaving{log.Handler()}) }

// leaving is a log of requests. What fails because whoever asked has gone is no fault of the program: it is
// noted as information.
type leaving struct{ slog.Handler }

func (l leaving) Handle(ctx context.Context, r slog.Record) error {
	if r.Level > slog.LevelInfo && errors.Is(ctx.Err(), context.Canceled) {
		if !l.Enabled(ctx, slog.LevelInfo) {
			return nil
		}
		r = r.Clone()
		r.Level = slog.LevelInfo
		r.AddAttrs(slog.Bool("left", true))
	}
	return l.Handler.Handle(ctx, r)
}

func (l leaving) WithAttrs(attrs []slog.Attr) slog.Handler {
	return leaving{l.Handler.WithAttrs(attrs)}
}

func (l leaving) WithGroup(name string) slog.Handler { return leaving{l.Handler.WithGroup(name)} }
