package dashboard

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"yardtally/dashboard/door"
	"yardtally/meter/act"
)

// mostForm bounds a tap's form, bytes.
const mostForm = 4 << 10

// saying turns a form's fields into acts.
type saying func(*server, context.Context, act.Moment, url.Values) ([]act.Body, error)

// one is a saying of one act.
func one(f func(*server, context.Context, act.Moment, url.Values) (act.Body, error)) saying {
	return func(s *server, ctx context.Context, now act.Moment, form url.Values) ([]act.Body, error) {
		b, err := f(s, ctx, now, form)
		return []act.Body{b}, err
	}
}

// sayings are what can be said by a tap, by the last part of the form's path.
var sayings = map[string]saying{
	"arrive":   one((*server).sayArrive),
	"colony":   one((*server).sayColony),
	"deem":     one((*server).sayDeem),
	"drained":  one((*server).sayDrained),
	"break":    one((*server).sayBreak),
	"back":     (*server).sayBack,
	"time":     one((*server).sayTime),
	"ack":      one((*server).sayAck),
	"shelve":   (*server).sayShelve,
	"unshelve": (*server).sayUnshelve,
	"move":     (*server).sayMove,
	"cut":      one((*server).sayCut),
	"join":     one((*server).sayJoin),
	"visit":    one((*server).sayVisitOf),
}

// Where on the page it is said what became of a tap.
const (
	byHand  = "said"  // among what is told to the rig
	byWatch = "heard" // beside the alarms
)

// spotOf is where the page says what became of a tap on a form.
func spotOf(what, at string) string {
	switch {
	case what == "ack", what == "shelve", what == "unshelve", what == "back" && at == byWatch:
		return byWatch
	}
	return byHand
}

// form reads the form, of so many bytes at most, of one who is signed in;
// otherwise it answers.
func (s *server) form(w http.ResponseWriter, r *http.Request, most int64) bool {
	if door.Of(r.Context()) != door.In {
		http.Error(w, "Saying anything here needs the passphrase. Nothing was said.", http.StatusForbidden)
		return false
	}
	if kind, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";"); kind != "application/x-www-form-urlencoded" {
		http.Error(w, "A tap must come from the page's form. Nothing was said.", http.StatusUnsupportedMediaType)
		return false
	}
	r.Body = http.MaxBytesReader(w, r.Body, most)
	if err := r.ParseForm(); err != nil {
		http.Error(w, fmt.Sprintf("The form must be one of the page's, with %d bytes at most. Nothing was said.", most), http.StatusBadRequest)
		return false
	}
	return true
}

// say takes a tap, and sends the browser back to the page, which says what was
// said: loading that again says nothing again.
func (s *server) say(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r, mostForm) {
		return
	}
	what := r.PathValue("what")
	saying, since := sayings[what], dated[what] != nil && s.Books != nil
	if saying == nil && !since {
		http.NotFound(w, r)
		return
	}
	f := r.PostForm
	spot, page := spotOf(what, f.Get("at")), backTo(f.Get("page"))
	if page != nil && (page.Path == watchPath) != (spot == byWatch) {
		page = nil
	}
	f.Del("at")
	f.Del("page")
	switch what {
	case "deem", "move", "cut", "join":
		s.awaitEnd(r.Context(), f.Get("pull"))
	}
	t := tapOf(r)
	var id string
	var again bool
	var err error
	if since {
		id, again, err = s.keepDated(r.Context(), t, nameOf(r), what, f)
	} else {
		id, again, err = s.sayOnce(r.Context(), t, nameOf(r), func(ctx context.Context, now act.Moment) ([]act.Body, error) {
			return saying(s, ctx, now, f)
		})
	}
	switch {
	case err != nil && page != nil:
		s.drawAt(w, r, page, s.statusOf(w, err), note{Bad: true, Spot: spot, Text: "Nothing was said: " + sentence(err)})
		return
	case err != nil:
		s.sayWhy(w, r, spot, err)
		return
	}
	to := &url.URL{Path: "/"}
	if page != nil {
		to = page
	}
	q := to.Query()
	q.Del("again")
	if q.Set("said", id); again {
		q.Set("again", "1")
	}
	to.RawQuery = q.Encode()
	http.Redirect(w, r, to.String()+"#"+spot, http.StatusSeeOther)
}

