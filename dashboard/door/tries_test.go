package door

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/netip"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"
)

func addr(s string) netip.Addr { return netip.MustParseAddr(s) }

func TestDelayGrowsAndIsBounded(t *testing.T) {
	for _, c := range []struct {
		from string
		want []int // s after each wrong try
	}{
		{"192.168.4.20", []int{0, 0, 0, 2, 4, 8, 16, 32, 60, 60, 60}},
		{"127.0.0.1", []int{0, 0, 0, 2, 4, 5, 5, 5, 5, 5, 5}},
		{"::1", []int{0, 0, 0, 2, 4, 5, 5}},
	} {
		tr, now := newTries(), clockStart
		for i, want := range c.want {
			if wait, _ := tr.ask(addr(c.from), now); wait != 0 {
				t.Fatalf("%s: try %d has to wait %v", c.from, i, wait)
			}
			wait, others := tr.ask(addr(c.from), now)
			if want > 0 && (wait != time.Duration(want)*time.Second || others) {
				t.Errorf("%s: after %d wrong tries wait %v, %v; want %d s", c.from, i+1, wait, others, want)
			}
			if want == 0 {
				if wait != 0 {
					t.Errorf("%s: after %d wrong tries wait %v", c.from, i+1, wait)
				}
				tr.unasked(addr(c.from))
			}
			now = now.Add(max(wait, 10*time.Second)) // others' bound is not what is tried here
		}
		tr.right(addr(c.from), now)
		if wait, _ := tr.ask(addr(c.from), now); wait != 0 {
			t.Errorf("%s: a right try clears nothing: %v", c.from, wait)
		}
	}
	tr, now := newTries(), clockStart
	for range 8 {
		wait, _ := tr.ask(addr("192.0.2.1"), now)
		now = now.Add(wait)
	}
	if tr.ask(addr("192.0.2.1"), now.Add(forgetAfter+time.Minute)); tr.by[addr("192.0.2.1")].wrong != 1 {
		t.Error("an address is never forgotten")
	}
}

// However many addresses guess, they get few tries together and little memory;
// the owner gets in meanwhile from the board and from a phone that was in.
func TestGuessingFromEverywhere(t *testing.T) {
	tr, now := newTries(), clockStart
	owner := addr("192.168.4.20")
	tr.right(owner, now)
	let := 0
	const hours = 2
	for i := range hours * 3600 * 20 {
		from := netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)})
		wait, others := tr.ask(from, now)
		if wait == 0 {
			let++
		} else if !others || wait > allEvery {
			t.Fatalf("wait %v, others %v", wait, others)
		}
		if i%20 == 0 {
			now = now.Add(time.Second)
			for _, a := range []netip.Addr{owner, addr("127.0.0.1")} {
				if wait, _ := tr.ask(a, now); wait != 0 {
					t.Fatalf("%v has to wait %v because of others", a, wait)
				}
				tr.right(a, now)
			}
		}
		if len(tr.by) > mostTriers || len(tr.known) > mostKnown {
			t.Fatalf("%d and %d addresses held", len(tr.by), len(tr.known))
		}
	}
	if most := allBurst + hours*3600/5 + 1; let > most {
		t.Errorf("%d tries in %d hours, want at most %d", let, hours, most)
	}
	t.Logf("%d guesses from as many addresses in %d hours: %d tried", hours*3600*20, hours, let)
	for i := range 10 * mostKnown {
		tr.right(netip.AddrFrom4([4]byte{10, 0, byte(i >> 8), byte(i)}), now.Add(time.Duration(i)*time.Second))
	}
	if len(tr.known) != mostKnown {
		t.Errorf("%d known", len(tr.known))
	}
}

func TestAddress(t *testing.T) {
	for in, want := range map[string]string{
		"192.0.2.1:80": "192.0.2.1", "[::ffff:192.0.2.1]:80": "192.0.2.1", "[::1]:9": "::1", "127.0.0.1:1": "127.0.0.1",
		"[2001:db8:1:2:3:4:5:6]:80": "2001:db8:1:2::", "[fe80::1:2%wlan0]:80": "fe80::", "": "invalid IP", "@": "invalid IP", "host:80": "invalid IP",
	} {
		if got := Address(in).String(); got != want {
			t.Errorf("%q: %s, want %s", in, got, want)
		}
	}
}

