package queue

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"golang.org/x/crypto/bcrypt"
)

// HubOptions say how the server listens and where it keeps its streams.
type HubOptions struct {
	Host string // "" = 127.0.0.1
	Port int    // 0 = 4222, -1 = any that is free
	Dir  string

	User, Password string
	Token          string

	// TLS: certificate and key of the server, PEM. With ClientCA clients must show
	// a certificate that it signed.
	TLSCert, TLSKey, ClientCA string

	// Config is a configuration file of nats-server, for all that it can do; the fields above win over it where set.
	Config string
}

// ErrOpen says that a server would be open to the network without credentials.
var ErrOpen = errors.New("refuses to open to the network without credentials")

// ErrHub says that the options of a hub do not fit together.
var ErrHub = errors.New("the hub's options")

const (
	hubPort = 4222 // the registered port of NATS
	// hubSync bounds what a power cut at the hub can take: jobs that were queued so
	// shortly before are queued again by the submitter that waits for them.
	hubSync     = 5 * time.Second
	hubStart    = 30 * time.Second // to read its streams after a crash
	hubPassword = "a user with a password, or a token"
)

// Hub is a running server.
type Hub struct{ s *server.Server }

// StartHub starts the server in this process.
func StartHub(h HubOptions, log *slog.Logger) (*Hub, error) {
	opts, err := h.server()
	if err != nil {
		return nil, err
	}
	s, err := server.NewServer(opts)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrHub, err)
	}
	s.SetLoggerV2(hubLog{log}, false, false, false)
	s.Start()
	if !s.ReadyForConnections(hubStart) {
		s.Shutdown()
		return nil, fmt.Errorf("the hub did not come up at %s:%d: is the port taken, or the folder %s in use or not yours to write?", opts.Host, opts.Port, opts.StoreDir)
	}
	if !s.JetStreamEnabled() {
		s.Shutdown()
		return nil, fmt.Errorf("the hub cannot keep its streams in %s", opts.StoreDir)
	}
	return &Hub{s}, nil
}

// URL is where clients of this machine connect.
func (h *Hub) URL() string { return h.s.ClientURL() }

// Load is what the server holds and who is there.
type Load struct {
	Jobs, InWork, Done, Dead int // InWork is part of Jobs
	Clients                  int
	Bytes                    uint64 // of the streams on the disk
}

// Load counts, for metrics.
func (h *Hub) Load() (l Load, err error) {
	l.Clients = h.s.NumClients()
	js, err := h.s.Jsz(&server.JSzOptions{Accounts: true, Streams: true, Consumer: true})
	if err != nil {
		return l, err
	}
	l.Bytes = js.Bytes
	for _, a := range js.AccountDetails {
		for _, s := range a.Streams {
			n := int(s.State.Msgs)
			switch s.Name {
			case jobsStream:
				l.Jobs += n
				for _, c := range s.Consumer {
					l.InWork += c.NumAckPending
				}
			case endedStream:
				l.Done += n
			case deadStream:
				l.Dead += n
			}
		}
	}
	return l, nil
}

// Stop ends the server and waits for it.
func (h *Hub) Stop() {
	h.s.Shutdown()
	h.s.WaitForShutdown()
}

// server translates the options and refuses those that would leave a door open.
func (h HubOptions) server() (*server.Options, error) {
	o := &server.Options{}
	if h.Config != "" {
		var err error
		if o, err = server.ProcessConfigFile(h.Config); err != nil {
			return nil, fmt.Errorf("%w: %w", ErrHub, err)
		}
	}
	if h.Host != "" {
		o.Host = h.Host
	}
	if o.Host == "" {
		o.Host = "127.0.0.1"
	}
	if h.Port != 0 {
		o.Port = h.Port
	}
	if o.Port == 0 {
		o.Port = hubPort
	}
	if h.Dir != "" {
		o.StoreDir = h.Dir
	}
	if o.StoreDir == "" {
		return nil, fmt.Errorf("%w: a folder for the streams is missing", ErrHub)
	}
	o.JetStream, o.NoSigs = true, true
	if o.SyncInterval == 0 {
		o.SyncInterval = hubSync
	}
	if h.User != "" {
		if h.Password == "" {
			return nil, fmt.Errorf("%w: the user %s has no password", ErrHub, h.User)
		}
		hash, err := hashed(h.Password)
		if err != nil {
			return nil, err
		}
		o.Username, o.Password = h.User, hash
	}
	if h.Token != "" {
		hash, err := hashed(h.Token)
		if err != nil {
			return nil, err
		}
		o.Authorization = hash
	}
	if (h.TLSCert == "") != (h.TLSKey == "") || h.ClientCA != "" && h.TLSCert == "" {
		return nil, fmt.Errorf("%w: a certificate needs its key, and a CA of clients needs both", ErrHub)
	}
	if h.TLSCert != "" {
		tc, err := server.GenTLSConfig(&server.TLSConfigOpts{CertFile: h.TLSCert, KeyFile: h.TLSKey, CaFile: h.ClientCA, Verify: h.ClientCA != ""})
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrHub, err)
		}
		o.TLSConfig, o.TLS, o.TLSVerify = tc, true, h.ClientCA != ""
	}
	return o, closed(o)
}

