package queue

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"

	"github.com/nats-io/nats.go"
)

// Access is how a program shows who it is, and whom it trusts. All fields may be empty.
type Access struct {
	User, Password string
	Token          string
	CredsFile      string // credentials file as NATS makes it (JWT and seed)
	CA             string // PEM file of the authority that signed the server's certificate; "" = those of the system
	Cert, Key      string // PEM files of this program's own certificate
}

// options checks the files here, so that a slip is not taken for a server that is away.
func (a Access) options() (out []nats.Option, err error) {
	switch {
	case a.CredsFile != "":
		if _, err := os.ReadFile(a.CredsFile); err != nil {
			return nil, err
		}
		out = append(out, nats.UserCredentials(a.CredsFile))
	case a.Token != "":
		out = append(out, nats.Token(a.Token))
	case a.User != "":
		out = append(out, nats.UserInfo(a.User, a.Password))
	}
	if a.CA == "" && a.Cert == "" {
		return out, nil
	}
	t := &tls.Config{MinVersion: tls.VersionTLS12}
	if a.CA != "" {
		pem, err := os.ReadFile(a.CA)
		if err != nil {
			return nil, err
		}
		if t.RootCAs = x509.NewCertPool(); !t.RootCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s: holds no certificate in PEM form", a.CA)
		}
	}
	if a.Cert != "" {
		c, err := tls.LoadX509KeyPair(a.Cert, a.Key)
		if err != nil {
			return nil, err
		}
		t.Certificates = []tls.Certificate{c}
	}
	return append(out, nats.Secure(t)), nil
}
