package publish

import (
	"errors"
	"os"
	"time"

	"yardtally/ingest/sqlite"
)

// Lacks is what a server does not have of an outbox.
type Lacks struct {
	Waiting  int64     // points still to be sent
	Oldest   time.Time // of the one that is next; zero: none waits
	Rejected int       // points that the server would not take
}

// ErrUnsettled says that an outbox was not closed by who had it open: what it
// lacks shows when it is opened again.
var ErrUnsettled = errors.New("the outbox was not closed")

// LacksOf reads what the server lacks from the file of an outbox that nobody has
// open, and changes nothing. Errors are fs.ErrNotExist where there is no file,
// ErrUnsettled, and those of reading.
func LacksOf(path string) (l Lacks, err error) {
	if _, err := os.Stat(path); err != nil {
		return l, err
	}
	if log, err := os.Stat(path + "-wal"); err == nil && log.Size() > 0 {
		return l, ErrUnsettled
	}
	db, err := sqlite.OpenImage(path)
	if err != nil {
		return l, err
	}
	defer db.Close()
	var acked int64
	err = db.QueryRow(`SELECT acked, (SELECT count(*) FROM points WHERE version > acked),
		(SELECT count(*) FROM rejected JOIN points USING (version)) FROM state`).Scan(&acked, &l.Waiting, &l.Rejected)
	if err != nil {
		return l, err
	}
	oldest, err := head(db, acked)
	if l.Waiting > 0 && err == nil {
		l.Oldest = time.Unix(0, oldest)
	}
	return l, err
}
