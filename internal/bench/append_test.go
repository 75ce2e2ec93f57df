package bench

import (
	"errors"
	"slices"
	"testing"
	"time"

	"barward/internal/ledger"
)

// BenchmarkAppend: 64 writers append weighings of some 400 bytes with the full book, signatures checked beforehand, and
// the rivals store the same rows with the same durability, in turns. To reach: ahead of both databases, 1.5 times
// SQLite, and a quarter of bare puts.
func BenchmarkAppend(b *testing.B) {
	const writers, each = 64, 16_384
	dir := scratch(b)
	w := newWorld(b, dir)
	defer w.l.Close()
	rivals := map[string]rival{}
	for name, open := range map[string]func(string) (rival, error){"sqlite": openSQLite, "postgres": openPostgres, "bare-puts": openBare} {
		r, err := open(dir)
		if errors.Is(err, errNoPostgres) {
			b.Logf("left out: %v", err)
			continue
		}
		if err != nil {
			b.Fatalf("%s: %v", name, err)
		}
		defer r.close()
		rivals[name] = r
	}
	var ours, ourCPU time.Duration
	theirs, theirCPU := map[string]time.Duration{}, map[string]time.Duration{}
	events, bytes := 0, 0
	before := inUse(w.l)
	for b.Loop() {
		subs := w.weighings(b, each)
		list := rowsOf(subs, events)
		used := cpu()
		ours += w.write(b, subs, writers)
		ourCPU += cpu() - used
		for name, r := range rivals {
			if err := r.addBars(events, each); err != nil {
				b.Fatal(err)
			}
			used := cpu()
			theirs[name] += writeRival(b, r, list, writers)
			theirCPU[name] += cpu() - used
		}
		events += each
		bytes += len(subs[0].Signed.Event) * each
	}
	b.ReportMetric(float64(events)/ours.Seconds(), "events/s")
	b.ReportMetric(float64(bytes)/float64(events), "event-bytes")
	b.ReportMetric(float64(inUse(w.l)-before)/float64(events), "file-bytes/event")
	b.ReportMetric(float64(ourCPU.Microseconds())/float64(events), "cpu-us/event")
	b.ReportMetric(float64(theirCPU["sqlite"].Microseconds())/float64(events), "sqlite-cpu-us")
	for name, took := range theirs {
		b.ReportMetric(took.Seconds()/ours.Seconds(), "of-"+name)
		b.ReportMetric(float64(events)/took.Seconds(), name+"/s")
	}
	b.ReportMetric(0, "ns/op")
}

// BenchmarkOneWriter: one writer without company against one bbolt transaction that puts the same bytes. To reach: a
// median of at most 1.5 of it.
func BenchmarkOneWriter(b *testing.B) {
	dir := scratch(b)
	w := newWorld(b, dir)
	defer w.l.Close()
	plain, err := openBare(dir)
	if err != nil {
		b.Fatal(err)
	}
	defer plain.close()
	var ours, theirs []time.Duration
	events := 0
	for b.Loop() {
		subs := w.weighings(b, 200)
		list := rowsOf(subs, events)
		for i, sub := range subs {
			begin := time.Now()
			w.must(b, sub)
			ours = append(ours, time.Since(begin))
			begin = time.Now()
			if err := plain.store(list[i : i+1]); err != nil {
				b.Fatal(err)
			}
			theirs = append(theirs, time.Since(begin))
		}
		events += len(subs)
	}
	slices.Sort(ours)
	slices.Sort(theirs)
	b.ReportMetric(float64(ours[len(ours)/2].Microseconds()), "p50-us")
	b.ReportMetric(float64(ours[len(ours)*99/100].Microseconds()), "p99-us")
	b.ReportMetric(float64(theirs[len(theirs)/2].Microseconds()), "bbolt-p50-us")
	b.ReportMetric(float64(ours[len(ours)/2])/float64(theirs[len(theirs)/2]), "p50-of-bbolt")
	b.ReportMetric(0, "ns/op")
}

// nothing is a judge that takes everything and keeps nothing, to see the log without the book.
type nothing struct{}

func (nothing) Decide(*ledger.Book, *ledger.Entry) error { return nil }
func (nothing) Apply(*ledger.Book, *ledger.Entry) error  { return nil }

// inUse is the bytes of the file that hold something.
func inUse(l *ledger.Ledger) int64 {
	s := l.Stats()
	return s.FileBytes - int64(s.FreePages+s.PendingPages)*int64(s.PageBytes)
}
