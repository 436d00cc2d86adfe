package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha512"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"syscall"
	"testing"

	"github.com/chromedp/chromedp"
)

// The checker of accessibility, axe-core (MPL-2.0), is never committed: npm
// fetches this version from its registry, and what comes must have this digest,
// which is the one that the registry states (read from its package's record).
const (
	axeVersion   = "4.14.1"
	axeIntegrity = "sha512-FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ=="
)

var errNoNPM = errors.New("npm is not there")

// axeSource returns the checker's script. The first caller on a machine fetches
// it into the user's cache folder; others wait at a lock.
var axeSource = sync.OnceValues(func() (string, error) {
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(cache, "yardtally-test", "axe-core-"+axeVersion)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	lock, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return "", err
	}
	defer lock.Close() // and with it the lock is gone
	for {
		if err = syscall.Flock(int(lock.Fd()), syscall.LOCK_EX); !errors.Is(err, syscall.EINTR) {
			break
		}
	}
	if err != nil {
		return "", err
	}
	pack := filepath.Join(dir, "axe-core-"+axeVersion+".tgz")
	if _, err := os.Stat(pack); err != nil {
		if _, err := exec.LookPath("npm"); err != nil {
			return "", errNoNPM
		}
		cmd := exec.Command("npm", "pack", "axe-core@"+axeVersion, "--silent", "--pack-destination", dir)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			return "", fmt.Errorf("npm pack: %w: %s", err, bytes.TrimSpace(out))
		}
	}
	body, err := os.ReadFile(pack)
	if err != nil {
		return "", err
	}
	if sum := sha512.Sum512(body); "sha512-"+base64.StdEncoding.EncodeToString(sum[:]) != axeIntegrity {
		return "", errors.Join(fmt.Errorf("what npm fetched is not axe-core %s: its digest is another", axeVersion), os.Remove(pack))
	}
	unzipped, err := gzip.NewReader(bytes.NewReader(body))
	if err != nil {
		return "", err
	}
	for files := tar.NewReader(unzipped); ; {
		h, err := files.Next()
		if err != nil {
			return "", fmt.Errorf("package/axe.min.js: %w", err)
		}
		if h.Name == "package/axe.min.js" {
			text, err := io.ReadAll(files)
			return string(text), err
		}
	}
})

// axe returns the checker's script, or skips the test where npm is missing.
func axe(t *testing.T) string {
	t.Helper()
	text, err := axeSource()
	switch {
	case errors.Is(err, errNoNPM) && os.Getenv("YARDTALLY_CI") == "":
		t.Skip("npm is not installed: pages are not held against WCAG 2.2")
	case err != nil:
		t.Fatalf("the checker of accessibility: %v", err)
	}
	return text
}

// found is what the checker says of a page.
type found struct {
	Passes, Against, Unsure []string
}

// askAxe asks for what it finds by these tags or rules.
func askAxe(which string) string {
	return `axe.run(document, {runOnly: ` + which + `, resultTypes: ['violations', 'incomplete']}).then(r => {
	const say = x => x.nodes.map(n => x.id + ': ' + n.target.join(' ') + ': ' + n.html.slice(0, 120) + ': ' + [...n.any, ...n.all, ...n.none].map(c => c.message).join('; '));
	return {Passes: r.passes.map(x => x.id), Against: r.violations.flatMap(say), Unsure: r.incomplete.flatMap(say)};
})`
}

// accessible holds a page, with all its folds open, against WCAG 2.2 AA as far
// as a checker can: all of it on a phone by night, and on a laptop by day what
// may be another there.
func (b *tab) accessible(t *testing.T, p *listed) {
	source := axe(t)
	for _, as := range []struct {
		width         int64
		scheme, which string
	}{
		{360, "dark", `['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']`},
		{1280, "light", `{type: 'rule', values: ['color-contrast', 'link-in-text-block', 'target-size', 'scrollable-region-focusable']}`},
	} {
		b.at(t, as.width, as.scheme)
		eval[bool](t, b.ctx, `document.querySelectorAll('details').forEach(d => { d.open = true }), true`)
		// Evaluated as a debugger does, it needs no leave of the page's policy.
		if !eval[bool](t, b.ctx, `typeof axe === 'object'`) {
			eval[bool](t, b.ctx, source+"\n;true")
		}
		f, err := chromedp.Run(b.ctx, chromedp.Evaluate[found](askAxe(as.which), chromedp.EvalAwaitPromise))
		if err != nil {
			t.Fatal(err)
		}
		if len(f.Passes) == 0 {
			t.Error("nothing was looked at")
		}
		for _, x := range f.Against {
			t.Errorf("%s, %d px, %s: %s", p.name, as.width, as.scheme, x)
		}
		for _, x := range f.Unsure {
			t.Logf("%d px, %s, for a person to judge: %s", as.width, as.scheme, x)
		}
	}
}
