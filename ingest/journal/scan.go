package journal

import (
	"database/sql"
	"encoding/binary"
	"errors"
	"io"
	"os"
	"slices"
)

// scanPages looks at every page of a damaged file for rows, whether or not a
// tree still leads to them, and adds to the new file those that their CRC-32C
// proves, and whose records it does not hold yet. Pages that SQLite has freed
// may hold rows too: they were of this journal, and are taken where nothing
// else has their sequences.
//
// The layout is that of "Database File Format", sections 1.6 and 2.1.
func scanPages(to *sql.DB, pages string) (added int, err error) {
	f, err := os.Open(pages)
	if err != nil {
		return 0, err
	}
	defer f.Close()
	tx, err := to.Begin()
	if err != nil {
		return 0, err
	}
	defer tx.Rollback()
	fi, err := f.Stat()
	if err != nil {
		return 0, err
	}
	s := pageScan{f: f, tx: tx, have: map[string][]span{}, size: fi.Size(), chain: mostChains * (fi.Size()/pageSize + 1)}
	for _, table := range []string{"recent", "block"} {
		if err := s.load(table); err != nil {
			return 0, err
		}
	}
	page := make([]byte, pageSize)
	for n := uint32(1); ; n++ {
		if _, err := f.ReadAt(page, int64(n-1)*pageSize); err == io.EOF || err == io.ErrUnexpectedEOF {
			break
		} else if err != nil {
			return 0, err
		}
		head := page
		if n == 1 {
			head = page[100:]
		}
		if head[0] != 13 { // a leaf of a table
			continue
		}
		cells := int(binary.BigEndian.Uint16(head[3:]))
		for i := range min(cells, (len(head)-8)/2) {
			row, ok := s.cell(page, int(binary.BigEndian.Uint16(head[8+2*i:])))
			if !ok {
				continue
			}
			if err := s.take(row); err != nil {
				return 0, err
			}
		}
	}
	slices.SortStableFunc(s.found, func(a, b part) int { return b.span.records - a.span.records }) // blocks first
	for i := range s.found {
		if err := s.put(&s.found[i]); err != nil {
			return 0, err
		}
	}
	return s.added, tx.Commit()
}

type pageScan struct {
	f     *os.File
	tx    *sql.Tx
	have  map[string][]span
	next  [2]int64 // row numbers of recent and block
	found []part
	added int
	size  int64 // of the file: no row is longer
	chain int64 // pages that rows may still be followed into
}

// mostChains is how often, as a mean, a page may be read as one that rows
// overflow into. In a journal it is of one row, and of a few more where freed
// pages still tell of it; pages made up to lead everywhere would be read for
// ever. Judgement.
const mostChains = 32

func (s *pageScan) load(table string) error {
	rows, err := s.tx.Query(`SELECT n, rig, first, last FROM ` + table)
	if err != nil {
		return err
	}
	defer rows.Close()
	at := 0
	if table == "block" {
		at = 1
	}
	s.next[at] = 1
	for rows.Next() {
		var p span
		var rig string
		if err := rows.Scan(&p.n, &rig, &p.first, &p.last); err != nil {
			continue // a row that is bad in itself
		}
		s.have[rig] = append(s.have[rig], p)
		s.next[at] = max(s.next[at], p.n+1)
	}
	return rows.Err()
}

// take keeps the row if it is one of ours.
func (s *pageScan) take(row []any) error {
	switch len(row) {
	case 3:
		id, ok1 := row[1].(string)
		crc, ok2 := row[2].(int64)
		if n := row[0].(int64); ok1 && ok2 && n > 0 && crc == bootCRC(n, id) {
			return s.insert(`INSERT OR IGNORE INTO boot (n, id, crc) VALUES (?, ?, ?)`, n, id, crc)
		}
	case 5:
		id, ok1 := row[1].(string)
		rig, ok2 := row[2].(string)
		crc, ok3 := row[3].(int64)
		data, ok4 := row[4].(string)
		if ok1 && ok2 && ok3 && ok4 && crc == int64(actCRC(id, rig, data)) {
			return s.insert(`INSERT OR IGNORE INTO act (n, id, rig, crc, data) VALUES (?, ?, ?, ?, ?)`, row[0], id, rig, crc, data)
		}
	case 11:
		var v [8]int64
		rig, ok := row[1].(string)
		data, ok2 := row[10].([]byte)
		for i, x := range row[2:10] {
			n, isInt := x.(int64)
			v[i], ok = n, ok && isInt
		}
		p := part{rig: rig, data: data, span: span{first: uint64(v[0]), last: uint64(v[1]), boot: uint32(v[2]),
			monoFirst: v[3], monoLast: v[4], records: int(v[5]), readings: int(v[6])}}
		if ok && ok2 && v[7] == int64(spanCRC(rig, &p.span, data)) {
			p.span.sealed = p.span.records > rowRecords
			s.found = append(s.found, p)
		}
	}
	return nil
}

