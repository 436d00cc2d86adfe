// Command deb builds Yardtally for the boards and makes a Debian package of
// each build:
//
//	go run -C testdata/deb . -o DIR [-arch amd64,armhf] [-version 0.1.0] [-check]
//
// The same commit gives the same bytes, in whatever folder and at whatever time:
// every date in a package is the commit's. It needs Go and git, and no program
// of Debian's. What goes into a package lies in cmd/yardtally/packaging.
package main

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// board is an architecture as Debian and Go call it, and whether its code must be
// kept small; see weigh.
type board struct {
	deb, goarch, goarm string
	large              bool
}

// boards are those that packages are made for. Debian's armhf begins at ARMv7;
// this build runs on ARMv6 too, the first boards and the Zero, whose own
// distribution is also called armhf.
var boards = []board{{"amd64", "amd64", "", true}, {"arm64", "arm64", "", false}, {"armhf", "arm", "6", true}, {"riscv64", "riscv64", "", false}}

// most is the size that no binary may exceed, bytes.
const most = 25_000_000

// weigh are the flags by which the largest code is kept small: calls
// are put in line, which is for speed, in our own rooms, in SQLite and of what
// SQLite reads its memory with, and not in drawing pages, in commands and in
// all that others wrote. Of several that match a package the last holds.
var weigh = []string{"-gcflags=all=-l", "-gcflags=yardtally/...=", "-gcflags=github.com/ncruces/...=", "-gcflags=encoding/binary=",
	"-gcflags=yardtally/cmd/...=-l", "-gcflags=yardtally/dashboard/...=-l"}

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "deb:", err)
		os.Exit(1)
	}
}

// build is all that is common to the packages of one commit.
type build struct {
	root    string // of the repository
	out     string
	version string
	when    time.Time // of the commit
	fast    bool
}

func run(args []string) error {
	fs := flag.NewFlagSet("deb", flag.ContinueOnError)
	out := fs.String("o", "", "`FOLDER` for packages and binaries; must be given")
	archs := fs.String("arch", "", "Debian's `NAMES` of architectures, by commas (default all)")
	version := fs.String("version", "", "package's `VERSION` (default: that of the changelog, with the commit's time and name)")
	root := fs.String("root", "", "repository's `FOLDER` (default: the one that this is in)")
	fast := fs.Bool("fast", false, "compress for speed, not for size")
	check := fs.Bool("check", false, "build and weigh the binaries, make no package")
	if err := fs.Parse(args); err != nil {
		return err
	}
	if *out == "" {
		return errors.New("-o: must be given")
	}
	b := &build{root: *root, version: *version, fast: *fast}
	var err error
	if b.out, err = filepath.Abs(*out); err != nil {
		return err
	}
	if err := os.MkdirAll(b.out, 0o755); err != nil {
		return err
	}
	if b.root == "" {
		if b.root, err = filepath.Abs(filepath.Join("..", "..")); err != nil {
			return err
		}
	}
	if err := b.dated(); err != nil {
		return err
	}
	for name := range strings.SplitSeq(*archs, ",") {
		if name != "" && !slices.ContainsFunc(boards, func(x board) bool { return x.deb == name }) {
			return fmt.Errorf("-arch: must be one of amd64, arm64, armhf and riscv64, is %q", name)
		}
	}
	for _, x := range boards {
		if *archs != "" && !slices.Contains(strings.Split(*archs, ","), x.deb) {
			continue
		}
		binary, err := b.binary(x)
		if err != nil {
			return err
		}
		if *check {
			continue
		}
		path, err := b.pack(x, binary)
		if err != nil {
			return err
		}
		fmt.Println(path)
	}
	return nil
}

// versions are what Debian allows of a native package's version without an epoch.
var versions = regexp.MustCompile(`^[0-9][A-Za-z0-9.+~]*$`)

var changed = regexp.MustCompile(`^yardtally \(([^)]+)\) `)

// dated finds version and time of what is built.
func (b *build) dated() error {
	seconds, err := b.git("log", "-1", "--format=%ct")
	if err != nil {
		// No repository, as of a source archive: the changelog's own time.
		seconds = os.Getenv("SOURCE_DATE_EPOCH")
	}
	n, err := strconv.ParseInt(seconds, 10, 64)
	if err != nil {
		return fmt.Errorf("the commit's time: must be in a git repository or SOURCE_DATE_EPOCH, is %q", seconds)
	}
	b.when = time.Unix(n, 0).UTC()
	if b.version == "" {
		m := changed.FindSubmatch(b.packaging("changelog"))
		if m == nil {
			return errors.New("the changelog names no version")
		}
		b.version = string(m[1]) + b.when.Format("+git20060102150405")
		if name, err := b.git("rev-parse", "--short=10", "HEAD"); err == nil {
			b.version += "." + name
		}
		if dirt, err := b.git("status", "--porcelain", "--untracked-files=no"); err == nil && dirt != "" {
			b.version += ".dirty"
		}
	}
	if !versions.MatchString(b.version) {
		return fmt.Errorf("-version: must begin with a digit and be of letters, digits, '.', '+' and '~', is %q", b.version)
	}
	return nil
}

func (b *build) git(args ...string) (string, error) {
	out, err := exec.Command("git", append([]string{"-C", b.root}, args...)...).Output()
	return strings.TrimSpace(string(out)), err
}

// packaging returns a file of what goes into the package; nil where it is not there.
func (b *build) packaging(name string) []byte {
	text, _ := os.ReadFile(filepath.Join(b.root, "cmd", "yardtally", "packaging", name))
	return text
}

// binary builds the program for a board and weighs it.
func (b *build) binary(x board) (string, error) {
	path := filepath.Join(b.out, "yardtally-"+x.deb)
	args := []string{"build", "-trimpath", "-buildvcs=false", "-ldflags", "-s -w -X main.release=" + b.version, "-o", path}
	if x.large {
		args = append(args, weigh...)
	}
	c := exec.Command("go", append(args, "./cmd/yardtally")...)
	c.Dir = b.root
	c.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH="+x.goarch, "GOARM="+x.goarm, "GOFLAGS=", "GO386=", "GOAMD64=", "GOARM64=", "GORISCV64=", "GOWORK=off")
	var said bytes.Buffer
	c.Stderr = &said
	if err := c.Run(); err != nil {
		return "", fmt.Errorf("%s: %w\n%s", x.deb, err, said.Bytes())
	}
	fi, err := os.Stat(path)
	if err != nil {
		return "", err
	}
	fmt.Printf("yardtally-%s: %d bytes\n", x.deb, fi.Size())
	if fi.Size() > most {
		return "", fmt.Errorf("%s: must be %d bytes at most, is %d", path, most, fi.Size())
	}
	return path, os.Chmod(path, 0o755)
}
