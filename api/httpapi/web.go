package httpapi

import (
	"net/netip"
	"net/url"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"
)

// hstsLife is how long a browser that came by https keeps to it: a year (RFC 6797). Names below the server's own are
// not spoken for: they may be somebody else's.
const hstsLife = "max-age=31536000"

// headers sets what every answer carries. The policy lets the phone's own files run, and WebAssembly compile,
// and nothing else.
func (s *Server) headers(c *fiber.Ctx) error {
	s.setHeaders(c)
	return c.Next()
}

func (s *Server) setHeaders(c *fiber.Ctx) {
	c.Set("Content-Security-Policy", "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; "+
		"img-src 'self' blob: data:; font-src 'self'; connect-src 'self'; worker-src 'self'; manifest-src 'self'; "+
		"media-src 'self' blob:; object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	c.Set("X-Content-Type-Options", "nosniff")
	c.Set("Referrer-Policy", "no-referrer")
	c.Set("Cross-Origin-Opener-Policy", "same-origin")
	c.Set("Cross-Origin-Resource-Policy", "same-origin")
	c.Set("Cross-Origin-Embedder-Policy", "require-corp")
	c.Set("Permissions-Policy", "camera=(self), microphone=(self), geolocation=(), payment=(), usb=()")
	if strings.HasPrefix(s.origin, "https://") {
		c.Set("Strict-Transport-Security", hstsLife)
	}
}

// unkept says that nobody on the way keeps an answer of the API: it is for one caller and one moment.
func unkept(c *fiber.Ctx) error {
	c.Set(fiber.HeaderCacheControl, "no-store")
	return c.Next()
}

// fromElsewhere turns away what a page of another origin makes a browser ask. Browsers say so themselves
// (Sec-Fetch-Site); programs say nothing and are let in. A link that somebody follows does no harm: it carries no token
// and can only read what everybody may.
func fromElsewhere(c *fiber.Ctx) error {
	switch c.Get("Sec-Fetch-Site") {
	case "", "same-origin", "none":
		return c.Next()
	}
	if c.Get("Sec-Fetch-Mode") == "navigate" && c.Get("Sec-Fetch-Dest") == "document" && (c.Method() == fiber.MethodGet || c.Method() == fiber.MethodHead) {
		return c.Next()
	}
	return fiber.NewError(fiber.StatusForbidden, "This address is not for pages of other origins")
}

// ownOrigin says whether a socket may be opened from an origin: programs send none, and pages must be this server's.
// That is the origin that was set, and whichever address in numbers (or localhost) the page itself was fetched from. A
// name that merely led here is not enough: who owns a name lets it lead anywhere.
func ownOrigin(origin, own, host string) bool {
	if origin == "" || origin == own {
		return true
	}
	u, err := url.Parse(origin)
	if err != nil || u.Host == "" || u.Host != host {
		return false
	}
	_, err = netip.ParseAddr(u.Hostname())
	return err == nil || u.Hostname() == "localhost"
}

// securityLife is how long security.txt says that it holds; it is written anew with each answer (RFC 9116 asks for less
// than a year).
const securityLife = 180 * 24 * time.Hour

// contacts reads where weaknesses are to be told: addresses with a scheme (mailto:, https:, tel:), by spaces. What is
// none is left out.
func contacts(text string) (out []string) {
	for word := range strings.FieldsSeq(text) {
		if u, err := url.Parse(word); err == nil && (u.Scheme == "https" && u.Host != "" || (u.Scheme == "mailto" || u.Scheme == "tel") && u.Opaque != "") {
			out = append(out, word)
		}
	}
	return out
}

// securityText is /.well-known/security.txt after RFC 9116; nothing without a contact.
func (s *Server) securityText(contact string) fiber.Handler {
	to := contacts(contact)
	return func(c *fiber.Ctx) error {
		if len(to) == 0 {
			return fiber.ErrNotFound
		}
		var b strings.Builder
		for _, x := range to {
			b.WriteString("Contact: " + x + "\n")
		}
		b.WriteString("Expires: " + s.now().UTC().Add(securityLife).Format(time.RFC3339) + "\n")
		if strings.HasPrefix(s.origin, "https://") {
			b.WriteString("Canonical: " + s.origin + "/.well-known/security.txt\n")
		}
		c.Set(fiber.HeaderContentType, "text/plain; charset=utf-8")
		return c.SendString(b.String())
	}
}
