package service

import (
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc/codes"

	"barward/internal/book"
	"barward/internal/ledger"
	pb "barward/proto/barward/v1"
)

// metrics are what the service counts. No label and no value holds a weight, an assay, an amount, a name or a token.
type metrics struct {
	calls   *prometheus.CounterVec
	seconds *prometheus.HistogramVec
	events  *prometheus.CounterVec
	became  [3]prometheus.Counter // of events: recorded, resent, refused
	open    *prometheus.GaugeVec

	refusedEarly       atomic.Uint64 // calls, since the last report to the log
	refusedConnections atomic.Uint64 // for ever
	early              prometheus.Counter

	mu    sync.Mutex
	known map[counterKey]counters
}

// counterKey names the counters of one method and code, which are found once.
type counterKey struct {
	method string
	code   codes.Code
}

type counters struct {
	calls   prometheus.Counter
	seconds prometheus.Observer
}

func newMetrics() *metrics {
	m := &metrics{
		calls: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "barward_calls_total",
			Help: "Calls answered, by method and gRPC code."}, []string{"method", "code"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "barward_call_seconds",
			Help:    "Time from the first byte of a call to its answer; streams count when they end.",
			Buckets: []float64{.0005, .001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30}}, []string{"method"}),
		events: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "barward_events_total",
			Help: "Events offered, by outcome: recorded, resent or refused."}, []string{"outcome"}),
		open: prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "barward_streams_open",
			Help: "Streams open now, by sort."}, []string{"sort"}),
		early: prometheus.NewCounter(prometheus.CounterOpts{Name: "barward_calls_refused_early_total",
			Help: "Calls refused for their rate or number before anything was done for them."}),
		known: map[counterKey]counters{},
	}
	for i, outcome := range []string{"recorded", "resent", "refused"} {
		m.became[i] = m.events.WithLabelValues(outcome)
	}
	return m
}

// count counts a call that ended. A nil metrics counts nothing.
func (m *metrics) count(method string, code codes.Code, took time.Duration, c *call) {
	if m == nil {
		return
	}
	key := counterKey{method, code}
	m.mu.Lock()
	found, ok := m.known[key]
	if !ok {
		found = counters{m.calls.WithLabelValues(method, code.String()), m.seconds.WithLabelValues(method)}
		m.known[key] = found
	}
	m.mu.Unlock()
	found.calls.Inc()
	found.seconds.Observe(took.Seconds())
	if c.early {
		m.early.Inc()
		m.refusedEarly.Add(1)
	}
}

// Batches counts what the ledger commits at a time. Give its Observe to the ledger that the Service will have.
type Batches struct {
	events, seconds prometheus.Histogram
	failed          prometheus.Counter
}

// NewBatches returns counters at zero.
func NewBatches() *Batches {
	return &Batches{
		events: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "barward_batch_events",
			Help: "Events in one transaction.", Buckets: prometheus.ExponentialBuckets(1, 2, 9)}),
		seconds: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "barward_batch_commit_seconds",
			Help:    "Time to write and sync one transaction.",
			Buckets: []float64{.00025, .0005, .001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 5}}),
		failed: prometheus.NewCounter(prometheus.CounterOpts{Name: "barward_batches_failed_total",
			Help: "Transactions that failed as a whole."}),
	}
}

// Observe is for ledger.Config.
func (b *Batches) Observe(batch ledger.Batch) {
	b.events.Observe(float64(batch.Events))
	if batch.Commit > 0 {
		b.seconds.Observe(batch.Commit.Seconds())
	}
	if batch.Err != nil {
		b.failed.Inc()
	}
}

// Collectors returns the counters for the registry of a server.
func (b *Batches) Collectors() []prometheus.Collector {
	return []prometheus.Collector{b.events, b.seconds, b.failed}
}

// picture is what the service finds out when the metrics are read.
type picture struct {
	name, help string
	read       func(s *Service) (float64, bool)
}

var pictures = []picture{
	{"barward_waiting_events", "Events handed to the ledger and not answered.",
		func(s *Service) (float64, bool) { return float64(s.waiting.Load()), true }},
	{"barward_discrepancies_open", "Discrepancies that nobody has decided yet, over all parties.",
		func(s *Service) (float64, bool) { return s.openDiscrepancies() }},
	{"barward_ready", "1 while calls are taken and events recorded.",
		func(s *Service) (float64, bool) {
			if s.Health().Ready {
				return 1, true
			}
			return 0, true
		}},
	{"barward_tokens_known", "Proven tokens that are kept until they end.",
		func(s *Service) (float64, bool) {
			s.tokens.mu.Lock()
			defer s.tokens.mu.Unlock()
			return float64(len(s.tokens.known)), true
		}},
	{"barward_connections_refused_total", "Connections closed at once because too many were open.",
		func(s *Service) (float64, bool) { return float64(s.metrics.refusedConnections.Load()), true }},
}

