// Package recording reads a recorded night: a text file of SenML packs, one a
// line, in the order of their arrival, plain or gzipped. Lines of an export
// carry besides what a journal needs to be rebuilt (see package wire).
//
// A plain recording holds no evidence of when its lines arrived, only what
// their sender said. So its monotonic time is a line of its own, derived from
// the file and from nothing else: the same file gives the same records.
package recording

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"

	"yardtally/ingest/wire"
	"yardtally/meter"
	"yardtally/meter/act"
)

// Bounds on what is kept of a recording while it is read. Judgement, no source.
const (
	MaxDetails = 20   // broken lines described one by one; the rest are counted
	batchMost  = 4096 // items handed on at once
)

// Item is one thing that a recording holds: a record or an act.
type Item struct {
	BootID string // names the clock of Record.Mono; "" for an act
	Rig    string
	Record meter.Record
	Act    *act.Act // nil for a record
	Line   int      // from 1
}

// Progress says how far the reading is.
type Progress struct {
	Bytes    int64 // of the file as it is stored, so far
	Lines    int
	Readings int64
	Acts     int
}

// Options say what to read.
type Options struct {
	Rig      string         // take only this rig's; "": whatever rig a line names
	Source   string         // of plain lines' records; "" is "file"
	Progress func(Progress) // nil: none; called after each batch and at the end

	// Dropped, if set, hears of each thing that could not be taken in.
	Dropped func(reason, detail string)
	// Following says that the reader waits where the recording ends for now:
	// what was read is handed on before it does.
	Following bool
}

// Broken is one line, or a part of one, that could not be taken in.
type Broken struct {
	Line   int
	Detail string // names reason, field, rule and value
}

func (b Broken) String() string { return fmt.Sprintf("line %d: %s", b.Line, b.Detail) }

// Result is what was read.
type Result struct {
	Progress
	BootID   string            // of the plain lines
	Dropped  map[string]uint64 // by reason
	Details  []Broken          // the first MaxDetails of them
	LinesBad int               // lines of which nothing could be used
}

// Open opens the recording at path for Read, with its size.
func Open(path string) (io.ReadCloser, int64, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, 0, err
	}
	st, err := f.Stat()
	if err == nil && !st.Mode().IsRegular() && st.Mode()&os.ModeNamedPipe == 0 {
		err = fmt.Errorf("%s: must be a file, is %s", path, st.Mode().Type())
	}
	if err != nil {
		f.Close()
		return nil, 0, err
	}
	return f, st.Size(), nil
}

// Read reads a recording and hands what it holds to put in batches, in the
// order of the lines. A batch and what it points at are put's to keep. Broken
// lines are counted and described in the result, and the good ones kept. The
// error is put's, the context's or the reader's, with the line; the result
// holds then what was read before.
//
// A plain line's record has Wall 0, for unknown, and a Mono that starts at 0
// and advances as the sender's own clocks do; see timeline. Each rig has a
// time line of its own. A last line without a line end counts if it can be
// read.
func Read(ctx context.Context, r io.Reader, o Options, put func(context.Context, []Item) error) (Result, error) {
	if o.Source == "" {
		o.Source = "file"
	}
	counted := &counter{r: r}
	stored := bufio.NewReaderSize(counted, 64<<10)
	head, err := stored.Peek(2)
	if err != nil && err != io.EOF {
		return Result{}, fmt.Errorf("line 1: %w", err)
	}
	d := reader{
		ctx: ctx, o: o, put: put, counted: counted, lines: map[string]*timeline{},
		res: Result{Dropped: map[string]uint64{}},
	}
	var text io.Reader = stored
	if bytes.HasPrefix(head, []byte{0x1f, 0x8b}) { // RFC 1952, section 2.3.1
		if text, err = gzip.NewReader(stored); err != nil {
			return d.res, fmt.Errorf("line 1: gzip: %w", err)
		}
	}
	err = d.read(bufio.NewReaderSize(text, 256<<10))
	d.res.Bytes = counted.n - int64(stored.Buffered())
	if o.Progress != nil {
		o.Progress(d.res.Progress)
	}
	return d.res, err
}

