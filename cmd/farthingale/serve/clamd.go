package serve

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"strings"
	"time"

	"farthingale/domain/photo"
)

// clamd asks a scanner that speaks the protocol of clamd.
//
// source: ClamAV documentation, clamd(8), "INSTREAM"
type clamd struct {
	network, address string
	patience         time.Duration // for one step: connecting, taking a piece, answering
}

// scanPatience is how long a scanner may take for a step. A large file is looked at for a while after
// its last byte.
const scanPatience = time.Minute

// newClamd reads an address such as tcp://127.0.0.1:3310 or unix:///run/clamav/clamd.ctl; "" is no
// scanner.
func newClamd(address string) (photo.Scanner, error) {
	if address == "" {
		return nil, nil
	}
	u, err := url.Parse(address)
	switch {
	case err == nil && u.Scheme == "tcp" && u.Host != "" && u.Port() != "" && u.Path == "":
		return &clamd{"tcp", u.Host, scanPatience}, nil
	case err == nil && u.Scheme == "unix" && u.Host == "" && u.Path != "":
		return &clamd{"unix", u.Path, scanPatience}, nil
	}
	return nil, fmt.Errorf("the virus scanner %q is not an address such as tcp://127.0.0.1:3310 or unix:///run/clamav/clamd.ctl", address)
}

// Scan implements photo.Scanner.
func (c *clamd) Scan(ctx context.Context, r io.Reader) (found string, err error) {
	conn, err := (&net.Dialer{Timeout: c.patience}).DialContext(ctx, c.network, c.address)
	if err != nil {
		return "", err
	}
	defer func() { _ = conn.Close() }() // everything was said or is given up
	stop := context.AfterFunc(ctx, func() { _ = conn.SetDeadline(time.Unix(1, 0)) })
	defer stop()
	sent := c.send(ctx, conn, r)
	// A scanner that has seen enough answers and closes while the file is still being sent.
	answer, err := c.answer(ctx, conn)
	switch {
	case err != nil:
		return "", errors.Join(sent, err)
	case strings.HasSuffix(answer, " FOUND"):
		return strings.TrimSuffix(strings.TrimPrefix(answer, "stream: "), " FOUND"), nil
	case strings.Contains(answer, "size limit exceeded"):
		return "", photo.ErrScanSize
	case sent != nil:
		return "", sent
	case answer == "stream: OK":
		return "", nil
	}
	return "", fmt.Errorf("the scanner answers %q", answer)
}

// send sends a file in pieces, each after its length in four bytes; a length of 0 is the end.
func (c *clamd) send(ctx context.Context, conn net.Conn, r io.Reader) error {
	write := func(b []byte) error {
		if err := errors.Join(ctx.Err(), conn.SetWriteDeadline(time.Now().Add(c.patience))); err != nil {
			return err
		}
		_, err := conn.Write(b)
		return err
	}
	if err := write([]byte("zINSTREAM\x00")); err != nil {
		return err
	}
	piece := make([]byte, 4+64<<10)
	for {
		n, err := io.ReadFull(r, piece[4:])
		if n > 0 {
			binary.BigEndian.PutUint32(piece, uint32(n)) // #nosec G115 -- at most 64 KiB
			if err := write(piece[:4+n]); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return write(make([]byte, 4))
		}
		if err != nil {
			return err
		}
	}
}

// answer reads what the scanner says, up to its NUL.
func (c *clamd) answer(ctx context.Context, conn net.Conn) (string, error) {
	if err := errors.Join(ctx.Err(), conn.SetReadDeadline(time.Now().Add(c.patience))); err != nil {
		return "", err
	}
	b, err := io.ReadAll(io.LimitReader(conn, 4096))
	said, _, whole := strings.Cut(string(b), "\x00")
	if whole {
		return said, nil
	}
	if err == nil {
		err = fmt.Errorf("the scanner broke off after %q", said)
	}
	return "", err
}
