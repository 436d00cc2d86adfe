package main

import (
	"bytes"
	"compress/gzip"
	"debug/buildinfo"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"

	"github.com/goreleaser/nfpm/v2"
	_ "github.com/goreleaser/nfpm/v2/deb" // makes packages of that kind
	"github.com/goreleaser/nfpm/v2/files"
)

// pack makes the package of a binary and returns its path.
func (b *build) pack(x board, binary string) (string, error) {
	tmp, err := os.MkdirTemp("", "yardtally-deb-*")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(tmp)
	if err := os.Chmod(tmp, 0o755); err != nil {
		return "", err
	}
	notices, err := b.notices(binary)
	if err != nil {
		return "", err
	}
	example, err := os.ReadFile(filepath.Join(b.root, "cmd", "yardtally", "settings", "example.toml"))
	if err != nil {
		return "", err
	}
	settings, err := settingsOf(string(example))
	if err != nil {
		return "", err
	}
	changelog := changed.ReplaceAll(b.packaging("changelog"), []byte("yardtally ("+b.version+") "))
	changelog = regexp.MustCompile(`(?m)^( -- .*>  ).*$`).ReplaceAll(changelog, []byte("${1}"+b.when.Format("Mon, 02 Jan 2006 15:04:05 -0700")))

	var contents files.Contents
	put := func(dst string, text []byte, mode os.FileMode, kind string) {
		if err != nil {
			return
		}
		src := filepath.Join(tmp, strings.ReplaceAll(dst, "/", "_"))
		if len(text) == 0 {
			err = fmt.Errorf("%s: is empty", dst)
			return
		}
		err = os.WriteFile(src, text, 0o600)
		contents = append(contents, &files.Content{Source: src, Destination: dst, Type: kind, FileInfo: &files.ContentFileInfo{Owner: "root", Group: "root", Mode: mode, MTime: b.when}})
	}
	put("/usr/lib/systemd/system/yardtally.service", b.packaging("yardtally.service"), 0o644, files.TypeFile)
	put("/usr/lib/udev/rules.d/70-yardtally.rules", b.packaging("70-yardtally.rules"), 0o644, files.TypeFile)
	put("/etc/yardtally/yardtally.toml", []byte(settings), 0o640, files.TypeConfigNoReplace)
	put("/usr/share/man/man1/yardtally.1.gz", zipped(b.packaging("yardtally.1")), 0o644, files.TypeFile)
	put("/usr/share/doc/yardtally/changelog.gz", zipped(changelog), 0o644, files.TypeFile)
	put("/usr/share/doc/yardtally/copyright", notices, 0o644, files.TypeFile)
	put("/usr/share/doc/yardtally/examples/yardtally.toml", example, 0o644, files.TypeFile)
	put("/usr/share/lintian/overrides/yardtally", b.packaging("lintian-overrides"), 0o644, files.TypeFile)
	script := func(name string) string {
		path := filepath.Join(tmp, name)
		if text := b.packaging(name); err == nil {
			err = os.WriteFile(path, text, 0o755)
		}
		return path
	}
	compression := "xz"
	if b.fast {
		compression = "gzip:1"
	}
	info := nfpm.WithDefaults(&nfpm.Info{
		Name: "yardtally", Arch: x.deb, Platform: "linux", Version: b.version, VersionSchema: "none",
		Section: "misc", Priority: "optional", Maintainer: "Yardtally builders <builders@yardtally.invalid>", MTime: b.when,
		Description: "account of sugar syrup fed to honey-bee colonies\n" +
			"A daemon for a feeding rig: it reads a pulse flow meter and a tote level\n" +
			"sensor, finds each fill and each yard's total, and shows them on a page of\n" +
			"its own, without internet. Readings are not legal for trade.",
		Overridables: nfpm.Overridables{
			Depends:    []string{"adduser", "init-system-helpers (>= 1.52)"},
			Recommends: []string{"udev"},
			Scripts:    nfpm.Scripts{PostInstall: script("postinst"), PreRemove: script("prerm"), PostRemove: script("postrm")},
			Deb:        nfpm.Deb{Compression: compression},
		},
	})
	if err != nil {
		return "", err
	}
	info.Contents = append(contents, &files.Content{Source: binary, Destination: "/usr/bin/yardtally",
		FileInfo: &files.ContentFileInfo{Owner: "root", Group: "root", Mode: 0o755, MTime: b.when}})
	if err := nfpm.PrepareForPackager(info, "deb"); err != nil {
		return "", err
	}
	for _, c := range info.Contents { // folders too are of the commit's time
		c.FileInfo.MTime = b.when
	}
	maker, err := nfpm.Get("deb")
	if err != nil {
		return "", err
	}
	var made bytes.Buffer
	if err := maker.Package(info, &made); err != nil {
		return "", err
	}
	path := filepath.Join(b.out, "yardtally_"+b.version+"_"+x.deb+".deb")
	return path, os.WriteFile(path, made.Bytes(), 0o644)
}

