package recording

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"testing/iotest"

	"yardtally/ingest/wire"
	"yardtally/meter"
	"yardtally/meter/act"
)

func read(t *testing.T, r io.Reader, o Options) ([]Item, Result) {
	t.Helper()
	items, res, err := readAll(r, o)
	if err != nil {
		t.Fatal(err)
	}
	return items, res
}

func readAll(r io.Reader, o Options) (items []Item, res Result, err error) {
	res, err = Read(context.Background(), r, o, func(_ context.Context, b []Item) error {
		items = append(items, b...)
		return nil
	})
	return items, res, err
}

// pack is a plain line, n fifths of a second into the night.
func pack(n int) string {
	b, err := wire.AppendPack(nil, "heron", []wire.Message{{
		Sent: 1_790_000_000_000_000_000 + int64(n)*200_000_000,
		Readings: []meter.Reading{
			{Channel: meter.Pulses, Value: float64(100 + n)},
			{Channel: meter.Uptime, Value: float64(n) / 5},
		},
	}})
	if err != nil {
		panic(err)
	}
	return string(b)
}

func TestPlainLines(t *testing.T) {
	text := "# heron, first night\n" + pack(0) + "\r\n\n" + pack(1) + "\n" + pack(2) // no line end
	items, res := read(t, strings.NewReader(text), Options{})
	if len(items) != 3 || res.Lines != 5 || res.Readings != 6 || res.LinesBad != 0 || len(res.Dropped) != 0 || res.Bytes != int64(len(text)) {
		t.Fatalf("%d items, %+v", len(items), res)
	}
	for i, it := range items {
		want := Item{BootID: res.BootID, Rig: "heron", Line: []int{2, 4, 5}[i], Record: meter.Record{
			Mono: int64(i) * 200_000_000, Source: "file",
			Sent: 1_790_000_000_000_000_000 + int64(i)*200_000_000,
			Readings: []meter.Reading{
				{Channel: meter.Pulses, Value: float64(100 + i)},
				{Channel: meter.Uptime, Value: float64(i) / 5},
			},
		}}
		if !reflect.DeepEqual(it, want) {
			t.Errorf("item %d: %+v\nwant %+v", i, it, want)
		}
	}
}

// What an export says is taken as it is, whatever stands around it.
func TestExportLinesKeepTheirOwn(t *testing.T) {
	rec := meter.Record{
		Seq: 7, Mono: 93_812_400_000_000, Wall: 1_790_000_000_300_000_000, Rel: -5, Source: "mqtt",
		Readings: []meter.Reading{{Channel: meter.Syrup, Value: 11.6}},
	}
	line, err := wire.AppendRecord(nil, "heron", &rec, "boot-one")
	if err != nil {
		t.Fatal(err)
	}
	said := act.Act{ID: "a1", Rig: "heron", Who: "wren", When: 1_790_000_000_000_000_000, Body: act.Batch{Syrup: "sucrose", Brix: 66.7}}
	line2, err := wire.AppendAct(nil, &said)
	if err != nil {
		t.Fatal(err)
	}
	items, res := read(t, strings.NewReader(pack(0)+"\n"+string(line)+string(line2)), Options{})
	if len(items) != 3 || res.Acts != 1 {
		t.Fatalf("items %+v", items)
	}
	if want := (Item{BootID: "boot-one", Rig: "heron", Record: rec, Line: 2}); !reflect.DeepEqual(items[1], want) {
		t.Errorf("got %+v\nwant %+v", items[1], want)
	}
	if items[2].Act == nil || !reflect.DeepEqual(*items[2].Act, said) || items[2].Line != 3 {
		t.Errorf("act %+v", items[2])
	}
}

