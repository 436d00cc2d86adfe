// Package logbook is how the daemon logs: one line a message that a person can
// read, or JSON, and never so many that they fill the card. The same line is
// said once in ten minutes; of one message, whatever stands beside it, so many
// lines at first and one a minute then; of all together so many. What was held
// back is counted, and said: "said 412 times more".
package logbook

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"
	"unicode"
	"unicode/utf8"
)

// Bounds on what is said. Judgement, no source: at worst some 30,000 lines a
// day.
const (
	sayAgain  = 10 * time.Minute // the same line
	burst     = 20               // lines of one message
	refill    = time.Minute      // one more of them
	burstAll  = 200              // lines of all messages
	refillAll = 3 * time.Second  // one more of them
	mostKinds = 1024             // messages that are remembered
	mostLine  = 4096             // bytes; the rest of a longer line is left out
)

// Book is where lines go. Its methods may be called from any goroutine.
type Book struct {
	level slog.LevelVar
	json  atomic.Bool
	held  atomic.Uint64

	mu    sync.Mutex
	out   io.Writer
	stamp bool
	now   func() time.Time
	kinds map[string]*kind
	all   bucket
	lost  int       // held back of messages that are not remembered any more
	since time.Time // the first of them
}

// kind is one message, as it is told from others by level, text and what its
// logger always says beside it.
type kind struct {
	bucket
	last   string    // line that was said last, without its time
	saidAt time.Time // when
	more   int       // held back since
	since  time.Time // the first of them
	newest line      // of them
}

// bucket lets through so many at once, and one more now and then.
type bucket struct {
	left float64
	at   time.Time
}

func (b *bucket) take(now time.Time, most int, every time.Duration) bool {
	if b.at.IsZero() {
		b.left = float64(most)
	} else if d := now.Sub(b.at); d > 0 {
		b.left = min(float64(most), b.left+float64(d)/float64(every))
	}
	b.at = now
	if b.left < 1 {
		return false
	}
	b.left--
	return true
}

// New returns a book that writes to out. Its lines begin with the local time,
// unless stamp is false because journald puts its own: then with the level as
// sd-daemon(3) has it, which journald takes off.
func New(out io.Writer, stamp bool) *Book {
	return &Book{out: out, stamp: stamp, now: time.Now, kinds: map[string]*kind{}}
}

