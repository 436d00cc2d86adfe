package door_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/dashboard"
	"yardtally/dashboard/door"
	"yardtally/meter/ledger"
)

// still is a feed of a rig at which nothing happens.
type still struct{}

func (still) Snapshot() *dashboard.Snapshot {
	return &dashboard.Snapshot{View: &ledger.View{Rig: "heron"}, Units: quantity.US, Now: time.Now().UnixNano()}
}

func (still) Watch(ctx context.Context) <-chan struct{} {
	c := make(chan struct{})
	context.AfterFunc(ctx, func() { close(c) })
	return c
}

const patience = 30 * time.Second // bounds every wait for something that must come

// page serves the real page behind a door, reading open, and returns where.
func page(t *testing.T) string {
	t.Helper()
	log := slog.New(slog.DiscardHandler)
	d, err := door.New(door.Options{Passphrase: filepath.Join(t.TempDir(), "passphrase"), ReadingOpen: true, Rig: "heron", Log: log})
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	s := door.NewServer(ctx, d.Wrap(dashboard.New(dashboard.Options{Feed: still{}, Rig: "heron", Log: log})), log)
	served := make(chan error, 1)
	go func() { served <- s.Serve(door.Listen(l, nil)) }()
	t.Cleanup(func() {
		stop()
		s.Close()
		<-served
	})
	return l.Addr().String()
}

// from dials from a loopback address of its own, as another phone would.
func from(t *testing.T, phone, to string) (net.Conn, error) {
	t.Helper()
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(phone)}, Timeout: patience}
	c, err := d.Dial("tcp", to)
	if err == nil {
		err = c.(*net.TCPConn).SetReadBuffer(4096) // the server's side fills sooner
	}
	return c, err
}

// reads fails the test if a phone that did nothing wrong is not served, in so
// many tries: a browser tries again as well.
func reads(t *testing.T, phone, addr string, tries int) {
	t.Helper()
	for _, path := range []string{"/", "/tonight.csv"} {
		for ; ; tries-- {
			err := readOnce(t, phone, addr, path)
			if err == nil {
				break
			}
			if tries <= 1 {
				t.Fatalf("%s is not served %s: %v", phone, path, err)
			}
			time.Sleep(20 * time.Millisecond) // no browser is back sooner
		}
	}
}

func readOnce(t *testing.T, phone, addr, path string) error {
	c, err := from(t, phone, addr)
	if err != nil {
		return err
	}
	defer c.Close()
	c.SetDeadline(time.Now().Add(patience))
	fmt.Fprintf(c, "GET %s HTTP/1.1\r\nHost: rig\r\nConnection: close\r\n\r\n", path)
	res, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		return err
	}
	if res.StatusCode != 200 {
		t.Errorf("status %s", res.Status)
	}
	_, err = io.Copy(io.Discard, res.Body)
	return err
}

// many is ten thousand connections, or as many as this machine's limit of open
// files lets a test have.
func many(t *testing.T) int {
	t.Helper()
	var lim syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &lim); err != nil {
		t.Fatal(err)
	}
	if lim.Cur < lim.Max {
		lim.Cur = lim.Max
		if err := syscall.Setrlimit(syscall.RLIMIT_NOFILE, &lim); err != nil {
			t.Log(err)
		}
	}
	n := 10_000
	if spare := int(min(lim.Cur, 1<<20)) - 700; n > spare {
		n = spare
		t.Logf("only %d connections: %d files may be open", n, lim.Cur)
	}
	if n < 300 {
		t.Fatalf("%d files may be open: too few for this test", lim.Cur)
	}
	return n
}

// memory is the heap and stacks in use after a collection, in bytes.
func memory() int64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapInuse + m.StackInuse)
}

