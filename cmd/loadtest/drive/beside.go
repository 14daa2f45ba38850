package drive

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"
)

// Way is one of several ways to the same data. Once goes it for the i-th thing; the same i is the same
// thing for every way.
type Way struct {
	Name string
	Once func(ctx context.Context, i int) error
}

// Beside goes all ways in turn, one request at a time, in blocks of so many: A B C, then C B A with other
// things, so that none is always the first to touch what it reads, and whatever else the machine does
// meets all of them. It gives, for each way, the median of each block.
//
// source: the order is the balanced one of paired comparisons (ABBA), as in Jain, The Art of Computer
// Systems Performance Analysis, 1991, chapter on experimental design; from memory.
func Beside(ctx context.Context, ways []Way, rounds, block int) ([]Samples, error) {
	medians := make([]Samples, len(ways))
	measure := func(way, from int) error {
		took := make(Samples, block)
		for i := range block {
			began := time.Now()
			if err := ways[way].Once(ctx, from+i); err != nil {
				return fmt.Errorf("%s: %w", ways[way].Name, err)
			}
			took[i] = time.Since(began)
		}
		medians[way] = append(medians[way], took.Sorted().Median())
		return nil
	}
	for way := range ways { // connections, plans and caches of the program are warm for all
		if err := measure(way, 0); err != nil {
			return nil, err
		}
		medians[way] = nil
	}
	for round := range rounds {
		there, back := (2*round+1)*block, (2*round+2)*block
		for way := range ways {
			if err := measure(way, there); err != nil {
				return nil, err
			}
		}
		for i := range ways {
			if err := measure(len(ways)-1-i, back); err != nil {
				return nil, err
			}
		}
	}
	for way := range medians {
		medians[way] = medians[way].Sorted()
	}
	return medians, nil
}

// Line is one connection on which a person asks and reads in turn. The client of net/http takes three
// goroutines for that and about a tenth of a millisecond, which would be counted as the program's.
type Line struct {
	by   *Person
	conn net.Conn
	read *bufio.Reader
}

// Line opens a connection. It is closed with Close.
func (p *Person) Line(ctx context.Context) (*Line, error) {
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", p.house.base.Host)
	if err != nil {
		return nil, err
	}
	return &Line{p, conn, bufio.NewReaderSize(conn, 64<<10)}, nil
}

// Close ends the connection.
func (l *Line) Close() error { return l.conn.Close() }

// Fetch gets a page, or JSON of the API, and reads it whole.
func (l *Line) Fetch(ctx context.Context, path string, page bool) error {
	q, client, err := l.by.built(ctx, request{method: http.MethodGet, path: path, page: page})
	if err != nil {
		return err
	}
	if client.Jar != nil {
		for _, c := range client.Jar.Cookies(q.URL) {
			q.AddCookie(c)
		}
	}
	if err := l.conn.SetDeadline(time.Now().Add(Patience)); err != nil {
		return err
	}
	if err := q.Write(l.conn); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	got, err := http.ReadResponse(l.read, q)
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	_, err = io.Copy(io.Discard, got.Body)
	if err == nil && got.StatusCode != http.StatusOK {
		err = fmt.Errorf("status %d", got.StatusCode)
	}
	if closing := got.Body.Close(); err == nil {
		err = closing
	}
	if err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}