func TestBrokenLinesAreCountedAndNamed(t *testing.T) {
	var b strings.Builder
	for n := range 50 {
		fmt.Fprintln(&b, pack(n))
		fmt.Fprintln(&b, pack(n)[:30]) // cut off
	}
	b.WriteString(pack(50) + "\n" + pack(51)[:40]) // and so is the end
	items, res := read(t, strings.NewReader(b.String()), Options{})
	if len(items) != 51 || res.LinesBad != 51 || len(res.Details) != MaxDetails {
		t.Fatalf("%d items, %d bad, %d details", len(items), res.LinesBad, len(res.Details))
	}
	total := uint64(0)
	for _, n := range res.Dropped {
		total += n
	}
	if total != 51 {
		t.Errorf("dropped %v", res.Dropped)
	}
	for i, d := range res.Details {
		if d.Line != 2*i+2 || !strings.HasPrefix(d.String(), fmt.Sprintf("line %d: ", d.Line)) || d.Detail == "" {
			t.Errorf("detail %d: %v", i, d)
		}
	}
	for i, it := range items {
		if v, _ := it.Record.Value(meter.Pulses); v != float64(100+i) {
			t.Errorf("item %d has pulses %v", i, v)
		}
	}
}

func TestLongLineIsPassedOver(t *testing.T) {
	huge := io.MultiReader(
		strings.NewReader(pack(0)+"\n["),
		io.LimitReader(spaces{}, 50<<20),
		strings.NewReader("\n"+pack(1)+"\n"+strings.Repeat(" ", wire.MaxLine-len(pack(2))-1)+pack(2)+"\n"),
	)
	items, res := read(t, huge, Options{})
	if len(items) != 3 || res.Lines != 4 || res.LinesBad != 1 || res.Dropped[string(wire.TooBig)] != 1 {
		t.Errorf("%d items, %+v", len(items), res)
	}
}

type spaces struct{}

func (spaces) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = ' '
	}
	return len(p), nil
}

// However the reader cuts the bytes, the result is the same.
func TestCutsDoNotMatter(t *testing.T) {
	var b strings.Builder
	for n := range 300 {
		fmt.Fprintln(&b, pack(n))
	}
	want, wantRes := read(t, strings.NewReader(b.String()), Options{})
	got, res := read(t, iotest.OneByteReader(strings.NewReader(b.String())), Options{})
	if !reflect.DeepEqual(got, want) || !reflect.DeepEqual(res, wantRes) {
		t.Errorf("%d items, %+v; want %d, %+v", len(got), res, len(want), wantRes)
	}
}

