//go:build cgo

package main

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"strings"

	"github.com/spf13/pflag"

	"cagebook/pipeline/queue"
)

// queueFlags say where queue and store are, and who this program is.
type queueFlags struct {
	url, store                           string
	user, passwordFile, tokenFile, creds string
	ca, cert, key                        string
}

func (f *queueFlags) add(fs *pflag.FlagSet, store bool) {
	fs.StringVar(&f.url, "queue", "", "address of the hub, e.g. nats://127.0.0.1:4222, or tls://host:4222")
	if store {
		fs.StringVar(&f.store, "store", "", "where clips and results are exchanged: a folder that all machines see, or s3://bucket?region=…")
	}
	fs.StringVar(&f.user, "user", "", "name of the user at the queue")
	fs.StringVar(&f.passwordFile, "password-file", "", "file that holds the user's password")
	fs.StringVar(&f.tokenFile, "token-file", "", "file that holds the token, where the queue asks for one")
	fs.StringVar(&f.creds, "creds", "", "file of NATS credentials")
	fs.StringVar(&f.ca, "tls-ca", "", "PEM file of the authority that signed the hub's certificate")
	fs.StringVar(&f.cert, "tls-cert", "", "PEM file of this program's own certificate, where the hub asks for one")
	fs.StringVar(&f.key, "tls-key", "", "PEM file of its key")
}

// check says what is missing. command is only for the message.
func (f *queueFlags) check(command string, store bool) error {
	if f.url == "" {
		return usageError("start one with: cagebook hub --dir hub", "%s: --queue URL is missing", command)
	}
	if store && f.store == "" {
		return usageError("name a folder that all machines see, e.g. --store /mnt/cage/store", "%s: --store is missing", command)
	}
	if (f.cert == "") != (f.key == "") {
		return usageError("give both", "%s: --tls-cert and --tls-key belong together", command)
	}
	for _, file := range []string{f.passwordFile, f.tokenFile, f.creds, f.ca, f.cert, f.key} {
		if file == "" {
			continue
		}
		if err := mustExist(file, "file"); err != nil {
			return err
		}
	}
	return nil
}

func (f *queueFlags) connect(ctx context.Context, log *slog.Logger) (*queue.Queue, error) {
	a := queue.Access{User: f.user, CredsFile: f.creds, CA: f.ca, Cert: f.cert, Key: f.key}
	var err error
	if a.Password, err = secretFrom(f.passwordFile); err != nil {
		return nil, err
	}
	if a.Token, err = secretFrom(f.tokenFile); err != nil {
		return nil, err
	}
	return queue.Connect(ctx, f.url, a, queue.Options{}, log)
}

// secretFrom reads a file that holds one word; "" names none.
func secretFrom(file string) (string, error) {
	if file == "" {
		return "", nil
	}
	if err := mustExist(file, "file with a secret"); err != nil {
		return "", err
	}
	data, err := os.ReadFile(file)
	if err != nil {
		return "", err
	}
	secret := strings.TrimSpace(string(data))
	if secret == "" {
		return "", usageError("write the secret into it, on one line", "%s is empty", file)
	}
	return secret, nil
}

// newLog tells what a program that runs for days does: lines for a person, JSON where asked for.
func newLog(s streams, asJSON bool) *slog.Logger {
	if asJSON {
		return slog.New(slog.NewJSONHandler(s.err, nil))
	}
	return slog.New(slog.NewTextHandler(s.err, nil))
}

// hostName names this machine and process in lists of workers.
func hostName() string {
	host, err := os.Hostname()
	if err != nil {
		host = "unnamed"
	}
	return fmt.Sprintf("%s/%d", host, os.Getpid())
}
