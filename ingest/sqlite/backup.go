package sqlite

import (
	"context"
	"database/sql"
	"net/url"

	"github.com/ncruces/go-sqlite3"
	"github.com/ncruces/go-sqlite3/driver"
)

// Backup copies a file to another, some pages at a time. What is written
// through the same pool between the steps is in the copy too.
type Backup struct {
	DB *sql.DB // of one connection, as Open returns
	To string  // the copy, new or empty
	b  *sqlite3.Backup
}

// Step copies so many pages more and reports whether all are copied; then the
// copy is whole and closed.
func (b *Backup) Step(ctx context.Context, pages int) (done bool, err error) {
	err = b.hold(ctx, func(c *sqlite3.Conn) error {
		if b.b == nil {
			if b.b, err = c.BackupInit("main", "file:"+(&url.URL{Path: b.To}).EscapedPath()); err != nil {
				return err
			}
		}
		if done, err = b.b.Step(pages); err != nil || !done {
			return err
		}
		return b.end()
	})
	return done && err == nil, err
}

// Close lets go of a copy that is not whole.
func (b *Backup) Close() error {
	if b.b == nil {
		return nil
	}
	return b.hold(context.Background(), func(*sqlite3.Conn) error { return b.end() })
}

func (b *Backup) end() error {
	err := b.b.Close()
	b.b = nil
	return err
}

func (b *Backup) hold(ctx context.Context, fn func(*sqlite3.Conn) error) error {
	c, err := b.DB.Conn(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	return c.Raw(func(raw any) error { return fn(raw.(driver.Conn).Raw()) })
}