func TestTooManyTries(t *testing.T) {
	r := newRig(t, nil)
	r.set(t, right)
	for i := range freeTries + 1 {
		if res := r.enterFrom(fmt.Sprintf("192.0.2.1:%d", i+1), other); res.StatusCode != 403 {
			t.Fatalf("try %d: status %d", i, res.StatusCode)
		}
	}
	res := r.enterFrom("192.0.2.1:99", right) // right, but too soon
	if page := body(res); res.StatusCode != 429 || res.Header.Get("Retry-After") != "2" || len(res.Cookies()) != 0 ||
		!strings.Contains(page, "Too many tries from here. Try again in 2 seconds.") {
		t.Errorf("status %d, %v: %s", res.StatusCode, res.Header, page)
	}
	if res := r.enterFrom("192.0.2.2:1", right); res.StatusCode != 303 {
		t.Errorf("another phone is held up: %d", res.StatusCode)
	}
	r.now = r.now.Add(2 * time.Second)
	if res := r.enterFrom("192.0.2.1:100", right); res.StatusCode != 303 {
		t.Errorf("after the wait: %d", res.StatusCode)
	}
	// What is too long to be a passphrase costs no hashing, and counts.
	for range freeTries + 1 {
		r.enterFrom("192.0.2.3:1", strings.Repeat("x", LongestPassphrase+1))
	}
	if res := r.enterFrom("192.0.2.3:1", right); res.StatusCode != 429 {
		t.Errorf("long ones are free: %d", res.StatusCode)
	}
}

// One hash at a time, few wait, the others are told to come again, and are not
// charged for it.
func TestFewTriesAtOnce(t *testing.T) {
	r := newRig(t, nil)
	r.set(t, right)
	r.checking <- struct{}{} // as if a try went on for ever
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, mostWaiting)
	for i := range mostWaiting {
		go func() {
			_, err := r.try(ctx, fmt.Sprintf("192.0.2.%d:1", i), right)
			done <- err
		}()
	}
	for len(r.waiting) < mostWaiting {
		runtime.Gosched()
	}
	for range 20 {
		res := r.enterFrom("192.0.2.77:1", right)
		if res.StatusCode != http.StatusServiceUnavailable || res.Header.Get("Retry-After") == "" {
			t.Fatalf("status %d", res.StatusCode)
		}
	}
	cancel()
	for range mostWaiting {
		if err := <-done; !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	}
	<-r.checking
	if res := r.enterFrom("192.0.2.77:1", right); res.StatusCode != 303 {
		t.Errorf("then: status %d", res.StatusCode)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.tries.spent != 0 {
		t.Errorf("%g tries are charged that were not checked", r.tries.spent)
	}
}

// A flood of sign-ins from many phones at once, over the network's handler:
// memory stays, few are hashed, and the owner gets in afterwards.
func TestSignInFlood(t *testing.T) {
	r := newRig(t, nil)
	r.set(t, right)
	before := heap()
	const workers, each = 20, 500
	counts := make(chan map[int]int, workers)
	for w := range workers {
		go func() {
			n := map[int]int{}
			for i := range each {
				n[r.enterFrom("10."+strconv.Itoa(w)+"."+strconv.Itoa(i>>8)+"."+strconv.Itoa(i&255)+":1", other).StatusCode]++
			}
			counts <- n
		}()
	}
	all := map[int]int{}
	for range workers {
		for status, n := range <-counts {
			all[status] += n
		}
	}
	if all[403] > allBurst || all[403]+all[429]+all[503] != workers*each {
		t.Errorf("answers by status: %v", all)
	}
	grown := heap() - before
	t.Logf("%d tries from as many phones: %v; heap grew by %d kB", workers*each, all, grown>>10)
	if grown > 8<<20 {
		t.Errorf("heap grew by %d bytes", grown)
	}
	if res := r.enterFrom("127.0.0.1:1", right); res.StatusCode != 303 {
		t.Errorf("the owner, on the board: %d", res.StatusCode)
	}
	r.now = r.now.Add(allEvery)
	if res := r.enterFrom("192.168.4.20:1", right); res.StatusCode != 303 {
		t.Errorf("the owner's phone, a little later: %d", res.StatusCode)
	}
}

// heap is what is in use, with stacks, after a collection.
func heap() int64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapInuse + m.StackInuse)
}
