package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"yardtally/ingest/desk"
	"yardtally/ingest/journal"
	"yardtally/ingest/source"
	"yardtally/ingest/wire"
	"yardtally/meter"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// local is a journal opened by this process, or the daemon's own.
type local struct {
	desk    *desk.Desk
	rig     string
	journal *journal.Journal

	watching *watching // the daemon's own; nil: none runs
	daemon   *daemon   // nil: none runs

	stop  context.CancelFunc // nil where desk and journal are the daemon's to close
	ended chan error
}

// openLocal opens the journal in a data folder. With rig "" it takes the only
// rig there is. Unless it may create one, the rig must be in the journal.
func openLocal(data, rig string, create bool) (*local, error) {
	path := filepath.Join(data, journalFile)
	if create {
		if err := os.MkdirAll(data, 0o770); err != nil {
			return nil, fmt.Errorf("data: %w", err)
		}
	} else if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("data: no journal is there: %w", err)
	}
	j, err := journal.Open(path, journal.Options{})
	if err != nil {
		return nil, err
	}
	if !create || rig == "" {
		if rig, err = oneOf(j, rig); err != nil {
			j.Close()
			return nil, err
		}
	}
	quiet := slog.New(slog.DiscardHandler)
	d, err := desk.Open(desk.Options{Rig: rig, Journal: j, Clock: source.SystemClock{}, BootID: source.BootID(), Log: quiet})
	if err != nil {
		j.Close()
		return nil, err
	}
	ctx, stop := context.WithCancel(context.Background())
	b := &local{desk: d, rig: rig, journal: j, stop: stop, ended: make(chan error, 1)}
	go func() { b.ended <- d.Run(ctx) }()
	return b, nil
}

// oneOf returns the journal's rig of that name, or its only one for "".
func oneOf(j *journal.Journal, rig string) (string, error) {
	rigs, err := j.Rigs()
	switch {
	case err != nil:
		return "", err
	case len(rigs) == 0:
		return "", errors.New("data: the journal is empty")
	case rig == "" && len(rigs) == 1:
		return rigs[0], nil
	case rig == "":
		return "", fmt.Errorf("rig: must be named with -rig, as the journal has %d: %s", len(rigs), strings.Join(rigs, ", "))
	case !slices.Contains(rigs, rig):
		return "", fmt.Errorf("rig: must be one that the journal has (%s), is %q", strings.Join(rigs, ", "), rig)
	}
	return rig, nil
}

func (b *local) Rig() string { return b.rig }

func (b *local) Close() error {
	if b.stop == nil {
		return nil
	}
	b.stop()
	return errors.Join(<-b.ended, b.journal.Close())
}

// Backup brings what waits into the journal, then copies it.
func (b *local) Backup(ctx context.Context, path string) (journal.Report, error) {
	if err := b.desk.Settle(ctx); err != nil {
		return journal.Report{}, err
	}
	return b.journal.Backup(ctx, path)
}

func (b *local) View(ctx context.Context) (*ledger.View, error) {
	if err := b.desk.Settle(ctx); err != nil {
		return nil, err
	}
	return b.desk.Snapshot().View, nil
}

func (b *local) Acts(ctx context.Context) ([]act.Act, error) { return b.desk.Acts(ctx) }

func (b *local) AllActs(ctx context.Context) ([]act.Act, error) { return b.desk.AllActs(ctx) }

func (b *local) AddActs(ctx context.Context, acts ...act.Act) (int, error) {
	return b.desk.AddActs(ctx, acts...)
}

// Watch learns the rig anew where no daemon has: it may take its time.
func (b *local) Watch(ctx context.Context) (*findings, error) {
	if b.watching != nil {
		return b.watching.Look(ctx)
	}
	v, err := b.View(ctx)
	if err != nil {
		return nil, err
	}
	acts, err := b.Acts(ctx)
	if err != nil {
		return nil, err
	}
	now := max(time.Now().UnixNano(), v.At) // a board without the time of day may lag behind its satellites
	return learn(v, labelOf(acts)).judge(v, acts, now), nil
}

func (b *local) Import(ctx context.Context, r io.Reader, progress func(imported)) (imported, error) {
	return importInto(ctx, b.desk, b.rig, r, progress)
}

// exportTurn is how many records an export takes from the desk at a time.
const exportTurn = 4096

// Export writes acts, then records in the order they are kept. Nothing is
// written while the desk waits: who reads slowly keeps nobody else waiting.
func (b *local) Export(ctx context.Context, w io.Writer) error {
	acts, err := b.desk.Acts(ctx)
	if err != nil {
		return err
	}
	// The house's book with it: a rig's loads are acts of the house.
	house, err := b.journal.Acts(act.House)
	if err != nil {
		return err
	}
	acts = append(acts, house...)
	var out bytes.Buffer
	fmt.Fprintf(&out, "# Everything Yardtally keeps of rig %s: one act or one SenML pack a line.\n", b.rig)
	var line []byte
	for i := range acts {
		if line, err = wire.AppendAct(line[:0], &acts[i]); err != nil {
			return err
		}
		out.Write(line)
	}
	for after := uint64(0); ; {
		if _, err := out.WriteTo(w); err != nil {
			return err
		}
		last, err := b.desk.Records(ctx, after, exportTurn, func(r *meter.Record, boot string) error {
			var err error
			if line, err = wire.AppendRecord(line[:0], b.rig, r, boot); err == nil {
				out.Write(line)
			}
			return err
		})
		if err != nil || last == after {
			return err
		}
		after = last
	}
}

// openBackend returns the running daemon of a data folder, or else its journal.
func openBackend(ctx context.Context, data, rig string, create bool) (backend, error) {
	r, err := dialDaemon(ctx, data)
	if err == nil {
		if err := r.choose(rig); err != nil {
			r.Close()
			return nil, err
		}
		return r, nil
	}
	b, lerr := openLocal(data, rig, create)
	if lerr == nil {
		return b, nil
	}
	// Where somebody has the journal, why its socket did not help matters.
	var owned *journal.OwnedError
	if errors.As(lerr, &owned) && !errors.Is(err, fs.ErrNotExist) {
		lerr = fmt.Errorf("%w (and it cannot be asked: %w)", lerr, err)
	}
	return nil, lerr
}
