package main

import (
	"fmt"
	"os"
	"testing"
	"time"

	"barward/internal/service"
	pb "barward/proto/barward/v1"
)

// BenchmarkTasks says what a ledger of 50 000 entries costs its operator: bytes an entry on disk, and how fast it is
// verified, folded again, backed up, checked, exported and imported, on the file alone. OPERATING.md quotes it. Run it
// with -benchtime 1x.
func BenchmarkTasks(b *testing.B) {
	const entries = 50_000
	p := newLedger(b)
	ready, stop := p.serve(func(c *Config) { c.Limits = service.Unlimited })
	s := newSite(p, seeded(b), "a", dialer(ready, nil))
	officer, mine := s.people["officer"], s.party("mine")
	begin := time.Now()
	for done := 0; done < entries; {
		var batch []*pb.SignedEvent
		for range 200 { // a bar is poured and then weighed nine times
			name := fmt.Sprintf("B%d", done+len(batch))
			batch = append(batch, officer.sign(&pb.PourRecorded{PourId: name, Balance: mine + "/MB1",
				Bars: []*pb.PouredBar{{Mark: name, Readings: grams(s.chance)}}}))
			for range 9 {
				batch = append(batch, officer.sign(&pb.Weighed{Subject: mine + "/" + name, Balance: mine + "/MB1",
					Stage: pb.WeighingStage_WEIGHING_STAGE_RECHECK, Readings: grams(s.chance)}))
			}
		}
		officer.batch(batch)
		if b.Failed() {
			b.FailNow()
		}
		done += len(batch)
	}
	b.Logf("%.0f entries/s by one stream, signing included", entries/time.Since(begin).Seconds())
	if err := stop(); err != nil {
		b.Fatal(err)
	}
	l, _, err := (where{Ledger: p.path("ledger")}).open("")
	if err != nil {
		b.Fatal(err)
	}
	stats := l.Stats()
	if err := l.Close(); err != nil {
		b.Fatal(err)
	}
	used := float64(stats.FileBytes - int64(stats.FreePages+stats.PendingPages)*int64(stats.PageBytes))
	b.Logf("%.0f bytes of file an entry, %.0f of them in use", float64(stats.FileBytes)/float64(stats.Entries),
		used/float64(stats.Entries))
	n := 0
	for _, task := range []struct {
		name string
		args func(n int) []string
	}{
		{"verify", func(int) []string { return []string{"verify", "--ledger", p.path("ledger")} }},
		{"rebuild", func(int) []string { return []string{"rebuild", "--ledger", p.path("ledger")} }},
		{"backup", func(n int) []string {
			return []string{"backup", "--ledger", p.path("ledger"), "--to", p.path(fmt.Sprint("copy", n))}
		}},
		{"export", func(n int) []string {
			return []string{"export", "--ledger", p.path("ledger"), "--to", p.path(fmt.Sprint("log", n))}
		}},
		{"import", func(n int) []string {
			return []string{"import", "--export", p.path("log"), "--ledger", p.path(fmt.Sprint("in", n)), "--log-public-key", ready.LogPublicKey}
		}},
		{"restore", func(n int) []string {
			return []string{"restore", "--backup", p.path("copy"), "--ledger", p.path(fmt.Sprint("back", n)), "--log-public-key",
				ready.LogPublicKey}
		}},
	} {
		b.Run(task.name, func(b *testing.B) {
			for b.Loop() {
				n++
				code, _, stderr := p.run(task.args(n)...)
				if code != 0 {
					b.Fatal(stderr)
				}
				b.StopTimer()
				for to, from := range map[string]string{"copy": fmt.Sprint("copy", n), "log": fmt.Sprint("log", n)} {
					if _, err := os.Stat(p.path(from)); err == nil {
						if err := os.Rename(p.path(from), p.path(to)); err != nil {
							b.Fatal(err)
						}
					}
				}
				b.StartTimer()
			}
			b.ReportMetric(float64(stats.Entries)*float64(b.N)/b.Elapsed().Seconds(), "entries/s")
		})
	}
	if info, err := os.Stat(p.path("log")); err == nil {
		b.Logf("%.0f bytes of export an entry", float64(info.Size())/float64(stats.Entries))
	}
}