func (s *pageScan) insert(query string, args ...any) error {
	res, err := s.tx.Exec(query, args...)
	if err != nil {
		return err
	}
	n, err := res.RowsAffected()
	s.added += int(n)
	return err
}

// put adds a row or block unless some of its sequences are there.
func (s *pageScan) put(p *part) error {
	for _, h := range s.have[p.rig] {
		if p.span.first <= h.last && h.first <= p.span.last {
			return nil
		}
	}
	at := 0
	if p.span.sealed {
		at = 1
	}
	p.span.n = s.next[at]
	s.next[at]++
	s.have[p.rig] = append(s.have[p.rig], p.span)
	s.added++
	return insert(s.tx, p)
}

// cell reads the row that begins there, its number in the place of its first
// column.
func (s *pageScan) cell(page []byte, at int) (row []any, ok bool) {
	if at < 8 || at >= len(page) {
		return nil, false
	}
	b := page[at:]
	size, w := sqliteVarint(b)
	if w == 0 || size < 4 || size > uint64(s.size) {
		return nil, false
	}
	b = b[w:]
	n, w := sqliteVarint(b)
	if w == 0 {
		return nil, false
	}
	payload, err := s.payload(b[w:], int(size))
	if err != nil {
		return nil, false
	}
	return record(payload, int64(n))
}

var errCell = errors.New("no cell")

// payload joins what is in the leaf with the pages it overflows into.
func (s *pageScan) payload(b []byte, size int) ([]byte, error) {
	const most, least = pageSize - 35, (pageSize-12)*32/255 - 23
	local := size
	if size > most {
		if local = least + (size-least)%(pageSize-4); local > most {
			local = least
		}
	}
	if len(b) < local {
		return nil, errCell
	}
	if local == size {
		return slices.Clone(b[:local]), nil
	}
	if len(b) < local+4 || s.chain <= 0 {
		return nil, errCell
	}
	out := slices.Clone(b[:local]) // grown by what is there, not by what is said
	next := binary.BigEndian.Uint32(b[local:])
	page := make([]byte, pageSize)
	for len(out) < size {
		if s.chain--; next == 0 || s.chain < 0 {
			return nil, errCell
		}
		if _, err := s.f.ReadAt(page, int64(next-1)*pageSize); err != nil {
			return nil, errCell
		}
		next = binary.BigEndian.Uint32(page)
		out = append(out, page[4:min(pageSize, 4+size-len(out))]...)
	}
	return out, nil
}

// record reads SQLite's record format.
func record(b []byte, n int64) (row []any, ok bool) {
	size, w := sqliteVarint(b)
	if w == 0 || size > uint64(len(b)) || size < uint64(w) {
		return nil, false
	}
	head, body := b[w:size], b[size:]
	for len(head) > 0 {
		kind, w := sqliteVarint(head)
		if w == 0 || len(row) == 16 {
			return nil, false
		}
		head = head[w:]
		var v any
		width := 0
		switch {
		case kind == 0:
		case kind <= 6:
			width = [...]int{0, 1, 2, 3, 4, 6, 8}[kind]
			if len(body) < width {
				return nil, false
			}
			x := int64(int8(body[0]))
			for _, c := range body[1:width] {
				x = x<<8 | int64(c)
			}
			v = x
		case kind == 8, kind == 9:
			v = int64(kind - 8)
		case kind >= 12:
			long := (kind - 12) / 2
			if long > uint64(len(body)) {
				return nil, false
			}
			if width = int(long); kind%2 == 0 {
				v = slices.Clone(body[:width])
			} else {
				v = string(body[:width])
			}
		default:
			return nil, false
		}
		body = body[width:]
		row = append(row, v)
	}
	if len(row) == 0 {
		return nil, false
	}
	row[0] = n // INTEGER PRIMARY KEY is kept as the row's number
	return row, true
}

// sqliteVarint reads 1 to 9 bytes, the most significant first.
func sqliteVarint(b []byte) (v uint64, n int) {
	for n < len(b) && n < 8 {
		v = v<<7 | uint64(b[n]&0x7f)
		n++
		if b[n-1]&0x80 == 0 {
			return v, n
		}
	}
	if n == 8 && len(b) > 8 {
		return v<<8 | uint64(b[8]), 9
	}
	return 0, 0
}
