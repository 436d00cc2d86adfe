package journal

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"syscall"
	"time"
)

// lock takes the file beside the journal that says who owns it. The kernel
// lets go of it when the process ends, however it ends. crashed says that the
// one before did not close the journal.
func lock(path string) (f *os.File, crashed bool, err error) {
	f, err = os.OpenFile(path+".lock", os.O_RDWR|os.O_CREATE, 0o660)
	if err != nil {
		return nil, false, fmt.Errorf("%s: taking the lock: %w", path, err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		defer f.Close()
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, false, fmt.Errorf("%s: taking the lock: %w", path, err)
		}
		return nil, false, &OwnedError{Path: path, Holder: holder(f)}
	}
	text := holder(f)
	crashed = strings.HasPrefix(text, "process ") && !strings.HasSuffix(text, opening)
	say(f, " "+opening)
	return f, crashed, nil
}

// holder reads who has the lock.
func holder(f *os.File) string {
	who, _ := io.ReadAll(io.LimitReader(f, 200))
	if text := strings.TrimSpace(string(who)); text != "" {
		return text
	}
	return "another process"
}

const opening = "(opening)"

// owned says that the journal is open.
func owned(f *os.File) { say(f, "") }

func say(f *os.File, more string) {
	err := f.Truncate(0)
	if err == nil {
		_, err = f.WriteAt(fmt.Appendf(nil, "process %d since %s%s\n", os.Getpid(), time.Now().UTC().Format(time.RFC3339), more), 0)
	}
	if err != nil {
		// A full disk must not keep the rig from starting: the lock holds
		// without its text.
		f.Truncate(0)
	}
}

// OwnedError says that another process has the journal open.
type OwnedError struct {
	Path   string
	Holder string // "process 123 since 2026-10-09T19:02:11Z"
}

func (e *OwnedError) Error() string {
	return fmt.Sprintf("%s: the journal is in use by %s; one process owns it at a time", e.Path, e.Holder)
}
