package door

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// ownCert writes a certificate of that name for 127.0.0.1 and its key.
func ownCert(t *testing.T, cert, key, name string, until time.Time) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(time.Now().UnixNano()), Subject: pkix.Name{CommonName: name},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: until, IPAddresses: []net.IP{{127, 0, 0, 1}}}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &k.PublicKey, k)
	if err != nil {
		t.Fatal(err)
	}
	kder, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	write := func(path, kind string, der []byte) {
		if path == "" {
			return
		}
		if err := replace(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der})); err != nil {
			t.Fatal(err)
		}
	}
	write(cert, "CERTIFICATE", der)
	write(key, "PRIVATE KEY", kder)
}

func TestTLS(t *testing.T) {
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	soon := time.Now().Add(time.Hour)
	ownCert(t, cert, key, "first", soon)
	var log safeBuffer
	logger := slog.New(slog.NewTextHandler(&log, nil))
	conf, err := TLS(cert, key, logger)
	if err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r := newRig(t, func(o *Options) { o.Secure = true })
	r.set(t, right)
	s := NewServer(t.Context(), r, logger)
	go s.Serve(Listen(l, conf))
	defer s.Close()

	served := func(version uint16) (string, *tls.ConnectionState, error) {
		client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true, ForceAttemptHTTP2: true,
			TLSClientConfig: &tls.Config{InsecureSkipVerify: true, MaxVersion: version}}}
		res, err := client.Get("https://" + l.Addr().String() + "/tonight.csv")
		if err != nil {
			return "", nil, err
		}
		defer res.Body.Close()
		io.Copy(io.Discard, res.Body)
		if res.StatusCode != 401 || res.Proto != "HTTP/1.1" {
			t.Errorf("status %d over %s", res.StatusCode, res.Proto)
		}
		return res.TLS.PeerCertificates[0].Subject.CommonName, res.TLS, nil
	}
	for v, want := range map[uint16]bool{tls.VersionTLS10: false, tls.VersionTLS11: false, tls.VersionTLS12: true, tls.VersionTLS13: true} {
		name, state, err := served(v)
		if (err == nil) != want || err == nil && (name != "first" || state.Version != v) {
			t.Errorf("TLS %x: %v %v", v, name, err)
		}
	}
	now := func() string {
		t.Helper()
		name, _, err := served(0)
		if err != nil {
			t.Fatal(err)
		}
		return name
	}
	ownCert(t, cert, "", "half", soon) // its key has not come yet
	if n := now(); n != "first" {
		t.Errorf("served %q, whose key is not there", n)
	}
	ownCert(t, cert, key, "second", soon)
	if n := now(); n != "second" {
		t.Errorf("a new certificate is not taken: %q", n)
	}
	os.Remove(key)
	for range 3 {
		if n := now(); n != "second" {
			t.Errorf("served %q", n)
		}
	}
	ownCert(t, cert, key, "third", soon)
	if n := now(); n != "third" {
		t.Errorf("served %q", n)
	}
	if n := bytes.Count(log.b.Bytes(), []byte("going on with the old one")); n != 2 {
		t.Errorf("%d complaints, want one for each of two faults: %s", n, log.b.String())
	}
}

func TestTLSErrors(t *testing.T) {
	dir := t.TempDir()
	f := func(name string) string { return filepath.Join(dir, name) }
	ownCert(t, f("cert"), f("key"), "one", time.Now().Add(time.Hour))
	ownCert(t, f("old"), f("oldkey"), "old", time.Now().Add(-time.Minute))
	ownCert(t, f("other"), f("otherkey"), "two", time.Now().Add(time.Hour))
	os.WriteFile(f("text"), []byte("no PEM"), 0o600)
	os.WriteFile(f("broken"), pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: []byte("x")}), 0o600)
	for _, c := range []struct{ cert, key, want string }{
		{"", f("key"), `certificate: must be a PEM file`},
		{f("cert"), "", `key: must be a PEM file`},
		{f("none"), f("key"), "certificate: must be a file that can be read"},
		{f("cert"), f("none"), "key: must be a file that can be read"},
		{f("cert"), dir, "key: must be a file that can be read"},
		{f("text"), f("key"), "certificate: must be in PEM form"},
		{f("cert"), f("text"), "key: must be in PEM form"},
		{f("key"), f("key"), "certificate: must hold a certificate"},
		{f("broken"), f("key"), "certificate: must hold a certificate"},
		{f("cert"), f("cert"), "key: must be the certificate's private key"},
		{f("cert"), f("otherkey"), "key: must be the certificate's private key"},
	} {
		_, err := TLS(c.cert, c.key, slog.New(slog.DiscardHandler))
		if err == nil || !strings.HasPrefix(err.Error(), c.want) {
			t.Errorf("%s, %s: %v, want %s", c.cert, c.key, err, c.want)
		}
	}
	var log safeBuffer
	if _, err := TLS(f("old"), f("oldkey"), slog.New(slog.NewTextHandler(&log, nil))); err != nil || !strings.Contains(log.b.String(), "does not hold today") {
		t.Errorf("one that has run out, by a clock that may be wrong: %v, %s", err, log.b.String())
	}
}
