// Package journal keeps what was observed: the records of every rig, append
// only, in order of arrival, and what people said. It is one SQLite file, one
// process's at a time. FORMAT.md describes the file.
//
// A record is kept when Commit has returned, an act when AddAct has: until
// then nothing may be told of them.
package journal

import (
	"cmp"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"slices"
	"sync"
	"time"

	"yardtally/ingest/sqlite"
	"yardtally/meter"
	"yardtally/meter/act"
)

// Options say how a journal is opened; the zero value is good.
type Options struct {
	Log        *slog.Logger // nil: nothing is logged
	SealAfter  int          // recent records of a rig before they become a block; 0: 4096, at most 32768
	MaxPending int          // records that may wait for a Commit; 0: 65536
	VFS        string       // SQLite file layer; "": the operating system's

	// Committed hears what each commit took, and its error. The journal waits
	// for it. nil: nobody asks.
	Committed func(took time.Duration, err error)
}

// Errors that callers tell apart.
var (
	ErrFull   = errors.New("journal: too many records wait to be committed")
	ErrClosed = errors.New("journal: closed")

	// ErrDamaged says that a Commit found the file itself damaged. Opening the
	// journal again brings what can be read over to a new file.
	ErrDamaged = errors.New("the journal's file is damaged; opening it again mends it")
)

const (
	rowRecords   = 256 // most records in one recent row: what a bad one can cost
	mostReadings = 255
	mostText     = 255     // bytes of a rig's or a source's name
	mostSeq      = 1 << 53 // far beyond any rig's life
)

// span is one row or block: where it is and what it covers, in memory.
type span struct {
	n                   int64 // key in its table
	first, last         uint64
	boot                uint32
	monoFirst, monoLast int64
	records, readings   int
	size                int
	sealed, bad         bool
}

func (s *span) table() string {
	if s.sealed {
		return "block"
	}
	return "recent"
}

// rig is one rig's part of the journal.
type rig struct {
	name     string
	last     uint64 // highest sequence given, pending ones included
	spans    []span // committed, in order of sequence
	sealedTo int    // spans before this one need no sealing
	queue    []meter.Record
	arena    []meter.Reading // of the queue's readings
	newest   map[uint32]int64
	seen     map[string]struct{} // identities in queue[:seenTo], for AppendKept
	seenTo   int
}

func (g *rig) committed() uint64 {
	if len(g.spans) == 0 {
		return 0
	}
	return g.spans[len(g.spans)-1].last
}

// Journal is an open journal. Its methods may be called from any goroutine;
// Append never waits for the disk.
type Journal struct {
	path   string
	o      Options
	log    *slog.Logger
	db     *sql.DB
	lock   *os.File
	closed bool // under mu

	crashed bool // who had it before did not close it

	write sync.Mutex // one writer at a time; taken before mu
	enc   encoder    // under write
	seal  sealing    // under write
	inLog moving     // under write

	hidden  []late  // checkpoints that know too much; under write
	failure failure // of Keep; under write

	renew      string // why a new generation is due, when opening
	generation string // since opening

	imports sync.Mutex // one AppendKept at a time; taken before mu

	mu       sync.Mutex
	storing  chan struct{} // of the newest commit: closed when rigs say what is stored
	rigs     map[string]*rig
	boots    map[string]uint32
	bootID   map[uint32]string
	lastBoot uint32
	pending  int
	nextRow  int64 // keys of the next row and block
	nextBlk  int64
	damage   []Damage
	found    map[damageKey]bool
	stats    Stats
	cache    identityCache
}

// Stats are figures about the journal since it was opened, or in all.
type Stats struct {
	Bytes          int64         // of the file and its log
	Records        int64         // committed
	Readings       int64         // committed
	Blocks         int           // sealed
	BlockBytes     int64         // in sealed blocks, without SQLite's own
	SealedReadings int64         // readings in sealed blocks
	Pending        int           // records not yet committed
	LastCommit     time.Duration // what the last commit took
	Commits        int64         // since opening
	Failures       int64         // commits that failed, since opening
}

var discard = slog.New(slog.DiscardHandler)

