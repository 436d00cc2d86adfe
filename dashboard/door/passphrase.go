package door

import (
	"bytes"
	"crypto/rand"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"unicode"
	"unicode/utf8"

	"golang.org/x/crypto/scrypt"
)

// What a passphrase may be. Twelve characters are NIST SP 800-63B's eight for
// a secret that is guessed online, and four more because the hash below is a
// light one (both from memory).
const (
	ShortestPassphrase = 12  // characters
	LongestPassphrase  = 256 // bytes
	fewestDifferent    = 5   // different characters
)

// A try must be slow for who guesses and bearable for the smallest board, a
// Pi Zero: one core of 1 GHz, 32 bits, 512 MB. scrypt (RFC 7914) with N=2^13,
// r=8, p=1 needs 8 MiB and about 30 ms on a PC; a Pi Zero is some 20 to 30 times
// slower, so well under a second (reckoned, not measured there). Looked at
// beside it: argon2id lives on 64-bit multiplications, which such a board has
// to piece together; bcrypt needs 4 KiB only, which suits those who guess on
// graphics cards, and stops at 72 bytes; PBKDF2 is in the standard library,
// but a second of it on that board is 50,000 rounds, a twelfth of what is
// advised. OWASP asks for ten times this scrypt (p=10, from memory): the
// length above makes up for it. The cost stands in the file, so it can grow.
const (
	costN   = 1 << 13
	costR   = 8
	costP   = 1
	saltLen = 16
	hashLen = 32

	mostN    = 1 << 16 // of a file's; 64 MiB with r=8
	mostFile = 4096    // bytes
)

// kept is a passphrase as its file holds it: one line of JSON.
type kept struct {
	Algorithm string `json:"algorithm"`
	N         int    `json:"n"`
	R         int    `json:"r"`
	P         int    `json:"p"`
	Salt      []byte `json:"salt"`
	Hash      []byte `json:"hash"`
}

// CheckPassphrase says what is wrong with a passphrase, without showing it.
func CheckPassphrase(passphrase string) error {
	different := map[rune]bool{}
	n := 0
	for _, c := range passphrase {
		n++
		if n <= LongestPassphrase {
			different[c] = true
		}
		if unicode.IsControl(c) {
			return errors.New("passphrase: must have no control characters, has one")
		}
	}
	switch {
	case len(passphrase) > LongestPassphrase:
		return fmt.Errorf("passphrase: must be at most %d bytes, is %d", LongestPassphrase, len(passphrase))
	case !utf8.ValidString(passphrase):
		return errors.New("passphrase: must be UTF-8, is not")
	case n < ShortestPassphrase:
		return fmt.Errorf("passphrase: must be at least %d characters, is %d; four or five words do well", ShortestPassphrase, n)
	case len(different) < fewestDifferent:
		return fmt.Errorf("passphrase: must have at least %d different characters, has %d", fewestDifferent, len(different))
	}
	return nil
}

// Set puts a salted hash of the passphrase into the file at path, in place of
// an older one; that signs everybody out. A daemon that runs need not be
// started again. The file can be read by its owner and group only; where root
// sets it, they are those of the older file or of the folder.
func Set(path, passphrase string) error {
	if err := CheckPassphrase(passphrase); err != nil {
		return err
	}
	k := kept{Algorithm: "scrypt", N: costN, R: costR, P: costP, Salt: make([]byte, saltLen)}
	rand.Read(k.Salt)
	var err error
	if k.Hash, err = scrypt.Key([]byte(passphrase), k.Salt, k.N, k.R, k.P, hashLen); err != nil {
		return err
	}
	line, err := json.Marshal(k)
	if err != nil {
		return err
	}
	return replace(path, append(line, '\n'))
}

// Load reads the passphrase's file. Without one the error is fs.ErrNotExist.
func Load(path string) (*Passphrase, error) {
	data, err := readSmall(path, mostFile)
	if err != nil {
		return nil, err
	}
	bad := func(format string, args ...any) (*Passphrase, error) {
		return nil, fmt.Errorf("passphrase file %s: %s; set it anew with: yardtally passphrase", path, fmt.Sprintf(format, args...))
	}
	var k kept
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&k); err != nil {
		return bad("must be one line of JSON, is not (%v)", err)
	}
	switch {
	case k.Algorithm != "scrypt":
		return bad(`algorithm: must be "scrypt", is %.40q`, k.Algorithm)
	case k.N < 1<<10 || k.N > mostN || k.N&(k.N-1) != 0:
		return bad("n: must be a power of two from %d to %d, is %d", 1<<10, mostN, k.N)
	case k.R != costR:
		return bad("r: must be %d, is %d", costR, k.R)
	case k.P < 1 || k.P > 16:
		return bad("p: must be 1 to 16, is %d", k.P)
	case len(k.Salt) < 8 || len(k.Salt) > 64:
		return bad("salt: must be 8 to 64 bytes, is %d", len(k.Salt))
	case len(k.Hash) != hashLen:
		return bad("hash: must be %d bytes, is %d", hashLen, len(k.Hash))
	}
	return &Passphrase{k}, nil
}

// Passphrase is what is kept of a passphrase: enough to know it again.
type Passphrase struct{ kept kept }

// Is reports whether this is the passphrase. It takes long, on purpose, and
// 8 MiB; the door does one at a time.
func (p *Passphrase) Is(passphrase string) bool {
	k := p.kept
	h, err := scrypt.Key([]byte(passphrase), k.Salt, k.N, k.R, k.P, len(k.Hash))
	return err == nil && subtle.ConstantTimeCompare(h, k.Hash) == 1
}

// String keeps the hash out of logs.
func (p *Passphrase) String() string { return "(a passphrase)" }

// GoString keeps the hash out of logs.
func (p *Passphrase) GoString() string { return p.String() }

// mark tells this passphrase from any other, and says nothing about it.
func (p *Passphrase) mark() string { return digest(string(p.kept.Salt) + string(p.kept.Hash)) }

func readSmall(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(data)) > most {
		err = fmt.Errorf("%s: must be at most %d bytes, is more", path, most)
	}
	return data, err
}

// replace writes a file anew so that after a power cut there is the old one or
// the new one.
func replace(path string, data []byte) (err error) {
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, "."+filepath.Base(path)+"-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if os.Geteuid() == 0 {
		like, err := os.Stat(path)
		if errors.Is(err, fs.ErrNotExist) {
			like, err = os.Stat(dir)
		}
		if err != nil {
			return err
		}
		if st, ok := like.Sys().(*syscall.Stat_t); ok {
			if err := f.Chown(int(st.Uid), int(st.Gid)); err != nil {
				return err
			}
		}
	}
	if err := f.Chmod(0o640); err != nil {
		return err
	}
	if _, err := f.Write(data); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	if err := os.Rename(f.Name(), path); err != nil {
		return err
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
