package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"yardtally/cmd/yardtally/settings"
)

// lineChange is a line that is only in the one text or only in the other.
type lineChange struct {
	mark string // "-" or "+"; " " in both
	line string
}

// changesOf holds two texts against one another, by their longest common
// subsequence of lines.
func changesOf(was, now []string) (out []lineChange) {
	n, m := len(was), len(now)
	common := make([][]int, n+1) // of the lines from i and from k on
	for i := range common {
		common[i] = make([]int, m+1)
	}
	for i := n - 1; i >= 0; i-- {
		for k := m - 1; k >= 0; k-- {
			if was[i] == now[k] {
				common[i][k] = common[i+1][k+1] + 1
			} else {
				common[i][k] = max(common[i+1][k], common[i][k+1])
			}
		}
	}
	i, k := 0, 0
	for i < n || k < m {
		switch {
		case i < n && k < m && was[i] == now[k]:
			out = append(out, lineChange{" ", was[i]})
			i, k = i+1, k+1
		case k == m || i < n && common[i+1][k] >= common[i][k+1]:
			out = append(out, lineChange{"-", was[i]})
			i++
		default:
			out = append(out, lineChange{"+", now[k]})
			k++
		}
	}
	return out
}

// writeSettings puts a text into the file's place as a whole, and what was there
// beside it, under the name that it returns ("" where there was none). The file
// can be read by its owner and group only where it has a password. What is
// written is read again by the parser.
func writeSettings(path, text string, private bool) (old string, err error) {
	mode, uid, gid := fs.FileMode(0o644), -1, -1
	if private {
		mode = 0o640
	}
	info, err := os.Stat(path)
	was := err == nil
	owner := info
	if !was {
		if owner, err = os.Stat(filepath.Dir(path)); err != nil {
			return "", fmt.Errorf("folder of the settings: %w", err)
		}
	} else {
		mode &= info.Mode().Perm() | 0o600
	}
	if st, ok := owner.Sys().(*syscall.Stat_t); ok && os.Geteuid() == 0 {
		gid = int(st.Gid) // the service reads it as its group
		if was {
			uid = int(st.Uid)
		}
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".yardtally-setup-*")
	if err != nil {
		return "", err
	}
	defer os.Remove(f.Name()) // gone already where all went well
	_, err = f.WriteString(text)
	if uid >= 0 || gid >= 0 {
		err = errors.Join(err, f.Chown(uid, gid))
	}
	if err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close()); err != nil {
		return "", err
	}
	if _, err := settings.Read(f.Name()); err != nil {
		return "", fmt.Errorf("what was written cannot be read: %w", err)
	}
	if was {
		if old, err = keepOld(path); err != nil {
			return "", err
		}
	}
	return old, os.Rename(f.Name(), path)
}

// keepOld gives a file a second name, FILE.old or FILE.old2 and so on.
func keepOld(path string) (string, error) {
	for i := 1; ; i++ {
		old := path + ".old"
		if i > 1 {
			old += fmt.Sprint(i)
		}
		err := os.Link(path, old)
		if !errors.Is(err, fs.ErrExist) {
			return old, err
		}
	}
}

// quietAround leaves of unchanged lines those just beside a change.
func quietAround(all []lineChange) (out []lineChange) {
	for i, c := range all {
		near := slices.ContainsFunc(all[max(0, i-1):min(len(all), i+2)], func(o lineChange) bool { return o.mark != " " })
		if near {
			out = append(out, c)
		}
	}
	return out
}
