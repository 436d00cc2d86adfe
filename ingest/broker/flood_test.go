package broker

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"yardtally/ingest/source"
	"yardtally/ingest/wire"
)

// memory is the heap and stacks in use after a collection, in bytes.
func memory() int64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapInuse + m.StackInuse)
}

// dial comes from a loopback address of its own, as another machine would.
func dial(t *testing.T, s *Source, from string) net.Conn {
	t.Helper()
	d := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}, Timeout: patience}
	c, err := d.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	c.SetDeadline(time.Now().Add(patience))
	return c
}

// MQTT 3.1.1 packets by hand: paho would not say what is said here.
func packet(kind byte, body ...string) string {
	all := strings.Join(body, "")
	return string(binary.AppendUvarint([]byte{kind}, uint64(len(all)))) + all // the same as section 2.2.3's length
}

func text(s string) string { return string(binary.BigEndian.AppendUint16(nil, uint16(len(s)))) + s }

func connectPacket(id, user, password string, clean bool) string {
	flags := byte(0)
	creds := ""
	if user != "" {
		flags, creds = 0xc0, text(user)+text(password)
	}
	if clean {
		flags |= 2
	}
	return packet(0x10, text("MQTT"), "\x04", string([]byte{flags}), "\x00\x3c", text(id), creds)
}

// signIn returns the broker's answer to a CONNECT: 0 is in, 5 or 4 is not, -1
// is a connection that was cut.
func signIn(c net.Conn, id, user, password string, clean bool) int {
	var answer [4]byte
	if _, err := io.WriteString(c, connectPacket(id, user, password, clean)); err != nil {
		return -1
	}
	if _, err := io.ReadFull(c, answer[:]); err != nil || answer[0] != 0x20 {
		return -1
	}
	return int(answer[3])
}

// enter signs in as a client does that tries again: on a busy machine the place
// of one who has just left may still be taken.
func enter(t *testing.T, s *Source, from, id string) net.Conn {
	t.Helper()
	for end := time.Now().Add(patience); ; {
		c := dial(t, s, from)
		if signIn(c, id, "", "", false) == 0 {
			return c
		}
		c.Close()
		if time.Now().After(end) {
			t.Fatal("not signed in")
		}
	}
}

// takes fails the test if a board's pack does not reach the sink.
func takes(t *testing.T, s *Source, sink collector, from, user, password string) {
	t.Helper()
	end := time.Now().Add(patience)
	for i := 0; ; i++ { // a board tries again as well, while a flood is taken in
		c := dial(t, s, from)
		if signIn(c, "board", user, password, true) == 0 {
			var ack [4]byte
			io.WriteString(c, packet(0x32, text("yard/heron/readings"), "\x00\x01", pack))
			if _, err := io.ReadFull(c, ack[:]); err == nil && ack[0] == 0x40 {
				c.Close()
				sink.next(t)
				return
			}
		}
		c.Close()
		if time.Now().After(end) {
			t.Fatalf("%s is not served, %d tries", from, i+1)
		}
	}
}

func bounded(t *testing.T, before, most int64, what string) {
	t.Helper()
	grown := memory() - before
	t.Logf("%s: memory grew by %.1f MB", what, float64(grown)/1e6)
	if grown > most {
		t.Errorf("%s: memory grew by %d bytes, want at most %d", what, grown, most)
	}
}

// Ten thousand connections, or as many as there may be open files, that say
// nothing or half a word, from one machine and from more than there are places
// for: a board is served meanwhile and afterwards. The figure has the
// clients' side in it.
func TestTenThousandConnections(t *testing.T) {
	var lim syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &lim); err != nil {
		t.Fatal(err)
	}
	n := min(10_000, int(min(lim.Cur, 1<<20))-1000)
	if n < 10_000 {
		t.Logf("only %d connections: %d files may be open", n, lim.Cur)
	}
	if n < maxConns {
		t.Fatalf("%d files may be open: too few for this test", lim.Cur)
	}
	for _, machines := range []int{1, 900} {
		for _, say := range []string{"", "\x10\x7f\x00\x04MQ"} {
			sink := make(collector, 10)
			s := start(t, named(), sink)
			before := memory()
			var all []net.Conn
			for i := range n {
				m := i % machines
				c := dial(t, s, fmt.Sprintf("127.1.%d.%d", m>>8, m&255))
				_, _ = io.WriteString(c, say) // one that was refused is closed
				all = append(all, c)
			}
			takes(t, s, sink, "127.9.9.9", "ann", "ann-secret")
			bounded(t, before, 64e6, fmt.Sprintf("%d connections from %d saying %q", n, machines, say))
			for _, c := range all {
				c.Close()
			}
			takes(t, s, sink, "127.1.0.1", "ann", "ann-secret")
		}
	}
}

