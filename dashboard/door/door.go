// Package door stands before the pages: who may read, who may change.
//
// Reading needs the rig's passphrase unless the owner opens reading; changing
// always needs it. What reads are GET and HEAD; any other method changes,
// save the choice of night or day, which is the device's own.
//
// A device that gave the passphrase holds a random token in a cookie that no
// script can read and that goes to this rig only (HttpOnly, SameSite=Strict,
// and Secure where there is TLS). Forms of other sites are refused by
// http.CrossOriginProtection: browsers name the origin of a form in
// Sec-Fetch-Site, or, over plain HTTP, in Origin. A token in each form would
// add a lock for browsers that know neither of these nor SameSite; none from
// the last ten years is such (from memory), and for those there is no door.
package door

import (
	"context"
	"errors"
	"io/fs"
	"log/slog"
	"net/http"
	"os"
	"runtime/debug"
	"strings"
	"sync"
	"time"
)

// Options are what New needs.
type Options struct {
	Passphrase  string // path of the file that Set writes
	Sessions    string // path of the file of who is signed in; "": they end with the process
	ReadingOpen bool   // anyone on the network may read
	Secure      bool   // pages are served over TLS
	Rig         string
	Log         *slog.Logger     // nil: slog.Default()
	Now         func() time.Time // nil: time.Now
}

// Door lets in whom it may. Its methods may be called from any goroutine.
type Door struct {
	o        Options
	sessions *sessions
	waiting  chan struct{} // a place for each try, checked or in the queue
	checking chan struct{} // held by the one that is checked

	mu    sync.Mutex
	tries *tries
	pass  *Passphrase // nil: none is set
	seen  fs.FileInfo // of its file
}

// How many tries may be under way, one of them being checked; the next is
// asked to come again.
const mostWaiting = 4

// New returns a door. A passphrase's file that is there and cannot be read is
// an error; without one nobody can sign in until there is.
func New(o Options) (*Door, error) {
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	d := &Door{o: o, sessions: loadSessions(o.Sessions, o.Log), tries: newTries(),
		waiting: make(chan struct{}, mostWaiting), checking: make(chan struct{}, 1)}
	if _, err := d.passphrase(); err != nil {
		return nil, err
	}
	if d.seen != nil && d.seen.Mode().Perm()&0o007 != 0 {
		o.Log.Warn("the passphrase's file can be read by everybody on this machine; mend it with chmod 640", "file", o.Passphrase)
	}
	return d, nil
}

// passphrase returns the passphrase as its file has it now, nil for none.
func (d *Door) passphrase() (*Passphrase, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	now, err := os.Stat(d.o.Passphrase)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		d.pass, d.seen = nil, nil
		return nil, nil
	case err != nil:
		return nil, err
	case d.seen != nil && os.SameFile(now, d.seen) && now.ModTime().Equal(d.seen.ModTime()) && now.Size() == d.seen.Size():
		return d.pass, nil
	}
	p, err := Load(d.o.Passphrase)
	if err != nil {
		return nil, err
	}
	d.pass, d.seen = p, now
	return p, nil
}

// Advice is a sentence for the owner at the start, "" if a passphrase is set.
func (d *Door) Advice() string {
	p, err := d.passphrase()
	switch {
	case err != nil || p != nil:
		return ""
	case d.o.ReadingOpen:
		return "No passphrase is set: anyone on the network can read the page, and nobody can change anything on it. Set one with: yardtally passphrase"
	}
	return "No passphrase is set, so the page shows no readings yet. Set one with: yardtally passphrase"
}

// Paths of the door's own.
const (
	enterPath = "/enter" // the form, and where it is sent
	leavePath = "/leave" // signing out
)

// Who may always pass: the page's own picture and style, which say nothing of
// the rig, and the choice of night or day, which changes only a cookie.
func always(r *http.Request) bool {
	if r.Method == http.MethodPost {
		return r.URL.Path == "/look"
	}
	return reads(r) && (r.URL.Path == "/mark.svg" || r.URL.Path == "/style.css")
}