// bootID names the clock of a plain recording's lines by the first of them: a
// night that is taken in twice, or again after it has grown, as it is or
// gzipped, is recognised.
func bootID(line []byte) string {
	h := sha256.Sum256(bytes.TrimSpace(line))
	return "rec:" + hex.EncodeToString(h[:])
}

type counter struct {
	r io.Reader
	n int64
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += int64(n)
	return n, err
}

// reader is one reading of one recording.
type reader struct {
	ctx     context.Context
	o       Options
	put     func(context.Context, []Item) error
	counted *counter
	lines   map[string]*timeline // by rig
	batch   []Item
	res     Result
}

func (d *reader) read(text *bufio.Reader) error {
	var long []byte // a line that did not fit into the buffer at once
	for {
		if d.o.Following && len(d.batch) > 0 {
			if ahead, _ := text.Peek(text.Buffered()); bytes.IndexByte(ahead, '\n') < 0 {
				if err := d.flush(); err != nil {
					return err
				}
			}
		}
		part, err := text.ReadSlice('\n')
		line := part
		if errors.Is(err, bufio.ErrBufferFull) || len(long) > 0 {
			// Past the bound the rest of the line is passed over, not kept.
			long = append(long, part[:min(len(part), wire.MaxLine+1-len(long))]...)
			line = long
		}
		if errors.Is(err, bufio.ErrBufferFull) {
			continue
		}
		if len(line) > 0 {
			d.res.Lines++
			d.line(line)
			long = long[:0]
		}
		if err == io.EOF {
			return d.flush()
		}
		if err != nil {
			return errors.Join(fmt.Errorf("after line %d: %w", d.res.Lines, err), d.flush())
		}
		if len(d.batch) >= batchMost {
			if err := d.flush(); err != nil {
				return err
			}
		}
	}
}

func (d *reader) line(line []byte) {
	e, drops := wire.ParseLine(line, d.o.Rig)
	for _, b := range drops {
		d.res.Dropped[string(b.Reason)]++
		if d.o.Dropped != nil {
			d.o.Dropped(string(b.Reason), fmt.Sprintf("line %d: %s", d.res.Lines, b.Detail))
		}
		if len(d.res.Details) < MaxDetails {
			d.res.Details = append(d.res.Details, Broken{d.res.Lines, b.String()})
		}
	}
	switch e.Kind {
	case wire.Nothing:
		d.res.LinesBad++
	case wire.Said:
		d.res.Acts++
		said := e.Act // of its own, lest every line's entry goes to the heap
		d.batch = append(d.batch, Item{Rig: e.Rig, Act: &said, Line: d.res.Lines})
	case wire.Kept:
		for _, r := range e.Records {
			d.record(e.BootID, e.Rig, r)
		}
	case wire.Observed:
		if d.res.BootID == "" {
			d.res.BootID = bootID(line)
		}
		t := d.lines[e.Rig]
		if t == nil {
			t = &timeline{}
			d.lines[e.Rig] = t
		}
		mono := t.next(e.Records)
		for _, r := range e.Records {
			r.Mono, r.Source = mono, d.o.Source
			d.record(d.res.BootID, e.Rig, r)
		}
	}
}

func (d *reader) record(boot, rig string, r meter.Record) {
	d.res.Readings += int64(len(r.Readings))
	d.batch = append(d.batch, Item{BootID: boot, Rig: rig, Record: r, Line: d.res.Lines})
}

// flush hands the batch on.
func (d *reader) flush() error {
	if err := d.ctx.Err(); err != nil {
		return fmt.Errorf("line %d: %w", d.res.Lines, err)
	}
	if len(d.batch) == 0 {
		return nil
	}
	if err := d.put(d.ctx, d.batch); err != nil {
		return fmt.Errorf("line %d: %w", d.res.Lines, err)
	}
	d.batch = make([]Item, 0, batchMost+batchMost/16)
	if d.o.Progress != nil {
		d.res.Bytes = d.counted.n
		d.o.Progress(d.res.Progress)
	}
	return nil
}
