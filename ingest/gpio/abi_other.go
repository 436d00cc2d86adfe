//go:build !linux

package gpio

import "errors"

var errNoPins = errors.New("pins can be read and driven on Linux only")

// Open fails: there is no such thing here.
func Open(Pins) (Lines, error) { return nil, errNoPins }

// Output is a line that is driven out.
type Output struct{}

// OpenOutput fails: there is no such thing here.
func OpenOutput(string, int, bool) (*Output, error) { return nil, errNoPins }

// Set fails.
func (*Output) Set(bool) error { return errNoPins }

// Close does nothing.
func (*Output) Close() error { return nil }
