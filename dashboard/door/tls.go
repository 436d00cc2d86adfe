package door

import (
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"sync"
	"time"
)

// mostPEM bounds a certificate's or key's file, in bytes.
const mostPEM = 1 << 20

// TLS returns a configuration that serves the owner's certificate, with its
// chain, from PEM files, and takes up new ones when the files change; while
// those are no good it goes on with the old ones and logs why. The error
// names the setting. Versions are TLS 1.2 and up.
func TLS(certificate, key string, log *slog.Logger) (*tls.Config, error) {
	c := &certFiles{cert: certificate, key: key, log: log}
	if err := c.load(); err != nil {
		return nil, err
	}
	return &tls.Config{
		MinVersion:     tls.VersionTLS12,
		NextProtos:     []string{"http/1.1"},
		GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return c.now(), nil },
	}, nil
}

type certFiles struct {
	cert, key string
	log       *slog.Logger

	mu     sync.Mutex
	pair   *tls.Certificate
	seen   [2]fs.FileInfo
	failed string // why the newest files are not taken, as last said
}

// now returns the pair of the files as they are now, or the last good one.
func (c *certFiles) now() *tls.Certificate {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.changed() {
		if err := c.load(); err == nil {
			c.failed = ""
			c.log.Info("new certificate taken", "certificate", c.cert)
		} else if err.Error() != c.failed {
			c.failed = err.Error()
			c.log.Error("the new certificate cannot be used; going on with the old one", "err", err)
		}
	}
	return c.pair
}

func (c *certFiles) changed() bool {
	for i, path := range []string{c.cert, c.key} {
		info, err := os.Stat(path)
		if err != nil {
			return true
		}
		if old := c.seen[i]; old == nil || !os.SameFile(info, old) || !info.ModTime().Equal(old.ModTime()) || info.Size() != old.Size() {
			return true
		}
	}
	return false
}

// load reads the files; the caller holds the lock, or is the only one.
func (c *certFiles) load() error {
	var data [2][]byte
	var seen [2]fs.FileInfo
	for i, f := range []struct{ field, path string }{{"certificate", c.cert}, {"key", c.key}} {
		if f.path == "" {
			return fmt.Errorf(`%s: must be a PEM file, beside the other, is ""`, f.field)
		}
		var err error
		if seen[i], err = os.Stat(f.path); err == nil {
			data[i], err = readSmall(f.path, mostPEM)
		}
		if err != nil {
			return fmt.Errorf("%s: must be a file that can be read, is %q: %w", f.field, f.path, err)
		}
		if block, _ := pem.Decode(data[i]); block == nil {
			return fmt.Errorf("%s: must be in PEM form, %q is not", f.field, f.path)
		}
	}
	if err := hasCertificate(data[0]); err != nil {
		return fmt.Errorf("certificate: must hold a certificate, %q does not: %w", c.cert, err)
	}
	pair, err := tls.X509KeyPair(data[0], data[1])
	if err != nil {
		return fmt.Errorf("key: must be the certificate's private key, without a password, %q is not: %w", c.key, err)
	}
	if pair.Leaf == nil {
		return errors.New("certificate: must hold a certificate, holds none")
	}
	if now := time.Now(); now.After(pair.Leaf.NotAfter) || now.Before(pair.Leaf.NotBefore) {
		// The board's clock may be wrong: browsers will judge.
		c.log.Warn("the certificate does not hold today, by this board's clock", "certificate", c.cert,
			"from", pair.Leaf.NotBefore, "to", pair.Leaf.NotAfter)
	}
	c.pair, c.seen = &pair, seen
	return nil
}

func hasCertificate(data []byte) error {
	for {
		block, rest := pem.Decode(data)
		if block == nil {
			return errors.New("there is no block of that kind in it")
		}
		if block.Type == "CERTIFICATE" {
			_, err := x509.ParseCertificate(block.Bytes)
			return err
		}
		data = rest
	}
}
