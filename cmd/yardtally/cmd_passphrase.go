package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/term"

	"yardtally/dashboard/door"
)

// runPassphrase sets the page's passphrase: asked for twice on a terminal, or
// the first line of what is piped in.
func runPassphrase(_ context.Context, e *env, args []string) error {
	fs := flags("passphrase")
	w := where{house: true}
	w.flags(fs)
	if err := parse(e, fs, args, 0); err != nil {
		return err
	}
	if err := w.find(); err != nil {
		return err
	}
	text, err := askPassphrase(e)
	if err != nil {
		return err
	}
	if err := setPassphrase(w.data, text); err != nil {
		return err
	}
	fmt.Fprintln(e.out, "The passphrase is set. Whoever was signed in has to give it again.")
	return nil
}

// setPassphrase sets the page's passphrase in a data folder, made where it is
// not there.
func setPassphrase(data, text string) error {
	if err := door.CheckPassphrase(text); err != nil {
		return err
	}
	if err := os.MkdirAll(data, 0o770); err != nil {
		return fmt.Errorf("data: %w", err)
	}
	return door.Set(filepath.Join(data, passphraseFile), text)
}

func askPassphrase(e *env) (string, error) {
	if f, ok := e.in.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		ask := func(what string) (string, error) {
			defer unseen(f)()
			fmt.Fprint(e.err, what)
			b, err := term.ReadPassword(int(f.Fd()))
			fmt.Fprintln(e.err)
			return string(b), err
		}
		first, err := ask("New passphrase: ")
		if err != nil {
			return "", err
		}
		again, err := ask("Once more: ")
		if err != nil {
			return "", err
		}
		if first != again {
			return "", errors.New("passphrase: must be the same both times")
		}
		return first, nil
	}
	line, err := bufio.NewReader(io.LimitReader(e.in, 4096)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", err
	}
	return strings.TrimRight(line, "\r\n"), nil
}
