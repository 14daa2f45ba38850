package serve

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"farthingale/domain/photo"
)

// FakeClamd speaks the protocol as its documentation has it and converses about what it received; Finds
// answers as a scanner. It gives its address.
func FakeClamd(t *testing.T, network string, converse func(conn net.Conn, content []byte)) (l net.Listener, address string) {
	t.Helper()
	at := "127.0.0.1:0"
	if network == "unix" {
		at = filepath.Join(t.TempDir(), "clamd.ctl")
	}
	l, err := net.Listen(network, at)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer func() { _ = conn.Close() }()
				content, err := received(conn)
				if err != nil {
					_, _ = io.WriteString(conn, "stream: "+err.Error()+" ERROR\x00")
					return
				}
				converse(conn, content)
			}()
		}
	}()
	if network == "unix" {
		return l, "unix://" + at
	}
	return l, "tcp://" + l.Addr().String()
}

// received reads a command INSTREAM and its pieces.
func received(conn net.Conn) ([]byte, error) {
	command := make([]byte, 10)
	if _, err := io.ReadFull(conn, command); err != nil || string(command) != "zINSTREAM\x00" {
		return nil, errors.New("UNKNOWN COMMAND")
	}
	var content bytes.Buffer
	for {
		var n uint32
		if err := binary.Read(conn, binary.BigEndian, &n); err != nil {
			return nil, err
		}
		if n == 0 {
			return content.Bytes(), nil
		}
		if _, err := io.CopyN(&content, conn, int64(n)); err != nil {
			return nil, err
		}
	}
}

// Finds says of what holds the word VIRUS that it holds a virus.
func Finds(conn net.Conn, content []byte) {
	answer := "stream: OK\x00"
	if bytes.Contains(content, []byte("VIRUS")) {
		answer = "stream: Test.Signature FOUND\x00"
	}
	_, _ = io.WriteString(conn, answer)
}

// TestClamd: what it says is understood, over both kinds of socket; whatever else happens is an error,
// never a clean file.
func TestClamd(t *testing.T) {
	t.Parallel()
	says := func(answer string) func(net.Conn, []byte) {
		return func(conn net.Conn, _ []byte) { _, _ = io.WriteString(conn, answer) }
	}
	big := strings.Repeat("x", 300<<10)
	for name, c := range map[string]struct {
		network, content string
		converse         func(net.Conn, []byte)
		found            string
		clean            bool
		size             bool
	}{
		"clean by tcp":             {network: "tcp", content: "a picture", converse: Finds, clean: true},
		"clean by unix":            {network: "unix", content: "a picture", converse: Finds, clean: true},
		"empty":                    {network: "tcp", converse: Finds, clean: true},
		"found":                    {network: "tcp", content: "a VIRUS", converse: Finds, found: "Test.Signature"},
		"found in the last piece":  {network: "unix", content: big + "VIRUS", converse: Finds, found: "Test.Signature"},
		"a piece exactly":          {network: "tcp", content: big[:64<<10], converse: Finds, clean: true},
		"too large for it":         {network: "tcp", content: "x", converse: says("INSTREAM size limit exceeded. ERROR\x00"), size: true},
		"another error":            {network: "tcp", content: "x", converse: says("stream: Can't allocate memory ERROR\x00")},
		"says nothing":             {network: "tcp", content: "x", converse: says("")},
		"breaks off":               {network: "tcp", content: "x", converse: says("stream: OK")},
		"is something else":        {network: "tcp", content: "x", converse: says("HTTP/1.1 400 Bad Request\r\n\r\n")},
		"answers OK to something":  {network: "tcp", content: "x", converse: says("stream: OK, I think\x00")},
		"does not answer in time":  {network: "tcp", content: "x", converse: func(conn net.Conn, _ []byte) { _, _ = io.Copy(io.Discard, conn) }},
		"clean behind other words": {network: "tcp", content: "x", converse: says("x\x00stream: OK\x00")},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, address := FakeClamd(t, c.network, c.converse)
			s, err := newClamd(address)
			if err != nil {
				t.Fatal(err)
			}
			s.(*clamd).patience = 300 * time.Millisecond
			found, err := s.Scan(t.Context(), strings.NewReader(c.content))
			if found != c.found || (err == nil) != (c.clean || c.found != "") || errors.Is(err, photo.ErrScanSize) != c.size {
				t.Errorf("found %q, %v", found, err)
			}
		})
	}
}

// TestClamdAway: nobody there, a file that cannot be read, and a request that is given up.
func TestClamdAway(t *testing.T) {
	t.Parallel()
	s, err := newClamd("unix://" + filepath.Join(t.TempDir(), "nobody.ctl"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Scan(t.Context(), strings.NewReader("x")); err == nil {
		t.Error("nobody answered, and the file is clean")
	}
	_, address := FakeClamd(t, "tcp", Finds)
	if s, err = newClamd(address); err != nil {
		t.Fatal(err)
	}
	s.(*clamd).patience = 300 * time.Millisecond
	if _, err := s.Scan(t.Context(), io.MultiReader(strings.NewReader("x"), broken{})); err == nil {
		t.Error("half a file is clean")
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := s.Scan(ctx, strings.NewReader("x")); err == nil {
		t.Error("a file whose request was given up is clean")
	}
	for _, address := range []string{"127.0.0.1:3310", "tcp://", "tcp://host", "unix://", "unix://host/x", "http://127.0.0.1:3310", "tcp://a:1/x", "::"} {
		if s, err := newClamd(address); err == nil || s != nil {
			t.Errorf("%q is taken for the address of a scanner", address)
		}
	}
	if s, err := newClamd(""); err != nil || s != nil {
		t.Errorf("no address: %v, %v", s, err)
	}
}

type broken struct{}

func (broken) Read([]byte) (int, error) { return 0, errors.New("the disk is gone") }
