package ledger

import (
	"slices"
	"sort"

	"yardtally/meter"
)

// item is a record with its place on UTC, and room for its readings.
type item struct {
	at  int64
	rec meter.Record
	own [4]meter.Reading
}

// set makes it a copy of a record.
func (it *item) set(at int64, r *meter.Record) {
	it.at, it.rec = at, *r
	it.rec.Readings = append(it.own[:0], r.Readings...)
}

// clone returns a copy for keeps.
func (it *item) clone() *item {
	c := new(item)
	c.set(it.at, &it.rec)
	return c
}

// queue holds items in order. Taking from the front and adding near the end
// are cheap. Items are used again.
type queue struct {
	buf   []*item
	head  int
	spare []*item
}

func (q *queue) items() []*item { return q.buf[q.head:] }

func (q *queue) len() int { return len(q.buf) - q.head }

// take returns an item to be set.
func (q *queue) take() *item {
	n := len(q.spare)
	if n == 0 {
		block := make([]item, 32)
		for i := range block {
			q.spare = append(q.spare, &block[i])
		}
		n = len(block)
	}
	it := q.spare[n-1]
	q.spare = q.spare[:n-1]
	return it
}

// give takes back an item that nobody needs any more.
func (q *queue) give(it *item) { q.spare = append(q.spare, it) }

// insert puts it where it belongs.
func (q *queue) insert(it *item) {
	if len(q.buf) == cap(q.buf) && q.head > len(q.buf)/2 {
		n := copy(q.buf, q.buf[q.head:])
		clear(q.buf[n:])
		q.buf, q.head = q.buf[:n], 0
	}
	n := len(q.buf)
	if n == q.head || order(it, q.buf[n-1]) >= 0 {
		q.buf = append(q.buf, it)
		return
	}
	// As a rule it is some places from the end.
	i := n - 1
	for i > q.head && n-i < 8 && order(q.buf[i-1], it) > 0 {
		i--
	}
	if i > q.head && order(q.buf[i-1], it) > 0 {
		i = q.head + sort.Search(i-q.head, func(k int) bool { return order(q.buf[q.head+k], it) > 0 })
	}
	q.buf = slices.Insert(q.buf, i, it)
}

// pop takes the first item away.
func (q *queue) pop() *item {
	it := q.buf[q.head]
	q.buf[q.head] = nil
	q.head++
	return it
}

// sort restores the order after instants have changed.
func (q *queue) sort() { slices.SortFunc(q.items(), order) }