// sayWhy shows the page with why nothing was said.
func (s *server) sayWhy(w http.ResponseWriter, r *http.Request, spot string, err error) {
	s.draw(w, r, s.statusOf(w, err), note{Bad: true, Spot: spot, Text: "Nothing was said: " + sentence(err)})
}

// statusOf is the status of an answer that says why not.
func (s *server) statusOf(w http.ResponseWriter, err error) int {
	var field *act.FieldError
	var many *tooMany
	switch {
	case errors.As(err, &field):
		return http.StatusUnprocessableEntity
	case errors.As(err, &many):
		w.Header().Set("Retry-After", strconv.Itoa(int(math.Ceil(max(1, many.wait.Seconds())))))
		return http.StatusTooManyRequests
	case errors.Is(err, errBusy):
		w.Header().Set("Retry-After", "5")
	default:
		s.Log.Error("what was asked for could not be done", "err", err)
	}
	return http.StatusServiceUnavailable
}

func sentence(err error) string { return strings.TrimRight(err.Error(), ". ") + "." }

// tapOf is the tap that a form is, as far as it can be told from others.
func tapOf(r *http.Request) tap {
	f := r.PostForm
	t := tap{session: door.Session(r.Context()), token: f.Get("token")}
	if len(t.token) > 64 {
		t.token = ""
	}
	f.Del("token")
	t.what = r.URL.Path + "?" + f.Encode()
	return t
}

func (s *server) sayArrive(_ context.Context, now act.Moment, f url.Values) (act.Body, error) {
	id := f.Get("yard")
	if id == "" && !f.Has("yard") || id != "" && !s.known(id) {
		return nil, &act.FieldError{Field: "yard", Rule: "must be a yard of this rig", Value: strconv.Quote(id)}
	}
	return act.Arrive{At: now, Yard: id}, nil
}

// known reports whether the rig has a yard in use of that id.
func (s *server) known(id string) bool {
	if v := s.Feed.Snapshot().View; v != nil {
		for i := range v.Yards {
			if v.Yards[i].ID == id && !v.Yards[i].Closed {
				return true
			}
		}
	}
	return false
}

func (s *server) sayColony(_ context.Context, now act.Moment, f url.Values) (act.Body, error) {
	c := act.Colony{At: now, What: f.Get("what")}
	if c.What == act.AllTold { // of the yard beside the button, though the rig may have left it since
		switch c.Yard = f.Get("yard"); {
		case c.Yard == "":
			return nil, &act.FieldError{Field: "yard", Rule: "must be known, where all of its colonies are told of", Value: `""`}
		case !s.known(c.Yard):
			return nil, &act.FieldError{Field: "yard", Rule: "must be a yard of this rig", Value: strconv.Quote(c.Yard)}
		}
	}
	if f.Has("n") {
		var err error
		if c.N, err = strconv.Atoi(f.Get("n")); err != nil {
			return nil, &act.FieldError{Field: "n", Rule: "must be a whole number", Value: strconv.Quote(f.Get("n"))}
		}
	}
	return c, nil
}

// pullOf returns the flow that a form names by where it began: where it ends may
// have changed since the page was drawn.
func (s *server) pullOf(pull string) (stretch, bool) {
	session, first, ok := strings.Cut(pull, " ")
	n, err1 := strconv.ParseUint(session, 10, 64)
	c, err2 := strconv.ParseUint(first, 10, 64)
	if !ok || err1 != nil || err2 != nil {
		return stretch{}, false
	}
	return flowAt(s.Feed.Snapshot().View, n, c)
}

// awaitEnd waits for a pull to end: whoever has just let go of the trigger taps
// before the rig can know that no more comes.
func (s *server) awaitEnd(ctx context.Context, pull string) {
	ctx, cancel := context.WithTimeout(ctx, s.taps.ending)
	defer cancel()
	ticks := s.Feed.Watch(ctx)
	for {
		if p, ok := s.pullOf(pull); !ok || !p.open {
			return
		}
		if _, ok := <-ticks; !ok {
			return
		}
	}
}

