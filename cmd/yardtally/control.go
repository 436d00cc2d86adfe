package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"time"

	"yardtally/ingest/journal"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// backend is a rig's journal and ledger, in this process or behind a running
// daemon's socket.
type backend interface {
	Rig() string
	View(ctx context.Context) (*ledger.View, error)
	Acts(ctx context.Context) ([]act.Act, error)
	// AllActs are Acts and, in a house, those of others on which its account may rest.
	AllActs(ctx context.Context) ([]act.Act, error)
	AddActs(ctx context.Context, acts ...act.Act) (int, error)
	// Watch says what is the matter now.
	Watch(ctx context.Context) (*findings, error)
	// Import takes in a recording; progress hears now and then what was done.
	Import(ctx context.Context, r io.Reader, progress func(imported)) (imported, error)
	// Export writes everything that is kept.
	Export(ctx context.Context, w io.Writer) error
	// Backup writes a verified copy of the whole journal to a new file.
	Backup(ctx context.Context, path string) (journal.Report, error)
	Close() error
}

// controlHandler serves rigs to commands of this machine, over a socket that
// only the service's group can open. Of several a request names one, by ?rig=.
func controlHandler(rigs ...*local) http.Handler {
	if len(rigs) == 1 {
		return rigHandler(rigs[0], rigs)
	}
	by := map[string]http.Handler{}
	for _, b := range rigs {
		by[b.rig] = rigHandler(b, rigs)
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		rig := r.URL.Query().Get("rig")
		switch h := by[rig]; {
		case h != nil:
			h.ServeHTTP(w, r)
		case strings.HasPrefix(r.URL.Path, "/house/"):
			by[rigs[0].rig].ServeHTTP(w, r)
		case r.URL.Path == "/rig" || r.URL.Path == "/rigs" || r.URL.Path == "/reload":
			by[rigs[0].rig].ServeHTTP(w, r)
		default:
			http.Error(w, fmt.Sprintf("rig: must be one of the daemon's, is %q", rig), http.StatusUnprocessableEntity)
		}
	})
}

// rigHandler serves one of the rigs.
func rigHandler(b *local, rigs []*local) http.Handler {
	mux := http.NewServeMux()
	fail := func(w http.ResponseWriter, err error) { http.Error(w, err.Error(), http.StatusUnprocessableEntity) }
	answer := func(w http.ResponseWriter, v any, err error) {
		if err != nil {
			fail(w, err)
			return
		}
		data, err := json.Marshal(v)
		if err != nil {
			fail(w, err)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write(data)
	}
	mux.HandleFunc("GET /rig", func(w http.ResponseWriter, r *http.Request) { answer(w, b.rig, nil) })
	mux.HandleFunc("GET /rigs", func(w http.ResponseWriter, r *http.Request) {
		var names []string
		for _, b := range rigs {
			names = append(names, b.rig)
		}
		answer(w, names, nil)
	})
	mux.HandleFunc("GET /view", func(w http.ResponseWriter, r *http.Request) {
		v, err := b.View(r.Context())
		answer(w, v, err)
	})
	mux.HandleFunc("GET /acts", func(w http.ResponseWriter, r *http.Request) {
		a, err := b.Acts(r.Context())
		answer(w, a, err)
	})
	mux.HandleFunc("GET /acts/all", func(w http.ResponseWriter, r *http.Request) {
		a, err := b.AllActs(r.Context())
		answer(w, a, err)
	})
	house := houseOf(rigs)
	mux.HandleFunc("GET /house/views", func(w http.ResponseWriter, r *http.Request) {
		v, err := house.Views(r.Context())
		answer(w, v, err)
	})
	mux.HandleFunc("GET /house/acts", func(w http.ResponseWriter, r *http.Request) {
		a, err := house.HouseActs(r.Context())
		answer(w, a, err)
	})
	add := func(w http.ResponseWriter, r *http.Request, to func(context.Context, ...act.Act) (int, error)) {
		var acts []act.Act
		if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, 16<<20)).Decode(&acts); err != nil {
			fail(w, err)
			return
		}
		n, err := to(r.Context(), acts...)
		answer(w, n, err)
	}
	mux.HandleFunc("POST /house/acts", func(w http.ResponseWriter, r *http.Request) { add(w, r, house.AddHouse) })
	mux.HandleFunc("GET /watch", func(w http.ResponseWriter, r *http.Request) {
		at, err := b.Watch(r.Context())
		answer(w, at, err)
	})
	mux.HandleFunc("POST /acts", func(w http.ResponseWriter, r *http.Request) { add(w, r, b.AddActs) })
	mux.HandleFunc("POST /import", func(w http.ResponseWriter, r *http.Request) {
		// The answer comes while the recording is still being read.
		rc := http.NewResponseController(w)
		_ = rc.EnableFullDuplex()
		defer interrupt(r.Context(), rc)()
		enc := json.NewEncoder(w)
		done, err := b.Import(r.Context(), r.Body, func(p imported) {
			_ = enc.Encode(importLine{imported: p})
			_ = rc.Flush()
		})
		last := importLine{imported: done, Done: true}
		if err != nil {
			last.Err = err.Error()
		}
		_ = enc.Encode(last)
		_ = rc.Flush()
		// To close with something unread could lose the answer.
		_, _ = io.Copy(io.Discard, r.Body)
	})
	mux.HandleFunc("POST /backup", func(w http.ResponseWriter, r *http.Request) {
		path := r.URL.Query().Get("path")
		if !filepath.IsAbs(path) {
			fail(w, fmt.Errorf("path: must be absolute, is %q", path))
			return
		}
		rep, err := b.Backup(r.Context(), path)
		answer(w, rep, err)
	})
	mux.HandleFunc("GET /state", func(w http.ResponseWriter, r *http.Request) {
		if b.daemon == nil {
			fail(w, errNoFile)
			return
		}
		answer(w, b.daemon.state(), nil)
	})
	mux.HandleFunc("POST /reload", func(w http.ResponseWriter, r *http.Request) {
		// It is not broken off half way where who asked goes.
		if b.daemon == nil {
			fail(w, errNoFile)
			return
		}
		out, err := b.daemon.reload(context.WithoutCancel(r.Context()))
		answer(w, out, err)
	})
	mux.HandleFunc("GET /store", func(w http.ResponseWriter, r *http.Request) {
		st, err := b.store()
		answer(w, st, err)
	})
	mux.HandleFunc("POST /store", func(w http.ResponseWriter, r *http.Request) {
		n, err := b.retryStore()
		answer(w, n, err)
	})
	mux.HandleFunc("GET /export", func(w http.ResponseWriter, r *http.Request) {
		defer interrupt(r.Context(), http.NewResponseController(w))()
		if err := b.Export(r.Context(), w); err != nil {
			// The status is sent already: break off, so that the other side
			// cannot take a part for the whole.
			panic(http.ErrAbortHandler)
		}
	})
	return mux
}

// interrupt lets no read or write of a request wait any longer once its
// context has ended: a stopping daemon waits for nobody.
func interrupt(ctx context.Context, rc *http.ResponseController) (stop func() bool) {
	return context.AfterFunc(ctx, func() {
		now := time.Now()
		_ = rc.SetReadDeadline(now)
		_ = rc.SetWriteDeadline(now)
	})
}

// importLine is one line of the answer to an import.
type importLine struct {
	imported
	Done bool   `json:"done,omitempty"`
	Err  string `json:"err,omitempty"`
}
