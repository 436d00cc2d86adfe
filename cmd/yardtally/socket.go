package main

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"sync"
)

// mostSocketPath is the longest path that a unix socket's address can hold on
// Linux: 108 bytes with the zero at its end, unix(7).
const mostSocketPath = 107

// socketPath returns a path to the control socket in a data folder that fits
// into a socket's address: where the folder's own does not, a way through the
// opened folder. The path holds until done is called.
func socketPath(data string) (path string, done func(), err error) {
	path = filepath.Join(data, socketFile)
	if len(path) <= mostSocketPath {
		return path, func() {}, nil
	}
	dir, err := os.Open(data)
	if err != nil {
		return "", nil, err
	}
	return filepath.Join("/proc/self/fd", strconv.Itoa(int(dir.Fd())), socketFile), func() { dir.Close() }, nil
}

// socket listens for commands of this machine's users in the service's group.
type socket struct {
	*net.UnixListener
	shut func() error
}

// listenControl opens the control socket. The caller holds the journal's lock:
// a socket that is there already was left by a daemon that died.
func listenControl(data string) (*socket, error) {
	name := filepath.Join(data, socketFile)
	if err := os.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	path, done, err := socketPath(data)
	if err != nil {
		return nil, fmt.Errorf("control socket: %w", err)
	}
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		done()
		return nil, fmt.Errorf("control socket: %w", err)
	}
	l.SetUnlinkOnClose(false)
	s := &socket{UnixListener: l, shut: sync.OnceValue(func() error {
		defer done()
		return errors.Join(os.Remove(name), l.Close())
	})}
	if err := os.Chmod(name, 0o660); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// Close takes the socket away. A second call does nothing.
func (s *socket) Close() error { return s.shut() }