// sayDeem says what a flow was.
func (s *server) sayDeem(_ context.Context, _ act.Moment, f url.Values) (act.Body, error) {
	p, ok := s.pullOf(f.Get("pull"))
	if !ok {
		return nil, &act.FieldError{Field: "pull", Rule: "must be a flow that the rig still knows", Value: strconv.Quote(f.Get("pull"))}
	}
	if err := s.flowing(&p); err != nil {
		return nil, err
	}
	return act.Deem{Session: p.session, First: p.first, Last: p.last, As: f.Get("as")}, nil
}

func (s *server) sayDrained(_ context.Context, now act.Moment, _ url.Values) (act.Body, error) {
	return act.Drained{At: now}, nil
}

// sayBreak says that a break begins, or is over.
func (s *server) sayBreak(_ context.Context, now act.Moment, f url.Values) (act.Body, error) {
	switch over := f.Get("over"); over {
	case "", "yes":
		return act.Break{At: now, Over: over != ""}, nil
	default:
		return nil, &act.FieldError{Field: "over", Rule: `must be "yes" or left out`, Value: strconv.Quote(over)}
	}
}

// sayBack takes back what was said by a tap, and nothing else: all of it, where
// one tap said several things.
func (s *server) sayBack(ctx context.Context, _ act.Moment, f url.Values) ([]act.Body, error) {
	acts, err := s.Said.Acts(ctx)
	if err != nil {
		return nil, err
	}
	gone := act.TakenBack(acts)
	var out []act.Body
	for _, id := range strings.Fields(f.Get("act")) {
		switch i := slices.IndexFunc(acts, func(a act.Act) bool { return a.ID == id }); {
		case i < 0 || !byTap(acts[i].Body) || acts[i].Who == act.BySettings:
			return nil, &act.FieldError{Field: "act", Rule: "must be one that was said by a tap", Value: strconv.Quote(id)}
		case gone[id]:
			return nil, &act.FieldError{Field: "act", Rule: "must not be taken back already", Value: strconv.Quote(id)}
		}
		out = append(out, act.Undo{Act: id})
	}
	if len(out) == 0 {
		return nil, &act.FieldError{Field: "act", Rule: "must be one that was said by a tap", Value: `""`}
	}
	return out, nil
}

// byTap reports whether an act is of a kind that the page's buttons make.
func byTap(b act.Body) bool {
	switch b.(type) {
	case act.Arrive, act.Colony, act.Deem, act.Drained, act.Break, act.Fix, act.Ack, act.Shelve,
		act.Assign, act.Cut, act.Visit, act.Colonies, act.Target:
		return true
	}
	return false
}

// token returns a new page's: whoever holds it says each thing once with it.
func token() string {
	var b [12]byte
	rand.Read(b[:])
	return base64.RawURLEncoding.EncodeToString(b[:])
}

// The name of who says it, for the acts, is kept on the device.
const (
	nameCookie  = "who"
	noName      = "phone"
	longestName = 40 // letters
	nameLife    = 365 * 24 * time.Hour
)

// nameOf returns the name that the device gave, or noName.
func nameOf(r *http.Request) string {
	if c, err := r.Cookie(nameCookie); err == nil {
		if b, err := base64.RawURLEncoding.DecodeString(c.Value); err == nil && checkName(string(b)) == nil && len(b) > 0 {
			return string(b)
		}
	}
	return noName
}

func checkName(n string) error {
	if utf8.RuneCountInString(n) > longestName {
		return &act.FieldError{Field: "name", Rule: fmt.Sprintf("must have %d letters at most", longestName), Value: utf8.RuneCountInString(n)}
	}
	if !utf8.ValidString(n) || strings.ContainsFunc(n, func(c rune) bool { return !unicode.IsPrint(c) }) {
		return &act.FieldError{Field: "name", Rule: "must be letters that can be read", Value: strconv.QuoteToASCII(n)}
	}
	return nil
}

// who remembers a name in a cookie; an empty one forgets it.
func (s *server) who(w http.ResponseWriter, r *http.Request) {
	if !s.form(w, r, mostForm) {
		return
	}
	name := strings.TrimSpace(r.PostForm.Get("name"))
	if err := checkName(name); err != nil {
		s.sayWhy(w, r, byHand, err)
		return
	}
	c := http.Cookie{Name: nameCookie, Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode,
		Value: base64.RawURLEncoding.EncodeToString([]byte(name)), MaxAge: int(nameLife / time.Second)}
	if name == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, &c)
	http.Redirect(w, r, "/#tell", http.StatusSeeOther)
}