// ToJournal reports whether a file is the stream that journald reads, as
// systemd.exec(5) says of $JOURNAL_STREAM: device and inode number of it.
func ToJournal(f *os.File, stream string) bool {
	dev, ino, ok := strings.Cut(stream, ":")
	if !ok {
		return false
	}
	info, err := f.Stat()
	if err != nil {
		return false
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	return ok && strconv.FormatUint(uint64(st.Dev), 10) == dev && strconv.FormatUint(uint64(st.Ino), 10) == ino
}

// Set chooses the level from which on lines are said, and JSON or text. At
// debug nothing is held back.
func (b *Book) Set(level slog.Level, asJSON bool) {
	b.level.Set(level)
	b.json.Store(asJSON)
}

// Held returns how many lines were held back.
func (b *Book) Held() uint64 { return b.held.Load() }

// Logger returns a logger that writes into the book.
func (b *Book) Logger() *slog.Logger { return slog.New(&handler{book: b}) }

type wholeKey struct{}

// Whole has every line that is logged with the context said: for what is told
// once and must not be missed.
func Whole(ctx context.Context) context.Context { return context.WithValue(ctx, wholeKey{}, true) }

// line is a message to be said.
type line struct {
	at    time.Time
	level slog.Level
	text  string
	pairs []pair
}

type pair struct {
	key   string
	value any // string, bool, int64, uint64, float64
}

// handler implements slog.Handler.
type handler struct {
	book  *Book
	pairs []pair // that the logger always says
	group string
}

// Enabled implements slog.Handler.
func (h *handler) Enabled(_ context.Context, l slog.Level) bool { return l >= h.book.level.Level() }

// WithGroup implements slog.Handler.
func (h *handler) WithGroup(name string) slog.Handler {
	c := *h
	if name != "" {
		c.group += name + "."
	}
	return &c
}

// WithAttrs implements slog.Handler.
func (h *handler) WithAttrs(attrs []slog.Attr) slog.Handler {
	c := *h
	c.pairs = slices.Clone(h.pairs)
	for _, a := range attrs {
		c.pairs = flatten(c.pairs, h.group, a)
	}
	return &c
}

// Handle implements slog.Handler.
func (h *handler) Handle(ctx context.Context, r slog.Record) error {
	l := line{level: r.Level, text: r.Message, pairs: slices.Clone(h.pairs)}
	r.Attrs(func(a slog.Attr) bool {
		l.pairs = flatten(l.pairs, h.group, a)
		return true
	})
	whole := ctx.Value(wholeKey{}) != nil
	return h.book.put(l, len(h.pairs), whole)
}

func flatten(pairs []pair, group string, a slog.Attr) []pair {
	v := a.Value.Resolve()
	switch v.Kind() {
	case slog.KindGroup:
		if a.Key != "" {
			group += a.Key + "."
		}
		for _, m := range v.Group() {
			pairs = flatten(pairs, group, m)
		}
		return pairs
	case slog.KindString:
		return append(pairs, pair{group + a.Key, v.String()})
	case slog.KindInt64:
		return append(pairs, pair{group + a.Key, v.Int64()})
	case slog.KindUint64:
		return append(pairs, pair{group + a.Key, v.Uint64()})
	case slog.KindFloat64:
		return append(pairs, pair{group + a.Key, v.Float64()})
	case slog.KindBool:
		return append(pairs, pair{group + a.Key, v.Bool()})
	case slog.KindTime:
		return append(pairs, pair{group + a.Key, v.Time().Format(time.RFC3339)})
	case slog.KindAny:
		if a.Equal(slog.Attr{}) {
			return pairs
		}
		return append(pairs, pair{group + a.Key, fmt.Sprint(v.Any())})
	}
	return append(pairs, pair{group + a.Key, v.String()})
}

// put says a line, or counts it. always is how many of its pairs tell its kind.
func (b *Book) put(l line, always int, whole bool) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	l.at = b.now()
	if whole || b.level.Level() < slog.LevelInfo {
		return b.write(l, 0, time.Time{})
	}
	name := string(appendText([]byte(l.level.String()+" "), l.text, l.pairs[:always]))
	k := b.kinds[name]
	if k == nil {
		if len(b.kinds) >= mostKinds {
			b.forget()
		}
		k = &kind{}
		b.kinds[name] = k
	}
	text := string(appendText(nil, l.text, l.pairs))
	again := text == k.last && l.at.Sub(k.saidAt) < sayAgain
	if again || !k.take(l.at, burst, refill) || !b.all.take(l.at, burstAll, refillAll) {
		if k.more == 0 {
			k.since = l.at
		}
		k.more++
		k.newest = l
		b.held.Add(1)
		return nil
	}
	return b.say(k, l, text)
}

func (b *Book) say(k *kind, l line, text string) error {
	more, since := k.more, k.since
	k.last, k.saidAt, k.more, k.newest = text, l.at, 0, line{}
	return b.write(l, more, since)
}

// forget makes room for new kinds: the quarter of them that came longest ago
// goes, and what was held back of it is counted among the lost.
func (b *Book) forget() {
	names := slices.SortedFunc(maps.Keys(b.kinds), func(x, y string) int { return b.kinds[x].at.Compare(b.kinds[y].at) })
	for _, name := range names[:mostKinds/4] {
		if k := b.kinds[name]; k.more > 0 {
			if b.lost == 0 || k.since.Before(b.since) {
				b.since = k.since
			}
			b.lost += k.more
		}
		delete(b.kinds, name)
	}
}

// Flush says what has been held back for ten minutes; with all, everything.
func (b *Book) Flush(all bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.now()
	if b.lost > 0 && (all || now.Sub(b.since) >= sayAgain) {
		l := line{at: now, level: slog.LevelWarn, text: "too many different lines to say all of them", pairs: []pair{{"lost", int64(b.lost)}}}
		b.lost = 0
		_ = b.write(l, 0, time.Time{})
	}
	for _, k := range b.kinds {
		if k.more > 0 && (all || now.Sub(k.since) >= sayAgain) {
			l := k.newest
			k.more-- // it is said itself
			_ = b.say(k, l, string(appendText(nil, l.text, l.pairs)))
			k.saidAt = now
		}
	}
}

