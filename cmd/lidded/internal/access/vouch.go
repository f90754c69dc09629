package access

import (
	"crypto/x509"
	"fmt"
	"os"
)

// Vouching reads the certificates (PEM) of a file that may vouch for a server, in
// place of the system's.
func Vouching(path string) (*x509.CertPool, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(data) {
		return nil, fmt.Errorf("%s holds no certificate in PEM form", path)
	}
	return pool, nil
}
