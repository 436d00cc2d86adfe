package door

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"path"
	"strings"
	"time"

	template "github.com/DataDog/datadog-agent/pkg/template/html"
)

//go:embed static/enter.html
var enterHTML string

var enterPages = template.Must(template.New("").Parse(enterHTML))

// form is what the page of the door shows.
type form struct {
	Rig, Look, To, Error string
	None                 bool // no passphrase is set
	ReadingOpen          bool
	In                   bool
	Longest              int
}

func (d *Door) enterPage(w http.ResponseWriter, r *http.Request) {
	d.show(w, r, http.StatusOK, form{To: local(r.URL.Query().Get("to")), In: d.signedIn(w, r)})
}

func (d *Door) show(w http.ResponseWriter, r *http.Request, status int, f form) {
	p, err := d.passphrase()
	f.None = p == nil && err == nil
	f.Rig, f.ReadingOpen, f.Longest = d.o.Rig, d.o.ReadingOpen, LongestPassphrase
	if c, err := r.Cookie("look"); err == nil && (c.Value == "night" || c.Value == "day") {
		f.Look = c.Value
	}
	var b bytes.Buffer
	if err := enterPages.Execute(&b, f); err != nil {
		d.o.Log.Error("page", "err", err)
		http.Error(w, "The page could not be drawn; the rig goes on recording.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes()) // a reader that went away is no fault
}

// enter takes the form.
func (d *Door) enter(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, 8<<10)
	if kind, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";"); kind != "application/x-www-form-urlencoded" {
		http.Error(w, "The passphrase must come from the form.", http.StatusUnsupportedMediaType)
		return
	}
	if err := r.ParseForm(); err != nil {
		d.show(w, r, http.StatusBadRequest, form{To: "/", Error: "That could not be read. Type the passphrase again."})
		return
	}
	to := local(r.PostForm.Get("to"))
	token, err := d.try(r.Context(), r.RemoteAddr, r.PostForm.Get("passphrase"))
	var early *waitError
	switch {
	case err == nil:
		d.setCookie(w, token, sessionLife)
		http.Redirect(w, r, to, http.StatusSeeOther)
	case errors.As(err, &early):
		w.Header().Set("Retry-After", fmt.Sprint(int(math.Ceil(early.wait.Seconds()))))
		text := "Too many tries from here. Try again in " + inWords(early.wait) + "."
		if early.others {
			text = "Others are trying passphrases just now. Try again in " + inWords(early.wait) + "."
		}
		d.show(w, r, http.StatusTooManyRequests, form{To: to, Error: text})
	case errors.Is(err, errWrong):
		d.show(w, r, http.StatusForbidden, form{To: to, Error: "That is not the passphrase."})
	case errors.Is(err, errNone):
		d.show(w, r, http.StatusForbidden, form{To: to})
	case errors.Is(err, errUnread):
		d.show(w, r, http.StatusInternalServerError, form{To: to, Error: "The rig cannot read its passphrase’s file; its log says why."})
	default:
		w.Header().Set("Retry-After", "5")
		d.show(w, r, http.StatusServiceUnavailable, form{To: to, Error: "The rig is busy with other tries. Try again in 5 seconds."})
	}
}

func inWords(d time.Duration) string {
	s := int(math.Ceil(d.Seconds()))
	if s == 1 {
		return "a second"
	}
	return fmt.Sprintf("%d seconds", s)
}

// leave ends the session.
func (d *Door) leave(w http.ResponseWriter, r *http.Request) {
	if c, err := r.Cookie(d.cookieName()); err == nil {
		d.sessions.end(c.Value)
	}
	d.setCookie(w, "", 0)
	http.Redirect(w, r, "/", http.StatusSeeOther)
}

// toQuery says where to go after the form.
func toQuery(u *url.URL) string {
	to := u.EscapedPath()
	if u.RawQuery != "" {
		to += "?" + u.RawQuery
	}
	return url.Values{"to": {local(to)}}.Encode()
}

// local returns where to go after the form: a path of this page, or "/". What
// browsers take for another host, or for the door itself, is "/".
func local(to string) string {
	u, err := url.Parse(to)
	if err != nil || len(to) > 512 || u.Scheme != "" || u.Host != "" || u.User != nil || u.Opaque != "" ||
		!strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") ||
		strings.ContainsFunc(to, func(c rune) bool { return c == '\\' || c <= ' ' || c >= 0x7f }) {
		return "/"
	}
	if c := path.Clean(u.Path); c != u.Path && c+"/" != u.Path || c == enterPath || c == leavePath || path.Base(c) == "live" {
		return "/"
	}
	u.Fragment, u.RawFragment = "", ""
	return u.String()
}
