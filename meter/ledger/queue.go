package ledger

import (
	"slices"
	"sort"

	"yardtally/meter"
)

// item is a record with its place on UTC.
type item struct {
	at  int64
	rec meter.Record
}

// queue holds items in order. Taking from the front and adding near the end
// are cheap.
type queue struct {
	buf  []item
	head int
}

func (q *queue) items() []item { return q.buf[q.head:] }

func (q *queue) len() int { return len(q.buf) - q.head }

// insert puts it where it belongs.
func (q *queue) insert(it *item) {
	if len(q.buf) == cap(q.buf) && q.head > len(q.buf)/2 {
		n := copy(q.buf, q.buf[q.head:])
		clear(q.buf[n:])
		q.buf, q.head = q.buf[:n], 0
	}
	n := len(q.buf)
	if n == q.head || order(it, &q.buf[n-1]) >= 0 {
		q.buf = append(q.buf, *it)
		return
	}
	i := sort.Search(n-q.head, func(i int) bool { return order(&q.buf[q.head+i], it) > 0 })
	q.buf = slices.Insert(q.buf, q.head+i, *it)
}

// pop takes the first item away. It is valid until the next insert.
func (q *queue) pop() *item {
	q.head++
	return &q.buf[q.head-1]
}

// sort restores the order after instants have changed.
func (q *queue) sort() {
	slices.SortFunc(q.items(), func(a, b item) int { return order(&a, &b) })
}