// hashed is what the server compares with: it takes care that comparing takes equally long for all guesses.
func hashed(secret string) (string, error) {
	h, err := bcrypt.GenerateFromPassword([]byte(secret), bcrypt.DefaultCost)
	if err != nil {
		return "", fmt.Errorf("%w: %w", ErrHub, err)
	}
	return string(h), nil
}

// closed is an error where any port is open to the network without credentials.
func closed(o *server.Options) error {
	asks := o.Username != "" || o.Authorization != "" || len(o.Users) > 0 || len(o.Nkeys) > 0 || len(o.TrustedOperators) > 0 ||
		len(o.TrustedKeys) > 0 || o.AuthCallout != nil || o.CustomClientAuthentication != nil || o.TLSVerify
	if o.NoAuthUser != "" {
		asks = false
	}
	monitor := o.HTTPHost
	if monitor == "" {
		monitor = o.Host
	}
	for _, p := range []struct {
		what, host string
		port       int
		asks       bool
	}{
		{"clients", o.Host, o.Port, asks},
		{"the websocket", o.Websocket.Host, o.Websocket.Port, asks && o.Websocket.NoAuthUser == ""},
		{"MQTT", o.MQTT.Host, o.MQTT.Port, asks && o.MQTT.NoAuthUser == ""},
		{"the cluster", o.Cluster.Host, o.Cluster.Port, o.Cluster.Username != "" || o.Cluster.TLSConfig != nil},
		{"leaf nodes", o.LeafNode.Host, o.LeafNode.Port, o.LeafNode.Username != "" || len(o.LeafNode.Users) > 0 || asks},
		{"gateways", o.Gateway.Host, o.Gateway.Port, o.Gateway.Username != "" || o.Gateway.TLSConfig != nil},
		{"monitoring", monitor, max(o.HTTPPort, o.HTTPSPort), false},
		{"profiling", o.Host, o.ProfPort, false},
	} {
		if p.port != 0 && !loopback(p.host) && !p.asks {
			return fmt.Errorf("%w: %s at %q, port %d; give it %s, or leave it on 127.0.0.1", ErrOpen, p.what, p.host, p.port, hubPassword)
		}
	}
	return nil
}

// Plain says that the server is open to the network and passes everything in the clear.
func (h HubOptions) Plain() bool {
	o, err := h.server()
	return err == nil && !loopback(o.Host) && o.TLSConfig == nil
}

// loopback says whether an address reaches this machine alone.
func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip := net.ParseIP(host)
	return ip != nil && ip.IsLoopback()
}

// hubLog passes what the server says to the program's log.
type hubLog struct{ *slog.Logger }

func (l hubLog) Noticef(f string, v ...any) { l.Debug(fmt.Sprintf(f, v...)) }
func (l hubLog) Warnf(f string, v ...any)   { l.Warn(fmt.Sprintf(f, v...)) }
func (l hubLog) Fatalf(f string, v ...any)  { l.Logger.Error(fmt.Sprintf(f, v...)) }
func (l hubLog) Errorf(f string, v ...any)  { l.Logger.Error(fmt.Sprintf(f, v...)) }
func (l hubLog) Debugf(f string, v ...any)  { l.Logger.Debug(fmt.Sprintf(f, v...)) }
func (l hubLog) Tracef(f string, v ...any)  { l.Logger.Debug(fmt.Sprintf(f, v...)) }
