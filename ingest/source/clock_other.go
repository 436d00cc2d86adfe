//go:build !linux

package source

import (
	"sync"
	"time"
)

var processStart = time.Now()

// Now implements Clock.
func (SystemClock) Now() Stamp {
	now := time.Now()
	return Stamp{Mono: int64(now.Sub(processStart)), Wall: now.UnixNano()}
}

// BootID names the stretch of SystemClock's Mono: a random id for this process.
var BootID = sync.OnceValue(randomID)