func TestDoorKeepsPlacesForThoseWhoSignIn(t *testing.T) {
	d := newDoor(nil, 3, nil)
	come := func(from string) (bool, *guest) {
		g := &guest{door: d, from: netip.MustParseAddr(from)}
		in, _, out := d.enter(g)
		if in {
			d.signedIn(g)
		}
		return in, out
	}
	stranger := &guest{door: d, from: netip.MustParseAddr("10.0.0.1")}
	if in, _, _ := d.enter(stranger); !in {
		t.Fatal("an empty room is full")
	}
	for i := range d.each + 5 {
		if in, _ := come("10.0.0.2"); in != (i < d.each) {
			t.Errorf("connection %d of one address: %v", i, in)
		}
	}
	for i := 3; len(d.inside) < maxConns; i++ {
		for n := 0; n < d.each && len(d.inside) < maxConns; n++ {
			come(fmt.Sprintf("10.0.0.%d", i))
		}
	}
	if in, out := come("192.168.4.9"); !in || out != stranger {
		t.Errorf("in %v, out %v: the stranger must make room", in, out)
	}
	if in, _ := come("192.168.4.10"); in {
		t.Error("somebody who has signed in is sent out for a newcomer")
	}
}

// A packet that announces a gigabyte, or as much as MQTT can, ends its
// connection at once; so does a name without end.
func TestAGigabyteAnnounced(t *testing.T) {
	sink := make(collector, 10)
	s := start(t, options(), sink)
	before := memory()
	for _, head := range []string{
		"\x10\xff\xff\xff\x7f",             // CONNECT of 268,435,455 bytes, the most there can be (section 2.2.3)
		"\x10\x80\x80\x80\x80\x04",         // a gigabyte, in a length of five bytes, which may have four
		"\x10\xff\xff\xff\xff\xff\xff\xff", // a length without end
	} {
		for i, hello := range []string{"", connectPacket("big", "", "", true)} {
			c := dial(t, s, "127.1.0.1")
			if hello != "" {
				if signIn(c, "big", "", "", true) != 0 {
					t.Fatal("not signed in")
				}
				head = "\x32" + head[1:]
			}
			n := 0
			_, err := io.WriteString(c, head)
			block := bytes.Repeat([]byte("x"), 1<<16)
			for err == nil && n < 1<<30 {
				var k int
				k, err = c.Write(block)
				n += k
			}
			if err == nil || errors.Is(err, os.ErrDeadlineExceeded) || n > 32<<20 {
				t.Errorf("%x (%d): %d bytes were taken, %v", head, i, n, err)
			}
		}
	}
	bounded(t, before, 8e6, "packets announced")
	takes(t, s, sink, "127.1.0.1", "", "")
}

// Packs that are deep, wide or nonsense are dropped and said; the next is taken.
func TestDeepAndHugePacks(t *testing.T) {
	sink := make(collector, 10)
	s := start(t, options(), sink)
	c := connect(t, clientOptions(s, "a", "", ""))
	before := memory()
	most := wire.MaxPack
	for _, p := range []string{
		strings.Repeat("[", most), strings.Repeat(`{"a":`, most/5), strings.Repeat("[{\"n\":", most/6),
		"[" + strings.Repeat("{},", most/3-1) + "{}]", "[" + strings.Repeat("0,", most/2-2) + "0]",
		`[{"n":"` + strings.Repeat("x", most-20) + `"}]`, `[{"v":1` + strings.Repeat("0", most-20) + `}]`,
		strings.Repeat("\x00", most), strings.Repeat("\xff", most), strings.Repeat(" ", most+1000),
	} {
		publish(t, c, "yard/heron/readings", 1, false, p)
	}
	if len(sink) != 0 {
		t.Errorf("the sink got %+v", <-sink)
	}
	n := uint64(0)
	for _, k := range s.State().Dropped {
		n += k
	}
	if n < 10 {
		t.Errorf("10 bad packs, and %v is all that is said", s.State().Dropped)
	}
	bounded(t, before, 8e6, "bad packs")
	takes(t, s, sink, "127.1.0.1", "", "")
}

