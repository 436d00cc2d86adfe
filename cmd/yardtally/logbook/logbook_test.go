package logbook

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"testing/slogtest"
	"time"
)

func book(stamp bool) (*Book, *bytes.Buffer, *time.Time) {
	out := new(bytes.Buffer)
	b := New(out, stamp)
	now := time.Date(2026, 10, 9, 20, 15, 4, 0, time.FixedZone("", -5*3600))
	b.now = func() time.Time { return now }
	return b, out, &now
}

func TestLines(t *testing.T) {
	for _, x := range []struct {
		name  string
		stamp bool
		say   func(*slog.Logger)
		want  string
	}{
		{"plain", true, func(l *slog.Logger) { l.Info("source is open", "source", "serial") },
			"2026-10-09 20:15:04-05:00 info  source is open source=serial\n"},
		{"quoted", true, func(l *slog.Logger) {
			l.Warn("it failed", "err", errors.New("no such port"), "n", 3, "in", 500*time.Millisecond)
		},
			"2026-10-09 20:15:04-05:00 warn  it failed err=\"no such port\" n=3 in=500ms\n"},
		{"one line whatever is in it", true, func(l *slog.Logger) { l.Error("a\nb", "c\nd", "e\nf\x1b[2J") },
			"2026-10-09 20:15:04-05:00 ERROR a\\nb c\\nd=\"e\\nf\\x1b[2J\"\n"},
		// sd-daemon(3): SD_WARNING "<4>", SD_ERR "<3>", SD_INFO "<6>".
		{"journald", false, func(l *slog.Logger) { l.Warn("w"); l.Error("e"); l.Info("i") }, "<4>w\n<3>e\n<6>i\n"},
		{"group", true, func(l *slog.Logger) { l.WithGroup("g").With("a", 1).Info("m", "b", "") },
			"2026-10-09 20:15:04-05:00 info  m g.a=1 g.b=\"\"\n"},
		{"below the level", true, func(l *slog.Logger) { l.Debug("d") }, ""},
	} {
		b, out, _ := book(x.stamp)
		x.say(b.Logger())
		if out.String() != x.want {
			t.Errorf("%s:\n got %q\nwant %q", x.name, out, x.want)
		}
	}
	b, out, _ := book(true)
	b.Logger().Info("m", "long", strings.Repeat("ü", 10_000))
	if n := out.Len(); n > mostLine+100 || strings.Count(out.String(), "\n") != 1 {
		t.Errorf("a long line is %d bytes", n)
	}
}

// TestJSON holds the JSON form against log/slog's own tests of handlers.
func TestJSON(t *testing.T) {
	var out bytes.Buffer
	b := New(&out, true)
	b.Set(slog.LevelInfo, true)
	b.Logger().Info("a\nb", "level", "mine", "nan", math.NaN(), "err", errors.New("x"))
	var got map[string]any
	if err := json.Unmarshal(out.Bytes(), &got); err != nil {
		t.Fatalf("%v: %s", err, out.Bytes())
	}
	if got["msg"] != "a\nb" || got["level"] != "info" || got["level_"] != "mine" || got["nan"] != "NaN" || got["err"] != "x" {
		t.Errorf("%v", got)
	}
	if _, err := time.Parse(time.RFC3339Nano, got["time"].(string)); err != nil {
		t.Error(err)
	}
	// testing/slogtest asks for groups as objects; ours are dotted, so each is
	// opened again here.
	out.Reset()
	b.Set(slog.LevelDebug, true) // nothing is held back
	err := slogtest.TestHandler(b.Logger().Handler(), func() (all []map[string]any) {
		for l := range strings.Lines(out.String()) {
			var flat map[string]any
			if err := json.Unmarshal([]byte(l), &flat); err != nil {
				t.Fatal(err)
			}
			m := map[string]any{}
			for k, v := range flat {
				at := m
				parts := strings.Split(k, ".")
				for _, p := range parts[:len(parts)-1] {
					next, ok := at[p].(map[string]any)
					if !ok {
						next = map[string]any{}
						at[p] = next
					}
					at = next
				}
				at[parts[len(parts)-1]] = v
			}
			all = append(all, m)
		}
		return all
	})
	for l := range strings.Lines(fmt.Sprint(err)) {
		// We stamp lines ourselves, whatever the record's time.
		if err != nil && !strings.Contains(l, "time") {
			t.Error(l)
		}
	}
}