func reads(r *http.Request) bool { return r.Method == http.MethodGet || r.Method == http.MethodHead }

// Standing is how a request stands to the door.
type Standing int

// How a request stands to the door.
const (
	NoDoor Standing = iota // the pages are served without one
	Out                    // it may read only, since reading is open
	In                     // it gave the passphrase
)

type passKey struct{}

// pass is what a request was let in with.
type pass struct {
	standing Standing
	session  string
}

// Of returns how a request that a door let pass stands to it.
func Of(ctx context.Context) Standing {
	p, _ := ctx.Value(passKey{}).(pass)
	return p.standing
}

// Session names the session of a request that gave the passphrase, the same
// for as long as it lasts; "" for any other request. It tells nothing of the
// token.
func Session(ctx context.Context) string {
	p, _ := ctx.Value(passKey{}).(pass)
	return p.session
}

// Most that a request may bring, and how long it may take to.
const (
	mostBody  = 64 << 10 // bytes
	bodyLimit = 15 * time.Second
)

// Wrap puts the door before pages.
func (d *Door) Wrap(pages http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET "+enterPath, d.enterPage)
	mux.HandleFunc("POST "+enterPath, d.enter)
	mux.HandleFunc("POST "+leavePath, d.leave)
	mux.Handle("/", d.check(pages))
	safe := http.NewCrossOriginProtection().Handler(mux)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		guard(w, d.o.Secure)
		if r.ContentLength != 0 || r.Body != nil && r.Body != http.NoBody {
			// The next request on the connection gets a deadline of its own.
			_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(bodyLimit))
			r.Body = http.MaxBytesReader(w, r.Body, mostBody)
			if reads(r) || r.ContentLength > mostBody {
				w.Header().Set("Connection", "close")
				http.Error(w, "A request like this must bring no body, or a smaller one.", http.StatusRequestEntityTooLarge)
				return
			}
		}
		safe.ServeHTTP(w, r)
	})
}

// guard sets the headers that keep the door's own answers private and plain.
// The pages set theirs over them. Referrer-Policy must not be no-referrer:
// browsers then hide the origin of our own forms as well (Fetch standard,
// "append a request Origin header").
func guard(w http.ResponseWriter, secure bool) {
	set := w.Header().Set
	set("Cache-Control", "no-store")
	set("Vary", "Cookie, Accept")
	set("X-Content-Type-Options", "nosniff")
	set("Referrer-Policy", "same-origin")
	if secure { // browsers complain of it over plain HTTP
		set("Cross-Origin-Opener-Policy", "same-origin")
	}
	set("Cross-Origin-Resource-Policy", "same-origin")
	set("Content-Security-Policy", "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
}

func (d *Door) check(pages http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if always(r) {
			pages.ServeHTTP(w, r)
			return
		}
		by := pass{standing: Out}
		if d.signedIn(w, r) {
			by.standing = In
			if c, err := r.Cookie(d.cookieName()); err == nil {
				by.session = digest(c.Value)
			}
		}
		if by.standing != In && !(d.o.ReadingOpen && reads(r)) {
			d.refuse(w, r)
			return
		}
		ctx, cancel := context.WithCancel(context.WithValue(r.Context(), passKey{}, by))
		defer cancel()
		if !d.o.ReadingOpen {
			ticker := time.NewTicker(lookAgain)
			defer ticker.Stop()
			go d.watch(ctx, cancel, r, ticker.C)
		}
		pages.ServeHTTP(w, r.WithContext(ctx))
	})
}

// A request that goes on, as the live page's does, ends within this once its
// device is signed out or the passphrase is a new one.
const lookAgain = 5 * time.Second

func (d *Door) watch(ctx context.Context, cancel func(), r *http.Request, tick <-chan time.Time) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick:
			if !d.signedIn(nil, r) {
				cancel()
				return
			}
		}
	}
}

