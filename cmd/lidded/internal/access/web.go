package access

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"

	"github.com/prometheus/exporter-toolkit/web"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.yaml.in/yaml/v3"
)

// WebConfig is a web config file: certificate, key and client certificates of
// the server, in the format of Prometheus and its exporters. Its TLS settings
// are read again at each connection, so that a renewed certificate is used at
// once.
type WebConfig struct {
	path string
	// Certificate is the server's own, as it was when the file was read.
	Certificate *x509.Certificate
}

// webFile is what of the file is looked at here; the library checks the rest.
type webFile struct {
	TLS struct {
		Cert       string `yaml:"cert"`
		CertFile   string `yaml:"cert_file"`
		MinVersion string `yaml:"min_version"`
	} `yaml:"tls_server_config"`
	Users yaml.Node `yaml:"basic_auth_users"`
	Limit yaml.Node `yaml:"rate_limit"`
}

func webError(format string, args ...any) error {
	return fmt.Errorf("daemon.web_config: "+format, args...)
}

// ReadWebConfig reads what a client needs to know: the certificate. The key is
// not touched.
func ReadWebConfig(path string) (*WebConfig, error) {
	_, w, err := readWebFile(path)
	return w, err
}

func readWebFile(path string) (f webFile, w *WebConfig, err error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return f, nil, webError("%w: write one with tls_server_config: {cert_file: …, key_file: …}", err)
	}
	if err := yaml.Unmarshal(data, &f); err != nil {
		return f, nil, webError("%s: %w", path, err)
	}
	w = &WebConfig{path: path}
	cert := []byte(f.TLS.Cert)
	switch at := f.TLS.CertFile; {
	case at == "" && len(cert) == 0:
		return f, nil, webError("%s: no certificate: write tls_server_config: {cert_file: …, key_file: …}", path)
	case at != "":
		if !filepath.IsAbs(at) {
			at = filepath.Join(filepath.Dir(path), at)
		}
		if cert, err = os.ReadFile(at); err != nil {
			return f, nil, webError("%s: cert_file: %w", path, err)
		}
	}
	if w.Certificate, err = leaf(cert); err != nil {
		return f, nil, webError("%s: certificate: %w", path, err)
	}
	return f, w, nil
}

// OpenWebConfig reads and checks a web config file whole, with the key.
// basic_auth_users and rate_limit are refused: users there have no roles, and
// that limit would let anybody keep out whoever wants to switch a source off.
func OpenWebConfig(path string) (*WebConfig, error) {
	f, w, err := readWebFile(path)
	if err != nil {
		return nil, err
	}
	switch {
	case !f.Users.IsZero():
		return nil, webError("%s: basic_auth_users is not taken, since those users have no roles: take it out, and make tokens with 'lidded token create NAME --role ROLE'", path)
	case !f.Limit.IsZero():
		return nil, webError("%s: rate_limit is not taken, since one client would use it up for all: take it out; the daemon has limits of its own, per address and per token", path)
	case f.TLS.MinVersion == "TLS10" || f.TLS.MinVersion == "TLS11":
		return nil, webError("%s: min_version %s is broken: write TLS12 or TLS13", path, f.TLS.MinVersion)
	}
	if err := web.Validate(path); err != nil {
		return nil, webError("%s: %w", path, err)
	}
	return w, nil
}

// leaf is the first certificate of a PEM text.
func leaf(text []byte) (*x509.Certificate, error) {
	for {
		var b *pem.Block
		if b, text = pem.Decode(text); b == nil {
			return nil, errors.New("no certificate in PEM form")
		}
		if b.Type == "CERTIFICATE" {
			return x509.ParseCertificate(b.Bytes)
		}
	}
}

// Client is a client's TLS config for which the certificate of this web config
// alone will do, whatever names it has: for commands on the daemon's own
// computer.
func (w *WebConfig) Client() *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS12,
		// Instead of names and issuers, which say less than the certificate itself:
		InsecureSkipVerify: true,
		VerifyConnection: func(s tls.ConnectionState) error {
			if len(s.PeerCertificates) == 0 || !s.PeerCertificates[0].Equal(w.Certificate) {
				return errors.New("the certificate is not that of the web config")
			}
			return nil
		},
	}
}

// Serve serves over TLS until the server is closed; it returns as
// http.Server.Serve does.
func (w *WebConfig) Serve(l net.Listener, srv *http.Server, log *zap.Logger) error {
	off := false
	return web.Serve(l, srv, &web.FlagConfig{WebConfigFile: &w.path, WebSystemdSocket: &off, WebListenAddresses: &[]string{}}, slog.New(toZap{log.Named("tls")}))
}

// toZap passes the library's messages on.
type toZap struct{ log *zap.Logger }

func (z toZap) level(l slog.Level) zapcore.Level {
	switch {
	case l >= slog.LevelError:
		return zap.ErrorLevel
	case l >= slog.LevelWarn:
		return zap.WarnLevel
	}
	return zap.DebugLevel
}

func (z toZap) Enabled(_ context.Context, l slog.Level) bool { return z.log.Core().Enabled(z.level(l)) }

func (z toZap) Handle(_ context.Context, r slog.Record) error {
	var fields []zap.Field
	r.Attrs(func(a slog.Attr) bool {
		fields = append(fields, zap.String(a.Key, a.Value.String()))
		return true
	})
	z.log.Log(z.level(r.Level), r.Message, fields...)
	return nil
}

func (z toZap) WithAttrs(as []slog.Attr) slog.Handler {
	for _, a := range as {
		z.log = z.log.With(zap.String(a.Key, a.Value.String()))
	}
	return z
}

func (z toZap) WithGroup(name string) slog.Handler { return toZap{z.log.Named(name)} }
