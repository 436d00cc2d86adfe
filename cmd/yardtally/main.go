// Command yardtally keeps account of sugar syrup fed to honey-bee colonies: it
// reads a rig's flow meter and tote level, finds each fill and each yard's
// total, and shows them on a page of its own. See README.md.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
	_ "time/tzdata" // a board in a yard may have no zone files
)

// env is what a command has of the outside.
type env struct {
	in       io.Reader
	out, err io.Writer
}

type command struct {
	name, args, what string
	run              func(ctx context.Context, e *env, args []string) error
}

func commands() []command {
	return []command{
		{"demo", "[-speed N | -season] [-page ADDRESS]", "play a simulated night, or a season with its books", runDemo},
		{"setup", "[-yes] [-answer Q=A] [-wifi]", "ask, listen, and write settings", runSetup},
		{"run", "[-settings FILE]", "read the rig, keep, show: the daemon", runRun},
		{"reload", "[-settings FILE] [--json]", "have the daemon read its settings again, losing nothing", runReload},
		{"check", "[-listen] [--json | -example]", "say whether the settings, and what they name, would work", runCheck},
		{"passphrase", "[-settings FILE]", "set the passphrase of the page", runPassphrase},
		{"import", "[-settings FILE] RECORDING...", "take in recordings or exports", runImport},
		{"export", "[-settings FILE] [-o FILE]", "write out everything that is kept", runExport},
		{"backup", "[-settings FILE] FILE", "copy the journal, checked, beside the running daemon", runBackup},
		{"restore", "[-settings FILE] [-replace] FILE", "put a backup in the journal's place", runRestore},
		{"fills", "[-night DATE | -all] [--json | --csv]", "list the fills", runFills},
		{"yards", "[-night DATE | -all] [--json | --csv]", "add up the yards", runYards},
		{"places", "[-from WHEN] [-dry-run] FILE | -o FILE", "take yards in from a map, or give them out", runPlaces},
		{"tote", "[-night DATE | -all] [--json | --csv]", "say what is in the tote", runTote},
		{"strap", "[-since DATE] [-keep]", "learn the tote's strapping from the meter", runStrap},
		{"meter", "[-on DATE] [--json | --csv]", "show the meter's curve, drift and next proving", runMeter},
		{"prove", "[-pulses N -net KG -brix B -temp T]", "prove the meter with a bucket", runProve},
		{"say", "WHAT [-at TIME]", "say what the hand did, of colonies, and the route", runSay},
		{"watch", "[ack | shelve KIND -for TIME]", "say what is the matter, and answer it", runWatch},
		{"store", "[retry] [--json]", "say what the InfluxDB lacks, and what it rejected", runStore},
		{"fleet", "[-night DATE] [--json | --csv]", "say what all rigs gave, as the InfluxDB has it", runFleet},
		{"move", "FILLS to YARD", "give fills to another yard", runMove},
		{"count", "FILLS as KIND", "say what fills were, such as priming or spill", runCount},
		{"cut", "FILL at VOLUME", "make two fills of one", runCut},
		{"join", "FILLS", "make one colony's fill of several", runJoin},
		{"visit", "begins|goes-on -at TIME", "say where a visit of a yard begins", runVisit},
		{"book", "[WAY] [GOODS] [-on DATE]", "keep the season's books: bought, mixed, counted", runBook},
		{"balance", "[-from DATE] [-to DATE] [-o FILE]", "say whether the season's sugar adds up", runBalance},
		{"statement", "[-issue | -changes N] [-format F]", "say where the season's sugar went", runStatement},
		{"acts", "[-all] [--json]", "list what people have said", runActs},
		{"undo", "ACT...", "take acts back", runUndo},
		{"forecast", "[KIND] [-brix B] [-temp T] [-thin B]", "say whether the rig will pump a syrup, and how fast", runForecast},
		{"mix", "SYRUP [-colonies N] [-each V] [-left]", "plan what to mix: weights, loads, cost, time", runMix},
		{"syrup", "[KIND] -brix B [-temp T] | mix ...", "say what a syrup is, mix, thin and blend it", runSyrup},
	}
}

func main() {
	os.Exit(Main(os.Args[1:], &env{os.Stdin, os.Stdout, os.Stderr}))
}

// usageError is a mistake in how a command was called.
type usageError struct{ error }

