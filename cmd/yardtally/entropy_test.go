package main

import (
	"math"
	"math/bits"
	"math/rand/v2"
	"testing"

	"yardtally/meter"
)

// information is an estimate of what data hold, in bits, split by what holds
// it. Each column (a channel of one kind of record, or a stamp) is taken as
// whole numbers, and of the numbers, their first and their second differences
// what costs least. That is what a codec of such differences sees; it is no
// bound: a model that knew the rig better would find less in them.
type information struct {
	readings int
	values   float64 // order 0: each difference by how often it comes
	arrivals float64 // the same of when they came, and of the sender's stamps
	given    float64 // both, each difference by how often it comes after one of the same size
	order    float64 // which kind of record is the next, by the three before
}

// perReading are the bytes a reading by order 0, and given the one before.
func (n *information) perReading() (order0, given float64) {
	per := func(bits float64) float64 { return (bits + n.order) / 8 / float64(n.readings) }
	return per(n.values + n.arrivals), per(n.given)
}

// add adds the records of a boot.
func (n *information) add(recs []meter.Record) {
	type kind struct {
		stamps [3][]int64 // Mono; Wall and Sent less Mono
		values [][]float64
	}
	kinds := make(map[string]*kind)
	names := make(map[string]int64)
	var order []int64
	for i := range recs {
		r := &recs[i]
		key := r.Source + " "
		for _, x := range r.Readings {
			key += string(rune(x.Channel))
		}
		k := kinds[key]
		if k == nil {
			k = &kind{values: make([][]float64, len(r.Readings))}
			kinds[key] = k
			names[key] = int64(len(names))
		}
		order = append(order, names[key])
		for s, at := range [...]int64{r.Mono, r.Wall - r.Mono, r.Sent - r.Mono} {
			if s < 2 || r.Sent != 0 {
				k.stamps[s] = append(k.stamps[s], at)
			}
		}
		for c, x := range r.Readings {
			k.values[c] = append(k.values[c], x.Value)
		}
		n.readings += len(r.Readings)
	}
	for _, k := range kinds {
		for _, c := range k.stamps {
			b, g := differences(c)
			n.arrivals += b
			n.given += g
		}
		for _, c := range k.values {
			b, g := differences(wholeNumbers(c))
			n.values += b
			n.given += g
		}
	}
	past := make([]int64, len(order))
	for i := 3; i < len(order); i++ {
		past[i] = order[i-1] | order[i-2]<<16 | order[i-3]<<32
	}
	n.order += entropy(order, past)
}

// wholeNumbers are the values over the coarsest decimal part, or decimal part
// of a minute of arc, that gives every bit of them back; else their bits.
func wholeNumbers(vs []float64) []int64 {
	out := make([]int64, len(vs))
next:
	for _, d := range []float64{1, 10, 100, 1e3, 1e4, 6e4, 1e5, 6e5, 1e6, 6e6, 1e7, 1e8, 1e9} {
		for i, v := range vs {
			if out[i] = int64(math.Round(v * d)); float64(out[i])/d != v {
				continue next
			}
		}
		return out
	}
	for i, v := range vs {
		out[i] = int64(math.Float64bits(v))
	}
	return out
}

// differences returns the least of the entropies of numbers, first and second
// differences, in bits, and the least of those given the size of the one before.
func differences(xs []int64) (order0, given float64) {
	order0, given = math.Inf(1), math.Inf(1)
	for range 3 {
		sizes := make([]int64, len(xs))
		for i := 1; i < len(xs); i++ {
			sizes[i] = int64(bits.Len64(uint64(max(xs[i-1], -xs[i-1]))))
		}
		order0, given = min(order0, entropy(xs, make([]int64, len(xs)))), min(given, entropy(xs, sizes))
		if len(xs) == 0 {
			break
		}
		d := make([]int64, len(xs)-1)
		for i := range d {
			d[i] = xs[i+1] - xs[i]
		}
		xs = d
	}
	return order0, given
}

// entropy is that of the xs given what is beside them, in bits of all of them.
func entropy(xs, beside []int64) float64 {
	both, one := make(map[[2]int64]int), make(map[int64]int)
	for i, x := range xs {
		both[[2]int64{beside[i], x}]++
		one[beside[i]]++
	}
	sum := 0.0
	for k, n := range both {
		sum -= float64(n) * math.Log2(float64(n)/float64(one[k[0]]))
	}
	return sum
}

// Known sources: the entropy of a uniform choice of 2^b is b bits, that of a
// walk in such steps too, and a straight line has none.
func TestEntropy(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	const n = 1 << 16
	uniform, walk, line, sizes := make([]int64, n), make([]int64, n), make([]int64, n), make([]int64, n)
	for i := range n {
		uniform[i] = rng.Int64N(8)
		walk[i] = walk[max(i, 1)-1] + rng.Int64N(4)
		line[i] = 7e9 + 200*int64(i)
		// Large after large, small after small, in stretches of 1,000: what is
		// known of the one before saves nearly a bit. Without that, the differences
		// cost less than the numbers: of two of eight, 6 − Σ k·log2(k)/64 bits.
		sizes[i] = 8*int64(i/1000%2) + rng.Int64N(8)
	}
	for _, c := range []struct {
		name          string
		xs            []int64
		order0, given float64
	}{{"uniform", uniform, 3, 3}, {"walk", walk, 2, 2}, {"line", line, 0, 0}, {"stretches", sizes, 3.70, 3.02}} {
		b, g := differences(c.xs)
		// Estimated from so many, a figure is 1/n·log2(e)/2 bits a symbol too
		// small (Miller 1955, recalled): nothing here.
		if b, g := b/n, g/n; math.Abs(b-c.order0) > 0.01 || math.Abs(g-c.given) > 0.01 {
			t.Errorf("%s: %.3f and %.3f bits, want %g and %g", c.name, b, g, c.order0, c.given)
		}
	}
	got := wholeNumbers([]float64{47 + 12.345/60, 47 + 12.5/60})
	if got[0]*12500-got[1]*12345 == 0 || got[1]-got[0] != 155 {
		t.Errorf("minutes of arc become %v", got)
	}
	var info information
	info.add([]meter.Record{
		{Mono: 1, Source: "a", Readings: []meter.Reading{{Channel: meter.Mark, Value: 5}}},
		{Mono: 2, Source: "a", Readings: []meter.Reading{{Channel: meter.Mark, Value: 5}}},
		{Mono: 3, Source: "a", Readings: []meter.Reading{{Channel: meter.Mark, Value: 5}}},
	})
	if b, g := info.perReading(); b != 0 || g != 0 || info.readings != 3 {
		t.Errorf("what is always the same holds %g and %g bytes of %d readings", b, g, info.readings)
	}
}
