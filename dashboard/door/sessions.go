package door

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"io/fs"
	"log/slog"
	"sync"
	"time"
)

// A session ends this long after it was last used.
const (
	sessionLife = 30 * 24 * time.Hour
	mostSession = 64             // devices signed in; the one unused for longest goes
	writeEvery  = 24 * time.Hour // use is written down no more often, for the card's sake
	mostStore   = 64 << 10       // bytes of their file
)

// session is a device that signed in. Its token is a random number of 256
// bits that only the device has; here is a digest.
type session struct {
	Token string `json:"token"`
	For   string `json:"for"`  // mark of the passphrase that it was got with
	Seen  int64  `json:"seen"` // Unix s
	wrote int64  // Seen as the file has it
}

// sessions are those who are signed in. They are kept in a file, so that a
// board that starts anew at night throws nobody out; where the file cannot be
// written they hold until the board stops.
type sessions struct {
	mu   sync.Mutex
	path string // "": in memory only
	log  *slog.Logger
	all  map[string]*session
}

// digest is how a token is kept. It is a number of 256 random bits: a slow
// hash would add nothing.
func digest(token string) string {
	sum := sha256.Sum256([]byte(token))
	return base64.RawURLEncoding.EncodeToString(sum[:])
}

// loadSessions reads the file. One that is damaged is as none: people sign in
// again.
func loadSessions(path string, log *slog.Logger) *sessions {
	s := &sessions{path: path, log: log, all: map[string]*session{}}
	if path == "" {
		return s
	}
	data, err := readSmall(path, mostStore)
	var list []*session
	if err == nil {
		err = json.Unmarshal(data, &list)
	}
	if err != nil {
		if !errors.Is(err, fs.ErrNotExist) {
			log.Warn("the file of who is signed in cannot be read; everybody has to sign in again", "err", err)
		}
		return s
	}
	for _, x := range list {
		if x != nil && len(s.all) < mostSession {
			x.wrote = x.Seen
			s.all[x.Token] = x
		}
	}
	return s
}

// open starts a session and returns its token.
func (s *sessions) open(mark string, now time.Time) string {
	var b [32]byte
	rand.Read(b[:])
	token := base64.RawURLEncoding.EncodeToString(b[:])
	s.mu.Lock()
	defer s.mu.Unlock()
	for d, x := range s.all { // of an older passphrase, or too old
		if x.For != mark || !x.fresh(now) {
			delete(s.all, d)
		}
	}
	if len(s.all) >= mostSession {
		var oldest string
		for d, x := range s.all {
			if o := s.all[oldest]; o == nil || x.Seen < o.Seen {
				oldest = d
			}
		}
		delete(s.all, oldest)
	}
	d := digest(token)
	s.all[d] = &session{Token: d, For: mark, Seen: now.Unix()}
	s.write()
	return token
}

// fresh reports whether the session may still be used. A clock that was set
// back does not end it.
func (x *session) fresh(now time.Time) bool {
	return now.Unix()-x.Seen < int64(sessionLife/time.Second)
}

// use reports whether the token is one of those who are signed in with the
// passphrase of that mark, and whether it is time to renew its cookie, if that
// may be done now.
func (s *sessions) use(token, mark string, now time.Time, mayRenew bool) (in, renew bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	x := s.all[digest(token)]
	if x == nil || x.For != mark || !x.fresh(now) {
		return false, false
	}
	x.Seen = max(x.Seen, now.Unix())
	if mayRenew && x.Seen-x.wrote >= int64(writeEvery/time.Second) {
		s.write()
		renew = true
	}
	return true, renew
}

func (s *sessions) end(token string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if d := digest(token); s.all[d] != nil {
		delete(s.all, d)
		s.write()
	}
}

func (s *sessions) write() {
	list := []*session{}
	for _, x := range s.all {
		x.wrote = x.Seen
		list = append(list, x)
	}
	if s.path == "" {
		return
	}
	data, err := json.Marshal(list)
	if err == nil {
		err = replace(s.path, data)
	}
	if err != nil {
		s.log.Warn("who is signed in cannot be kept; after a restart they sign in again", "err", err)
	}
}
