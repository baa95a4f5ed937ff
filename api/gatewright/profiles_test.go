package main

import (
	"errors"
	"net"
	"net/http"
	"strings"
	"testing"

	"gatewright/api/problem"
)

// Profiles are served on a loopback address and on no other.
func TestProfiles(t *testing.T) {
	for _, address := range []string{"0.0.0.0:0", ":0", "192.0.2.1:0", "[::]:0", "localhost:0", "127.0.0.1", "nonsense"} {
		stop, err := profiles(address, quiet())
		var p *problem.Error
		if !errors.As(err, &p) || !strings.Contains(p.Sentence, "GATEWRIGHT_PPROF") {
			t.Errorf("%s: %v", address, err)
		}
		if err == nil {
			_ = stop()
		}
	}
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := free.Addr().String()
	_ = free.Close()
	stop, err := profiles(address, quiet())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		method, path string
		want         int
	}{{"POST", "/debug/free", 200}, {"GET", "/debug/free", 405}, {"GET", "/debug/pprof/heap", 200}} {
		req, err := http.NewRequestWithContext(t.Context(), c.method, "http://"+address+c.path, nil)
		if err != nil {
			t.Fatal(err)
		}
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		_ = res.Body.Close()
		if res.StatusCode != c.want {
			t.Errorf("%s %s: %s, want %d", c.method, c.path, res.Status, c.want)
		}
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
	if stop, err := profiles("", quiet()); err != nil || stop() != nil {
		t.Errorf("none: %v", err)
	}
}