// Open opens or creates the journal at path and takes its lock. It returns an
// *OwnedError when another process has it. A file that is damaged so badly
// that SQLite refuses it is set aside under another name; all that can be read
// of it is brought over to a new one, and Damage says so.
func Open(path string, o Options) (*Journal, error) {
	if o.SealAfter == 0 {
		o.SealAfter = 4096
	}
	o.SealAfter = min(max(o.SealAfter, 2), mostRecords/2)
	if o.MaxPending == 0 {
		o.MaxPending = 1 << 16
	}
	if o.Log == nil {
		o.Log = discard
	}
	l, crashed, err := lock(path)
	if err != nil {
		return nil, err
	}
	j := &Journal{path: path, o: o, log: o.Log, lock: l, crashed: crashed}
	if err := j.open(); err != nil {
		j.lock.Close()
		return nil, err
	}
	return j, nil
}

func (j *Journal) open() error {
	j.reset()
	if j.o.VFS != "" {
		return j.attach()
	}
	if err := j.finishSalvage(); err != nil {
		return err
	}
	err := j.suspected()
	if err == nil {
		err = j.checkHead()
	}
	if err == nil {
		err = j.checkLog()
	}
	if err == nil {
		err = j.attach()
	}
	if !sqlite.IsCorrupt(err) && !isDamage(err) {
		return err
	}
	if err := j.salvage(err); err != nil {
		return err
	}
	j.renew = "the file was damaged"
	if err := os.Remove(j.path + suspectMark); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	said := j.damage
	j.reset()
	for _, d := range said {
		j.note(d)
	}
	if err := j.attach(); err != nil {
		return err
	}
	j.noteGaps()
	return nil
}

func (j *Journal) reset() {
	j.rigs = make(map[string]*rig)
	j.boots = make(map[string]uint32)
	j.bootID = make(map[uint32]string)
	j.found = make(map[damageKey]bool)
	j.damage, j.lastBoot, j.nextRow, j.nextBlk = nil, 0, 1, 1
	j.stats = Stats{}
}

// attach opens the file and reads what it holds, but for the data.
func (j *Journal) attach() error {
	db, err := sqlite.OpenWith(j.path, sqlite.Options{VFS: j.o.VFS, Exclusive: true})
	if err != nil {
		return err
	}
	j.db = db
	if err = migrate(db, j.path); err == nil {
		// An empty log has no tail of pages that could be taken for its own.
		if err = j.moveLog(); sqlite.IsFull(err) {
			err = nil
		}
	}
	if err == nil {
		err = checkFile(db, len(steps))
	}
	if err == nil {
		err = j.scan()
	}
	if err == nil {
		err = j.begin()
	}
	if err == nil && j.o.VFS == "" && j.lock != nil {
		// From here on the log's name is on the disk: if it is gone when the
		// journal is opened after a crash, then its commits are too.
		if err = syncFolder(j.path); err == nil {
			owned(j.lock)
		}
	}
	if err != nil {
		db.Close()
		return err
	}
	return nil
}

func (j *Journal) scan() error {
	if err := j.scanBoots(); err != nil {
		return fmt.Errorf("%s: reading boots: %w", j.path, err)
	}
	for _, table := range []string{"block", "recent"} {
		if err := j.scanSpans(table); err != nil {
			return fmt.Errorf("%s: reading table %s: %w", j.path, table, err)
		}
	}
	for _, g := range j.rigs {
		slices.SortStableFunc(g.spans, func(a, b span) int { return cmp.Compare(a.first, b.first) })
		g.spans = j.disjoint(g)
		for i := range g.spans {
			s := &g.spans[i]
			j.stats.add(s, 1)
			g.newest[s.boot] = max(g.newest[s.boot], s.monoLast)
		}
		g.last = g.committed()
		for g.sealedTo < len(g.spans) && g.spans[g.sealedTo].sealed {
			g.sealedTo++
		}
	}
	return nil
}

