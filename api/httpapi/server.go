// Package httpapi is how people and phones reach Gatewright over HTTP: enrolment, tokens, tickets, the socket,
// the site's lists, and the phone's own files. Handlers translate; what things mean is decided in the packages
// below.
package httpapi

import (
	"context"
	"io/fs"
	"log/slog"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humafiber"
	"github.com/gofiber/fiber/v2"
	"github.com/gofiber/fiber/v2/middleware/recover"

	"gatewright/api/accounts"
	"gatewright/api/auth"
	"gatewright/api/problem"
	"gatewright/sync/hub"
)

// bodyLimit bounds every request body (bytes); only what a drained phone hands over and a calculation's series come
// near it. smallBody bounds those of all other routes, whose longest field is a reason of 2,000 characters.
const (
	bodyLimit = 1 << 20
	smallBody = 32 << 10
)

// A request must have come whole within readWithin, however slowly its bytes drip, and its answer must be taken
// within answerWithin: a megabyte at 35 kB/s, the phone's largest file at 20.
const (
	readWithin   = 30 * time.Second
	answerWithin = 2 * time.Minute
	idleWithin   = 2 * time.Minute
)

// Config is what a server needs.
type Config struct {
	Accounts *accounts.Accounts
	Tokens   *auth.Tokens
	Hub      *hub.Runner
	Store    hub.Store
	Phone    fs.FS // the phone's built files; nil serves none
	Origin   string
	Version  string
	Now      func() time.Time
	Ready    func(context.Context) error
	Log      *slog.Logger

	// SecurityContact is where weaknesses are to be told, such as mailto:; "" says nothing of it.
	SecurityContact string

	// Proxies are those whose X-Forwarded-For is believed; see Guard for the connections themselves.
	Proxies []netip.Prefix
	// ReadWithin is how long a request may take to arrive; 0 = 30 seconds.
	ReadWithin time.Duration
}

// Server answers HTTP.
type Server struct {
	accounts *accounts.Accounts
	tokens   *auth.Tokens
	hub      *hub.Runner
	store    hub.Store
	origin   string
	now      func() time.Time
	log      *slog.Logger
	clocks   sync.Mutex // held while a clock entry is written

	addresses addresses
	meter     *meter
	typed     typed
	reloaded  atomic.Int64 // when the signing keys were last asked for, ms
	warned    sync.Once    // about a proxy that was not named
}

// New builds the routes.
func New(cfg Config) *fiber.App {
	s := &Server{accounts: cfg.Accounts, tokens: cfg.Tokens, hub: cfg.Hub, store: cfg.Store,
		origin: cfg.Origin, now: cfg.Now, log: cfg.Log, addresses: addresses{cfg.Proxies}, meter: newMeter(cfg.Now)}
	if cfg.ReadWithin == 0 {
		cfg.ReadWithin = readWithin
	}
	app := fiber.New(fiber.Config{
		DisableStartupMessage: true, BodyLimit: bodyLimit, ErrorHandler: s.fiberError,
		ReadTimeout: cfg.ReadWithin, WriteTimeout: answerWithin, IdleTimeout: idleWithin,
		ReadBufferSize: 16 << 10, ReduceMemoryUsage: true, // an open socket keeps no buffer of the request
		Immutable: true, // strings from a request may outlive its handler
	})
	app.Use(recover.New())
	app.Get("/sync/v1", s.socket()) // before the headers: an open socket would keep them
	app.Use(s.headers)
	app.Use("/api/", unkept, fromElsewhere)
	app.Get("/.well-known/security.txt", s.securityText(cfg.SecurityContact))
	app.Get("/healthz", func(c *fiber.Ctx) error { return c.SendString("ok\n") })
	app.Get("/readyz", func(c *fiber.Ctx) error {
		if err := cfg.Ready(c.Context()); err != nil {
			return &problem.Error{Kind: problem.Unavailable, Sentence: "Not ready: the database does not answer.", Cause: err}
		}
		return c.SendString("ready\n")
	})
	s.limits(app)

	config := huma.DefaultConfig("Gatewright", cfg.Version)
	config.OpenAPIPath, config.DocsPath, config.SchemasPath = "/api/v1/openapi", "", ""
	config.CreateHooks = nil // no $schema links in bodies
	config.Components.SecuritySchemes = map[string]*huma.SecurityScheme{
		"bearer": {Type: "http", Scheme: "bearer", BearerFormat: "JWT"},
	}
	api := humafiber.New(app, config)
	api.UseMiddleware(s.addressed)
	s.enrolment(api)
	s.signInRoutes(api)
	s.siteRoutes(api)
	s.manageRoutes(api)
	s.quarantineRoutes(api)
	s.calcRoutes(api)
	if cfg.Phone != nil {
		// Use, not Get: a route that matches every address would hide that a wrong method was the trouble.
		app.Use(phoneFiles(cfg.Phone))
	}
	return app
}

// route is what every JSON route has in common.
func route(method, path, id, summary string) huma.Operation {
	return huma.Operation{Method: method, Path: path, OperationID: id, Summary: summary,
		MaxBodyBytes: smallBody, DefaultStatus: 200}
}

// guarded is a route that needs a bearer token.
func guarded(method, path, id, summary string) huma.Operation {
	op := route(method, path, id, summary)
	op.Security = []map[string][]string{{"bearer": {}}}
	return op
}
