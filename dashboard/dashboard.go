// Package dashboard is the live page "Tonight": what is the matter, what is left
// in the tote, the flow now, this yard's fills and the yards' totals, for a phone
// in the dark.
//
// It is given snapshots and never asks where they come from. The page reads
// without JavaScript; the script only puts pieces of it, drawn on the server,
// in the place of older ones.
package dashboard

import (
	"context"
	"log/slog"
	"net/http"
	"time"

	"yardtally/calibrate/quantity"
	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// Feed is where the page's figures come from. Its methods may be called from
// any goroutine.
type Feed interface {
	// Snapshot returns the newest state, at once, never nil. Nobody changes it
	// afterwards.
	Snapshot() *Snapshot
	// Watch returns a channel that ticks whenever the snapshot or its live
	// part has changed. Ticks nobody has taken are merged into one. The
	// channel is closed when the context ends, or when no more will come.
	Watch(ctx context.Context) <-chan struct{}
}

// Snapshot is everything the page shows.
type Snapshot struct {
	View     *ledger.View   // nil before there is one
	Rigs     []*ledger.View // of the book of a house with several rigs: its rigs' own, and View is ledger.Together of them
	Live     Live
	Watch    *Watch       // nil: nobody watches, or has looked yet
	Sources  []SourceLine // in the order of the settings
	Store    *StoreLine   // nil: results stay here
	Notices  []Notice
	Units    quantity.System
	Currency string         // that prices are in, as it is written before them; "": not said
	Zone     *time.Location // nil: the view's zone, else UTC
	Now      int64          // Unix ns by the rig's clock
	Speed    float64        // of the rig's clock against life; 0 is 1
	Demo     string         // a line for a demonstration, "" otherwise
}

// Live is what was heard last, whether it is kept yet or not. Instants are
// Unix ns by the rig's clock, 0 for never. Fills and totals never come from it.
type Live struct {
	Flow    quantity.Flow
	FlowAt  int64
	Level   quantity.Length // surface above the tote's floor
	Tote    quantity.Volume
	ToteAt  int64
	Syrup   quantity.Temperature
	SyrupAt int64

	Signal   string // what the keeper was told last: "full", "failing", "silent"; "" for nothing yet
	SignalAt int64
}

// SourceLine is the state of one source of readings. Its times are by the rig's
// clock, as Snapshot.Now is.
type SourceLine struct {
	Name    string
	Phase   string            // "opening", "open", "waiting" or "stopped"
	Since   time.Time         // since when it is in this phase
	LastAt  time.Time         // newest message; zero for none
	Err     string            // newest failure, "" if none since it opened
	NextTry time.Time         // while waiting
	Quiet   bool              // silence is no fault, as of a recording read to its end
	Dropped uint64            // lines or packs not taken
	Why     map[string]uint64 // how many of them, by reason
}

// StoreLine is what the store that results are forwarded to still lacks.
type StoreLine struct {
	Name     string
	Waiting  int64 // points
	Oldest   int64 // instant of the one that is sent next, Unix ns by the rig's clock; 0: none
	Rejected int   // points that it will not take
}

// Notice is a fault of the whole, in one sentence, e.g. "The disk is full:
// nothing has been kept since 21:14."
type Notice struct {
	Text string
}

// Options are what New needs.
type Options struct {
	Feed  Feed
	Said  Said  // nil: nothing can be said on the page, and there are no books
	Books Books // nil: the books can be read only
	// SayAct says in words what was said; nil: only entries of the books are.
	SayAct func(*act.Act) string
	// Trace finds how a flow went; nil: the page of a fill is without it.
	Trace Tracer
	// About tells of the daemon itself; nil: nothing is known of it. It may be
	// called from any goroutine.
	About   func() About
	Rig     string
	House   bool // the pages are of the book of a house with several rigs
	Version string
	Log     *slog.Logger // nil: slog.Default()
}

// Most streams open at once, in all and to one address; the next gets status
// 503 and tries again later.
const (
	maxStreams     = 64
	maxStreamsEach = 12
)

type server struct {
	Options
	frames  frames
	streams *streams
	taps    taps
	assets  map[string]asset
	seasons seasons
	learnt  learntOnce
	base    string // before every path, where the rig is one of several: "/rigs/heron"
}

// New returns the page's handler. It serves "/", "/live" (server-sent events),
// "/tonight.csv", "/tonight.json", "/yards.csv", "/yards.json", "/forecast"
// (whether a syrup will pump), "/mix" (what to mix for the yards ahead, also as
// "/mix.csv" and "/mix.json"),
// "/books" with the season's statement and balance, and the page's own files, and takes the choice of night or day at "POST /look". What
// people say by a tap comes to "POST /say/…", their name to "POST /who", and an opened
// phone's time to "POST /clock"; these are for those only whom a door let in.
//
// Streams end with their request's context: give the http.Server a BaseContext
// that is cancelled before Shutdown, or close what Feed.Watch returns.
func New(o Options) http.Handler { return newServer(o).handler() }

func newServer(o Options) *server {
	if o.Log == nil {
		o.Log = slog.Default()
	}
	s := &server{Options: o, assets: loadAssets(), taps: newTaps(), streams: newStreams(), seasons: newSeasons()}
	s.frames.server = s
	return s
}

func (s *server) handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.page)
	mux.HandleFunc("GET /live", s.live)
	mux.HandleFunc("GET "+forecastPath, s.forecast)
	for _, path := range []string{forecastPath, forecastPulls} {
		mux.HandleFunc("GET "+path+".csv", s.takeCold)
		mux.HandleFunc("GET "+path+".json", s.takeCold)
	}
	s.mixRoutes(mux)
	mux.HandleFunc("GET "+meterPath, s.meter)
	mux.HandleFunc("GET "+totePath, s.tote)
	mux.HandleFunc("GET "+yardsPath, s.allYards)
	mux.HandleFunc("GET "+yardsPath+"/{id}", s.oneYard)
	mux.HandleFunc("GET "+visitPath, s.oneVisit)
	mux.HandleFunc("GET "+fillPath, s.oneFill)
	for _, ending := range []string{".csv", ".json"} {
		mux.HandleFunc("GET "+meterPath+ending, s.meterTable)
		for _, of := range []string{"", "/levels", "/strapping"} {
			mux.HandleFunc("GET "+totePath+of+ending, s.toteTable)
		}
		mux.HandleFunc("GET "+seasonPath+ending, s.seasonTable)
		mux.HandleFunc("GET "+visitPath+ending, s.visitTable)
		mux.HandleFunc("GET "+fillPath+ending, s.traceTable)
	}
	mux.HandleFunc("GET "+rigPath, s.rig)
	mux.HandleFunc("GET "+rigPath+".csv", s.takeRig)
	mux.HandleFunc("GET "+rigPath+".json", s.takeRig)
	mux.HandleFunc("GET "+watchPath, s.alarmPage)
	for _, path := range []string{watchPath, watchPulls} {
		mux.HandleFunc("GET "+path+".csv", s.takeAlarms)
		mux.HandleFunc("GET "+path+".json", s.takeAlarms)
	}
	for _, what := range []string{"tonight", "yards"} {
		mux.HandleFunc("GET /"+what+".csv", s.export)
		mux.HandleFunc("GET /"+what+".json", s.export)
	}
	for name := range s.assets {
		mux.HandleFunc("GET /"+name, s.asset)
	}
	mux.HandleFunc("POST /look", s.look)
	if s.Said != nil {
		mux.HandleFunc("POST /say/{what}", s.say)
		mux.HandleFunc("POST /who", s.who)
		// Where a page that said why nothing was said is asked for again.
		back := http.RedirectHandler("/#tell", http.StatusSeeOther)
		mux.Handle("GET /say/{what}", back)
		mux.Handle("GET /who", back)
		mux.HandleFunc("POST /meter/back", s.unprove)
		mux.Handle("GET /meter/back", http.RedirectHandler(meterPath, http.StatusSeeOther))
		if s.Books != nil {
			mux.HandleFunc("GET "+provePath, s.prove)
			mux.HandleFunc("GET "+provePath+"/live", s.proveLive)
			mux.HandleFunc("POST "+provePath, s.proving)
		}
		if s.base == "" { // else the books are the house's
			s.bookRoutes(mux)
		}
		mux.HandleFunc("GET /clock", s.boot)
		mux.HandleFunc("POST /clock", s.phone)
	}
	return guard(http.NewCrossOriginProtection().Handler(mux))
}

