package gpio

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Sizes, places and numbers are those of the kernel's own header, asked of a C
// compiler (Debian: gcc, linux-libc-dev).
func TestABI(t *testing.T) {
	const program = `#include <linux/gpio.h>
#include <stdio.h>
#include <stddef.h>
#define S(x) printf("%s %zu\n", #x, sizeof(struct x))
#define O(x, f) printf("%s.%s %zu\n", #x, #f, offsetof(struct x, f))
#define N(x) printf("%s %llu\n", #x, (unsigned long long)(x))
int main(void) {
	S(gpiochip_info); S(gpio_v2_line_request); S(gpio_v2_line_config); S(gpio_v2_line_info); S(gpio_v2_line_event); S(gpio_v2_line_values);
	O(gpiochip_info, lines); O(gpio_v2_line_request, consumer); O(gpio_v2_line_request, config); O(gpio_v2_line_request, num_lines);
	O(gpio_v2_line_request, event_buffer_size); O(gpio_v2_line_request, fd); O(gpio_v2_line_config, num_attrs); O(gpio_v2_line_config, attrs);
	O(gpio_v2_line_info, consumer); O(gpio_v2_line_info, offset); O(gpio_v2_line_info, flags); O(gpio_v2_line_event, id); O(gpio_v2_line_event, offset); O(gpio_v2_line_event, line_seqno);
	N(GPIO_GET_CHIPINFO_IOCTL); N(GPIO_V2_GET_LINEINFO_IOCTL); N(GPIO_V2_GET_LINE_IOCTL); N(GPIO_V2_LINE_GET_VALUES_IOCTL); N(GPIO_V2_LINE_SET_VALUES_IOCTL);
	N(GPIO_V2_LINE_FLAG_ACTIVE_LOW); N(GPIO_V2_LINE_FLAG_INPUT); N(GPIO_V2_LINE_FLAG_OUTPUT); N(GPIO_V2_LINE_FLAG_EDGE_RISING); N(GPIO_V2_LINE_FLAG_EDGE_FALLING);
	N(GPIO_V2_LINE_FLAG_BIAS_PULL_UP); N(GPIO_V2_LINE_FLAG_BIAS_PULL_DOWN); N(GPIO_V2_LINE_FLAG_BIAS_DISABLED);
	N(GPIO_V2_LINE_ATTR_ID_FLAGS); N(GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES); N(GPIO_V2_LINE_EVENT_RISING_EDGE);
	return 0;
}
`
	var r lineRequest
	var c lineConfig
	var l lineInfo
	var e lineEvent
	var chip chipInfo
	want := fmt.Sprintln("gpiochip_info", unsafe.Sizeof(chip)) + fmt.Sprintln("gpio_v2_line_request", unsafe.Sizeof(r)) + fmt.Sprintln("gpio_v2_line_config", unsafe.Sizeof(c)) +
		fmt.Sprintln("gpio_v2_line_info", unsafe.Sizeof(l)) + fmt.Sprintln("gpio_v2_line_event", unsafe.Sizeof(e)) + fmt.Sprintln("gpio_v2_line_values", unsafe.Sizeof(lineValues{})) +
		fmt.Sprintln("gpiochip_info.lines", unsafe.Offsetof(chip.lines)) + fmt.Sprintln("gpio_v2_line_request.consumer", unsafe.Offsetof(r.consumer)) +
		fmt.Sprintln("gpio_v2_line_request.config", unsafe.Offsetof(r.config)) + fmt.Sprintln("gpio_v2_line_request.num_lines", unsafe.Offsetof(r.numLines)) +
		fmt.Sprintln("gpio_v2_line_request.event_buffer_size", unsafe.Offsetof(r.buffer)) + fmt.Sprintln("gpio_v2_line_request.fd", unsafe.Offsetof(r.fd)) +
		fmt.Sprintln("gpio_v2_line_config.num_attrs", unsafe.Offsetof(c.numAttrs)) + fmt.Sprintln("gpio_v2_line_config.attrs", unsafe.Offsetof(c.attrs)) +
		fmt.Sprintln("gpio_v2_line_info.consumer", unsafe.Offsetof(l.consumer)) + fmt.Sprintln("gpio_v2_line_info.offset", unsafe.Offsetof(l.offset)) + fmt.Sprintln("gpio_v2_line_info.flags", unsafe.Offsetof(l.flags)) +
		fmt.Sprintln("gpio_v2_line_event.id", unsafe.Offsetof(e.id)) + fmt.Sprintln("gpio_v2_line_event.offset", unsafe.Offsetof(e.offset)) + fmt.Sprintln("gpio_v2_line_event.line_seqno", unsafe.Offsetof(e.line)) +
		fmt.Sprintln("GPIO_GET_CHIPINFO_IOCTL", uint64(ioGetChipInfo)) + fmt.Sprintln("GPIO_V2_GET_LINEINFO_IOCTL", uint64(ioGetLineInfo)) + fmt.Sprintln("GPIO_V2_GET_LINE_IOCTL", uint64(ioGetLine)) +
		fmt.Sprintln("GPIO_V2_LINE_GET_VALUES_IOCTL", uint64(ioGetValues)) + fmt.Sprintln("GPIO_V2_LINE_SET_VALUES_IOCTL", uint64(ioSetValues)) +
		fmt.Sprintln("GPIO_V2_LINE_FLAG_ACTIVE_LOW", flagActiveLow) + fmt.Sprintln("GPIO_V2_LINE_FLAG_INPUT", flagInput) + fmt.Sprintln("GPIO_V2_LINE_FLAG_OUTPUT", flagOutput) +
		fmt.Sprintln("GPIO_V2_LINE_FLAG_EDGE_RISING", flagRising) + fmt.Sprintln("GPIO_V2_LINE_FLAG_EDGE_FALLING", flagFalling) +
		fmt.Sprintln("GPIO_V2_LINE_FLAG_BIAS_PULL_UP", flagPullUp) + fmt.Sprintln("GPIO_V2_LINE_FLAG_BIAS_PULL_DOWN", flagPullDown) + fmt.Sprintln("GPIO_V2_LINE_FLAG_BIAS_DISABLED", flagNoBias) +
		fmt.Sprintln("GPIO_V2_LINE_ATTR_ID_FLAGS", attrFlags) + fmt.Sprintln("GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES", attrOutputValues) + fmt.Sprintln("GPIO_V2_LINE_EVENT_RISING_EDGE", eventRising)

	dir := t.TempDir()
	src, bin := filepath.Join(dir, "abi.c"), filepath.Join(dir, "abi")
	if err := os.WriteFile(src, []byte(program), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("gcc", "-o", bin, src).CombinedOutput()
	if err != nil {
		if os.Getenv("YARDTALLY_CI") != "" {
			t.Fatalf("gcc with the kernel's headers must be here: %v, %s", err, out)
		}
		t.Skipf("no C compiler with the kernel's headers: %v", err)
	}
	got, err := exec.Command(bin).Output()
	if err != nil || string(got) != want {
		t.Errorf("%v; the header has\n%swe have\n%s", err, got, want)
	}
}

// Events come as the kernel writes them, several at once, and their end is that
// of the lines.
func TestEvents(t *testing.T) {
	var ends [2]int
	if err := unix.Pipe2(ends[:], unix.O_CLOEXEC); err != nil {
		t.Fatal(err)
	}
	k := &kernelLines{where: "/dev/gpiochip0", fd: ends[0], order: []int{17}}
	defer k.Close()
	if got, err := k.Wait(time.Millisecond); err != nil || len(got) != 0 {
		t.Errorf("silence: %v, %v", got, err)
	}
	events := []lineEvent{{at: 1e12, id: 1, offset: 17, seq: 4, line: 1}, {at: 1e12 + 5, id: 2, offset: 27, seq: 5, line: 3}}
	if _, err := unix.Write(ends[1], unsafe.Slice((*byte)(unsafe.Pointer(&events[0])), 2*unsafe.Sizeof(events[0]))); err != nil {
		t.Fatal(err)
	}
	got, err := k.Wait(time.Second)
	want := []Edge{{Line: 17, Active: true, At: 1e12, Seq: 1}, {Line: 27, At: 1e12 + 5, Seq: 3}}
	if err != nil || len(got) != 2 || got[0] != want[0] || got[1] != want[1] {
		t.Errorf("got %+v, %v, want %+v", got, err, want)
	}
	unix.Close(ends[1])
	if _, err := k.Wait(time.Second); err == nil || !strings.Contains(err.Error(), "/dev/gpiochip0: the lines went away") {
		t.Errorf("the end: %v", err)
	}
}

func TestOpenErrors(t *testing.T) {
	for chip, want := range map[string]string{
		"yardtally-none": "/dev/yardtally-none: there is no such GPIO chip",
		"null":           "/dev/null: must be a GPIO chip",
	} {
		if _, err := Open(Pins{Chip: chip, Pulses: 17, Mark: None, Skip: None, Pull: "up"}); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("in: %v", err)
		}
		if _, err := OpenOutput(chip, 17, false); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("out: %v", err)
		}
	}
}