// Ten thousand connections that say nothing, or never finish what they say, or
// open the live page: from one phone, and from more phones than there are
// places. Others are served meanwhile and afterwards; the client's side of
// each connection is in the figure as well.
func TestTenThousandConnections(t *testing.T) {
	for _, say := range []struct {
		name, text string
		fewer      int // this many of ten thousand: each makes much work
	}{
		{"nothing", "", 0},
		{"a head without end", "GET / HTTP/1.1\r\nHost: rig\r\nX-Slow: ", 0},
		{"a form without end", "POST /enter HTTP/1.1\r\nHost: rig\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 4000\r\n\r\npass", 0},
		{"live", "GET /live HTTP/1.1\r\nHost: rig\r\nAccept: text/event-stream\r\n\r\n", 0},
		{"a page nobody takes", strings.Repeat("GET / HTTP/1.1\r\nHost: rig\r\n\r\n", 100), 400},
	} {
		for _, phones := range []int{1, 400} {
			t.Run(fmt.Sprintf("%s from %d", say.name, phones), func(t *testing.T) {
				addr := page(t)
				reads(t, "127.9.9.9", addr, 1)
				before := memory()
				n := many(t)
				if say.fewer > 0 {
					n = say.fewer
				}
				tries := 1
				if phones > 1 {
					tries = 50 // while those who stand in line yet come in after it
				}
				var mu sync.Mutex
				var held []net.Conn
				defer func() {
					for _, c := range held {
						c.Close()
					}
				}()
				var next atomic.Int64
				var wg sync.WaitGroup
				for range 8 {
					wg.Go(func() {
						for {
							i := int(next.Add(1))
							if i > n {
								return
							}
							phone := i % phones
							c, err := from(t, fmt.Sprintf("127.1.%d.%d", phone>>8, phone&255), addr)
							if err != nil {
								t.Error(err)
								return
							}
							c.SetWriteDeadline(time.Now().Add(patience))
							_, _ = io.WriteString(c, say.text) // one that was refused is closed
							mu.Lock()
							held = append(held, c)
							mu.Unlock()
						}
					})
				}
				wg.Wait()
				reads(t, "127.9.9.9", addr, tries)
				reads(t, "127.8.8.8", addr, tries)
				grown := memory() - before
				t.Logf("%d connections: memory grew by %.1f MB", len(held), float64(grown)/1e6)
				if grown > 48e6 {
					t.Errorf("memory grew by %d bytes", grown)
				}
				for _, c := range held {
					c.Close()
				}
				held = nil
				reads(t, "127.1.0.1", addr, 50) // once the server has seen them go
			})
		}
	}
}

// drip writes the text again and again up to a gigabyte, or until it is stopped.
func drip(c net.Conn, text string) (n int64, err error) {
	block := []byte(strings.Repeat(text, 1<<16/len(text)))
	for n < 1<<30 {
		c.SetWriteDeadline(time.Now().Add(patience))
		k, err := c.Write(block)
		n += int64(k)
		if err != nil {
			return n, err
		}
	}
	return n, nil
}

// A gigabyte of anything is cut off early.
func TestAGigabyte(t *testing.T) {
	const form = "Content-Type: application/x-www-form-urlencoded\r\n"
	for _, x := range []struct{ name, head, again string }{
		{"one header", "GET / HTTP/1.1\r\nHost: rig\r\nX-Long: ", "x"},
		{"headers", "GET / HTTP/1.1\r\nHost: rig\r\n", "X-Many: 1\r\n"},
		{"URL", "GET /", "x"},
		{"query", "GET /enter?to=/", "a%20"},
		{"method", "", "X"},
		{"body of a form", "POST /enter HTTP/1.1\r\nHost: rig\r\n" + form + "Content-Length: 1073741824\r\n\r\npassphrase=", "x"},
		{"chunked body", "POST /enter HTTP/1.1\r\nHost: rig\r\n" + form + "Transfer-Encoding: chunked\r\n\r\n", "5\r\nabc&d\r\n"},
		{"body of another form", "POST /look HTTP/1.1\r\nHost: rig\r\n" + form + "Content-Length: 1073741824\r\n\r\nlook=", "night"},
		{"body of a reading", "GET / HTTP/1.1\r\nHost: rig\r\nContent-Length: 1073741824\r\n\r\n", "x"},
		{"body of the live page", "GET /live HTTP/1.1\r\nHost: rig\r\nContent-Length: 1073741824\r\n\r\n", "x"},
		{"body of a change", "PUT /anything HTTP/1.1\r\nHost: rig\r\nContent-Length: 1073741824\r\n\r\n", "x"},
		{"cookies", "GET / HTTP/1.1\r\nHost: rig\r\nCookie: ", "yardtally=abc; "},
	} {
		t.Run(x.name, func(t *testing.T) {
			addr := page(t)
			before := memory()
			c, err := from(t, "127.1.0.1", addr)
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			if _, err := io.WriteString(c, x.head); err != nil {
				t.Fatal(err)
			}
			n, err := drip(c, x.again)
			if err == nil {
				t.Error("a gigabyte was taken")
			} else if errors.Is(err, os.ErrDeadlineExceeded) {
				t.Errorf("left hanging: %v", err)
			}
			if grown := memory() - before; n > 64<<20 || grown > 8<<20 {
				t.Errorf("%d bytes taken, memory grew by %d", n, grown)
			}
			reads(t, "127.1.0.1", addr, 1)
		})
	}
}