// Run flushes now and then until the context ends, and everything at its end.
func (b *Book) Run(ctx context.Context) {
	tick := time.NewTicker(30 * time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			b.Flush(true)
			return
		case <-tick.C:
			b.Flush(false)
		}
	}
}

// write is one Write a line. Under mu.
func (b *Book) write(l line, more int, since time.Time) error {
	var out []byte
	if b.json.Load() {
		out = b.appendJSON(nil, l, more, since)
	} else {
		out = b.appendLine(nil, l, more, since)
	}
	_, err := b.out.Write(append(out, '\n'))
	return err
}

// words are the levels as lines have them; marks those of sd-daemon(3).
func words(l slog.Level) (word, mark string) {
	switch {
	case l < slog.LevelInfo:
		return "debug", "<7>"
	case l < slog.LevelWarn:
		return "info", "<6>"
	case l < slog.LevelError:
		return "warn", "<4>"
	}
	return "ERROR", "<3>"
}

func (b *Book) appendLine(out []byte, l line, more int, since time.Time) []byte {
	word, mark := words(l.level)
	if b.stamp {
		out = l.at.AppendFormat(out, "2006-01-02 15:04:05-07:00")
		out = fmt.Appendf(out, " %-5s ", word)
	} else {
		out = append(out, mark...)
	}
	out = appendText(out, l.text, l.pairs)
	if len(out) > mostLine {
		cut := mostLine
		for cut > 0 && !utf8.RuneStart(out[cut]) {
			cut--
		}
		out = append(out[:cut], " …"...)
	}
	if more > 0 {
		out = fmt.Appendf(out, " (said %s more since %s)", times(more), since.Format("15:04:05"))
	}
	return out
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// appendText is a message and its pairs, without control characters.
func appendText(out []byte, text string, pairs []pair) []byte {
	out = appendClean(out, text)
	for _, p := range pairs {
		out = append(out, ' ')
		out = appendClean(out, p.key)
		out = append(out, '=')
		s, isText := p.value.(string)
		switch {
		case !isText:
			out = fmt.Append(out, p.value)
		case s == "" || strings.ContainsFunc(s, func(r rune) bool {
			return r <= ' ' || r == '"' || r == '=' || !unicode.IsPrint(r)
		}):
			out = strconv.AppendQuote(out, s)
		default:
			out = append(out, s...)
		}
	}
	return out
}

// appendClean writes text with what could break a line, or a terminal, escaped.
func appendClean(out []byte, s string) []byte {
	if !strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return append(out, s...)
	}
	q := strconv.Quote(s)
	return append(out, strings.ReplaceAll(q[1:len(q)-1], `\"`, `"`)...)
}

// appendJSON is a line as one JSON object: time, level, msg, then what stands
// beside it; more and since where lines were held back.
func (b *Book) appendJSON(out []byte, l line, more int, since time.Time) []byte {
	word, _ := words(l.level)
	used := map[string]bool{}
	put := func(key string, value any) {
		for used[key] {
			key += "_"
		}
		used[key] = true
		sep := byte(',')
		if len(used) == 1 {
			sep = '{'
		}
		k, _ := json.Marshal(key)
		v, err := json.Marshal(value)
		if err != nil { // a float that is no number
			v, _ = json.Marshal(fmt.Sprint(value))
		}
		out = append(append(append(append(out, sep), k...), ':'), v...)
	}
	put("time", l.at.Format(time.RFC3339Nano))
	put("level", strings.ToLower(word))
	put("msg", cutTo(l.text))
	if more > 0 {
		put("more", more)
		put("since", since.Format(time.RFC3339))
	}
	for _, p := range l.pairs {
		if s, ok := p.value.(string); ok {
			p.value = cutTo(s)
		}
		put(p.key, p.value)
	}
	return append(out, '}')
}

func cutTo(s string) string {
	if len(s) > mostLine {
		return strings.ToValidUTF8(s[:mostLine], "") + " …"
	}
	return s
}
