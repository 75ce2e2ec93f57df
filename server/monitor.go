package main

import (
	"encoding/json"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"net/http/pprof"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"barward/internal/refusal"
	"barward/internal/service"
)

// The monitor is a listener of its own for those who watch the service and have no key in it: metrics in the Prometheus
// text format, and health in words. What it tells holds no weight, assay, amount, name or token.
//
//	/metrics  counters and gauges
//	/live     200 while the process can answer at all
//	/ready    200 while calls are taken and events recorded, else 503
//	/health   the same, and as JSON what is not as it should be
//
// With --pprof, and on loopback only, /debug/pprof/ has Go's profiles: they show what the process holds in memory.

// monitorTimeouts keep a slow or silent reader from holding a connection.
const (
	monitorHeader = 5 * time.Second
	monitorWrite  = 2 * time.Minute // a profile takes as long as it was asked to
	monitorIdle   = time.Minute
	monitorBytes  = 16 << 10 // of headers
)

// monitor serves the monitor's pages until its listener is closed.
func monitor(s *service.Service, batches *service.Batches, profiles bool, log *slog.Logger) (*http.Server, error) {
	registry := prometheus.NewRegistry()
	all := append(s.Metrics(), batches.Collectors()...)
	all = append(all, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	for _, c := range all {
		if err := registry.Register(c); err != nil {
			return nil, err
		}
	}
	pages := http.NewServeMux()
	pages.Handle("GET /metrics", promhttp.HandlerFor(registry, promhttp.HandlerOpts{MaxRequestsInFlight: 4}))
	pages.HandleFunc("GET /live", func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("live\n")) })
	pages.HandleFunc("GET /ready", func(w http.ResponseWriter, _ *http.Request) {
		if !s.Health().Ready {
			http.Error(w, "not ready", http.StatusServiceUnavailable)
			return
		}
		_, _ = w.Write([]byte("ready\n"))
	})
	pages.HandleFunc("GET /health", func(w http.ResponseWriter, _ *http.Request) {
		h := s.Health()
		w.Header().Set("Content-Type", "application/json")
		if !h.Ready {
			w.WriteHeader(http.StatusServiceUnavailable)
		}
		_ = json.NewEncoder(w).Encode(h)
	})
	if profiles {
		pages.HandleFunc("/debug/pprof/", pprof.Index)
		pages.HandleFunc("/debug/pprof/profile", pprof.Profile)
		pages.HandleFunc("/debug/pprof/symbol", pprof.Symbol)
		pages.HandleFunc("/debug/pprof/trace", pprof.Trace)
	}
	return &http.Server{Handler: pages, ReadHeaderTimeout: monitorHeader, ReadTimeout: monitorHeader,
		WriteTimeout: monitorWrite, IdleTimeout: monitorIdle, MaxHeaderBytes: monitorBytes,
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug)}, nil
}

// serveQuietly serves until the server is closed, which is no error.
func serveQuietly(s *http.Server, l net.Listener) error {
	if err := s.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// checkMonitor refuses profiles where others could read them.
func (c Config) checkMonitor(addr net.Addr) error {
	if !c.Profiles || isLoopback(addr) {
		return nil
	}
	return refusal.New(refusal.Precondition, "PPROF_OFF_LOOPBACK", "pprof",
		"%s can be reached from other machines, and profiles show what the process holds in memory. Let the monitor listen on "+
			"127.0.0.1, or leave --pprof out.", addr).About(addr.String()).With("listen", addr.String())
}
