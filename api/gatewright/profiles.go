package main

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/http/pprof"
	"runtime/debug"
	"time"

	"gatewright/api/problem"
)

// profiles serves Go's own profiles, and POST /debug/free, which collects and gives memory back, for whoever looks
// for what the server spends. Only a loopback address will do: profiles tell of everything. An empty address is none.
func profiles(address string, log *slog.Logger) (stop func() error, err error) {
	if address == "" {
		return func() error { return nil }, nil
	}
	host, _, err := net.SplitHostPort(address)
	if ip := net.ParseIP(host); err != nil || ip == nil || !ip.IsLoopback() {
		return nil, problem.New(problem.Invalid, "GATEWRIGHT_PPROF", "GATEWRIGHT_PPROF must be a loopback address with a port, such as 127.0.0.1:6060.")
	}
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("GATEWRIGHT_PPROF: %w", err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("/debug/pprof/", pprof.Index)
	mux.HandleFunc("/debug/pprof/profile", pprof.Profile)
	mux.HandleFunc("/debug/pprof/trace", pprof.Trace)
	mux.HandleFunc("POST /debug/free", func(http.ResponseWriter, *http.Request) { debug.FreeOSMemory() })
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	go func() {
		if err := server.Serve(listener); err != nil && !errors.Is(err, http.ErrServerClosed) {
			log.Error("serving profiles", "error", err)
		}
	}()
	return server.Close, nil
}
