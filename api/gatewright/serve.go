package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"net/netip"
	"os"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/caarlos0/env/v11"
	"github.com/spf13/cobra"

	"gatewright/api/auth"
	"gatewright/api/httpapi"
	"gatewright/api/problem"
	"gatewright/sync/hub"
	"gatewright/sync/scrub"
)

// shutdownWithin bounds how long a stop waits for requests under way.
const shutdownWithin = 10 * time.Second

// settings are the flags of serve, each with an environment variable for unattended use.
type settings struct {
	Data   string `env:"GATEWRIGHT_DATA" envDefault:"data"`
	Port   int    `env:"GATEWRIGHT_PORT" envDefault:"8080"`
	Host   string `env:"GATEWRIGHT_HOST" envDefault:"localhost"`
	Phone  string `env:"GATEWRIGHT_PHONE"`
	Origin string `env:"GATEWRIGHT_ORIGIN"`
	Proxy  string `env:"GATEWRIGHT_PROXY"`
	// Contact is where weaknesses are to be told, such as mailto:…: it stands in /.well-known/security.txt.
	Contact string `env:"GATEWRIGHT_SECURITY_CONTACT"`
	Pprof   string `env:"GATEWRIGHT_PPROF"` // loopback address for profiles; no flag: it is not for every day

	proxies []netip.Prefix
}

func (s *settings) flags(c *cobra.Command) {
	// The environment gives the defaults, a flag wins. A variable that can't be read is said when the command runs.
	err := env.Parse(s)
	c.PreRunE = func(*cobra.Command, []string) error {
		if err != nil {
			return &problem.Error{Kind: problem.Invalid, Field: "environment", Sentence: "The environment cannot be read: " + err.Error() + "."}
		}
		if s.Port < 0 || s.Port > 65535 {
			return problem.New(problem.Invalid, "port", fmt.Sprintf("--port must be 0 to 65535, not %d.", s.Port))
		}
		s.proxies, err = readProxies(s.Proxy)
		return err
	}
	f := c.Flags()
	f.StringVar(&s.Data, "data", s.Data, "folder of the database (GATEWRIGHT_DATA)")
	f.IntVar(&s.Port, "port", s.Port, "port to serve on, 0 for any free one (GATEWRIGHT_PORT)")
	f.StringVar(&s.Host, "host", s.Host, "name or address to serve on (GATEWRIGHT_HOST)")
	f.StringVar(&s.Phone, "phone", s.Phone, "folder of the phone's built files (GATEWRIGHT_PHONE)")
	f.StringVar(&s.Proxy, "proxy", s.Proxy, "addresses of proxies whose X-Forwarded-For is believed, such as 10.0.0.7,172.16.0.0/12 (GATEWRIGHT_PROXY)")
	f.StringVar(&s.Origin, "origin", s.Origin, "address that phones use, such as https://gates.example (GATEWRIGHT_ORIGIN)")
}

// readProxies reads addresses and networks, divided by commas.
func readProxies(list string) ([]netip.Prefix, error) {
	var out []netip.Prefix
	for _, part := range strings.FieldsFunc(list, func(r rune) bool { return r == ',' || r == ' ' }) {
		p, err := netip.ParsePrefix(part)
		if a, e := netip.ParseAddr(part); e == nil {
			p, err = netip.PrefixFrom(a, a.BitLen()), nil
		}
		if err != nil {
			return nil, problem.New(problem.Invalid, "proxy", fmt.Sprintf("--proxy must be addresses or networks, and %q is neither.", part))
		}
		out = append(out, p.Masked())
	}
	return out, nil
}

// collectAt is the growth of the heap, in percent, after which it is collected: a server holds little, and collecting
// at Go's usual 100 was a tenth of what an entry cost.
const collectAt = 200

func serveCommand() *cobra.Command {
	s := &settings{}
	c := &cobra.Command{Use: "serve", Short: "Serve phones and the API", Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			log := slog.New(slog.NewTextHandler(os.Stderr, nil))
			if os.Getenv("GOGC") == "" {
				debug.SetGCPercent(collectAt)
			}
			h, err := open(cmd.Context(), s.Data, log)
			if err != nil {
				return err
			}
			return errors.Join(serve(cmd.Context(), h, s, nil), h.close())
		}}
	s.flags(c)
	return c
}