// Main runs a command and returns the exit code: 0, 1 after a failure, 2 after
// a mistake in the command line.
func Main(args []string, e *env) int {
	ctx, stop := interruptible()
	defer stop()
	if len(args) == 0 {
		usage(e.err)
		return 2
	}
	switch help := args[0]; help {
	case "help", "-h", "-help", "--help":
		if len(args) == 1 {
			usage(e.out)
			return 0
		}
		args = []string{args[1], "-h"}
	}
	if args[0] == "version" {
		fmt.Fprintln(e.out, "yardtally", version())
		return 0
	}
	for _, c := range commands() {
		if c.name != args[0] {
			continue
		}
		err := c.run(ctx, e, args[1:])
		var ue usageError
		switch {
		case err == nil || errors.Is(err, flag.ErrHelp):
			return 0
		case errors.As(err, &ue):
			fmt.Fprintf(e.err, "yardtally %s: %v\n%s", c.name, err, c.usage())
			return 2
		}
		fmt.Fprintf(e.err, "yardtally %s: %v\n", c.name, err)
		return 1
	}
	fmt.Fprintf(e.err, "yardtally: command: must be one of those below, is %q\n\n", args[0])
	usage(e.err)
	return 2
}

// interruptible returns a context that the first signal to stop ends, so that
// all ends in good order; the second signal does not wait.
func interruptible() (context.Context, context.CancelFunc) {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop)
	return ctx, stop
}

func (c *command) usage() string {
	return strings.TrimRight(fmt.Sprintf("usage: yardtally %s %s", c.name, c.args), " ") + "\n"
}

func usage(w io.Writer) {
	fmt.Fprint(w, "Yardtally tells how much syrup each yard took.\n\n")
	for _, c := range commands() {
		fmt.Fprintf(w, "  yardtally %-10s %-38s %s\n", c.name, c.args, c.what)
	}
	fmt.Fprintf(w, "  yardtally %-10s %-38s %s\n", "version", "", "say which version this is")
	fmt.Fprint(w, "\nEvery command says more with -h. Settings are read from "+defaultSettings+" if no other\nfile is named; \"check -example\" prints one to start from. Readings are not\nlegal for trade.\n")
}

// release is the version that a package is built with: -ldflags "-X main.release=…".
var release string

// version is the package's, else the one that Go found: of the module, or of
// the commit.
func version() string { return versionOf(debug.ReadBuildInfo()) }

func versionOf(info *debug.BuildInfo, ok bool) string {
	switch {
	case release != "":
		return release
	case !ok || info.Main.Version == "":
		return "(unversioned)"
	}
	return info.Main.Version
}

// flags returns a command's flag set.
func flags(name string) *flag.FlagSet {
	fs := flag.NewFlagSet("yardtally "+name, flag.ContinueOnError)
	fs.Usage = func() {
		for _, c := range commands() {
			if c.name == name {
				fmt.Fprintf(fs.Output(), "%s\nTo %s.\n\n", c.usage(), c.what)
			}
		}
		fs.PrintDefaults()
	}
	return fs
}

// also has a command's help say more, after its flags.
func also(fs *flag.FlagSet, text string) {
	usual := fs.Usage
	fs.Usage = func() {
		usual()
		fmt.Fprint(fs.Output(), text)
	}
}

// parse reads a command line, in which flags may also stand after arguments;
// what is wrong with it is a usageError. mostArgs below 0 is any number.
func parse(e *env, fs *flag.FlagSet, args []string, mostArgs int) error {
	fs.SetOutput(io.Discard)
	var plain []string
	for {
		if err := fs.Parse(args); errors.Is(err, flag.ErrHelp) {
			fs.SetOutput(e.out)
			fs.Usage()
			return err
		} else if err != nil {
			return usageError{err}
		}
		rest := fs.Args()
		if n := len(args) - len(rest); len(rest) == 0 || n > 0 && args[n-1] == "--" {
			plain = append(plain, rest...)
			break
		}
		plain, args = append(plain, rest[0]), rest[1:]
	}
	if mostArgs >= 0 && len(plain) > mostArgs {
		return usageError{fmt.Errorf("argument %q: must not be there", plain[mostArgs])}
	}
	return fs.Parse(append([]string{"--"}, plain...))
}
