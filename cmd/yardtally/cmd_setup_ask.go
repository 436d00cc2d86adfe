package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
	"golang.org/x/term"
)

// errSetupEnded is for a setup that ends before it has written.
var errSetupEnded = errors.New("broken off: nothing was written")

// question is one that setup asks.
type question struct {
	key   string // its name among answers that are given beforehand
	ask   string
	hint  string
	usual string // the default; "" where there is none
	hide  bool   // what is typed is not to be seen
	// take takes an answer in, or says what is wrong with it: field, rule, value.
	take func(answer string) error
}

// asker puts questions on a terminal, or to what is piped in, but for those
// whose answers were given beforehand.
type asker struct {
	in    *bufio.Reader
	tty   *os.File // in, where that is a terminal
	out   io.Writer
	given [][2]string // answers by key, in order
	yes   bool        // all others take their default
}

func newAsker(e *env) *asker {
	a := &asker{in: bufio.NewReader(e.in), out: e.out}
	if f, ok := e.in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		a.tty = f
	}
	return a
}

// give takes an answer beforehand: KEY=VALUE.
func (a *asker) give(text string) error {
	key, value, ok := strings.Cut(text, "=")
	key, value = strings.TrimSpace(key), strings.TrimSpace(value)
	if !ok || key == "" {
		return fmt.Errorf("answer: must be QUESTION=ANSWER, is %q", text)
	}
	a.given = append(a.given, [2]string{key, value})
	return nil
}

// take returns the first answer that was given to a question. What is asked of a
// yard has its answer before the next yard's.
func (a *asker) take(key string) (string, bool) {
	for i, g := range a.given {
		if g[0] == key {
			a.given = slices.Delete(a.given, i, i+1)
			return g[1], true
		}
		if g[0] == "yard" && (key == "colonies" || key == "position") {
			break
		}
	}
	return "", false
}

// giveAll reads answers, one a line; lines that begin with # are comments.
func (a *asker) giveAll(r io.Reader) error {
	lines := bufio.NewScanner(r)
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		if err := a.give(line); err != nil {
			return fmt.Errorf("line %d: %w", n, err)
		}
	}
	return lines.Err()
}

// left names the answers that no question took.
func (a *asker) left(but ...string) error {
	var names []string
	for _, g := range a.given {
		if !slices.Contains(but, g[0]) {
			names = append(names, fmt.Sprintf("%q", g[0]))
		}
	}
	if len(names) > 0 {
		return fmt.Errorf("answer: must be of a question that is asked, is of %s; nothing was written", strings.Join(names, ", "))
	}
	return nil
}

// put asks until the answer can be taken.
func (a *asker) put(ctx context.Context, q question) error {
	if q.hint != "" {
		fmt.Fprintf(a.out, "\n%s\n", q.hint)
	}
	prompt := fmt.Sprintf("%s [%s]: ", q.ask, cmp.Or(q.usual, "must be answered"))
	if given, ok := a.take(q.key); ok {
		shown := given
		if q.hide {
			shown = "(hidden)"
		}
		fmt.Fprintf(a.out, "%s%s\n", prompt, shown)
		return a.settle(q, given)
	}
	if a.yes {
		fmt.Fprintf(a.out, "%s\n", prompt)
		return a.settle(q, q.usual)
	}
	for {
		answer, err := a.read(ctx, prompt, q.hide)
		if err != nil {
			fmt.Fprintln(a.out)
			return errSetupEnded
		}
		err = q.take(cmp.Or(answer, q.usual))
		if err == nil {
			return nil
		}
		if ctx.Err() != nil {
			return errSetupEnded
		}
		fmt.Fprintf(a.out, "  %v. Once more:\n", err)
	}
}

// settle takes an answer that cannot be asked for again.
func (a *asker) settle(q question, answer string) error {
	if err := q.take(cmp.Or(answer, q.usual)); err != nil {
		return fmt.Errorf("answer %s: %w; nothing was written", q.key, err)
	}
	return nil
}

// confirm asks for yes or no.
func (a *asker) confirm(ctx context.Context, key, ask, hint, usual string) (yes bool, err error) {
	err = a.put(ctx, question{key: key, ask: ask + " (y/n)", hint: hint, usual: usual, take: func(s string) error {
		switch strings.ToLower(s) {
		case "y", "yes":
			yes = true
		case "n", "no":
			yes = false
		default:
			return fmt.Errorf("%s: must be y or n, is %q", key, s)
		}
		return nil
	}})
	return yes, err
}

// mostLine is how long an answer may be, in bytes. Judgement.
const mostLine = 4096

// read reads one line after a prompt; the context's end is an error, and so is a
// line that the end of the input cut off with nothing in it.
func (a *asker) read(ctx context.Context, prompt string, hide bool) (string, error) {
	type line struct {
		text string
		err  error
	}
	if hide = hide && a.tty != nil && a.in.Buffered() == 0; hide {
		defer unseen(a.tty)()
	}
	fmt.Fprint(a.out, prompt)
	got := make(chan line, 1)
	go func() {
		if hide {
			b, err := term.ReadPassword(int(a.tty.Fd()))
			got <- line{string(b), err}
			return
		}
		text, err := a.in.ReadString('\n')
		if errors.Is(err, io.EOF) && text != "" {
			err = nil
		}
		if err == nil && len(text) > mostLine {
			text = text[:mostLine]
		}
		got <- line{text, err}
	}()
	select {
	case l := <-got:
		if hide {
			fmt.Fprintln(a.out)
		}
		return strings.TrimSpace(l.text), l.err
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// unseen has a terminal show nothing of what is typed, from before it is asked
// for, until the returned function is called.
func unseen(tty *os.File) (seen func()) {
	was, err := unix.IoctlGetTermios(int(tty.Fd()), unix.TCGETS)
	if err != nil {
		return func() {}
	}
	now := *was
	now.Lflag &^= unix.ECHO
	if unix.IoctlSetTermios(int(tty.Fd()), unix.TCSETS, &now) != nil {
		return func() {}
	}
	return func() { _ = unix.IoctlSetTermios(int(tty.Fd()), unix.TCSETS, was) }
}