func TestRepeats(t *testing.T) {
	b, out, now := book(true)
	l := b.Logger().With("source", "serial")
	for range 413 {
		l.Warn("it failed", "err", "no such port")
		*now = now.Add(time.Second)
	}
	if n := strings.Count(out.String(), "\n"); n != 1 {
		t.Fatalf("413 equal lines gave %d:\n%s", n, out)
	}
	if b.Held() != 412 {
		t.Errorf("held %d, want 412", b.Held())
	}
	b.Flush(false)
	if n := strings.Count(out.String(), "\n"); n != 1 {
		t.Fatalf("they were said again too soon:\n%s", out)
	}
	*now = now.Add(sayAgain)
	out.Reset()
	b.Flush(false)
	if want := "it failed source=serial err=\"no such port\" (said 411 times more since 20:15:05)\n"; !strings.HasSuffix(out.String(), want) {
		t.Errorf("flush says %q, want …%q", out, want)
	}
	// Another source's is another message.
	out.Reset()
	b.Logger().With("source", "mqtt").Warn("it failed", "err", "no such port")
	if out.Len() == 0 {
		t.Error("another source's line was held back")
	}
	// The same after the time is over says how many were between.
	l.Warn("it failed", "err", "no such port")
	l.Warn("it failed", "err", "no such port")
	*now = now.Add(sayAgain)
	out.Reset()
	l.Warn("it failed", "err", "no such port")
	if !strings.Contains(out.String(), "(said 2 times more since ") {
		t.Errorf("%q", out)
	}
}

// TestNoFlood: whatever a year brings, six hours' lines are bounded, none is
// uncounted, and what must not be missed is said each time.
func TestNoFlood(t *testing.T) {
	for _, x := range []struct {
		name  string
		say   func(l *slog.Logger, i int)
		most  int // lines in six hours
		count bool
	}{
		{"one message with ever other values", func(l *slog.Logger, i int) { l.Warn("dropped", "detail", i) }, burst + 6*60 + 6*6, true},
		{"ever other messages", func(l *slog.Logger, i int) { l.Error(fmt.Sprint("waiting: ", i)) }, burstAll + 6*3600/3 + 6*6 + mostKinds, true},
		{"two in turn", func(l *slog.Logger, i int) { l.Error("waiting", "n", i%2) }, burst + 6*60 + 6*6, true},
	} {
		b, out, now := book(true)
		l := b.Logger()
		const each = 250 * time.Millisecond
		said := int(6 * time.Hour / each)
		for i := range said {
			x.say(l, i)
			*now = now.Add(each)
			if i%120 == 0 {
				b.Flush(false)
			}
		}
		n, size := strings.Count(out.String(), "\n"), out.Len()
		if n > x.most {
			t.Errorf("%s: %d lines in six hours, want at most %d", x.name, n, x.most)
		}
		if len(b.kinds) > mostKinds {
			t.Errorf("%s: %d kinds are remembered", x.name, len(b.kinds))
		}
		t.Logf("%s: %d lines, %d bytes in six hours; %d held back", x.name, n, size, b.Held())
		if x.count { // each line is said, or counted
			b.Flush(true)
			if got := n0(out.String()); got != said {
				t.Errorf("%s: %d lines are accounted for, want %d", x.name, got, said)
			}
		}
	}
	b, out, _ := book(true)
	l := b.Logger()
	for range 1000 {
		l.InfoContext(Whole(context.Background()), "alarm", "key", "kink")
	}
	if n := strings.Count(out.String(), "\n"); n != 1000 {
		t.Errorf("of 1000 that must not be missed %d were said", n)
	}
	b.Set(slog.LevelDebug, false)
	out.Reset()
	for range 1000 {
		l.Debug("d")
	}
	if n := strings.Count(out.String(), "\n"); n != 1000 {
		t.Errorf("at debug %d of 1000 were said", n)
	}
}

// n0 is for how many messages a log's lines stand.
func n0(text string) (n int) {
	more := regexp.MustCompile(`(?:said (\d+) times more since|said (once) more since)|lost=(\d+)$`)
	for l := range strings.Lines(text) {
		m := more.FindStringSubmatch(strings.TrimSpace(l))
		switch {
		case m == nil:
			n++
		case m[3] != "":
			k, _ := strconv.Atoi(m[3])
			n += k
		case m[2] != "":
			n += 2
		default:
			k, _ := strconv.Atoi(m[1])
			n += k + 1
		}
	}
	return n
}

func TestToJournal(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "stream"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var st syscall.Stat_t
	if err := syscall.Fstat(int(f.Fd()), &st); err != nil {
		t.Fatal(err)
	}
	// systemd.exec(5): device and inode number in decimal, separated by a colon.
	for stream, want := range map[string]bool{
		fmt.Sprintf("%d:%d", st.Dev, st.Ino): true, fmt.Sprintf("%d:%d", st.Dev, st.Ino+1): false, "": false, "x": false, "8:": false,
	} {
		if got := ToJournal(f, stream); got != want {
			t.Errorf("%q: %v, want %v", stream, got, want)
		}
	}
}
