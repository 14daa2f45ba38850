package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"net/http"
	"os"
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
		if err := checkKey(key); err != nil {
			return err
		}
		body, sum, err := replayable(c.Request())
		if err != nil {
			return err
		}
		defer body.drop()
		original, request := c.Response(), c.Request()
		answer, err := s.Once.Once(request.Context(), domain.AnswerKey{
			PersonID: actor(c).ID, Method: request.Method, Path: request.URL.Path, Key: key, BodySHA256: sum, At: s.Now(),
		}, func(ctx context.Context) (domain.Answer, error) {
			kept := &keeper{header: http.Header{}}
			attempt := request.WithContext(ctx)
			if attempt.Body, err = body.again(); err != nil {
				return domain.Answer{}, err
			}
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

// keyMost is the most bytes of an Idempotency-Key.
const keyMost = 200

func checkKey(key string) error {
	if key == "" || len(key) > keyMost || !domain.CleanText(key) {
		return &domain.Error{Kind: domain.KindUnparseable, Code: "idempotency_key", Message: "An Idempotency-Key has 1 to 200 characters."}
	}
	return nil
}

// keptBody is a body that can be read again and again.
type keptBody struct {
	bytes []byte
	file  *os.File // of an upload, which is not held in memory; else nil
}

// uploadMost is the most bytes of a body that is kept in a file.
const uploadMost = 4 << 30

// replayable takes the whole body before the act begins, so that the act's transaction waits for no
// network and can be tried again. It gives the hash of query and body too.
func replayable(r *http.Request) (*keptBody, []byte, error) {
	hash := sha256.New()
	hash.Write([]byte(r.URL.RawQuery + "\n")) // an upload says there what it shows
	if held, ok := r.Body.(heldBody); ok {
		hash.Write(held.bytes)
		return &keptBody{bytes: held.bytes}, hash.Sum(nil), nil
	}
	if strings.HasPrefix(r.Header.Get("Content-Type"), "application/json") || r.ContentLength == 0 {
		b, err := io.ReadAll(io.LimitReader(r.Body, bodyMost+1))
		if err != nil {
			return nil, nil, &domain.Error{Kind: domain.KindUnparseable, Code: "body", Message: "The body ended before it was complete.", Err: err}
		}
		hash.Write(b)
		return &keptBody{bytes: b}, hash.Sum(nil), nil
	}
	f, err := os.CreateTemp("", "farthingale-body-*")
	if err != nil {
		return nil, nil, domain.NoRoom(fmt.Errorf("make a temporary file: %w", err))
	}
	_ = os.Remove(f.Name()) // where the system allows it: without a name nothing is left when the program is killed
	kept := &keptBody{file: f}
	n, err := io.Copy(io.MultiWriter(f, hash), io.LimitReader(r.Body, uploadMost+1))
	switch full := domain.NoRoom(err); {
	case full != err:
		err = full
	case err != nil:
		err = &domain.Error{Kind: domain.KindUnparseable, Code: "body", Message: "The body ended before it was complete.", Err: err}
	case n > uploadMost:
		err = &domain.Error{Kind: domain.KindTooLarge, Code: "body", Message: "The body is too large: at most 4 GiB. Send fewer files at a time."}
	}
	if err != nil {
		kept.drop()
		return nil, nil, err
	}
	return kept, hash.Sum(nil), nil
}

func (k *keptBody) again() (io.ReadCloser, error) {
	if k.file == nil {
		return io.NopCloser(bytes.NewReader(k.bytes)), nil
	}
	if _, err := k.file.Seek(0, io.SeekStart); err != nil {
		return nil, fmt.Errorf("read a temporary file again: %w", err)
	}
	return io.NopCloser(k.file), nil
}

func (k *keptBody) drop() {
	if k.file != nil {
		_ = k.file.Close()
		_ = os.Remove(k.file.Name())
	}
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