// Metrics returns what the service tells of itself, for the registry of a server.
func (s *Service) Metrics() []prometheus.Collector {
	return []prometheus.Collector{s.metrics.calls, s.metrics.seconds, s.metrics.events, s.metrics.open, s.metrics.early,
		&scraper{s: s}}
}

// scraper asks when it is asked, so that nobody who does not read metrics pays for them.
type scraper struct{ s *Service }

var degradedDesc = prometheus.NewDesc("barward_degraded", "1 for each part that is not as it should be.",
	[]string{"part"}, nil)

// Describe implements prometheus.Collector.
func (c *scraper) Describe(to chan<- *prometheus.Desc) {
	to <- degradedDesc
	for _, p := range pictures {
		to <- prometheus.NewDesc(p.name, p.help, nil, nil)
	}
	for _, p := range ofLedger {
		to <- prometheus.NewDesc(p.name, p.help, nil, nil)
	}
}

// figure makes a metric of a figure that was read; one whose name says that it only grows is a counter.
func figure(name, help string, value float64) prometheus.Metric {
	kind := prometheus.GaugeValue
	if strings.HasSuffix(name, "_total") {
		kind = prometheus.CounterValue
	}
	return prometheus.MustNewConstMetric(prometheus.NewDesc(name, help, nil, nil), kind, value)
}

// ofLedger are the figures that the ledger gives all at once.
var ofLedger = []struct {
	name, help string
	read       func(ledger.Stats, time.Time) float64
}{
	{"barward_ledger_entries", "Entries in the log that are known to be on disk.",
		func(l ledger.Stats, _ time.Time) float64 { return float64(l.Entries) }},
	{"barward_journal_entries", "Of the entries, those in the journal and not yet in the ledger's file.",
		func(l ledger.Stats, _ time.Time) float64 { return float64(l.Journal) }},
	{"barward_queue_events", "Events in the ledger's queue.",
		func(l ledger.Stats, _ time.Time) float64 { return float64(l.Queue) }},
	{"barward_ledger_file_bytes", "Size of the ledger's file.",
		func(l ledger.Stats, _ time.Time) float64 { return float64(l.FileBytes) }},
	{"barward_ledger_free_bytes", "Of the file, pages that the next transactions can use.",
		func(l ledger.Stats, _ time.Time) float64 { return float64(l.FreePages * l.PageBytes) }},
	{"barward_ledger_pending_bytes", "Of the file, pages that are free once open views end.",
		func(l ledger.Stats, _ time.Time) float64 { return float64(l.PendingPages * l.PageBytes) }},
	{"barward_ledger_views", "Views of the ledger that are open; the file grows while one is.",
		func(l ledger.Stats, _ time.Time) float64 { return float64(l.Views) }},
	{"barward_ledger_sync_seconds_total", "Time spent writing pages and syncing since the file was opened.",
		func(l ledger.Stats, _ time.Time) float64 { return l.SyncTime.Seconds() }},
	{"barward_checkpoint_age_seconds", "Time since the last entry came under a signed checkpoint; 0 for an empty log.",
		func(l ledger.Stats, now time.Time) float64 {
			if l.Entries == 0 {
				return 0
			}
			return now.Sub(l.LastRecorded).Seconds()
		}},
}

// Collect implements prometheus.Collector.
func (c *scraper) Collect(to chan<- prometheus.Metric) {
	stats, now := c.s.ledger.Stats(), c.s.now()
	for _, p := range ofLedger {
		to <- figure(p.name, p.help, p.read(stats, now))
	}
	for _, p := range pictures {
		if value, ok := p.read(c.s); ok {
			to <- figure(p.name, p.help, value)
		}
	}
	for _, part := range c.s.Health().parts() {
		to <- prometheus.MustNewConstMetric(degradedDesc, prometheus.GaugeValue, 1, part)
	}
}

// census keeps a number that is dear to find.
type census struct {
	mu   sync.Mutex
	at   time.Time
	open float64
}

// openDiscrepancies counts what nobody has decided. It looks through the whole register, so it does not do so often.
func (s *Service) openDiscrepancies() (float64, bool) {
	s.census.mu.Lock()
	defer s.census.mu.Unlock()
	if now := s.now(); s.census.at.IsZero() || now.Sub(s.census.at) >= countEvery {
		err := s.ledger.View(func(b *ledger.Book, _ uint64) (err error) {
			open, err := book.OpenDiscrepancies(b)
			s.census.open = float64(open)
			return err
		})
		if err != nil {
			return 0, false
		}
		s.census.at = now
	}
	return s.census.open, true
}

// outcome counts what became of one event.
func (m *metrics) outcome(receipt *pb.Receipt) {
	switch {
	case receipt == nil:
		m.became[2].Inc()
	case receipt.Resent:
		m.became[1].Inc()
	default:
		m.became[0].Inc()
	}
}
