package httpapi_test

import (
	"net/http"
	"testing"
	"testing/fstest"
)

var built = fstest.MapFS{
	"index.html":                {Data: []byte("<!doctype html>start")},
	"index.html.br":             {Data: []byte("packed start")},
	"sw.js":                     {Data: []byte("worker")},
	"manifest.webmanifest":      {Data: []byte("{}")},
	"assets/app-1a2b3c4d.js":    {Data: []byte("app")},
	"assets/rules-5e6f.wasm":    {Data: []byte("wasm")},
	"assets/rules-5e6f.wasm.br": {Data: []byte("packed wasm")},
}

func TestPhoneFiles(t *testing.T) {
	y := newYard(t, built)
	const forever, fresh = "public, max-age=31536000, immutable", "no-cache"
	for _, c := range []struct {
		what, path, accept           string
		body, kind, encoding, caches string
	}{
		{"the start page", "/", "", "<!doctype html>start", "text/html; charset=utf-8", "", fresh},
		{"the start page, packed", "/", "gzip, br", "packed start", "text/html; charset=utf-8", "br", fresh},
		{"an address of the app", "/join", "", "<!doctype html>start", "text/html; charset=utf-8", "", fresh},
		{"a deep address of the app, packed", "/gates/east/parts", "br;q=0.5", "packed start", "text/html; charset=utf-8", "br", fresh},
		{"a folder", "/assets", "", "<!doctype html>start", "text/html; charset=utf-8", "", fresh},
		{"a file without a packed one", "/assets/app-1a2b3c4d.js", "br", "app", "text/javascript; charset=utf-8", "", forever},
		{"a file with one", "/assets/rules-5e6f.wasm", "br", "packed wasm", "application/wasm", "br", forever},
		{"not packed for who can't unpack", "/assets/rules-5e6f.wasm", "gzip", "wasm", "application/wasm", "", forever},
		{"not packed for who won't", "/assets/rules-5e6f.wasm", "gzip, br;q=0", "wasm", "application/wasm", "", forever},
		{"the worker", "/sw.js", "", "worker", "text/javascript; charset=utf-8", "", fresh},
		{"the manifest", "/manifest.webmanifest", "", "{}", "application/manifest+json", "", fresh},
		{"dots that stay inside", "/assets/../sw.js", "", "worker", "text/javascript; charset=utf-8", "", fresh},
	} {
		req, err := http.NewRequest("GET", y.base+c.path, nil)
		y.must(err)
		if c.accept != "" {
			req.Header.Set("Accept-Encoding", c.accept)
		}
		a := y.send(req)
		if a.status != 200 || string(a.body) != c.body {
			t.Errorf("%s: %s, want %q", c.what, a, c.body)
		}
		for name, want := range map[string]string{"Content-Type": c.kind, "Content-Encoding": c.encoding, "Cache-Control": c.caches, "Vary": "Accept-Encoding"} {
			if got := a.header.Get(name); got != want {
				t.Errorf("%s: %s is %q, want %q", c.what, name, got, want)
			}
		}
	}
	for what, path := range map[string]string{
		"a file that is not there": "/assets/old-0000.js", "a packed file by its own name": "/index.html.br",
		"an unknown API address": "/api/v2/things", "the API's folder": "/api/", "below the socket": "/sync/v2",
		"out of the folder": "/..%2f..%2fetc/passwd.txt", "dots in the middle": "/assets/%2e%2e/%2e%2e/go.mod", "a NUL": "/a%00.js",
	} {
		y.wantRefused(what, y.ask("GET", path, "", nil), 404, "")
	}
	y.wantRefused("writing a file", y.ask("PUT", "/sw.js", "", "x"), 404, "")
	if a := y.ask("HEAD", "/sw.js", "", nil); a.status != 200 || len(a.body) != 0 || a.header.Get("Content-Length") != "6" {
		t.Errorf("HEAD: %s, length %q", a, a.header.Get("Content-Length"))
	}
}
