package main

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"os"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	grpcstatus "google.golang.org/grpc/status"

	"barward/internal/service"
)

// A soak with mixed desks at a moderate rate: pours, samples, hand-offs and receipts by stream, and reads between,
// from desks that hang up now and then. Nothing acknowledged may be lost or doubled, and nothing may be left behind
// when the desks have gone: connections, streams, goroutines, memory. BARWARD_SOAK is how long, such as 2h; the short
// form does a fixed amount of work.
func TestSoak(t *testing.T) {
	const sites, shipments = 2, 24 // of the short form, a site
	long := time.Duration(0)
	if text := os.Getenv("BARWARD_SOAK"); text != "" {
		var err error
		if long, err = time.ParseDuration(text); err != nil {
			t.Fatal(err)
		}
	}
	chance := seeded(t)
	p := newLedger(t)
	ready, stop := p.serve(func(c *Config) { c.Limits = service.Unlimited })
	var all []*site
	for i := range sites {
		all = append(all, newSite(p, chance, string(rune('a'+i)), dialer(ready, nil)))
	}
	for i, s := range all { // once through, so that pools and caches are filled
		s.shipment(rand.New(rand.NewPCG(chance.Uint64(), uint64(i))), "warm", 2)
		s.hangUpAll()
	}
	before, size := measure(t, p)
	begin := time.Now()
	watching, unwatch := context.WithCancel(context.Background())
	defer unwatch()
	var wait, watches sync.WaitGroup
	var watched atomic.Int64
	for i, s := range all {
		watches.Go(func() { watched.Add(s.people["manager"].watch(watching)) })
		own := rand.New(rand.NewPCG(chance.Uint64(), uint64(i)))
		wait.Go(func() {
			for n := 0; n < shipments || time.Since(begin) < long; n++ {
				bars := s.shipment(own, "S"+strconv.Itoa(n), 1+own.IntN(4))
				for range 12 {
					s.look(own, bars)
				}
				if own.IntN(4) == 0 {
					s.hangUpAll()
				}
				if long > 0 {
					time.Sleep(time.Duration(own.IntN(40)) * time.Millisecond)
				}
				if t.Failed() {
					return
				}
			}
		})
	}
	wait.Wait()
	took := time.Since(begin)
	unwatch()
	watches.Wait()
	reads := int64(0)
	for _, s := range all {
		s.hangUpAll()
		reads += s.reads.Load()
	}
	after, grown := measure(t, p)
	patient(t, "goroutines of the desks end", func() bool {
		after.goroutines = runtime.NumGoroutine()
		return after.goroutines <= before.goroutines+20
	})
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	entries := p.audit(all...)
	t.Logf("%s: %d entries, %d reads, %d watched; heap %d KiB before and %d after; goroutines %d and %d; file grew %d bytes",
		took.Round(time.Millisecond), entries, reads, watched.Load(), before.heap>>10, after.heap>>10, before.goroutines, after.goroutines,
		grown-size)
	// Generous: what leaks a kilobyte a call is found in the short form only if it is many calls; the long form finds
	// it.
	if after.heap > before.heap+64<<20 {
		t.Errorf("the heap in use grew from %d to %d bytes", before.heap, after.heap)
	}
	code, _, stderr := p.run("verify", "--ledger", p.path("ledger"))
	want(t, "verify", code, 0, stderr, "")
}

type measured struct {
	heap       uint64
	goroutines int
}

// measure returns memory in use after collection, goroutines, and the size of the ledger's file.
func measure(t *testing.T, p place) (m measured, file int64) {
	t.Helper()
	runtime.GC()
	runtime.GC() // what finalizers of the first let go
	var stats runtime.MemStats
	runtime.ReadMemStats(&stats)
	info, err := os.Stat(p.path("ledger"))
	if err != nil {
		t.Fatal(err)
	}
	return measured{stats.HeapInuse, runtime.NumGoroutine()}, info.Size()
}

// The log of daily use holds no figure of a weighing or an assay, and the log at whatever level no token, no key, no
// passphrase. The test sees that the log tells of the entries, so it does not pass because nothing is logged.
func TestLogHoldsNeitherFiguresNorSecrets(t *testing.T) {
	t.Parallel()
	chance := seeded(t)
	daily, all := new(syncBuffer), new(syncBuffer)
	p := newLedger(t)
	log := slog.New(slog.NewMultiHandler(
		slog.NewJSONHandler(daily, &slog.HandlerOptions{Level: slog.LevelInfo}),
		slog.NewJSONHandler(all, &slog.HandlerOptions{Level: slog.LevelDebug})))
	ready, stop := p.serve(func(c *Config) { c.Log, c.Limits = log, service.Unlimited })
	s := newSite(p, chance, "a", dialer(ready, nil))
	s.shipment(chance, "L1", 3)
	bars := s.shipment(chance, "L2", 2)
	for range 20 {
		s.look(chance, bars)
	}
	// Refusals quote what was sent: they are the commonest way into a log.
	officer := s.people["officer"]
	for _, reading := range []string{"12345.678912 g", "98765.4321 g"} {
		e := checked(s.party("mine") + "/MB1")
		e.Points[0].Observed = reading
		if _, err := officer.send(officer.sign(e)); grpcstatus.Code(err) != codes.InvalidArgument {
			t.Errorf("%s on a balance that reads 0.01 g up to 32 kg: %v", reading, err)
		}
	}
	var secrets []string
	for _, d := range s.people {
		d.mu.Lock()
		if d.token != "" {
			secrets = append(secrets, d.token, d.token[len(d.token)-40:])
		}
		d.mu.Unlock()
		secrets = append(secrets, string(d.key.Private()), string(d.key.Private().Seed()))
	}
	secrets = append(secrets, testPassphrase, logKeySecret(t, p))
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(daily.String(), `"entry"`); n < len(s.acked)/2 {
		t.Errorf("the log tells of %d entries; %d were recorded", n, len(s.acked))
	}
	if len(s.said) < 10 {
		t.Fatalf("only %d figures were recorded", len(s.said))
	}
	for _, figure := range append(s.said, "12345.678912", "98765.4321", "147.60") {
		if strings.Contains(daily.String(), figure) {
			t.Errorf("the log of daily use holds the figure %s", figure)
		}
	}
	for i, secret := range secrets {
		if secret != "" && strings.Contains(all.String(), secret) {
			t.Errorf("the log holds secret number %d", i)
		}
	}
}

// logKeySecret is the secret part of the log's private key, as its file has it.
func logKeySecret(t *testing.T, p place) string {
	t.Helper()
	text, err := os.ReadFile(p.path("ledger.key"))
	if err != nil {
		t.Fatal(err)
	}
	first, _, _ := strings.Cut(string(text), "\n")
	return first[strings.LastIndex(first, "+")+1:]
}