// serve runs until the context ends. begun is called with the origin once the port is open and before it is said
// to be ready.
func serve(ctx context.Context, h *house, s *settings, begun func(context.Context, *hub.Runner, string) error) error {
	listener, err := net.Listen("tcp", net.JoinHostPort(s.Host, strconv.Itoa(s.Port)))
	if err != nil {
		return fmt.Errorf("--port %d: %w", s.Port, err)
	}
	local := fmt.Sprintf("http://localhost:%d", listener.Addr().(*net.TCPAddr).Port)
	origin := s.Origin
	if origin == "" {
		origin = local
	}
	h.sayBehind()
	runner, err := h.runner(ctx)
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	if err := h.accounts.SetSetting(ctx, "origin", origin); err != nil {
		return errors.Join(err, listener.Close())
	}
	tokens, err := h.tokens(ctx)
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	var phone fs.FS
	if s.Phone != "" {
		phone = os.DirFS(s.Phone)
	}
	app := httpapi.New(httpapi.Config{Accounts: h.accounts, Tokens: tokens, Hub: runner, Store: h.db, Phone: phone,
		Origin: origin, Version: version, Now: time.Now, Proxies: s.proxies, Ready: h.ready, Log: h.log,
		SecurityContact: s.Contact})
	if begun != nil {
		if err := begun(ctx, runner, origin); err != nil {
			return errors.Join(err, listener.Close())
		}
	}
	stopProfiles, err := profiles(s.Pprof, h.log)
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	defer stopProfiles()
	jobs, endJobs := context.WithCancel(ctx)
	var working sync.WaitGroup
	working.Go(func() { h.keepPacked(jobs) })
	working.Go(func() { h.keepKeys(jobs, tokens) })
	defer working.Wait()
	defer endJobs()
	failed := make(chan error, 1)
	go func() { failed <- app.Listener(httpapi.Guard(listener, s.proxies)) }()
	fmt.Printf("ready %s\n", local)
	select {
	case err := <-failed:
		return fmt.Errorf("serving: %w", err)
	case <-ctx.Done():
	}
	h.log.Info("stopping")
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownWithin)
	defer cancel()
	return errors.Join(runner.Close(stop), app.ShutdownWithContext(stop))
}

// sayBehind warns that the database lost its end, as by a damaged write-ahead log or a copy that was put back.
func (h *house) sayBehind() {
	db, remembers := h.db.(scrub.Remembering)
	if !remembers {
		return
	}
	if n := db.Behind(); n > 0 {
		h.log.Error("the database is older than what was acknowledged; phones bring back what they have when they connect, sooner in a restore window",
			"missing_batches", n)
	}
}

func (h *house) tokens(ctx context.Context) (*auth.Tokens, error) {
	stored, err := h.accounts.ServerKeys(ctx)
	if err != nil {
		return nil, err
	}
	keys := make([]auth.Key, len(stored))
	for i, k := range stored {
		keys[i] = auth.Key{ID: k.ID, Private: k.Private, Retired: k.Retired}
	}
	return auth.NewTokens(keys, time.Now)
}

func (h *house) ready(ctx context.Context) error {
	var one int
	return h.db.Reader().QueryRowContext(ctx, `SELECT 1`).Scan(&one)
}

// demoLog keeps a demo's terminal for its links: only what went wrong is logged.
func demoLog() *slog.Logger {
	return slog.New(slog.NewTextHandler(os.Stderr, &slog.HandlerOptions{Level: slog.LevelWarn}))
}

// keysEvery is how often a server asks whether there are other signing keys.
const keysEvery = 30 * time.Second

// keepKeys follows the rotation of the signing keys until the context ends.
func (h *house) keepKeys(ctx context.Context, tokens *auth.Tokens) {
	tick := time.NewTicker(keysEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if err := httpapi.ReloadKeys(ctx, h.accounts, tokens); err != nil && ctx.Err() == nil {
				h.log.Error("the signing keys could not be read again", "error", err)
			}
		}
	}
}
