package postgres

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"hash/fnv"
	"time"

	"github.com/jackc/pgx/v5"

	"farthingale/domain"
)

// Answers keeps the answers to requests with an Idempotency-Key for 24 hours.
type Answers struct{ db *DB }

// NewAnswers makes the store.
func NewAnswers(db *DB) *Answers { return &Answers{db: db} }

// Once runs act and keeps its answer in act's own transaction, so that neither is without the
// other. The same key and body get the kept answer; another body is refused (KindInvalid), one that
// is running is KindConflict. An answer that is an error is not kept: nothing happened.
func (s *Answers) Once(ctx context.Context, key domain.AnswerKey, act func(ctx context.Context) (domain.Answer, error)) (domain.Answer, error) {
	var answer domain.Answer
	err := s.db.tx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		lock := fnv.New64a()
		_, _ = lock.Write([]byte(key.PersonID.String() + "\x00" + key.Method + "\x00" + key.Path + "\x00" + key.Key))
		var free bool
		if err := tx.QueryRow(ctx, `select pg_try_advisory_xact_lock($1)`, int64(lock.Sum64())).Scan(&free); err != nil { // #nosec G115 -- any 64 bits do
			return fault(err, "lock an Idempotency-Key")
		}
		if !free {
			return domain.Conflict("idempotency_running", "A request with this Idempotency-Key is being answered. Wait for its answer.")
		}
		var body, headers []byte
		err := tx.QueryRow(ctx, `
			select body_sha256, status, headers, body from kept_answer
			where person_id = $1 and method = $2 and path = $3 and key = $4 and at > $5`,
			key.PersonID, key.Method, key.Path, key.Key, key.At.Add(-24*time.Hour)).Scan(&body, &answer.Status, &headers, &answer.Body)
		if err == nil {
			if !bytes.Equal(body, key.BodySHA256) {
				return &domain.Error{Kind: domain.KindInvalid, Code: "idempotency_body", Message: "This Idempotency-Key was used with another body. Use a new key for a new request."}
			}
			answer.Kept = true
			return json.Unmarshal(headers, &answer.Headers)
		}
		if !errors.Is(err, pgx.ErrNoRows) {
			return fault(err, "read a kept answer")
		}
		if answer, err = act(ctx); err != nil {
			return err
		}
		if headers, err = json.Marshal(answer.Headers); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, `
			insert into kept_answer (person_id, method, path, key, body_sha256, status, headers, body, at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9)
			on conflict (person_id, method, path, key) do update set body_sha256 = excluded.body_sha256,
				status = excluded.status, headers = excluded.headers, body = excluded.body, at = excluded.at`,
			key.PersonID, key.Method, key.Path, key.Key, key.BodySHA256, answer.Status, headers, answer.Body, key.At)
		return fault(err, "keep an answer")
	})
	return answer, err
}

// Sweep forgets answers older than a day.
func (s *Answers) Sweep(ctx context.Context, at time.Time) error {
	_, err := s.db.q(ctx).Exec(ctx, `delete from kept_answer where at < $1`, at.Add(-24*time.Hour))
	return fault(err, "sweep kept answers")
}
