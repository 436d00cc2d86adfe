package notify_test

import (
	"fmt"
	"time"

	"yardtally/cmd/yardtally/notify"
)

// Without a service manager nothing is sent; with one it may want to hear.
func ExampleWatchdog() {
	fmt.Println(notify.Extend(90 * time.Second))
	d, err := notify.Watchdog(func(name string) string { return map[string]string{"WATCHDOG_USEC": "60000000"}[name] })
	fmt.Println(d, err)
	// Output:
	// EXTEND_TIMEOUT_USEC=90000000
	// 1m0s <nil>
}
