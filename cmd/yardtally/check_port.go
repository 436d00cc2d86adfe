package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"yardtally/ingest/serialport"
)

// mendable is an error with the command that mends it.
type mendable struct {
	error
	mend string
}

func (m mendable) Unwrap() error { return m.error }

func mend(how, format string, args ...any) error { return mendable{fmt.Errorf(format, args...), how} }

// userName is who runs this, as commands name him.
func userName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return strconv.Itoa(os.Getuid())
}

// checkPort opens a serial port and closes it again; listen is for how long it
// listens meanwhile for sentences. What it heard is returned.
func checkPort(path string, baud int, listen time.Duration) (heard string, err error) {
	p, err := openChecked(path, baud)
	if err != nil {
		return "", err
	}
	defer p.Close()
	if listen <= 0 {
		return "", nil
	}
	return hear(p, path, baud, listen)
}

// errBusy and errDenied are of a port that another program has, and of one that
// this user may not open.
var errBusy, errDenied = errors.New("busy"), errors.New("not allowed")

// kind marks an error without changing its text.
type kind struct {
	error
	of error
}

func (k kind) Unwrap() []error { return []error{k.error, k.of} }

// openChecked opens a serial port; the error says what mends it.
func openChecked(path string, baud int) (*serialport.Port, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, mend("ls -l /dev/serial/by-id (lists what is plugged in)", "%s: there is no such port; is the board plugged in?", path)
	case err == nil && info.Mode()&fs.ModeCharDevice == 0:
		return nil, fmt.Errorf("%s: must be a serial port, is a %s", path, kindOf(info))
	}
	if who := holders(path, info); len(who) > 0 {
		return nil, kind{mend(fmt.Sprintf("kill %d, or stop what started it", who[0].pid), "%s: another program has it open: %s (process %d)", path, who[0].name, who[0].pid), errBusy}
	}
	p, err := serialport.OpenPort(path, baud)
	if errors.Is(err, fs.ErrPermission) || err != nil && denied(path) {
		return nil, kind{portDenied(path, info), errDenied}
	}
	return p, err
}

func kindOf(info fs.FileInfo) string {
	if info.IsDir() {
		return "folder"
	}
	return "file"
}

// denied reports whether a file is there that this user may not open to read
// and write.
func denied(path string) bool {
	const readWrite = 4 | 2 // access(2)
	return errors.Is(syscall.Access(path, readWrite), syscall.EACCES)
}

// portDenied says which group is missing.
func portDenied(path string, info fs.FileInfo) error {
	me := userName()
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return fmt.Errorf("%s: user %s may not open it", path, me)
	}
	gid := strconv.Itoa(int(st.Gid))
	group := gid
	if g, err := user.LookupGroupId(gid); err == nil {
		group = g.Name
	}
	if info.Mode().Perm()&0o060 != 0o060 {
		return mend(fmt.Sprintf("sudo chmod g+rw %s (until it is plugged in again; for good by a udev rule)", path),
			"%s: user %s may not open it, nor may its group %s (mode %04o)", path, me, group, info.Mode().Perm())
	}
	if u, err := user.Current(); err == nil {
		if ids, err := u.GroupIds(); err == nil && slices.Contains(ids, gid) {
			return mend("sudo systemctl restart yardtally (or sign in again)", "%s: user %s is of the group %s, but what runs here was started before that", path, me, group)
		}
	}
	return mend(fmt.Sprintf("sudo usermod -aG %s %s (then start it, or sign in, again)", group, me),
		"%s: user %s may not open it: it is not of the group %s", path, me, group)
}

// holder is a process that has a file open.
type holder struct {
	pid  int
	name string
}

// holders are the other processes that have a device open, as far as this user
// may see: proc(5), /proc/PID/fd.
func holders(path string, info fs.FileInfo) (out []holder) {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return nil
	}
	procs, _ := os.ReadDir("/proc")
	for _, p := range procs {
		pid, err := strconv.Atoi(p.Name())
		if err != nil || pid == os.Getpid() {
			continue
		}
		dir := filepath.Join("/proc", p.Name(), "fd")
		fds, _ := os.ReadDir(dir)
		for _, fd := range fds {
			at, err := os.Readlink(filepath.Join(dir, fd.Name()))
			if err != nil || at != real {
				continue
			}
			if now, err := os.Stat(filepath.Join(dir, fd.Name())); err != nil || !os.SameFile(now, info) {
				continue // another file of that name, in another root
			}
			name, _ := os.ReadFile(filepath.Join("/proc", p.Name(), "comm"))
			out = append(out, holder{pid, strings.TrimSpace(string(name))})
			break
		}
	}
	return out
}

// hear listens for sentences that can be read.
func hear(p *serialport.Port, path string, baud int, listen time.Duration) (string, error) {
	var h heardLines
	if err := h.listen(context.Background(), p, listen, 3); err != nil {
		return "", err
	}
	switch {
	case h.good > 0:
		return "speaks: sentences with readings come", nil
	case h.bytes == 0:
		return "", mend("look whether the board has power, and whether its TX goes to this port's RX", "%s: nothing came in %v", path, listen)
	}
	return "", mend(fmt.Sprintf("set baud to the board's own rate, 9600 or 115200 as a rule (it is %d)", baud),
		"%s: %d bytes came in %v, and no sentence with a reading: %s", path, h.bytes, listen, h.why())
}
