package main

import (
	"context"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	collector "go.opentelemetry.io/proto/otlp/collector/trace/v1"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/prototext"

	"barward/internal/service"
)

// metricsOf reads the metrics with the parser of the format's own project, so that what another reader would refuse
// fails.
func metricsOf(t *testing.T, address string) map[string]*dto.MetricFamily {
	t.Helper()
	code, text := page(t, address, "/metrics")
	if code != 200 {
		t.Fatalf("metrics: %d %s", code, text)
	}
	parser := expfmt.NewTextParser(model.UTF8Validation)
	families, err := parser.TextToMetricFamilies(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return families
}

// valueOf adds up the samples of a family whose labels include these.
func valueOf(f *dto.MetricFamily, labels ...string) (sum float64) {
	for _, m := range f.GetMetric() {
		has := 0
		for _, l := range m.GetLabel() {
			for i := 0; i < len(labels); i += 2 {
				if l.GetName() == labels[i] && l.GetValue() == labels[i+1] {
					has += 2
				}
			}
		}
		if has == len(labels) {
			sum += m.GetCounter().GetValue() + m.GetGauge().GetValue() + float64(m.GetHistogram().GetSampleCount())
		}
	}
	return sum
}

func TestMetricsCountWhatHappened(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	ready, _ := p.serve(func(c *Config) { c.Monitor, c.Limits = "127.0.0.1:0", service.Unlimited })
	s := newSite(p, seeded(t), "a", dialer(ready, nil))
	bars := s.shipment(s.chance, "M1", 2)
	s.look(s.chance, bars)
	officer := s.people["officer"]
	signed := officer.sign(checked(s.party("mine") + "/MB1"))
	for range 2 { // the second is sent again
		if _, err := officer.send(signed); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := officer.send(officer.sign(checked(s.party("mine") + "/none"))); err == nil {
		t.Fatal("a balance that is not there was checked")
	}
	m := metricsOf(t, ready.Monitor)
	for name, want := range map[string]struct {
		labels []string
		value  float64
	}{
		"barward_events_total":         {[]string{"outcome", "recorded"}, float64(len(s.acked))},
		"barward_ledger_entries":       {nil, float64(len(s.acked) + 2)}, // the two of init
		"barward_ready":                {nil, 1},
		"barward_waiting_events":       {nil, 0},
		"barward_batches_failed_total": {nil, 0},
	} {
		if got := valueOf(m[name], want.labels...); m[name] == nil || got != want.value {
			t.Errorf("%s is %v, want %v", name, got, want.value)
		}
	}
	for outcome, want := range map[string]float64{"resent": 1, "refused": 1} {
		if got := valueOf(m["barward_events_total"], "outcome", outcome); got != want {
			t.Errorf("%s events are %v, want %v", outcome, got, want)
		}
	}
	if got := valueOf(m["barward_calls_total"], "code", "NotFound"); got != 1 {
		t.Errorf("%v calls were answered NotFound, want 1", got)
	}
	for _, name := range []string{"barward_batch_events", "barward_batch_commit_seconds", "barward_call_seconds",
		"barward_ledger_file_bytes", "barward_ledger_sync_seconds_total", "go_goroutines", "process_open_fds"} {
		if valueOf(m[name]) <= 0 {
			t.Errorf("%s is not counted", name)
		}
	}
	for _, name := range []string{"barward_checkpoint_age_seconds", "barward_ledger_free_bytes", "barward_discrepancies_open",
		"barward_queue_events"} {
		if m[name] == nil {
			t.Errorf("%s is not told", name)
		}
	}
	if _, text := page(t, ready.Monitor, "/metrics"); strings.Contains(text, "mine-a") || strings.Contains(text, "officer") {
		t.Error("the metrics name parties or persons")
	}
}

func TestHealthPages(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	ready, stop := p.serve(func(c *Config) { c.Monitor = "127.0.0.1:0" })
	for path, want := range map[string]string{"/live": "live\n", "/ready": "ready\n", "/health": "{\"ready\":true}\n"} {
		if code, text := page(t, ready.Monitor, path); code != 200 || text != want {
			t.Errorf("%s: %d %q", path, code, text)
		}
	}
	if code, _ := page(t, ready.Monitor, "/debug/pprof/"); code != 404 {
		t.Errorf("profiles are served without --pprof: %d", code)
	}
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	if conn, err := net.Dial("tcp", ready.Monitor); err == nil {
		conn.Close()
		t.Error("the monitor is still there")
	}
	ready, _ = p.serve(func(c *Config) { c.Monitor, c.Profiles = "127.0.0.1:0", true })
	if code, text := page(t, ready.Monitor, "/debug/pprof/"); code != 200 || !strings.Contains(text, "goroutine") {
		t.Errorf("profiles: %d", code)
	}
}

// spans is an OTLP collector that keeps what it is sent.
type spans struct {
	collector.UnimplementedTraceServiceServer
	mu   sync.Mutex
	text strings.Builder
}

func (s *spans) Export(_ context.Context, r *collector.ExportTraceServiceRequest) (*collector.ExportTraceServiceResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.text.WriteString(prototext.Format(r))
	return new(collector.ExportTraceServiceResponse), nil
}

// Traces go where the standard environment says, and hold methods and no figures. Without the environment there are
// none.
func TestTracesByTheStandardEnvironment(t *testing.T) {
	if option, _, err := tracing(context.Background(), func(string) string { return "" }); option != nil || err != nil {
		t.Errorf("without an environment: %v %v", option, err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	kept := new(spans)
	server := grpc.NewServer()
	collector.RegisterTraceServiceServer(server, kept)
	go func() { _ = server.Serve(l) }()
	defer server.Stop()
	t.Setenv("OTEL_EXPORTER_OTLP_ENDPOINT", "http://"+l.Addr().String())
	t.Setenv("OTEL_SERVICE_NAME", "invented-ledger")
	for name, value := range map[string]string{"OTEL_SDK_DISABLED": "true", "OTEL_TRACES_EXPORTER": "none"} {
		t.Setenv(name, value)
		if option, _, err := tracing(context.Background(), os.Getenv); option != nil || err != nil {
			t.Errorf("%s=%s: %v %v", name, value, option, err)
		}
		t.Setenv(name, "")
	}
	p := newLedger(t)
	ready, stop := p.serve(func(c *Config) {
		c.Getenv, c.Drain, c.Log = os.Getenv, 60*time.Second, slog.New(slog.DiscardHandler)
	})
	s := newSite(p, seeded(t), "a", dialer(ready, nil))
	s.shipment(s.chance, "T1", 1)
	officer := s.people["officer"]
	e := checked(s.party("mine") + "/MB1")
	e.Points[0].Observed = "12345.678912 g"
	if _, err := officer.send(officer.sign(e)); err == nil {
		t.Fatal("a reading finer than the balance's was taken")
	}
	s.hangUpAll()
	if err := stop(); err != nil { // what is left is sent at the end
		t.Fatal(err)
	}
	kept.mu.Lock()
	defer kept.mu.Unlock()
	text := kept.text.String()
	if !strings.Contains(text, "LedgerService/Record") || !strings.Contains(text, "invented-ledger") {
		t.Errorf("%d bytes of spans do not have the method and the service", len(text))
	}
	for _, figure := range append(s.said, "12345.678912") {
		if strings.Contains(text, figure) {
			t.Errorf("a span holds the figure %s", figure)
		}
	}
}