// zipped compresses without a name and a time, as Debian's policy asks for.
func zipped(text []byte) []byte {
	var out bytes.Buffer
	w, _ := gzip.NewWriterLevel(&out, gzip.BestCompression)
	w.Write(text)
	w.Close()
	return out.Bytes()
}

var dataKey = regexp.MustCompile(`(?m)^data = "[^"]*"(.*)$`)

// settingsOf makes of the example settings those that a new rig starts with: all
// from the first table on is there, and is put out of force, since it is of a
// rig that is not this one.
func settingsOf(example string) (string, error) {
	if !dataKey.MatchString(example) {
		return "", fmt.Errorf("the example settings name no folder of the journal")
	}
	top, rest, ok := strings.Cut(example, "\n[")
	if !ok {
		return "", fmt.Errorf("the example settings have no table")
	}
	// The comment above the first table goes with it.
	top = dataKey.ReplaceAllString(top, `data = "/var/lib/yardtally" # folder of the journal: the service may write here only`)
	var b strings.Builder
	b.WriteString("# To begin with: name the rig, its zone, and a source of readings, [[serial]] or\n" +
		"# [broker]; then tote, batch, yards and provings. Take the # at the beginning of\n# their lines away. Then:\n" +
		"#   yardtally check -settings /etc/yardtally/yardtally.toml\n#   systemctl start yardtally, later: reload\n# Serial ports are also under /dev/yardtally, by USB socket.\n\n")
	b.WriteString(top + "\n")
	for line := range strings.Lines("[" + rest) {
		if text := strings.TrimSpace(line); text != "" && !strings.HasPrefix(line, "#") {
			line = "#" + line
		}
		b.WriteString(line)
	}
	return b.String(), nil
}

// licences are the names of files in which modules keep theirs.
var licences = regexp.MustCompile(`(?i)^(licen[cs]e|copying|notice|unlicense|edl|epl|about)[^/]*$`)

// notices says under what terms everything in a binary stands.
func (b *build) notices(binary string) ([]byte, error) {
	info, err := buildinfo.ReadFile(binary)
	if err != nil {
		return nil, err
	}
	var out bytes.Buffer
	fmt.Fprintf(&out, "Yardtally, built from its source.\n\nCopyright 2026 the Yardtally authors.\n\n"+
		"No licence has been given for Yardtally's own source: its authors keep their\nrights. This package is for whoever built it, on machines of their own.\n\n"+
		"The program holds the runtime and standard library of %s, under the same\nterms as golang.org/x/sys below, and these modules, each under its own:\n", info.GoVersion)
	for _, m := range info.Deps {
		fmt.Fprintf(&out, "  %s %s\n", m.Path, m.Version)
	}
	for _, m := range info.Deps {
		c := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", m.Path)
		c.Dir = b.root
		c.Env = append(os.Environ(), "GOWORK=off")
		dir, err := c.Output()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", m.Path, err)
		}
		entries, err := os.ReadDir(strings.TrimSpace(string(dir)))
		if err != nil {
			return nil, err
		}
		found := false
		for _, e := range entries {
			if e.IsDir() || !licences.MatchString(e.Name()) || strings.HasSuffix(e.Name(), ".go") {
				continue
			}
			text, err := os.ReadFile(filepath.Join(strings.TrimSpace(string(dir)), e.Name()))
			if err != nil {
				return nil, err
			}
			found = true
			if bytes.Contains(text, []byte("TERMS AND CONDITIONS FOR USE, REPRODUCTION, AND DISTRIBUTION")) && bytes.Contains(text, []byte("Apache License")) {
				text = []byte("The Apache License, version 2.0, which Debian has in\n/usr/share/common-licenses/Apache-2.0.")
			}
			fmt.Fprintf(&out, "\n%s\n%s, %s:\n\n%s\n", strings.Repeat("-", 79), m.Path, e.Name(), bytes.TrimSpace(text))
		}
		if !found {
			return nil, fmt.Errorf("%s: has no file with its licence", m.Path)
		}
	}
	return out.Bytes(), nil
}
