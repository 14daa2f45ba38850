//go:build unix

package local

import (
	"context"
	"testing"
	"time"
)

func TestStart(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	b := time.Now()
	c, err := Start(ctx, Options{DataDir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Log("first", time.Since(b))
	b = time.Now()
	c.Stop(ctx)
	t.Log("stop", time.Since(b))
	b = time.Now()
	c, err = Start(ctx, Options{DataDir: dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Log("second", time.Since(b))
	t.Log(c.URL("a", "b"))
	c.Stop(ctx)
	b = time.Now()
	c, err = Start(ctx, Options{DataDir: t.TempDir(), Fast: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Log("fast", time.Since(b))
	c.Stop(ctx)
}
