// Package sqlite opens SQLite files the way a rig needs them: write-ahead log,
// every commit synced before it is acknowledged. It is the only place that
// names the SQLite driver.
//
// # Why ncruces/go-sqlite3
//
// Two drivers need no C compiler: modernc.org/sqlite v1.62.0 and
// github.com/ncruces/go-sqlite3 v0.37.0. Measured with one small program, the
// same for both but for the import: WAL, synchronous=FULL, cache 1 MiB, a
// table of (rig, seq, 40-byte blob); amd64 (2 shared cores, ext4) and armv6
// under emulation (built with GOARCH=arm GOARM=6 CGO_ENABLED=0, run with
// qemu-arm: compare the columns with each other, not with a real board).
//
//	                              ncruces          modernc
//	amd64  one-row commit, p50    0.29-0.35 ms     0.37-0.41 ms
//	       one-row commit, p99    0.55-0.66 ms     0.59-0.67 ms
//	       bulk insert, rows/s    257k-334k        188k-209k
//	       read back, rows/s      1.03M-1.12M      0.79M-0.96M
//	       resident after open    7.1 MB           7.7 MB
//	       resident at end        13.9 MB          16.4 MB
//	       binary                 13.4 MB          10.1 MB
//	       build, cold            14 s             36 s
//	arm    one-row commit, p50    1.3-1.9 ms       1.0 ms
//	       bulk insert, rows/s    6.1k-7.3k        9.3k
//	       read back, rows/s      28k-33k          23k
//	       resident after open    42 MB, of it anonymous 24 MB (the emulator's counted too) / 33 MB, 19 MB
//	       binary                 14.5 MB          9.7 MB
//	       build, cold            90 s, 1.6 GB     37 s
//
// They are near enough; modernc is smaller and somewhat quicker on 32-bit arm
// (the journal inserts one row a second there, not thousands), ncruces is
// quicker on 64 bits. What decides is the file layer: ncruces takes a
// read-write VFS written in Go, in this process, through a documented
// interface (package vfs). modernc's package vfs wraps an io/fs file system
// and is read-only; a writing one would have to be laid out by hand as C
// structures through its translated library. The power-cut tests need the
// former.
package sqlite