// refuse sends a person to the form, and tells a program.
func (d *Door) refuse(w http.ResponseWriter, r *http.Request) {
	p, _ := d.passphrase()
	html := strings.Contains(r.Header.Get("Accept"), "text/html")
	switch {
	case html && reads(r):
		http.Redirect(w, r, enterPath+"?"+toQuery(r.URL), http.StatusSeeOther)
	case html:
		d.show(w, r, http.StatusUnauthorized, form{To: "/", Error: "Changing anything here needs the passphrase. Nothing was changed."})
	default:
		w.Header().Set("WWW-Authenticate", `Cookie realm="Yardtally"`)
		text := "This needs the rig's passphrase: sign in at " + enterPath + "."
		if p == nil {
			text = "This needs the rig's passphrase, and none is set: set it on the rig with yardtally passphrase."
		}
		http.Error(w, text, http.StatusUnauthorized)
	}
}

// signedIn reports whether the request holds the cookie of a session, and
// renews the cookie from time to time. Without w it does not.
func (d *Door) signedIn(w http.ResponseWriter, r *http.Request) bool {
	c, err := r.Cookie(d.cookieName())
	if err != nil || len(c.Value) > 64 {
		return false
	}
	p, err := d.passphrase()
	if err != nil {
		d.o.Log.Error("the passphrase's file cannot be read; nobody is let in", "err", err)
	}
	if p == nil {
		return false
	}
	in, renew := d.sessions.use(c.Value, p.mark(), d.o.Now(), w != nil)
	if renew {
		d.setCookie(w, c.Value, sessionLife)
	}
	return in
}

// cookieName is bound to this host and to TLS by its prefix, where there is
// TLS (RFC 6265bis, "__Host-").
func (d *Door) cookieName() string {
	if d.o.Secure {
		return "__Host-yardtally"
	}
	return "yardtally"
}

func (d *Door) setCookie(w http.ResponseWriter, value string, life time.Duration) {
	c := &http.Cookie{Name: d.cookieName(), Value: value, Path: "/", MaxAge: int(life / time.Second),
		HttpOnly: true, Secure: d.o.Secure, SameSite: http.SameSiteStrictMode}
	if life <= 0 {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

// Outcomes of a try.
var (
	errWrong  = errors.New("wrong passphrase")
	errBusy   = errors.New("too many tries at once")
	errNone   = errors.New("no passphrase is set")
	errUnread = errors.New("the passphrase's file cannot be read")
)

// waitError says when to try again.
type waitError struct {
	wait   time.Duration
	others bool
}

func (e *waitError) Error() string { return "too soon" }

// try checks a passphrase and returns the token of a new session. Only one is
// checked at a time, and few wait.
func (d *Door) try(ctx context.Context, remote, passphrase string) (token string, err error) {
	p, err := d.passphrase()
	if err != nil {
		d.o.Log.Error("the passphrase's file cannot be read; nobody is let in", "err", err)
		return "", errUnread
	}
	if p == nil {
		return "", errNone
	}
	from := Address(remote)
	d.mu.Lock()
	wait, others := d.tries.ask(from, d.o.Now())
	d.mu.Unlock()
	if wait > 0 {
		return "", &waitError{wait, others}
	}
	checked, right := false, false
	defer func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		switch {
		case right:
			d.tries.right(from, d.o.Now())
		case !checked:
			d.tries.unasked(from)
		}
	}()
	if len(passphrase) > LongestPassphrase {
		checked = true
		return "", errWrong
	}
	select {
	case d.waiting <- struct{}{}:
		defer func() { <-d.waiting }()
	default:
		return "", errBusy
	}
	select {
	case d.checking <- struct{}{}:
		defer func() { <-d.checking }()
	case <-ctx.Done():
		return "", ctx.Err()
	}
	checked = true
	right = p.Is(passphrase)
	debug.FreeOSMemory() // the hash's 8 MiB, on a board that has few
	if !right {
		d.o.Log.Warn("a wrong passphrase was given", "from", from)
		return "", errWrong
	}
	d.o.Log.Info("signed in", "from", from)
	return d.sessions.open(p.mark(), d.o.Now()), nil
}
