//go:build cgo

package main

import (
	"context"
	"fmt"
	"net"
	"strconv"

	"github.com/spf13/cobra"

	"cagebook/configs"
	"cagebook/pipeline/queue"
)

func newHub(s streams) *cobra.Command {
	var o queue.HubOptions
	var listen, passwordFile, tokenFile, metricsAt string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "hub --dir FOLDER",
		Short: "Hold the queue of clips for several machines",
		Long: `hub runs the queue that submit fills and workers empty: a NATS server with
JetStream, which keeps its streams in FOLDER. It can be stopped and started
again at any time; workers and submitters wait for it. Where there is a NATS
cluster already, no hub is needed: give its address to submit and worker.

It listens on this machine alone unless told otherwise, and refuses to open to
the network without credentials: --user with --password-file, --token-file,
certificates of the clients (--tls-client-ca), or what a --config says. Without
TLS, credentials and file names cross the network in the clear. Clips and
results do not pass through the hub; they lie in the store.

Exit status: 0 stopped by Ctrl-C or SIGTERM · 1 cannot listen or keep its streams · 4 wrong usage`,
		Example: `  cagebook hub --dir hub                                               this machine alone
  cagebook hub --dir hub --listen 0.0.0.0:4222 --user cage --password-file secret --tls-cert hub.pem --tls-key hub.key
  cagebook hub --dir hub --config nats.conf                            all that a NATS server can do`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			err := configs.FillFromEnv(cmd.Flags())
			if err != nil {
				return err
			}
			if o.Dir == "" && o.Config == "" {
				return usageError("cagebook hub --dir hub", "hub: --dir FOLDER is missing")
			}
			if listen != "" {
				host, port, err := net.SplitHostPort(listen)
				if err == nil {
					o.Port, err = strconv.Atoi(port)
				}
				if err != nil || host == "" || o.Port < 1 || o.Port > 65535 {
					return usageError("for example: --listen 127.0.0.1:4222, or 0.0.0.0:4222 for the network", "hub: --listen %s is no address and port", listen)
				}
				o.Host = host
			}
			if o.Password, err = secretFrom(passwordFile); err != nil {
				return err
			}
			if o.Token, err = secretFrom(tokenFile); err != nil {
				return err
			}
			return runHub(cmd.Context(), s, o, metricsAt, asJSON)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.Dir, "dir", "", "folder for the queue's own files; made where missing")
	f.StringVar(&listen, "listen", "", "address and port (default 127.0.0.1:4222: this machine alone)")
	f.StringVar(&o.User, "user", "", "name that clients must give")
	f.StringVar(&passwordFile, "password-file", "", "file that holds the password of --user")
	f.StringVar(&tokenFile, "token-file", "", "file that holds a token that clients must give")
	f.StringVar(&o.TLSCert, "tls-cert", "", "PEM file of the hub's certificate")
	f.StringVar(&o.TLSKey, "tls-key", "", "PEM file of its key")
	f.StringVar(&o.ClientCA, "tls-client-ca", "", "PEM file of the authority that signs the clients' certificates, which then must show one")
	f.StringVar(&o.Config, "config", "", "configuration file of a NATS server")
	f.StringVar(&metricsAt, "metrics", "", "serve metrics at this loopback address, e.g. 127.0.0.1:9464")
	f.BoolVar(&asJSON, "json", false, "log as JSON lines")
	return cmd
}

func runHub(ctx context.Context, s streams, o queue.HubOptions, metricsAt string, asJSON bool) error {
	log := newLog(s, asJSON)
	h, err := queue.StartHub(o, log)
	if err != nil {
		return err
	}
	defer h.Stop()
	m := newMetrics()
	m.hub(h)
	stop, err := m.serve(metricsAt, log)
	if err != nil {
		return err
	}
	defer stop()
	if o.Plain() {
		log.Warn("no TLS: credentials and file names cross the network in the clear")
	}
	if !asJSON {
		fmt.Fprintf(s.out, "the queue is at %s; Ctrl-C ends it, nothing is lost by that\n", h.URL())
	}
	log.Info("hub is up", "url", h.URL(), "version", version())
	<-ctx.Done()
	return nil
}
