// Package accesstest makes certificates for tests of connections over TLS: an
// authority, a server vouched for by it, and a client. They are good for an hour
// and for nothing else.
package accesstest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Certificates are the files of an authority and of those it vouches for, all PEM.
type Certificates struct {
	CA                    string
	Server, ServerKey     string
	Client, ClientKey     string
	Renewed, RenewedKey   string // another for the server, of the same authority
	Stranger, StrangerKey string // of another authority
	WebConfig             string // names Server and ServerKey
}

// New writes certificates to a folder; the server's are for 127.0.0.1 and
// bench.depot.example.
func New(t testing.TB, folder string) Certificates {
	t.Helper()
	at := func(name string) string { return filepath.Join(folder, name) }
	c := Certificates{
		CA: at("ca.pem"), Server: at("server.pem"), ServerKey: at("server-key.pem"), Client: at("client.pem"), ClientKey: at("client-key.pem"),
		Renewed: at("renewed.pem"), RenewedKey: at("renewed-key.pem"), Stranger: at("stranger.pem"), StrangerKey: at("stranger-key.pem"), WebConfig: at("web.yaml"),
	}
	ours, theirs := newAuthority(t, "depot"), newAuthority(t, "elsewhere")
	write(t, c.CA, "CERTIFICATE", ours.cert.Raw)
	ours.vouch(t, c.Server, c.ServerKey, x509.ExtKeyUsageServerAuth)
	ours.vouch(t, c.Renewed, c.RenewedKey, x509.ExtKeyUsageServerAuth)
	ours.vouch(t, c.Client, c.ClientKey, x509.ExtKeyUsageClientAuth)
	theirs.vouch(t, c.Stranger, c.StrangerKey, x509.ExtKeyUsageClientAuth)
	if err := os.WriteFile(c.WebConfig, []byte("tls_server_config:\n  cert_file: server.pem\n  key_file: server-key.pem\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return c
}

type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t testing.TB, name string) authority {
	t.Helper()
	key, template := newKey(t), template(t, name)
	template.IsCA, template.BasicConstraintsValid, template.KeyUsage = true, true, x509.KeyUsageCertSign
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return authority{cert, key}
}

func (a authority) vouch(t testing.TB, certFile, keyFile string, use x509.ExtKeyUsage) {
	t.Helper()
	key, template := newKey(t), template(t, "bench.depot.example")
	template.KeyUsage, template.ExtKeyUsage = x509.KeyUsageDigitalSignature, []x509.ExtKeyUsage{use}
	template.DNSNames, template.IPAddresses = []string{"bench.depot.example"}, []net.IP{net.IPv4(127, 0, 0, 1)}
	der, err := x509.CreateCertificate(rand.Reader, template, a.cert, &key.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	write(t, certFile, "CERTIFICATE", der)
	write(t, keyFile, "PRIVATE KEY", secret)
}

func newKey(t testing.TB) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	return key
}

func template(t testing.TB, name string) *x509.Certificate {
	t.Helper()
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	return &x509.Certificate{SerialNumber: serial, Subject: pkix.Name{CommonName: name}, NotBefore: now.Add(-time.Minute), NotAfter: now.Add(time.Hour)}
}

func write(t testing.TB, path, kind string, der []byte) {
	t.Helper()
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
}
