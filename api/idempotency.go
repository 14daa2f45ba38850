package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"io"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"farthingale/domain"
)

// idempotent answers a POST with an Idempotency-Key at most once: the act and its answer are kept
// in one transaction.
func (s *Server) idempotent(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		key := c.Request().Header.Get("Idempotency-Key")
		if key == "" {
			return next(c)
		}
		if len(key) > 200 || !domain.CleanText(key) {
			return &domain.Error{Kind: domain.KindUnparseable, Code: "idempotency_key", Message: "An Idempotency-Key has 1 to 200 characters."}
		}
		body, sum, err := replayable(c.Request())
		if err != nil {
			return err
		}
		original, request := c.Response(), c.Request()
		answer, err := s.Once.Once(request.Context(), domain.AnswerKey{
			PersonID: actor(c).ID, Method: request.Method, Path: request.URL.Path, Key: key, BodySHA256: sum, At: s.Now(),
		}, func(ctx context.Context) (domain.Answer, error) {
			kept := &keeper{header: http.Header{}}
			attempt := request.WithContext(ctx)
			attempt.Body = body()
			c.SetRequest(attempt)
			c.SetResponse(echo.NewResponse(kept, c.Echo()))
			defer func() { c.SetRequest(request); c.SetResponse(original) }()
			if err := next(c); err != nil {
				return domain.Answer{}, err
			}
			headers := map[string]string{}
			for name := range kept.header {
				headers[name] = kept.header.Get(name)
			}
			return domain.Answer{Status: kept.status, Headers: headers, Body: kept.body.Bytes()}, nil
		})
		if err != nil {
			return err
		}
		h := original.Header()
		for name, value := range answer.Headers {
			h.Set(name, value)
		}
		if answer.Kept {
			h.Set("Idempotency-Replayed", "true")
		}
		original.WriteHeader(answer.Status)
		_, err = original.Write(answer.Body)
		return err
	}
}

// replayable gives the body again and again, and its hash. The body of an upload is not held in
// memory: it can be read once, and its length and digest headers stand for it.
func replayable(r *http.Request) (again func() io.ReadCloser, sum []byte, err error) {
	hash := sha256.New()
	if !strings.HasPrefix(r.Header.Get("Content-Type"), "application/json") && r.ContentLength != 0 {
		for _, name := range []string{"Content-Length", "Content-Digest"} {
			hash.Write([]byte(r.Header.Get(name) + "\n"))
		}
		return func() io.ReadCloser { return r.Body }, hash.Sum(nil), nil
	}
	b, err := io.ReadAll(io.LimitReader(r.Body, bodyMost+1))
	if err != nil {
		return nil, nil, &domain.Error{Kind: domain.KindUnparseable, Code: "body", Message: "The body ended before it was complete.", Err: err}
	}
	hash.Write(b)
	return func() io.ReadCloser { return io.NopCloser(bytes.NewReader(b)) }, hash.Sum(nil), nil
}

// keeper is a ResponseWriter that keeps the answer.
type keeper struct {
	header http.Header
	status int
	body   bytes.Buffer
}

func (k *keeper) Header() http.Header { return k.header }

func (k *keeper) WriteHeader(status int) { k.status = status }

func (k *keeper) Write(b []byte) (int, error) {
	if k.status == 0 {
		k.status = http.StatusOK
	}
	return k.body.Write(b)
}
