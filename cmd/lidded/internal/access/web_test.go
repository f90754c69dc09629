package access_test

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.uber.org/zap"

	"lidded/cmd/lidded/internal/access"
	"lidded/cmd/lidded/internal/access/accesstest"
)

// TestBadWebConfigs: what would let in the wrong people, or cannot work, is
// refused with place and cure.
func TestBadWebConfigs(t *testing.T) {
	folder := t.TempDir()
	accesstest.New(t, folder)
	const good = "tls_server_config:\n  cert_file: server.pem\n  key_file: server-key.pem\n"
	for _, c := range []struct{ name, text, want string }{
		{"users", good + "basic_auth_users: {ada: $2y$10$QOauhQNbBCuQDKes6eFzPeMqBSjb7Mr5DUmpZ/VcEd00UAV/LDeSi}\n", "basic_auth_users is not taken, since those users have no roles: take it out, and make tokens with 'lidded token create NAME --role ROLE'"},
		{"one limit for all", good + "rate_limit: {burst: 1, interval: 1s}\n", "rate_limit is not taken"},
		{"no TLS", "http_server_config: {http2: true}\n", "no certificate: write tls_server_config"},
		{"empty", "", "no certificate: write tls_server_config"},
		{"no key", "tls_server_config: {cert_file: server.pem}\n", "missing one of key or key_file"},
		{"no such certificate", strings.Replace(good, "server.pem", "none.pem", 1), "no such file"},
		{"no such key", strings.Replace(good, "server-key", "none", 1), "no such file"},
		{"key of another", strings.Replace(good, "server-key", "client-key", 1), "private key does not match public key"},
		{"not a certificate", strings.Replace(good, "server.pem", "web.yaml", 1), "certificate: no certificate in PEM form"},
		{"old TLS", good + "  min_version: TLS11\n", "min_version TLS11 is broken: write TLS12 or TLS13"},
		{"authority without policy", good + "  client_ca_file: ca.pem\n", "without a Client Auth Policy"},
		{"unknown key", good + "  colour: red\n", "colour"},
		{"not YAML", "tls_server_config: [", "did not find"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(folder, "bad.yaml")
			if err := os.WriteFile(path, []byte(c.text), 0o600); err != nil {
				t.Fatal(err)
			}
			_, err := access.OpenWebConfig(path)
			if err == nil || !strings.HasPrefix(err.Error(), "daemon.web_config: ") || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want %q", err, c.want)
			}
			if err != nil && strings.Contains(err.Error(), "$2y$") {
				t.Errorf("a password's hash is shown: %v", err)
			}
		})
	}
	if _, err := access.OpenWebConfig(filepath.Join(folder, "none.yaml")); err == nil || !strings.Contains(err.Error(), "write one with tls_server_config") {
		t.Errorf("no file: %v", err)
	}
}

// tlsServer serves a web config until the test ends.
func tlsServer(t *testing.T, path string) string {
	t.Helper()
	w, err := access.OpenWebConfig(path)
	if err != nil {
		t.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("in")) })}
	done := make(chan error, 1)
	go func() { done <- w.Serve(ln, srv, zap.NewNop()) }()
	t.Cleanup(func() {
		srv.Close()
		if err := <-done; !errors.Is(err, http.ErrServerClosed) {
			t.Error(err)
		}
	})
	return ln.Addr().String()
}

// ask makes a request over a connection of its own.
func ask(t *testing.T, address string, settings *tls.Config) error {
	t.Helper()
	way := &http.Transport{TLSClientConfig: settings, DisableKeepAlives: true}
	defer way.CloseIdleConnections()
	res, err := (&http.Client{Transport: way}).Get("https://" + address + "/")
	if err != nil {
		return err
	}
	res.Body.Close()
	if res.TLS.Version < tls.VersionTLS12 {
		t.Errorf("TLS version %x", res.TLS.Version)
	}
	return nil
}

func pool(t *testing.T, file string) *x509.CertPool {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	p := x509.NewCertPool()
	p.AppendCertsFromPEM(data)
	return p
}

// TestTLS: whoever trusts the authority or has the certificate comes in, nobody
// over plain HTTP or old TLS; a renewed certificate is used at once.
func TestTLS(t *testing.T) {
	certs := accesstest.New(t, t.TempDir())
	address := tlsServer(t, certs.WebConfig)
	trusting := func() *tls.Config { return &tls.Config{RootCAs: pool(t, certs.CA)} }
	if err := ask(t, address, trusting()); err != nil {
		t.Error(err)
	}
	if err := ask(t, address, &tls.Config{RootCAs: pool(t, certs.Stranger)}); err == nil {
		t.Error("another authority vouches for the server")
	}
	if err := ask(t, address, &tls.Config{RootCAs: pool(t, certs.CA), MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}); err == nil {
		t.Error("old TLS is spoken")
	}
	if res, err := http.Get("http://" + address + "/"); err == nil {
		res.Body.Close()
		if res.StatusCode != http.StatusBadRequest {
			t.Errorf("plain HTTP: %d", res.StatusCode)
		}
	}
	before, err := access.ReadWebConfig(certs.WebConfig)
	if err != nil {
		t.Fatal(err)
	}
	if err := ask(t, address, before.Client()); err != nil {
		t.Errorf("by the certificate itself: %v", err)
	}
	for from, to := range map[string]string{certs.Renewed: certs.Server, certs.RenewedKey: certs.ServerKey} {
		if err := os.Rename(from, to); err != nil {
			t.Fatal(err)
		}
	}
	if err := ask(t, address, before.Client()); err == nil {
		t.Error("the old certificate is still shown, or another one passes for it")
	}
	if err := ask(t, address, trusting()); err != nil {
		t.Errorf("after renewal: %v", err)
	}
}

// TestClientCertificates: where they are required, nobody comes in without one
// of the authority.
func TestClientCertificates(t *testing.T) {
	certs := accesstest.New(t, t.TempDir())
	text, err := os.ReadFile(certs.WebConfig)
	if err != nil {
		t.Fatal(err)
	}
	text = append(text, "  client_auth_type: RequireAndVerifyClientCert\n  client_ca_file: ca.pem\n"...)
	if err := os.WriteFile(certs.WebConfig, text, 0o600); err != nil {
		t.Fatal(err)
	}
	address := tlsServer(t, certs.WebConfig)
	with := func(cert, key string) *tls.Config {
		pair, err := tls.LoadX509KeyPair(cert, key)
		if err != nil {
			t.Fatal(err)
		}
		return &tls.Config{RootCAs: pool(t, certs.CA), Certificates: []tls.Certificate{pair}}
	}
	if err := ask(t, address, with(certs.Client, certs.ClientKey)); err != nil {
		t.Error(err)
	}
	if err := ask(t, address, with(certs.Stranger, certs.StrangerKey)); err == nil {
		t.Error("a stranger came in")
	}
	if err := ask(t, address, &tls.Config{RootCAs: pool(t, certs.CA)}); err == nil {
		t.Error("somebody without a certificate came in")
	}
}
