package queue

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// No port opens to the network without credentials, whichever way it was asked for.
func TestHubRefusesToStandOpen(t *testing.T) {
	config := func(text string) string {
		file := filepath.Join(t.TempDir(), "nats.conf")
		put(t, file, text)
		return file
	}
	for _, c := range []struct {
		name string
		o    HubOptions
		want error
	}{
		{"loopback", HubOptions{}, nil},
		{"loopback, IPv6", HubOptions{Host: "::1"}, nil},
		{"all addresses", HubOptions{Host: "0.0.0.0"}, ErrOpen},
		{"all addresses, IPv6", HubOptions{Host: "::"}, ErrOpen},
		{"a host name", HubOptions{Host: "hub.example"}, ErrOpen},
		{"with a password", HubOptions{Host: "0.0.0.0", User: "cage", Password: "x"}, nil},
		{"a user without password", HubOptions{Host: "0.0.0.0", User: "cage"}, ErrHub},
		{"with a token", HubOptions{Host: "0.0.0.0", Token: "x"}, nil},
		{"key without certificate", HubOptions{TLSKey: "x"}, ErrHub},
		{"config that is open", HubOptions{Config: config("host: 0.0.0.0")}, ErrOpen},
		{"config of all defaults", HubOptions{Config: config("debug: false")}, nil},
		{"config with users", HubOptions{Config: config("host: 0.0.0.0\nauthorization { users: [{user: a, password: b}] }")}, nil},
		{"a user for those who show none", HubOptions{Config: config("host: 0.0.0.0\nno_auth_user: a\nauthorization { users: [{user: a, password: b}] }")}, ErrOpen},
		{"open monitoring", HubOptions{Config: config("http: 0.0.0.0:8222")}, ErrOpen},
		{"monitoring on loopback", HubOptions{Config: config("http: 127.0.0.1:8222")}, nil},
		{"open websocket", HubOptions{Config: config("websocket { port: 9222, no_tls: true }")}, ErrOpen},
		{"open cluster", HubOptions{Config: config("cluster { name: c, port: 6222 }")}, ErrOpen},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.o.Dir = t.TempDir()
			if _, err := c.o.server(); !errors.Is(err, c.want) || c.want == nil && err != nil {
				t.Errorf("%v, want %v", err, c.want)
			}
		})
	}
}

// Who shows no credentials, or wrong ones, is refused at once instead of being taken for a server that is away.
func TestHubAsksWhoIsThere(t *testing.T) {
	h, err := StartHub(HubOptions{Port: -1, Dir: t.TempDir(), User: "cage", Password: "right"}, quiet())
	if err != nil {
		t.Fatal(err)
	}
	defer h.Stop()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	for _, a := range []Access{{}, {User: "cage", Password: "wrong"}, {Token: "right"}} {
		if _, err := Connect(ctx, h.URL(), a, testOptions(), quiet()); !errors.Is(err, ErrDenied) {
			t.Errorf("%+v: %v, want a refusal", a, err)
		}
	}
	q, err := Connect(ctx, h.URL(), Access{User: "cage", Password: "right"}, testOptions(), quiet())
	if err != nil {
		t.Fatal(err)
	}
	q.Close()
	if _, err := Connect(ctx, h.URL(), Access{CredsFile: filepath.Join(t.TempDir(), "none")}, testOptions(), quiet()); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("credentials that are not there: %v", err)
	}
}

// With TLS the hub shows its certificate, and asks for one where it is told to.
func TestHubWithTLS(t *testing.T) {
	dir := t.TempDir()
	ca := newAuthority(t, filepath.Join(dir, "ca.pem"))
	ca.issue(t, filepath.Join(dir, "hub"))
	ca.issue(t, filepath.Join(dir, "worker"))
	h, err := StartHub(HubOptions{
		Port: -1, Dir: t.TempDir(), TLSCert: filepath.Join(dir, "hub.pem"), TLSKey: filepath.Join(dir, "hub.key"), ClientCA: filepath.Join(dir, "ca.pem"),
	}, quiet())
	if err != nil {
		t.Fatal(err)
	}
	defer h.Stop()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	full := Access{CA: filepath.Join(dir, "ca.pem"), Cert: filepath.Join(dir, "worker.pem"), Key: filepath.Join(dir, "worker.key")}
	q, err := Connect(ctx, h.URL(), full, testOptions(), quiet())
	if err != nil {
		t.Fatal(err)
	}
	q.Close()
	stranger := full
	newAuthority(t, filepath.Join(dir, "other.pem"))
	stranger.CA = filepath.Join(dir, "other.pem")
	short, cancelShort := context.WithTimeout(ctx, time.Second)
	defer cancelShort()
	for name, a := range map[string]Access{"no certificate": {CA: full.CA}, "a hub of another authority": stranger} {
		if q, err := Connect(short, h.URL(), a, testOptions(), quiet()); err == nil {
			q.Close()
			t.Errorf("%s: let in", name)
		}
	}
}

type authority struct {
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T, file string) authority {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "authority of a test"}, NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	put(t, file, string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})))
	return authority{c, key}
}

// issue writes name.pem and name.key, good for both ends of a connection to 127.0.0.1.
func (a authority) issue(t *testing.T, name string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{
		SerialNumber: big.NewInt(2), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, c, a.cert, &key.PublicKey, a.key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	put(t, name+".pem", string(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})))
	put(t, name+".key", string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private})))
}