// mixRoutes serves what to mix.
func (s *server) mixRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET "+mixPath, s.mix)
	mux.HandleFunc("GET "+mixPath+".csv", s.mixFile)
	mux.HandleFunc("GET "+mixPath+".json", s.mixFile)
}

// bookRoutes serves the books.
func (s *server) bookRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET "+booksPath, s.books)
	for _, path := range []string{statementPath, balancePath} {
		mux.HandleFunc("GET "+path, s.sheet)
		for ending := range sheetFormats {
			mux.HandleFunc("GET "+path+ending, s.sheet)
		}
	}
	if s.Books == nil {
		return
	}
	mux.HandleFunc("GET "+writePath, s.write)
	mux.HandleFunc("POST "+writePath, s.enter)
	mux.HandleFunc("POST /books/back", s.takeBack)
	mux.HandleFunc("POST "+issuePath, s.issue)
	// Where a page that said why nothing was kept is asked for again.
	mux.Handle("GET /books/back", http.RedirectHandler(booksPath, http.StatusSeeOther))
	mux.Handle("GET "+issuePath, http.RedirectHandler(statementPath, http.StatusSeeOther))
}

// policy lets the page use its own files only; nothing runs or styles inline.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

func guard(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		set := w.Header().Set
		set("Content-Security-Policy", policy)
		set("X-Content-Type-Options", "nosniff")
		set("Referrer-Policy", "same-origin") // no-referrer would hide where our own forms come from
		if r.TLS != nil {                     // browsers complain of it over plain HTTP
			set("Cross-Origin-Opener-Policy", "same-origin")
		}
		set("Cross-Origin-Resource-Policy", "same-origin")
		h.ServeHTTP(w, r)
	})
}