func TestWrongPasswords(t *testing.T) {
	sink := make(collector, 10)
	s := start(t, named(), sink)
	before := memory()
	takes(t, s, sink, "127.9.9.9", "ann", "ann-secret")
	var wg sync.WaitGroup
	for w := range 4 {
		wg.Go(func() {
			for i := range 500 {
				c := dial(t, s, fmt.Sprintf("127.2.%d.%d", w, i/20))
				if signIn(c, "guess", "ann", fmt.Sprint("guess", i), true) == 0 {
					t.Error("a wrong password is right")
				}
				c.Close()
			}
		})
	}
	wg.Wait()
	bounded(t, before, 16e6, "2000 sign-ins with wrong passwords")
	takes(t, s, sink, "127.9.9.9", "ann", "ann-secret")
	if st := s.State().Dropped; st["sign-in refused"]+st["too many sign-ins"] != 2000 || st["too many sign-ins"] == 0 {
		t.Errorf("counted %v", st)
	}
}

// The tries of an address are held up more and more, those of all together by
// a bound, and no right one by the wrong ones of others.
func TestTries(t *testing.T) {
	yes, no := func() bool { return true }, func() bool { return false }
	tr, now := newTries(), time.Unix(1_790_000_000, 0)
	board := netip.MustParseAddr("192.168.4.9")
	for i, want := range []int{0, 0, 0, 0, 0, 1, 2, 4, 8, 16, 32, 60, 60} { // s after each wrong try
		if _, soon := tr.try(board, now, no); soon {
			t.Fatalf("try %d is too soon", i)
		}
		wait := time.Duration(want) * time.Second
		if got := max(0, tr.by[board].until.Sub(now)); got != wait {
			t.Errorf("after %d wrong tries wait %v, want %v", i+1, got, wait)
		}
		if want > 0 {
			if ok, soon := tr.try(board, now.Add(wait-1), yes); ok || !soon {
				t.Errorf("after %d wrong tries the next is looked at before its time", i+1)
			}
		}
		now = now.Add(wait)
	}
	if ok, soon := tr.try(board, now, yes); !ok || soon || tr.by[board] != nil {
		t.Error("the right one is not let in, or clears nothing")
	}
	let := 0
	for i := range 100_000 {
		from := netip.AddrFrom4([4]byte{10, byte(i >> 16), byte(i >> 8), byte(i)})
		if _, soon := tr.try(from, now, no); !soon {
			let++
		}
		if ok, _ := tr.try(board, now, yes); !ok {
			t.Fatal("a board that was right is held up by others")
		}
		if ok, _ := tr.try(netip.MustParseAddr("127.0.0.1"), now, yes); !ok {
			t.Fatal("this machine is held up by others")
		}
		if i%100 == 0 {
			now = now.Add(time.Second)
		}
	}
	if let > allBurst+1002 || len(tr.by) > mostTriers {
		t.Errorf("%d of 100000 guesses in 1000 s are tried; %d addresses are held", let, len(tr.by))
	}
	for i := range 1000 {
		tr.try(netip.AddrFrom4([4]byte{10, 9, byte(i >> 8), byte(i)}), now.Add(time.Duration(i)*time.Hour), yes)
	}
	if len(tr.known) > mostKnown {
		t.Errorf("%d are known", len(tr.known))
	}
}

func TestNobodyTakesAnothersSession(t *testing.T) {
	s := start(t, named(), make(collector, 10))
	if a := signIn(dial(t, s, "127.0.0.1"), "shared", "ann", "ann-secret", false); a != 0 {
		t.Fatalf("ann: %d", a)
	}
	if a := signIn(dial(t, s, "127.0.0.1"), "shared", "ben", "ben-secret", false); a == 0 {
		t.Error("ben takes over ann's session")
	}
	if a := signIn(dial(t, s, "127.0.0.1"), "shared", "ann", "ann-secret", false); a != 0 {
		t.Errorf("ann comes back: %d", a)
	}
	if a := signIn(dial(t, s, "127.0.0.1"), strings.Repeat("x", maxTopic+1), "ann", "ann-secret", true); a == 0 {
		t.Error("a client's name without end is taken")
	}
}

