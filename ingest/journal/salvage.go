package journal

import (
	"database/sql"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"yardtally/ingest/sqlite"
)

// salvage brings what can be read of a damaged file over to a new one and sets
// the damaged one aside, beside it: nothing of it is deleted. why is what
// SQLite said of it.
func (j *Journal) salvage(why error) error {
	if !j.looksLikeJournal() {
		return fmt.Errorf("%s: is not a journal, or its first page is lost: move it away to begin a new one: %w", j.path, why)
	}
	half, whole := j.path+".salvaging", j.path+".salvaged"
	for _, name := range []string{half, half + "-wal", whole} {
		if err := os.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	lost, err := j.bringOver(half)
	if err != nil {
		return fmt.Errorf("%s: is damaged (%w), and bringing over what can be read failed: %w", j.path, why, err)
	}
	if err := os.Rename(half, whole); err != nil {
		return err
	}
	aside := j.path + ".damaged-" + time.Now().UTC().Format("20060102T150405Z")
	if err := os.Rename(j.path, aside); err != nil {
		return err
	}
	if err := os.Rename(j.path+"-wal", aside+"-wal"); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	j.note(Damage{What: fmt.Sprintf("the file was damaged (%v); at least %d of its rows could not be read; it is kept as %s", why, lost, filepath.Base(aside))})
	return j.finishSalvage()
}

// suspectMark is the ending of a file that says: SQLite found X damaged while
// writing, in a place that opening does not look at.
const suspectMark = ".suspect"

func (j *Journal) suspect(err error) error {
	if !sqlite.IsCorrupt(err) || j.o.VFS != "" {
		return err
	}
	if werr := os.WriteFile(j.path+suspectMark, []byte(err.Error()+"\n"), 0o660); werr != nil {
		j.log.Error("journal: the file is damaged, and that could not be noted", "path", j.path, "err", werr)
	}
	return fmt.Errorf("%w: %w", ErrDamaged, err)
}

func (j *Journal) suspected() error {
	text, err := os.ReadFile(j.path + suspectMark)
	if err != nil {
		return nil
	}
	return errors.New(strings.TrimSpace(string(text)))
}

// finishSalvage puts the new file in its place, also where an earlier run was
// cut short just before.
func (j *Journal) finishSalvage() error {
	if _, err := os.Stat(j.path); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	err := os.Rename(j.path+".salvaged", j.path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	d, err := os.Open(filepath.Dir(j.path))
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// looksLikeJournal reports whether the first page has SQLite's magic text and
// our mark ("Database File Format", section 1.3).
func (j *Journal) looksLikeJournal() bool {
	f, err := os.Open(j.path)
	if err != nil {
		return false
	}
	defer f.Close()
	var head [72]byte
	if _, err := io.ReadFull(f, head[:]); err != nil {
		return false
	}
	return strings.HasPrefix(string(head[:]), "SQLite format 3\x00") &&
		uint32(head[68])<<24|uint32(head[69])<<16|uint32(head[70])<<8|uint32(head[71]) == applicationID
}

// bringOver copies every row that can be read. It returns how many row numbers
// between them could not.
func (j *Journal) bringOver(to string) (lost int, err error) {
	from, err := sqlite.OpenWith(j.path, sqlite.Options{Exclusive: true, Damaged: true})
	if err != nil {
		return 0, err
	}
	defer from.Close()
	var version int
	if err := from.QueryRow(`PRAGMA user_version`).Scan(&version); err != nil {
		return 0, err
	}
	if version < 1 || version > len(steps) {
		return 0, fmt.Errorf("has schema %d, this program knows 1 to %d", version, len(steps))
	}
	db, err := sqlite.OpenWith(to, sqlite.Options{Exclusive: true})
	if err != nil {
		return 0, err
	}
	for v := range version {
		if err = step(db, v); err != nil {
			break
		}
	}
	for _, table := range []string{"boot", "block", "recent", "act"} {
		var n int
		if err == nil {
			n, err = copyTable(db, from, table)
			lost += n
		}
	}
	return lost, errors.Join(err, db.Close())
}

// mostHoles is how many row numbers in a row may be unreadable before the rest
// of a table, whose end cannot be seen, is given up.
const mostHoles = 20_000

// copyTable copies the rows one by one: past a bad page the next number that
// can be found goes on.
func copyTable(to, from *sql.DB, table string) (lost int, err error) {
	last := int64(-1)
	if err := from.QueryRow(`SELECT n FROM ` + table + ` ORDER BY n DESC LIMIT 1`).Scan(&last); errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	next, err := from.Prepare(`SELECT * FROM ` + table + ` WHERE n >= ? ORDER BY n LIMIT 1`)
	if sqlite.IsCorrupt(err) {
		return 1, nil // not even the table's root can be found
	}
	if err != nil {
		return 0, err
	}
	defer next.Close()
	tx, err := to.Begin()
	if err != nil {
		return 0, err
	}
	defer tx.Rollback()
	var put *sql.Stmt
	holes := 0
	for n := int64(1); last < 0 || n <= last; {
		row, err := readRow(next, n)
		if err != nil {
			if !sqlite.IsCorrupt(err) {
				return lost, err
			}
			holes, n = holes+1, n+1
			if holes > mostHoles {
				break
			}
			continue
		}
		if row == nil {
			break
		}
		lost, holes = lost+holes, 0
		if put == nil {
			put, err = tx.Prepare(`INSERT OR IGNORE INTO ` + table + ` VALUES (?` + strings.Repeat(`, ?`, len(row)-1) + `)`)
			if err != nil {
				return lost, err
			}
			defer put.Close()
		}
		if _, err := put.Exec(row...); err != nil {
			// The row has been changed into one that its table does not take.
			lost++
		}
		at, ok := row[0].(int64)
		if !ok || at < n {
			return lost, fmt.Errorf("table %s: row after %d has no number", table, n)
		}
		n = at + 1
	}
	return lost, tx.Commit()
}

func readRow(next *sql.Stmt, n int64) ([]any, error) {
	rows, err := next.Query(n)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	if !rows.Next() {
		return nil, rows.Err()
	}
	names, err := rows.Columns()
	if err != nil {
		return nil, err
	}
	row, to := make([]any, len(names)), make([]any, len(names))
	for i := range row {
		to[i] = &row[i]
	}
	if err := rows.Scan(to...); err != nil {
		return nil, err
	}
	return row, rows.Err()
}

// noteGaps names the sequences that are missing between what was brought over.
func (j *Journal) noteGaps() {
	names := make([]string, 0, len(j.rigs))
	for name := range j.rigs {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		var before span
		for _, s := range j.rigs[name].spans {
			if s.first > before.last+1 {
				d := Damage{Rig: name, First: before.last + 1, Last: s.first - 1, What: "not in the damaged file any more"}
				if before.boot == s.boot {
					d.Boot, d.MonoFirst, d.MonoLast = s.boot, before.monoLast, s.monoFirst
				}
				j.note(d)
			}
			before = s
		}
	}
}
