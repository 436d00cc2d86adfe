package source

import (
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// Now implements Clock.
func (SystemClock) Now() Stamp {
	var ts unix.Timespec
	// It cannot fail: the clock is as old as Linux 2.6.39, and Go asks for 3.2.
	_ = unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts)
	return Stamp{Mono: ts.Nano(), Wall: time.Now().UnixNano()}
}

// BootID names the stretch of SystemClock's Mono: the kernel's own id of this
// boot, or a random one for this process where the kernel does not say.
var BootID = sync.OnceValue(func() string {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if id := strings.TrimSpace(string(b)); err == nil && id != "" {
		return id
	}
	return randomID()
})