// disjoint returns the rig's spans without those that overlap others: of two,
// the one whose CRC-32C holds is kept. The last is looked at too: a sequence
// that is far off must not be the one that the next records go on from.
func (j *Journal) disjoint(g *rig) []span {
	var kept []span
	var left uint64 // highest sequence of those left out
	for _, s := range g.spans {
		for len(kept) > 0 && s.first <= kept[len(kept)-1].last {
			old := kept[len(kept)-1]
			if j.whole(g.name, &old) {
				break
			}
			j.note(damageOf(g.name, &old, fmt.Sprintf("%s %d is bad and overlaps the next; left out", old.table(), old.n)))
			left = max(left, old.last)
			kept = kept[:len(kept)-1]
		}
		if len(kept) > 0 && s.first <= kept[len(kept)-1].last {
			if old := &kept[len(kept)-1]; s.last > old.last || !j.whole(g.name, &s) {
				j.note(damageOf(g.name, &s, fmt.Sprintf("%s %d overlaps the one before; left out", s.table(), s.n)))
				left = max(left, s.last)
			}
			continue
		}
		kept = append(kept, s)
	}
	for len(kept) > 0 {
		s := &kept[len(kept)-1]
		_, err := j.read(g.name, s)
		if !isDamage(err) {
			break
		}
		if s.last-s.first < mostRecords && (len(kept) == 1 || s.first-kept[len(kept)-2].last < mostRecords) {
			s.bad = true
			j.note(damageOf(g.name, s, fmt.Sprintf("%s %d: %s", s.table(), s.n, err)))
			break
		}
		j.note(damageOf(g.name, s, fmt.Sprintf("%s %d is bad and its sequences are far off; left out", s.table(), s.n)))
		left = max(left, s.last)
		kept = kept[:len(kept)-1]
	}
	if left > 0 && (len(kept) == 0 || left > kept[len(kept)-1].last) {
		j.renew = "the last records of a rig are bad"
	}
	return kept
}

// whole reports whether the CRC-32C of a row or block holds.
func (j *Journal) whole(name string, s *span) bool {
	_, err := j.read(name, s)
	return err == nil
}

func (j *Journal) scanBoots() error {
	rows, err := j.db.Query(`SELECT n, id, crc FROM boot`)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var n, crc int64
		var id string
		if err := rows.Scan(&n, &id, &crc); err != nil {
			return err
		}
		if n < 1 || n > 1<<32-1 || crc != bootCRC(n, id) {
			j.note(Damage{Boot: uint32(n), What: fmt.Sprintf("the id of boot %d is bad", n)})
		} else {
			j.boots[id] = uint32(n)
			j.bootID[uint32(n)] = id
		}
		j.lastBoot = max(j.lastBoot, uint32(n))
	}
	return rows.Err()
}

func (j *Journal) scanSpans(table string) error {
	rows, err := j.db.Query(`SELECT n, rig, first, last, boot, mono_first, mono_last, records, readings, length(data) FROM ` + table + ` ORDER BY n`)
	if err != nil {
		return err
	}
	defer rows.Close()
	next := int64(1)
	bad := false // the last row
	for rows.Next() {
		var name string
		bad = true
		s := span{sealed: table == "block"}
		if err := rows.Scan(&s.n, &name, &s.first, &s.last, &s.boot, &s.monoFirst, &s.monoLast, &s.records, &s.readings, &s.size); err != nil {
			// A column that holds no number: the row is bad, not the table.
			j.log.Debug("journal: a row cannot be read", "path", j.path, "err", err)
			j.note(Damage{Rig: name, What: fmt.Sprintf("%s %d cannot be read: a number in it is none", table, s.n)})
			next = max(next, s.n+1)
			continue
		}
		next = max(next, s.n+1)
		if s.first < 1 || s.last < s.first || s.last > mostSeq || s.records < 1 || s.records > mostRecords ||
			uint64(s.records) > s.last-s.first+1 || s.monoLast < s.monoFirst || s.readings < s.records {
			j.note(damageOf(name, &s, fmt.Sprintf("%s %d contradicts itself; left out", table, s.n)))
			continue
		}
		bad = false
		g := j.rig(name)
		g.spans = append(g.spans, s)
		j.lastBoot = max(j.lastBoot, s.boot)
	}
	if bad {
		j.renew = "the last " + table + " is bad"
	}
	if table == "block" {
		j.nextBlk = next
	} else {
		j.nextRow = next
	}
	return rows.Err()
}

// rig returns the rig of that name, new if need be. Under mu.
func (j *Journal) rig(name string) *rig {
	g := j.rigs[name]
	if g == nil {
		g = &rig{name: name, newest: make(map[uint32]int64)}
		j.rigs[name] = g
	}
	return g
}

