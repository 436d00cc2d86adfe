package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
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

// backend is a rig's journal and ledger, in this process or behind a running
// daemon's socket.
type backend interface {
	Rig() string
	View(ctx context.Context) (*ledger.View, error)
	Acts(ctx context.Context) ([]act.Act, error)
	AddActs(ctx context.Context, acts ...act.Act) (int, error)
	// Import takes in a recording; progress hears now and then what was done.
	// size is the file's, 0 if not known.
	Import(ctx context.Context, r io.Reader, size int64, progress func(imported)) (imported, error)
	// Export writes everything that is kept.
	Export(ctx context.Context, w io.Writer) error
	Close() error
}

// controlHandler serves a backend to commands of this machine, over a socket
// that only the service's group can open.
func controlHandler(d *desk.Desk, rig string) http.Handler {
	b := &local{desk: d, rig: rig}
	mux := http.NewServeMux()
	fail := func(w http.ResponseWriter, err error) { http.Error(w, err.Error(), http.StatusUnprocessableEntity) }
	answer := func(w http.ResponseWriter, v any, err error) {
		if err != nil {
			fail(w, err)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(v)
	}
	mux.HandleFunc("GET /rig", func(w http.ResponseWriter, r *http.Request) { answer(w, rig, nil) })
	mux.HandleFunc("GET /view", func(w http.ResponseWriter, r *http.Request) {
		v, err := b.View(r.Context())
		answer(w, v, err)
	})
	mux.HandleFunc("GET /acts", func(w http.ResponseWriter, r *http.Request) {
		a, err := b.Acts(r.Context())
		answer(w, a, err)
	})
	mux.HandleFunc("POST /acts", func(w http.ResponseWriter, r *http.Request) {
		var acts []act.Act
		if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, 16<<20)).Decode(&acts); err != nil {
			fail(w, err)
			return
		}
		n, err := b.AddActs(r.Context(), acts...)
		answer(w, n, err)
	})
	mux.HandleFunc("POST /import", func(w http.ResponseWriter, r *http.Request) {
		// The answer comes while the recording is still being read.
		rc := http.NewResponseController(w)
		_ = rc.EnableFullDuplex()
		enc := json.NewEncoder(w)
		size, _ := strconv.ParseInt(r.URL.Query().Get("size"), 10, 64)
		done, err := b.Import(r.Context(), r.Body, size, func(p imported) {
			_ = enc.Encode(importLine{imported: p})
			_ = rc.Flush()
		})
		last := importLine{imported: done, Done: true}
		if err != nil {
			last.Err = err.Error()
		}
		_ = enc.Encode(last)
	})
	mux.HandleFunc("GET /export", func(w http.ResponseWriter, r *http.Request) {
		if err := b.Export(r.Context(), w); err != nil {
			// The status is sent already: break off, so that the other side
			// cannot take a part for the whole.
			panic(http.ErrAbortHandler)
		}
	})
	return mux
}

// importLine is one line of the answer to an import.
type importLine struct {
	imported
	Done bool   `json:"done,omitempty"`
	Err  string `json:"err,omitempty"`
}

// remote is a running daemon.
type remote struct {
	client *http.Client
	rig    string
}

func dialDaemon(data string) (*remote, error) {
	sock := filepath.Join(data, socketFile)
	c, err := net.DialTimeout("unix", sock, 2*time.Second)
	if err != nil {
		return nil, err
	}
	c.Close()
	b := &remote{client: &http.Client{Transport: &http.Transport{
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			var d net.Dialer
			return d.DialContext(ctx, "unix", sock)
		},
	}}}
	return b, b.get(context.Background(), "rig", &b.rig)
}

func (b *remote) Rig() string  { return b.rig }
func (b *remote) Close() error { b.client.CloseIdleConnections(); return nil }

func (b *remote) call(ctx context.Context, method, path string, body io.Reader) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, method, "http://daemon/"+path, body)
	if err != nil {
		return nil, err
	}
	resp, err := b.client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("the running daemon: %w", err)
	}
	if resp.StatusCode != http.StatusOK {
		defer resp.Body.Close()
		text, _ := io.ReadAll(io.LimitReader(resp.Body, 4096))
		return nil, errors.New(strings.TrimSpace(string(text)))
	}
	return resp, nil
}

func (b *remote) get(ctx context.Context, path string, into any) error {
	resp, err := b.call(ctx, http.MethodGet, path, nil)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	return json.NewDecoder(resp.Body).Decode(into)
}