func TestGzip(t *testing.T) {
	var plain, zipped bytes.Buffer
	for n := range 10_000 {
		fmt.Fprintln(&plain, pack(n))
	}
	zw := gzip.NewWriter(&zipped)
	zw.Write(plain.Bytes())
	zw.Close()
	path := filepath.Join(t.TempDir(), "night.jsonl.gz")
	if err := os.WriteFile(path, zipped.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	f, size, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	calls, last := 0, Progress{}
	items, res := read(t, f, Options{Rig: "heron", Source: "import", Progress: func(p Progress) {
		if p.Bytes < last.Bytes && p.Lines != 10_000 || p.Lines < last.Lines || p.Readings < last.Readings {
			t.Errorf("progress falls: %+v after %+v", p, last)
		}
		calls, last = calls+1, p
	}})
	if len(items) != 10_000 || items[9999].Record.Source != "import" || res.Bytes != size || last != res.Progress || calls < 3 {
		t.Errorf("%d items, %+v, %d calls, last %+v", len(items), res, calls, last)
	}
	// A file cut short gives what it held, and an error.
	cut, res, err := readAll(bytes.NewReader(zipped.Bytes()[:zipped.Len()/2]), Options{})
	if !errors.Is(err, io.ErrUnexpectedEOF) || len(cut) < 1000 || !strings.Contains(err.Error(), fmt.Sprintf("line %d", res.Lines)) {
		t.Errorf("cut short: %d items, %v", len(cut), err)
	}
	if !reflect.DeepEqual(cut[:1000], func() []Item {
		some := append([]Item(nil), items[:1000]...)
		for i := range some {
			some[i].BootID, some[i].Record.Source = res.BootID, "file"
		}
		return some
	}()) {
		t.Error("what a cut file held is not what was written")
	}
}

// A night is known by its first pack: when it is taken in again, has grown, or
// comes gzipped.
func TestBootIDKnowsTheNight(t *testing.T) {
	id := func(text string) string {
		_, res := read(t, strings.NewReader(text), Options{})
		return res.BootID
	}
	one := id(pack(0) + "\n")
	if !strings.HasPrefix(one, "rec:") || len(one) != 4+64 {
		t.Errorf("boot id %q", one)
	}
	var zipped bytes.Buffer
	z := gzip.NewWriter(&zipped)
	z.Write([]byte(pack(0) + "\n"))
	z.Close()
	for what, text := range map[string]string{
		"again": pack(0) + "\n", "grown": pack(0) + "\r\n" + pack(1), "with a comment": "# note\n\n" + pack(0), "gzipped": zipped.String(),
	} {
		if got := id(text); got != one {
			t.Errorf("%s: boot id %q, want %q", what, got, one)
		}
	}
	if one == id(pack(1)+"\n") {
		t.Error("another night has the same boot id")
	}
}

func TestRigsHaveTheirOwnTime(t *testing.T) {
	other := strings.ReplaceAll(pack(3000), "heron", "linnet") // ten minutes on
	text := pack(0) + "\n" + other + "\n" + pack(1) + "\n"
	items, _ := read(t, strings.NewReader(text), Options{})
	if len(items) != 3 || items[1].Rig != "linnet" || items[1].Record.Mono != 0 || items[2].Record.Mono != 200_000_000 {
		t.Errorf("items %+v", items)
	}
	items, res := read(t, strings.NewReader(text), Options{Rig: "heron"})
	if len(items) != 2 || res.Dropped[string(wire.OtherRig)] == 0 {
		t.Errorf("%d items of heron, %v", len(items), res.Dropped)
	}
}

func TestErrorsStopTheReading(t *testing.T) {
	var b strings.Builder
	for n := range 3 * batchMost {
		fmt.Fprintln(&b, pack(n))
	}
	full := errors.New("no room")
	puts := 0
	_, err := Read(t.Context(), strings.NewReader(b.String()), Options{}, func(context.Context, []Item) error {
		if puts++; puts == 2 {
			return full
		}
		return nil
	})
	if !errors.Is(err, full) || puts != 2 || !strings.Contains(err.Error(), fmt.Sprintf("line %d:", 2*batchMost)) {
		t.Errorf("after %d puts: %v", puts, err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	puts = 0
	_, err = Read(ctx, strings.NewReader(b.String()), Options{}, func(context.Context, []Item) error {
		puts++
		cancel()
		return nil
	})
	if !errors.Is(err, context.Canceled) || puts != 1 {
		t.Errorf("after %d puts: %v", puts, err)
	}
	broken := errors.New("stick pulled out")
	items, _, err := readAll(io.MultiReader(strings.NewReader(b.String()), iotest.ErrReader(broken)), Options{})
	if !errors.Is(err, broken) || len(items) != 3*batchMost {
		t.Errorf("%d items, %v", len(items), err)
	}
	if _, _, err := Open(filepath.Join(t.TempDir(), "none")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
	if _, _, err := Open(t.TempDir()); err == nil || !strings.Contains(err.Error(), "must be a file") {
		t.Errorf("a folder: %v", err)
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(pack(0) + "\n" + pack(1)))
	f.Add([]byte("\x1f\x8b\x08"))
	f.Add([]byte("[]\n{}\n#\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		items, res, _ := readAll(bytes.NewReader(b), Options{})
		last := map[string]int64{}
		for _, it := range items {
			if it.Act != nil || it.BootID != res.BootID {
				continue
			}
			if it.Record.Mono < last[it.Rig] {
				t.Fatalf("line %d: time goes back", it.Line)
			}
			last[it.Rig] = it.Record.Mono
		}
	})
}

func BenchmarkRead(b *testing.B) {
	var text bytes.Buffer
	for n := range 50_000 {
		fmt.Fprintln(&text, pack(n))
	}
	b.SetBytes(int64(text.Len()))
	b.ReportAllocs()
	readings := int64(0)
	for b.Loop() {
		res, err := Read(context.Background(), bytes.NewReader(text.Bytes()), Options{}, func(context.Context, []Item) error { return nil })
		if err != nil {
			b.Fatal(err)
		}
		readings += res.Readings
	}
	b.ReportMetric(float64(readings)/b.Elapsed().Seconds(), "readings/s")
}