func (s *Stats) add(p *span, sign int) {
	s.Records += int64(sign * p.records)
	s.Readings += int64(sign * p.readings)
	if p.sealed {
		s.Blocks += sign
		s.BlockBytes += int64(sign * p.size)
		s.SealedReadings += int64(sign * p.readings)
	}
}

// Boot returns the number of a boot, given in order of first use; it is
// durable on return. The id is the kernel's boot id, or any text that no
// other stretch of a monotonic clock has.
func (j *Journal) Boot(id string) (uint32, error) {
	if id == "" || len(id) > mostText {
		return 0, fmt.Errorf("journal: boot id: must be 1 to %d bytes, is %d", mostText, len(id))
	}
	j.write.Lock()
	defer j.write.Unlock()
	j.mu.Lock()
	n, ok := j.boots[id]
	next, closed := j.lastBoot+1, j.closed
	j.mu.Unlock()
	if ok {
		return n, nil
	}
	if closed {
		return 0, ErrClosed
	}
	if _, err := j.db.Exec(`INSERT OR REPLACE INTO boot (n, id, crc) VALUES (?, ?, ?)`, next, id, bootCRC(int64(next), id)); err != nil {
		return 0, fmt.Errorf("%s: keeping boot %d: %w", j.path, next, j.failed(err))
	}
	j.wrote()
	j.mu.Lock()
	defer j.mu.Unlock()
	j.boots[id], j.bootID[next], j.lastBoot = next, id, next
	return next, nil
}

// BootID returns the id of boot n.
func (j *Journal) BootID(n uint32) (string, bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	id, ok := j.bootID[n]
	return id, ok
}

// Boots returns how many boots there were.
func (j *Journal) Boots() int {
	j.mu.Lock()
	defer j.mu.Unlock()
	return len(j.bootID)
}

// LastSeq returns the sequence of the rig's last committed record, 0 if there
// is none.
func (j *Journal) LastSeq(name string) (uint64, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.closed {
		return 0, ErrClosed
	}
	if g := j.rigs[name]; g != nil {
		return g.committed(), nil
	}
	return 0, nil
}

// Rigs returns the rigs that have records or acts, sorted. The house that is
// theirs is none.
func (j *Journal) Rigs() ([]string, error) {
	j.mu.Lock()
	var out []string
	for name, g := range j.rigs {
		if len(g.spans) > 0 {
			out = append(out, name)
		}
	}
	closed := j.closed
	j.mu.Unlock()
	if closed {
		return nil, ErrClosed
	}
	rows, err := j.db.Query(`SELECT DISTINCT rig FROM act WHERE rig <> ?`, act.House)
	if err != nil {
		return nil, fmt.Errorf("%s: reading acts: %w", j.path, err)
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return nil, fmt.Errorf("%s: reading acts: %w", j.path, err)
		}
		out = append(out, name)
	}
	slices.Sort(out)
	return slices.Compact(out), rows.Err()
}

// Pending returns how many records wait for a Commit.
func (j *Journal) Pending() int {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.pending
}

// Stats returns the journal's figures.
func (j *Journal) Stats() Stats {
	j.mu.Lock()
	s := j.stats
	s.Pending = j.pending
	j.mu.Unlock()
	for _, name := range []string{j.path, j.path + "-wal"} {
		if fi, err := os.Stat(name); err == nil {
			s.Bytes += fi.Size()
		}
	}
	return s
}

// Close commits, moves the log into the file and lets go of the lock. It
// closes even when it returns an error; what could not be committed is lost
// then, and the error says how much.
func (j *Journal) Close() error {
	j.mu.Lock()
	closed := j.closed
	j.mu.Unlock()
	if closed {
		return ErrClosed
	}
	err := j.Commit()
	j.write.Lock()
	defer j.write.Unlock()
	j.inLog.stop()
	j.seal.stop()
	j.mu.Lock()
	if j.closed {
		j.mu.Unlock()
		return ErrClosed
	}
	j.closed = true
	if j.pending > 0 {
		err = fmt.Errorf("%s: closed with %d records not kept: %w", j.path, j.pending, cmp.Or(err, ErrFull))
	}
	j.mu.Unlock()
	err = errors.Join(err, j.moveLog(), j.db.Close())
	if err == nil {
		j.lock.Truncate(0)
	}
	return errors.Join(err, j.lock.Close())
}
