package command

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"lidded/cmd/lidded/internal/access"
	"lidded/cmd/lidded/internal/config"
)

// Environment of commands that speak to a daemon.
const (
	envURL       = "LIDDED_URL"
	EnvToken     = "LIDDED_TOKEN"
	envTokenFile = "LIDDED_TOKEN_FILE"
	envCA        = "LIDDED_CA"
)

// connection is how a command reaches a daemon.
type connection struct {
	url       *string
	tokenFile *string
	ca        *string
	cert, key *string
}

// connectFlags adds --url, --token-file and --ca, and their environment.
func connectFlags(c *cobra.Command) connection {
	def := os.Getenv(envURL)
	if def == "" {
		def = "http://" + config.DefaultListen
	}
	return connection{
		url:       c.Flags().String("url", def, "address of the daemon; also $"+envURL),
		tokenFile: tokenFlag(c),
		cert:      c.Flags().String("cert", "", "file with a certificate (PEM) to show, where the daemon wants one of its clients"),
		key:       c.Flags().String("cert-key", "", "file with the key of --cert"),
		ca:        c.Flags().String("ca", os.Getenv(envCA), "file with the certificates (PEM) that may vouch for the daemon, in place of the system's; also $"+envCA),
	}
}

// tokenFlag adds --token-file.
func tokenFlag(c *cobra.Command) *string {
	return c.Flags().String("token-file", os.Getenv(envTokenFile), "file with the token to send; also $"+envTokenFile+", or the token itself in $"+EnvToken)
}

// client is ready to speak to the daemon.
func (n connection) client() (*Client, error) {
	token, err := tokenOf(*n.tokenFile)
	if err != nil {
		return nil, usageError{err}
	}
	settings := &tls.Config{MinVersion: tls.VersionTLS12}
	if *n.cert != "" || *n.key != "" {
		pair, err := tls.LoadX509KeyPair(*n.cert, *n.key)
		if err != nil {
			return nil, usageError{fmt.Errorf("--cert and --cert-key: %w", err)}
		}
		settings.Certificates = []tls.Certificate{pair}
	}
	if *n.ca != "" {
		var err error
		if settings.RootCAs, err = access.Vouching(*n.ca); err != nil {
			return nil, usageError{fmt.Errorf("--ca: %w", err)}
		}
	}
	return NewClient(*n.url, token, settings)
}

// tokenOf is the token to send: of the file, else of the environment, else none.
func tokenOf(file string) (access.Secret, error) {
	if file != "" {
		return access.ReadSecret(file)
	}
	return access.SecretOf(strings.TrimSpace(os.Getenv(EnvToken))), nil
}

// localClient speaks to the daemon of a config, on its own computer: known by
// the certificate of its web config, with the token of --token-file or the
// environment, else of daemon.client_token.
func localClient(d *config.Daemon, tokenFile string) (*Client, error) {
	token, err := tokenOf(tokenFile)
	if err == nil && token.Empty() && d.ClientToken != "" {
		if token, err = access.ReadSecret(d.ClientToken); err != nil {
			err = fmt.Errorf("daemon.client_token: %w", err)
		}
	}
	if err != nil {
		return nil, err
	}
	var settings *tls.Config
	if d.WebConfig != "" {
		web, err := access.ReadWebConfig(d.WebConfig)
		if err != nil {
			return nil, err
		}
		settings = web.Client()
	}
	return NewClient(d.URL(), token, settings)
}

// newClient makes a client. A token is never sent in the clear to another
// computer.
func NewClient(base string, token access.Secret, settings *tls.Config) (*Client, error) {
	u, err := url.Parse(base)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, usageError{fmt.Errorf("--url %s: write http://host:port or https://host:port", base)}
	}
	if u.User != nil {
		return nil, usageError{errors.New("--url: no name and no password belong there: use --token-file")}
	}
	if !token.Empty() && u.Scheme == "http" && !onThisComputer(u.Hostname()) {
		return nil, usageError{fmt.Errorf("--url %s: the token would go there in the clear: use https", base)}
	}
	way := http.DefaultTransport.(*http.Transport).Clone()
	way.TLSClientConfig = settings
	return &Client{Base: strings.TrimRight(base, "/"), from: "the daemon at " + base, token: token, HTTP: &http.Client{Timeout: clientTimeout, Transport: way}}, nil
}

func onThisComputer(host string) bool {
	a, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && a.IsLoopback()
}
