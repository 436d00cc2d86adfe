package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"runtime/debug"

	"yardtally/ingest/source"
)

func runRun(ctx context.Context, e *env, args []string) error {
	fs := flags("run")
	w := where{house: true}
	w.flags(fs)
	verbose := fs.Bool("v", false, "log more")
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	if err := w.findSettings(); err != nil {
		return err
	}
	if w.set.House() && w.rig != "" {
		return usageError{fmt.Errorf("-rig: must be left out, as all rigs of the settings run, is %q", w.rig)}
	}
	if w.rig != w.set.Rig {
		return usageError{fmt.Errorf("-rig: must be the settings' rig %q, is %q", w.set.Rig, w.rig)}
	}
	thrift()
	level := slog.LevelInfo
	if *verbose {
		level = slog.LevelDebug
	}
	d := &daemon{set: w.set, clock: &source.Steady{Clock: source.SystemClock{}}, bootID: source.BootID(), speed: 1,
		log: slog.New(slog.NewTextHandler(e.err, &slog.HandlerOptions{Level: level}))}
	if err := openDaemon(ctx, d); err != nil {
		return err
	}
	debug.FreeOSMemory() // what deriving a season from its readings left over
	what := "Rig " + w.set.Rig
	if n := len(w.set.Rigs); n > 0 {
		what = fmt.Sprintf("%d rigs", n)
	}
	fmt.Fprintf(e.out, "%s, kept in %s.\nThe page is at %s\n", what, w.set.Data, pageURL(d.page.Addr(), w.set.Door.Certificate != ""))
	if advice := d.door.Advice(); advice != "" {
		fmt.Fprintln(e.out, advice)
	}
	sources := len(d.sources)
	for _, r := range d.rigs {
		sources += len(r.own)
	}
	if sources == 0 {
		fmt.Fprintln(e.out, "No source of readings is set: add [[serial]], [[recording]], [[mqtt]] or [broker] to the settings.")
	}
	return d.run(ctx)
}

// pageURL is the address to type into a browser on this machine.
func pageURL(a net.Addr, secure bool) string {
	scheme := "http://"
	if secure {
		scheme = "https://"
	}
	host, port, err := net.SplitHostPort(a.String())
	if ip := net.ParseIP(host); err == nil && ip != nil && ip.IsUnspecified() {
		host = "127.0.0.1"
	}
	return scheme + net.JoinHostPort(host, port) + "/"
}
