package influxtest

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sync"
	"syscall"
)

const pkg = "github.com/influxdata/influxdb/cmd/influxd"

// binary returns the path of the built server. The first caller on a machine
// builds it (some minutes on a small one); others wait at a lock.
var binary = sync.OnceValues(func() (string, error) {
	module, err := moduleDir()
	if err != nil {
		return "", err
	}
	sum := sha256.New()
	for _, f := range []string{"go.mod", "go.sum"} {
		b, err := os.ReadFile(filepath.Join(module, f))
		if err != nil {
			return "", err
		}
		sum.Write(b)
	}
	fmt.Fprintln(sum, runtime.Version(), runtime.GOOS, runtime.GOARCH)
	cache, err := os.UserCacheDir()
	if err != nil {
		return "", err
	}
	dir := filepath.Join(cache, "yardtally-test", "influxd-"+hex.EncodeToString(sum.Sum(nil)[:8]))
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	bin := filepath.Join(dir, "influxd")
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
	if _, err := os.Stat(bin); err == nil {
		return bin, nil
	}
	part := bin + ".part"
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", part, pkg)
	cmd.Dir = module
	// The build knows nothing of the flags that this test was started with.
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOFLAGS=-buildvcs=false", "GOWORK=off")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w: %s", err, bytes.TrimSpace(out))
	}
	return bin, os.Rename(part, bin)
})

// moduleDir finds testdata/influxd above the folder the test runs in.
func moduleDir() (string, error) {
	d, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		m := filepath.Join(d, "testdata", "influxd")
		if _, err := os.Stat(filepath.Join(m, "go.mod")); err == nil {
			return m, nil
		}
		up := filepath.Dir(d)
		if up == d {
			return "", errors.New("no folder testdata/influxd above the working folder")
		}
		d = up
	}
}