// What clients leave behind when they go: sessions, retained messages, wills,
// subscriptions; each is bounded.
func TestPilesAreBounded(t *testing.T) {
	sink := make(collector, 10)
	s := start(t, options(), sink)
	before := memory()
	for i := range 2000 { // sessions that are to be kept
		c := enter(t, s, "127.3.0.1", fmt.Sprint("gone", i))
		io.WriteString(c, "\xe0\x00") // DISCONNECT
		io.Copy(io.Discard, c)        // until the broker has seen it
		c.Close()
	}
	bounded(t, before, 24e6, "2000 sessions")

	c := connect(t, clientOptions(s, "retainer", "", ""))
	big := strings.Repeat("x", 60<<10)
	for i := range 1000 {
		publish(t, c, fmt.Sprintf("else/%d", i), 1, true, big)
	}
	if st := s.State(); st.Dropped["too many retained"] != 1000-maxRetained {
		t.Errorf("%v", st.Dropped)
	}
	for range 100 {
		publish(t, c, "else/1", 1, true, big) // the same again is no more
	}
	bounded(t, before, 40e6, "1000 retained messages of 60 kB, and the sessions")
	publish(t, c, "else/1", 1, true, "")
	publish(t, c, "else/new", 1, true, "there is room again")
	if n := s.State().Dropped["too many retained"]; n != 1000-maxRetained {
		t.Errorf("%d", n)
	}

	for i := range 200 { // wills to be kept, of clients that are cut
		w := clientOptions(s, fmt.Sprint("w", i), "", "").SetWill(fmt.Sprintf("will/%d", i), "x", 0, true)
		raw := dial(t, s, "127.3.0.2")
		flags := "\x26" // a will that is to be retained, a clean session
		io.WriteString(raw, packet(0x10, text("MQTT"), "\x04", flags, "\x00\x3c", text(w.ClientID), text(w.WillTopic), text("x")))
		var answer [4]byte
		io.ReadFull(raw, answer[:])
		raw.Close()
	}
	await(t, s, "refusing wills", func(st source.State) bool { return st.Dropped["too many retained"] == 1000-maxRetained+200 })
	if a := signIn2(dial(t, s, "127.3.0.3"), "will", strings.Repeat("x", maxWill+1)); a == 0 {
		t.Error("a will of any size is taken")
	}

	var filters []string
	for i := range 500 {
		filters = append(filters, text(fmt.Sprintf("some/%d", i))+"\x01")
	}
	filters = append(filters, text(strings.Repeat("a/", 30_000))+"\x01", text(strings.Repeat("+/", 100))+"\x01")
	granted := 0
	for i := range maxReaders + 5 {
		r := dial(t, s, "127.3.0.4")
		if signIn(r, fmt.Sprint("reader", i), "", "", true) != 0 {
			t.Fatal("not signed in")
		}
		io.WriteString(r, packet(0x82, append([]string{"\x00\x01"}, filters...)...))
		answer := make([]byte, 1+2+2+len(filters))
		if _, err := io.ReadFull(r, answer); err != nil || answer[0] != 0x90 {
			t.Fatalf("%x, %v", answer[:5], err)
		}
		n := bytes.Count(answer[5:], []byte{1})
		if n != maxFilters && i < maxReaders || n != 0 && i >= maxReaders {
			t.Errorf("reader %d holds %d subscriptions", i, n)
		}
		granted += n
	}
	t.Logf("%d of %d subscriptions granted", granted, (maxReaders+5)*len(filters))
	bounded(t, before, 48e6, "all of it")
	takes(t, s, sink, "127.3.0.9", "", "")
}

// signIn2 signs in with a will.
func signIn2(c net.Conn, topic, will string) int {
	io.WriteString(c, packet(0x10, text("MQTT"), "\x04", "\x06", "\x00\x3c", text("willed"), text(topic), text(will)))
	var answer [4]byte
	if _, err := io.ReadFull(c, answer[:]); err != nil {
		return -1
	}
	return int(answer[3])
}

// A subscriber that takes nothing, and one that went away: few messages are
// kept for each, and the publisher is not held up.
func TestSlowSubscribers(t *testing.T) {
	sink := make(collector, 10)
	s := start(t, options(), sink)
	for i := range maxReaders {
		r := enter(t, s, "127.4.0.1", fmt.Sprint("slow", i))
		r.(*net.TCPConn).SetReadBuffer(4096)
		io.WriteString(r, packet(0x82, "\x00\x01", text("else/#"), "\x01"))
		var ack [5]byte
		if _, err := io.ReadFull(r, ack[:]); err != nil || ack[4] != 1 {
			t.Fatalf("%x %v", ack, err)
		}
		if i%2 == 0 {
			r.Close()
		}
	}
	before := memory()
	c := connect(t, clientOptions(s, "loud", "", ""))
	big := strings.Repeat("x", 60<<10)
	for range 1000 {
		publish(t, c, "else/loud", 1, false, big)
	}
	bounded(t, before, 150e6, fmt.Sprintf("1000 messages of 60 kB for %d subscribers that take none", maxReaders))
	takes(t, s, sink, "127.4.0.2", "", "")
}