func (b *remote) View(ctx context.Context) (*ledger.View, error) {
	v := new(ledger.View)
	return v, b.get(ctx, "view", v)
}

func (b *remote) Acts(ctx context.Context) (acts []act.Act, err error) {
	return acts, b.get(ctx, "acts", &acts)
}

func (b *remote) AddActs(ctx context.Context, acts ...act.Act) (n int, err error) {
	data, err := json.Marshal(acts)
	if err != nil {
		return 0, err
	}
	resp, err := b.call(ctx, http.MethodPost, "acts", bytes.NewReader(data))
	if err != nil {
		return 0, err
	}
	defer resp.Body.Close()
	return n, json.NewDecoder(resp.Body).Decode(&n)
}

func (b *remote) Import(ctx context.Context, r io.Reader, size int64, progress func(imported)) (imported, error) {
	resp, err := b.call(ctx, http.MethodPost, "import?size="+strconv.FormatInt(size, 10), r)
	if err != nil {
		return imported{}, err
	}
	defer resp.Body.Close()
	for dec := json.NewDecoder(resp.Body); ; {
		var l importLine
		if err := dec.Decode(&l); err != nil {
			return imported{}, fmt.Errorf("the running daemon broke off: %w", err)
		}
		if !l.Done {
			progress(l.imported)
			continue
		}
		if l.Err != "" {
			err = errors.New(l.Err)
		}
		return l.imported, err
	}
}

func (b *remote) Export(ctx context.Context, w io.Writer) error {
	resp, err := b.call(ctx, http.MethodGet, "export", nil)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	_, err = io.Copy(w, resp.Body)
	return err
}

// local is a journal opened by this process, or the daemon's own.
type local struct {
	desk    *desk.Desk
	rig     string
	journal *journal.Journal // nil where it is the daemon's to close
	stop    context.CancelFunc
	ended   chan error
}

// openLocal opens the journal in a data folder. With rig "" it takes the only
// rig there is.
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
	if rig == "" {
		rigs, err := j.Rigs()
		if err == nil && len(rigs) != 1 {
			err = fmt.Errorf("rig: must be named with -rig, as the journal has %d: %s", len(rigs), strings.Join(rigs, ", "))
		}
		if err != nil {
			j.Close()
			return nil, err
		}
		rig = rigs[0]
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

func (b *local) Rig() string { return b.rig }

func (b *local) Close() error {
	if b.journal == nil {
		return nil
	}
	b.stop()
	return errors.Join(<-b.ended, b.journal.Close())
}

func (b *local) View(ctx context.Context) (*ledger.View, error) {
	if err := b.desk.Settle(ctx); err != nil {
		return nil, err
	}
	return b.desk.Snapshot().View, nil
}

func (b *local) Acts(ctx context.Context) ([]act.Act, error) { return b.desk.Acts(ctx) }

func (b *local) AddActs(ctx context.Context, acts ...act.Act) (int, error) {
	return b.desk.AddActs(ctx, acts...)
}

func (b *local) Import(ctx context.Context, r io.Reader, size int64, progress func(imported)) (imported, error) {
	return importInto(ctx, b.desk, b.rig, size, r, progress)
}

// Export writes acts, then records in the order they are kept.
func (b *local) Export(ctx context.Context, w io.Writer) error {
	out := bufio.NewWriterSize(w, 64<<10)
	acts, err := b.desk.Acts(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "# Everything Yardtally keeps of rig %s: one act or one SenML pack a line.\n", b.rig)
	var line []byte
	for i := range acts {
		if line, err = wire.AppendAct(line[:0], &acts[i]); err != nil {
			return err
		}
		out.Write(line)
	}
	for after, last := uint64(0), uint64(0); ; after = last {
		last, err = b.desk.Records(ctx, after, 4096, func(r *meter.Record, boot string) error {
			var err error
			if line, err = wire.AppendRecord(line[:0], b.rig, r, boot); err != nil {
				return err
			}
			_, err = out.Write(line)
			return err
		})
		if err != nil {
			return err
		}
		if last == after {
			return out.Flush()
		}
	}
}

// openBackend returns the running daemon of a data folder, or else its journal.
func openBackend(data, rig string, create bool) (backend, error) {
	r, err := dialDaemon(data)
	if err == nil {
		if rig != "" && rig != r.rig {
			return nil, fmt.Errorf("rig: the running daemon's is %q, asked for is %q", r.rig, rig)
		}
		return r, nil
	}
	return openLocal(data, rig, create)
}
