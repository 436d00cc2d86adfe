package recording

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"

	"yardtally/ingest/source"
	"yardtally/ingest/wire"
)

// DropAct is the reason under which acts in a followed recording are counted.
// What people say comes in by an import, where they see what came of it.
const DropAct = "act in a followed recording"

// lookEvery is how often a recording that was read to its end is looked at.
const lookEvery = time.Second

// SourceOptions say what recording to follow.
type SourceOptions struct {
	Name string // the source's name, e.g. "card"
	Path string
	Rig  string
	Log  *slog.Logger // nil: nowhere
}

// Source is a recording as a source.Source: a file that a logger writes, on
// its card or on this machine. It is read from its start, followed as it grows,
// and read again when it was taken away and is back; what is kept already adds
// nothing.
type Source struct {
	o SourceOptions
	*source.Supervisor
}

// New checks the options and returns the source; it opens nothing yet. The
// error names the option, the rule and the value.
func New(o SourceOptions) (*Source, error) {
	switch {
	case o.Name == "":
		return nil, errors.New(`name: must not be empty, is ""`)
	case o.Path == "":
		return nil, errors.New(`path: must name a recording, is ""`)
	}
	if err := wire.CheckRig(o.Rig); err != nil {
		return nil, err
	}
	return &Source{o: o, Supervisor: source.NewSupervisor(o.Name, o.Log, nil)}, nil
}

// Run implements source.Source.
func (s *Source) Run(ctx context.Context, sink source.Sink) error {
	return s.Supervisor.Run(ctx, func(ctx context.Context, up func()) error {
		f, _, err := Open(s.o.Path)
		if err != nil {
			return err
		}
		defer f.Close()
		// A pipe on which nothing comes must not hold up a stop.
		defer context.AfterFunc(ctx, func() { f.Close() })()
		up()
		t := &tail{ctx: ctx, f: f, path: s.o.Path}
		_, err = Read(ctx, t, Options{Rig: s.o.Rig, Source: s.o.Name, Dropped: s.Drop, Following: true},
			func(ctx context.Context, items []Item) error { return s.hand(ctx, sink, items) })
		return err
	})
}

// hand passes items on, an arrival for each stretch of one clock.
func (s *Source) hand(ctx context.Context, sink source.Sink, items []Item) error {
	var a source.Arrival
	readings := 0
	put := func() error {
		if len(a.Records) == 0 {
			return nil
		}
		if err := sink.Put(ctx, a); err != nil {
			return err
		}
		s.Took(readings)
		a, readings = source.Arrival{}, 0
		return nil
	}
	for i := range items {
		it := &items[i]
		if it.Act != nil {
			s.Drop(DropAct, fmt.Sprintf("line %d: act %q: take it in with yardtally import", it.Line, it.Act.ID))
			continue
		}
		if it.BootID != a.BootID {
			if err := put(); err != nil {
				return err
			}
		}
		a.Rig, a.BootID = it.Rig, it.BootID
		a.Records = append(a.Records, it.Record)
		readings += len(it.Record.Readings)
	}
	return put()
}

// tail reads a file and, at its end, waits for more. It ends with an error when
// the file at the path is another one, or shorter than what was read.
type tail struct {
	ctx  context.Context
	f    io.Reader
	path string
	read int64
}

func (t *tail) Read(p []byte) (int, error) {
	for {
		n, err := t.f.Read(p)
		t.read += int64(n)
		if n > 0 {
			return n, nil
		}
		if err != nil && err != io.EOF {
			return 0, err
		}
		if err := t.same(); err != nil {
			return 0, err
		}
		wait := time.NewTimer(lookEvery)
		select {
		case <-wait.C:
		case <-t.ctx.Done():
			wait.Stop()
			return 0, t.ctx.Err()
		}
	}
}

// same reports whether the path still names the file that is being read.
func (t *tail) same() error {
	now, err := os.Stat(t.path)
	if err != nil {
		return err
	}
	f, ok := t.f.(*os.File)
	if !ok {
		return nil
	}
	then, err := f.Stat()
	if err != nil {
		return err
	}
	if !os.SameFile(now, then) {
		return fmt.Errorf("%s: another file is there now: reading it from its start", t.path)
	}
	if now.Mode().IsRegular() && now.Size() < t.read {
		return fmt.Errorf("%s: the file is shorter than it was: reading it from its start", t.path)
	}
	return nil
}
