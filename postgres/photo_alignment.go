package postgres

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
	"farthingale/domain/photo"
	shape "farthingale/domain/photo/mark"
)

var alignmentWords = map[string]*domain.Error{
	"photo_alignment_pkey":        refusedByDatabase("This alignment exists already."),
	"photo_alignment_before_fkey": refusedByDatabase("Both photographs are of one object."),
	"photo_alignment_after_fkey":  refusedByDatabase("Both photographs are of one object."),
	"photo_alignment_by_fkey":     refusedByDatabase("There is no such person."),
	"photo_alignment_two":         refusedByDatabase("A photograph is not laid over itself."),
	"photo_alignment_kind_known":  refusedByDatabase("An alignment is a similarity or affine."),
	"photo_alignment_append_only": refusedByDatabase("An alignment is never changed; another takes its place."),
	"photo_alignment_ties_some":   refusedByDatabase("An alignment has two to four pairs of points."),
}

// AddAlignment keeps how two photographs lie over each other.
func (s *Photos) AddAlignment(ctx context.Context, a *photo.Alignment) error {
	ties, err := json.Marshal(a.Ties)
	if err != nil {
		return fmt.Errorf("encode ties: %w", err)
	}
	return s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `
			insert into photo_alignment (id, object_id, before_id, after_id, kind, ties, by_id, by_name, at)
			select @id, p.object_id, @before, @after, @kind, @ties, @by, @by_name, @at from photo p where p.id = @before`,
			pgx.NamedArgs{"id": a.ID, "before": a.BeforeID, "after": a.AfterID, "kind": a.Kind, "ties": ties, "by": a.By, "by_name": a.ByName, "at": a.At}); err != nil {
			return fault(err, "keep the alignment of photos %s and %s", a.BeforeID, a.AfterID)
		}
		return s.db.addEvents(ctx, a.Events()...)
	})
}

// Alignments reads the last alignment of each of these pairs.
func (s *Photos) Alignments(ctx context.Context, pairs [][2]domain.ID) ([]photo.Alignment, error) {
	before, after := make([]domain.ID, len(pairs)), make([]domain.ID, len(pairs))
	for i, p := range pairs {
		before[i], after[i] = p[0], p[1]
	}
	rows, _ := s.db.q(ctx).Query(ctx, `
		select a.id, a.before_id, a.after_id, a.kind, a.ties, a.by_id, a.by_name, a.at,
			b.width_px as before_width_px, b.height_px as before_height_px, c.width_px as after_width_px, c.height_px as after_height_px
		from unnest($1::uuid[], $2::uuid[]) as pair (before_id, after_id)
			cross join lateral (
				select l.id, l.before_id, l.after_id, l.kind, l.ties, l.by_id, l.by_name, l.at from photo_alignment l where l.before_id = pair.before_id and l.after_id = pair.after_id order by l.at desc, l.id desc limit 1) a
			join photo b on b.id = a.before_id
			join photo c on c.id = a.after_id`, before, after)
	all, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (photo.Alignment, error) {
		var a photo.Alignment
		var before, after shape.Size
		err := r.Scan(&a.ID, &a.BeforeID, &a.AfterID, &a.Kind, &a.Ties, &a.By, &a.ByName, &a.At, &before.Width, &before.Height, &after.Width, &after.Height)
		if err != nil {
			return a, err
		}
		return a, a.Refit(before, after)
	})
	return all, fault(err, "read alignments of photos")
}
