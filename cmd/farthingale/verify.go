package main

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"

	"farthingale/domain/record"
)

// runVerify recomputes the chain of seals and the hash of every kept file. It fails, naming the first thing that does not fit.
func runVerify(ctx context.Context, s *settings, rest []string) error {
	if len(rest) > 0 {
		return fmt.Errorf("verify takes no %q", rest[0])
	}
	var against *record.Head
	if s.against != "" {
		head, err := readHead(s.against)
		if err != nil {
			return err
		}
		against = &head
	}
	return s.with(ctx, func(o *opened) error {
		report, err := o.Record.Verify(ctx, against)
		if err != nil {
			return err
		}
		if !report.Clean {
			return errors.New("the record does not fit: " + report.First)
		}
		files, first, err := o.Photo.Verify(ctx)
		if err != nil {
			return err
		}
		if first != "" {
			return fmt.Errorf("%d of %d kept files are not what they were; the first is %s", files.Changed+files.Missing, files.Checked, first)
		}
		fmt.Printf("%d kept files have their hashes.\n", files.Checked)
		fmt.Printf("The record is clean: %d seals, head %s, origin %s.\n", report.Head.Count, report.Head.Hash, report.Head.Origin)
		return nil
	})
}

// readHead reads a head as the API gives it.
func readHead(path string) (record.Head, error) {
	b, err := os.ReadFile(path) // #nosec G304 G703 -- the person at the machine names the file
	if err != nil {
		return record.Head{}, err
	}
	var text struct {
		Origin string `json:"origin"`
		Count  int64  `json:"count"`
		Hash   string `json:"hash"`
	}
	if err := json.Unmarshal(b, &text); err != nil {
		return record.Head{}, fmt.Errorf("%s does not hold a head: %w", path, err)
	}
	origin, err := hex.DecodeString(text.Origin)
	if err != nil || len(origin) != 32 {
		return record.Head{}, fmt.Errorf("%s: the origin is not a SHA-256", path)
	}
	hash, err := hex.DecodeString(text.Hash)
	if err != nil || len(hash) != 32 {
		return record.Head{}, fmt.Errorf("%s: the hash is not a SHA-256", path)
	}
	return record.Head{Origin: origin, Count: text.Count, Hash: hash}, nil
}
