package main

import (
	"bytes"
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
	"yardtally/ingest/wire"
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
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "", mend("ls -l /dev/serial/by-id (lists what is plugged in)", "%s: there is no such port; is the board plugged in?", path)
	case err == nil && info.Mode()&fs.ModeCharDevice == 0:
		return "", fmt.Errorf("%s: must be a serial port, is a %s", path, kindOf(info))
	}
	if who := holders(path, info); len(who) > 0 {
		return "", mend(fmt.Sprintf("kill %d, or stop what started it", who[0].pid), "%s: another program has it open: %s (process %d)", path, who[0].name, who[0].pid)
	}
	p, err := serialport.OpenPort(path, baud)
	if errors.Is(err, fs.ErrPermission) || err != nil && denied(path) {
		return "", portDenied(path, info)
	}
	if err != nil {
		return "", err
	}
	defer p.Close()
	if listen <= 0 {
		return "", nil
	}
	return hear(p, path, baud, listen)
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
	var text []byte
	buf := make([]byte, 4096)
	good, bad, all := 0, map[string]int{}, 0
	for end := time.Now().Add(listen); time.Now().Before(end) && good < 3; {
		n, err := p.Read(buf)
		if err != nil {
			return "", err
		}
		all += n
		text = append(text, buf[:n]...)
		for {
			i := bytes.IndexByte(text, '\n')
			if i < 0 {
				break
			}
			msg, drops := wire.ParseNMEA(bytes.TrimRight(text[:i], "\r\n"))
			text = text[i+1:]
			if len(msg.Readings) > 0 {
				good++
			}
			for _, d := range drops {
				bad[string(d.Reason)]++
			}
		}
		if len(text) > serialport.MaxLine {
			text = text[:0]
		}
	}
	switch {
	case good > 0:
		return "speaks: sentences with readings come", nil
	case all == 0:
		return "", mend("look whether the board has power, and whether its TX goes to this port's RX", "%s: nothing came in %v", path, listen)
	}
	why := "no line ended"
	if len(bad) > 0 {
		var parts []string
		for r, n := range bad {
			parts = append(parts, fmt.Sprintf("%d %s", n, r))
		}
		slices.Sort(parts)
		why = strings.Join(parts, ", ")
	}
	return "", mend(fmt.Sprintf("set baud to the board's own rate, 9600 or 115200 as a rule (it is %d)", baud),
		"%s: %d bytes came in %v, and no sentence with a reading: %s", path, all, listen, why)
}
