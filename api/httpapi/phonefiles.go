package httpapi

import (
	"errors"
	"io/fs"
	"mime"
	"path"
	"strings"

	"github.com/gofiber/fiber/v2"
)

// phoneFiles serves the phone's built files, brotli-compressed where a .br lies beside them. Addresses without
// a file of their own get the start page, which reads them itself.
func phoneFiles(files fs.FS) fiber.Handler {
	return func(c *fiber.Ctx) error {
		if c.Method() != fiber.MethodGet && c.Method() != fiber.MethodHead {
			return c.Next()
		}
		name := strings.TrimPrefix(path.Clean("/"+c.Path()), "/")
		if name == "" {
			name = "index.html"
		}
		if first, _, _ := strings.Cut(name, "/"); first == "api" || first == "sync" || strings.HasSuffix(name, ".br") {
			return c.Next()
		}
		body, err := fs.ReadFile(files, name)
		if errors.Is(err, fs.ErrNotExist) || isFolder(files, name) {
			if path.Ext(name) != "" {
				return c.Next()
			}
			name = "index.html"
			body, err = fs.ReadFile(files, name)
		}
		if err != nil {
			return c.Next()
		}
		c.Set(fiber.HeaderContentType, contentType(name))
		c.Set(fiber.HeaderVary, fiber.HeaderAcceptEncoding)
		if strings.HasPrefix(name, "assets/") { // their names hold a hash of their content
			c.Set(fiber.HeaderCacheControl, "public, max-age=31536000, immutable")
		} else {
			c.Set(fiber.HeaderCacheControl, "no-cache")
		}
		if takesBrotli(c.Get(fiber.HeaderAcceptEncoding)) {
			if packed, err := fs.ReadFile(files, name+".br"); err == nil {
				c.Set(fiber.HeaderContentEncoding, "br")
				body = packed
			}
		}
		return c.Send(body)
	}
}

// takesBrotli reads Accept-Encoding (RFC 9110, 12.5.3): br is there, and not with the weight 0.
func takesBrotli(accept string) bool {
	for item := range strings.SplitSeq(accept, ",") {
		name, weight, _ := strings.Cut(item, ";")
		if strings.EqualFold(strings.TrimSpace(name), "br") {
			_, q, _ := strings.Cut(weight, "=")
			return q == "" || strings.Trim(q, "0. ") != ""
		}
	}
	return false
}

func isFolder(files fs.FS, name string) bool {
	info, err := fs.Stat(files, name)
	return err == nil && info.IsDir()
}

func contentType(name string) string {
	switch path.Ext(name) {
	case ".wasm":
		return "application/wasm"
	case ".webmanifest":
		return "application/manifest+json"
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".woff2":
		return "font/woff2"
	}
	if t := mime.TypeByExtension(path.Ext(name)); t != "" {
		return t
	}
	return "application/octet-stream"
}
