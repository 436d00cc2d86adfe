package journal

import (
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"yardtally/ingest/sqlite"
)

// salvage brings what can be read of a damaged file over to a new one and sets
// the damaged one aside, beside it, as it was: nothing of it is deleted. why is
// what SQLite said of it.
func (j *Journal) salvage(why error) error {
	pages, half, whole := j.path+".pages", j.path+".salvaging", j.path+".salvaged"
	remove := func(names ...string) error {
		for _, name := range names {
			if err := os.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return err
			}
		}
		return nil
	}
	if err := remove(pages, half, half+"-wal", whole); err != nil {
		return err
	}
	defer remove(pages)
	ours, err := j.assemble(pages)
	if err != nil {
		return fmt.Errorf("%s: is damaged (%w), and bringing over what can be read failed: %w", j.path, why, err)
	}
	got, lost, err := bringOver(half, pages)
	if err == nil && got == 0 && !ours {
		err = remove(half, half+"-wal")
		return errors.Join(err, fmt.Errorf("%s: is not a journal, and nothing in it looks like one: move it away to begin a new one: %w", j.path, why))
	}
	if err != nil {
		return fmt.Errorf("%s: is damaged (%w), and bringing over what can be read failed: %w", j.path, why, err)
	}
	if err := rename(half, whole); err != nil {
		return err
	}
	aside := j.path + ".damaged-" + time.Now().UTC().Format("20060102T150405Z")
	for n := 2; ; n++ {
		if _, err := os.Stat(aside); err != nil {
			break
		}
		aside = fmt.Sprintf("%s.damaged-%s-%d", j.path, time.Now().UTC().Format("20060102T150405Z"), n)
	}
	if err := rename(j.path, aside); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := rename(j.path+"-wal", aside+"-wal"); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	// The driver says in every error that it was opening the file.
	text := strings.ReplaceAll(strings.ReplaceAll(why.Error(), j.path+": ", ""), "invalid _pragma: ", "")
	said := fmt.Sprintf("the file was damaged (%s)", text)
	if lost > 0 {
		said += fmt.Sprintf("; at least %d of its rows could not be read", lost)
	}
	j.note(Damage{What: said + "; it is kept as " + filepath.Base(aside)})
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
	return badData{errors.New(strings.TrimSpace(string(text)))}
}

// finishSalvage puts the new file in its place, also where an earlier run was
// cut short just before. A log that is still there belongs to the old file.
func (j *Journal) finishSalvage() error {
	if _, err := os.Stat(j.path); !errors.Is(err, fs.ErrNotExist) {
		if err == nil { // cut short before that: the old file is still the one
			os.Remove(j.path + ".salvaged")
		}
		return err
	}
	if _, err := os.Stat(j.path + ".salvaged"); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		return err
	}
	if err := rename(j.path+"-wal", j.path+keptLog); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return rename(j.path+".salvaged", j.path)
}

// bringOver makes a new file of every row that can be read: first those that
// the trees lead to, then those that lie about in the pages. It returns how many, and how many row numbers between them could
// not be read.
func bringOver(to, pages string) (got, lost int, err error) {
	db, err := sqlite.OpenWith(to, sqlite.Options{Exclusive: true})
	if err != nil {
		return 0, 0, err
	}
	for v := range steps {
		if err == nil {
			err = step(db, v)
		}
	}
	if err == nil {
		got, lost, err = climb(db, pages)
	}
	if err == nil {
		var n int
		n, err = scanPages(db, pages)
		got, lost = got+n, max(lost-n, 0)
	}
	return got, lost, errors.Join(err, db.Close())
}

// climb copies the rows that the trees lead to.
func climb(db *sql.DB, pages string) (got, lost int, err error) {
	from, err := sqlite.OpenWith(pages, sqlite.Options{Exclusive: true, Damaged: true})
	if sqlite.IsCorrupt(err) {
		return 0, 0, nil
	}
	if err != nil {
		return 0, 0, err
	}
	defer from.Close()
	for _, table := range []string{"boot", "block", "recent", "act"} {
		g, l, err := copyTable(db, from, table)
		if err != nil {
			return got, lost, err
		}
		got, lost = got+g, lost+l
	}
	return got, lost, nil
}

// mostHoles is how many row numbers in a row may be unreadable before the rest
// of a table, whose end cannot be seen, is given up.
const mostHoles = 2000

// copyTable copies the rows one by one: past a bad page the next number that
// can be found goes on.
func copyTable(to, from *sql.DB, table string) (got, lost int, err error) {
	last := int64(-1)
	err = from.QueryRow(`SELECT n FROM ` + table + ` ORDER BY n DESC LIMIT 1`).Scan(&last)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, 0, nil
	}
	next, err := from.Prepare(`SELECT * FROM ` + table + ` WHERE n >= ? ORDER BY n LIMIT 1`)
	if err != nil {
		return 0, 0, nil // not even the table can be found
	}
	defer next.Close()
	tx, err := to.Begin()
	if err != nil {
		return 0, 0, err
	}
	defer tx.Rollback()
	var put *sql.Stmt
	holes := 0
	for n := int64(1); last < 0 || n <= last; {
		row, err := readRow(next, n)
		if err != nil {
			if !sqlite.IsCorrupt(err) {
				return got, lost, err
			}
			if holes, n = holes+1, n+1; holes > mostHoles {
				if last < 0 {
					holes = 0 // its end is not known
				}
				break
			}
			continue
		}
		if row == nil {
			holes = 0
			break
		}
		lost, holes = lost+holes, 0
		at, ok := row[0].(int64)
		if !ok || at < n {
			break // the table's order is gone
		}
		if put == nil {
			put, err = tx.Prepare(`INSERT OR IGNORE INTO ` + table + ` VALUES (?` + strings.Repeat(`, ?`, len(row)-1) + `)`)
			if err != nil {
				return got, lost, err
			}
			defer put.Close()
		}
		if _, err := put.Exec(row...); err != nil {
			// The row has been changed into one that its table does not take.
			lost++
		} else {
			got++
		}
		n = at + 1
	}
	return got, lost + holes, tx.Commit()
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
