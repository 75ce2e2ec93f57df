package bench

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"strings"
	"sync"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"barward/internal/book"
	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	"barward/internal/service"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

var present = flag.Int("present", 1_000_000, "entries in the grown ledger; the table asks for 1 and 10 million")

// grown is one large ledger that the benchmarks of this file share. It is made once, and removed when the run ends.
var grown struct {
	once sync.Once
	w    *world
	dir  string
	err  error
}

func TestMain(m *testing.M) {
	debug.SetGCPercent(service.GarbagePercent) // as a server does; the rivals that run in this process gain by it too
	code := m.Run()
	if grown.w != nil {
		_ = grown.w.l.Close()
	}
	if grown.dir != "" {
		_ = os.RemoveAll(grown.dir)
	}
	os.Exit(code)
}

func theGrown(b *testing.B) *world {
	b.Helper()
	grown.once.Do(func() {
		grown.dir, grown.err = os.MkdirTemp(os.Getenv("BARWARD_BENCH_DIR"), "bench-*")
		if grown.err != nil {
			return
		}
		w := newWorld(b, grown.dir)
		grown.w = w
		begin := time.Now()
		for int(w.l.Size()) < *present {
			w.write(b, w.weighings(b, min(8192, *present-int(w.l.Size()))), 256)
		}
		b.Logf("%d entries made in %s", w.l.Size(), time.Since(begin).Round(time.Second))
	})
	if grown.err != nil {
		b.Fatal(grown.err)
	}
	return grown.w
}

func resident() int64 {
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		return 0
	}
	kilobytes := int64(0)
	for line := range strings.Lines(string(text)) {
		var n int64
		// The mapped file counts with the page cache.
		if _, err := fmt.Sscanf(line, "RssAnon: %d kB", &n); err == nil {
			kilobytes = n
		}
	}
	return kilobytes << 10
}

// BenchmarkGrown: append and look up a bar in a ledger with many entries against an empty one, in turns; open it; its
// memory. To reach: within 25 %, start under 2 s, under 300 MB besides the page cache. The bars looked up are those at work,
// the last 4 096 poured; any bar ever poured stands beside it, most of them on pages that this process has not touched.
func BenchmarkGrown(b *testing.B) {
	const each = 4096
	w := theGrown(b)
	if err := w.l.Close(); err != nil {
		b.Fatal(err)
	}
	begin := time.Now()
	var err error
	if w.l, err = ledger.Open(w.path, w.config); err != nil {
		b.Fatal(err)
	}
	start := time.Since(begin)
	empty := newWorld(b, scratch(b))
	defer empty.l.Close()
	empty.pour(b, 1000)
	var took, looked, searched [2]time.Duration
	events, lookups := 0, 0
	for b.Loop() {
		for i, one := range []*world{w, empty} {
			took[i] += one.write(b, one.weighings(b, each), 64)
			begin := time.Now()
			for range 2000 {
				one.getBar(b, one.bars-1-rand.IntN(each))
			}
			looked[i] += time.Since(begin)
			begin = time.Now()
			for range 2000 {
				one.getBar(b, rand.IntN(one.bars))
			}
			searched[i] += time.Since(begin)
		}
		events, lookups = events+each, lookups+2000
	}
	runtime.GC()
	b.ReportMetric(float64(w.l.Size()), "entries")
	b.ReportMetric(float64(events)/took[0].Seconds(), "events/s")
	b.ReportMetric(took[1].Seconds()/took[0].Seconds(), "append-of-empty")
	b.ReportMetric(float64(looked[0].Microseconds())/float64(lookups), "lookup-us")
	b.ReportMetric(looked[1].Seconds()/looked[0].Seconds(), "lookup-of-empty")
	b.ReportMetric(searched[1].Seconds()/searched[0].Seconds(), "any-of-empty")
	b.ReportMetric(start.Seconds(), "start-s")
	b.ReportMetric(float64(resident())/1e6, "resident-MB")
	b.ReportMetric(float64(inUse(w.l))/float64(w.l.Size()), "file-bytes/entry")
	b.ReportMetric(0, "ns/op")
}

func (w *world) caller(b *testing.B) (who identity.Caller) {
	b.Helper()
	if err := w.l.View(func(bucket *ledger.Book, _ uint64) (err error) {
		who, err = book.CallerOf(bucket, w.officer.Public())
		return err
	}); err != nil {
		b.Fatal(err)
	}
	return who
}

var officer sync.Map // of a world: its caller

func (w *world) getBar(b *testing.B, n int) {
	who, ok := officer.Load(w)
	if !ok {
		who = w.caller(b)
		officer.Store(w, who)
	}
	if err := w.l.View(func(bucket *ledger.Book, _ uint64) error {
		_, err := book.Get(bucket, who.(identity.Caller), pb.ThingKind_THING_KIND_BAR, "quillmoss/"+mark(n))
		return err
	}); err != nil {
		b.Fatal(err)
	}
}

// BenchmarkRead: get a bar, trace it, list a page of 50 by a filter, each against a bbolt get of the bytes of a bar.
func BenchmarkRead(b *testing.B) {
	w := theGrown(b)
	who := w.caller(b)
	plain, err := bbolt.Open(filepath.Join(scratch(b), "plain"), 0o600, nil)
	if err != nil {
		b.Fatal(err)
	}
	defer plain.Close()
	const kept = 20_000
	if err := plain.Update(func(tx *bbolt.Tx) error {
		x, err := tx.CreateBucket([]byte("x"))
		for n := 0; n < kept && err == nil; n++ {
			err = x.Put([]byte("quillmoss/"+mark(n)), make([]byte, 580))
		}
		return err
	}); err != nil {
		b.Fatal(err)
	}
	got := 0
	get := func() {
		_ = plain.View(func(tx *bbolt.Tx) error {
			got += len(bytes.Clone(tx.Bucket([]byte("x")).Get([]byte("quillmoss/" + mark(rand.IntN(kept))))))
			return nil
		})
	}
	for name, read := range map[string]func(bucket *ledger.Book, size uint64) error{
		"get-a-bar": func(bucket *ledger.Book, _ uint64) error {
			_, err := book.Get(bucket, who, pb.ThingKind_THING_KIND_BAR, "quillmoss/"+mark(rand.IntN(w.bars)))
			return err
		},
		"trace-a-bar": func(bucket *ledger.Book, _ uint64) error {
			_, err := book.Trace(bucket, who, "quillmoss/"+mark(rand.IntN(w.bars)))
			return err
		},
		"list-50": func(bucket *ledger.Book, size uint64) error {
			list, _, err := book.List(bucket, who, pb.ThingKind_THING_KIND_BAR, `holder = "quillmoss"`, "", 50, size)
			if err == nil && len(list) != 50 {
				err = fmt.Errorf("%d listed", len(list))
			}
			return err
		},
	} {
		b.Run(name, func(b *testing.B) {
			var ours, theirs time.Duration
			n := 0
			for b.Loop() {
				begin := time.Now()
				if err := w.l.View(read); err != nil {
					b.Fatal(err)
				}
				ours += time.Since(begin)
				begin = time.Now()
				get()
				theirs += time.Since(begin)
				n++
			}
			b.ReportMetric(float64(ours.Nanoseconds())/float64(n)/1e3, "us")
			b.ReportMetric(float64(theirs.Nanoseconds())/float64(n)/1e3, "bbolt-get-us")
			b.ReportMetric(ours.Seconds()/theirs.Seconds(), "of-bbolt-get")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// BenchmarkProof: inclusion and consistency in the grown tree. To reach: under 1 ms.
func BenchmarkProof(b *testing.B) {
	w := theGrown(b)
	size := w.l.Size()
	b.Run("inclusion", func(b *testing.B) {
		for b.Loop() {
			if _, err := w.l.ProveInclusion(rand.Uint64N(size), size); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("consistency", func(b *testing.B) {
		for b.Loop() {
			if _, err := w.l.ProveConsistency(1+rand.Uint64N(size), size); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// BenchmarkVerify: the check of a whole log, without a book, against SHA-256 and Ed25519 of the same bytes on the same
// cores; and the check with the book judged and folded again. To reach: 80 % of that limit.
func BenchmarkVerify(b *testing.B) {
	const entries = 20_000
	dir := scratch(b)
	w := newWorld(b, dir)
	for int(w.l.Size()) < entries {
		w.write(b, w.weighings(b, min(4096, entries-int(w.l.Size()))), 256)
	}
	var export bytes.Buffer
	if _, err := w.l.Export(ctx, &export, nil); err != nil {
		b.Fatal(err)
	}
	c := w.config
	c.Judge = nothing{}
	if _, err := ledger.Import(ctx, &export, filepath.Join(dir, "log-only"), c, nil); err != nil {
		b.Fatal(err)
	}
	logOnly, err := ledger.Open(filepath.Join(dir, "log-only"), c)
	if err != nil {
		b.Fatal(err)
	}
	defer logOnly.Close()
	defer w.l.Close()
	var all []*ledger.Entry
	for uint64(len(all)) < logOnly.Size() {
		page, err := logOnly.Entries(uint64(len(all)), ledger.MaxPage)
		if err != nil {
			b.Fatal(err)
		}
		all = append(all, page...)
	}
	leaves := make([][]byte, len(all))
	for i, e := range all {
		if leaves[i], err = e.Leaf().Marshal(); err != nil {
			b.Fatal(err)
		}
	}
	var ours, raw, full, ourCPU, rawCPU time.Duration
	n := 0
	for b.Loop() {
		used, begin := cpu(), time.Now()
		if _, err := logOnly.Verify(ctx, nil); err != nil {
			b.Fatal(err)
		}
		ours, ourCPU = ours+time.Since(begin), ourCPU+cpu()-used

		used, begin = cpu(), time.Now()
		var cores sync.WaitGroup
		for first := range runtime.GOMAXPROCS(0) {
			cores.Go(func() {
				message := []byte(nil)
				for i := first; i < len(all); i += runtime.GOMAXPROCS(0) {
					message = append(append(message[:0], proof.Purpose...), all[i].Event...)
					if sha256.Sum256(leaves[i]); !ed25519.Verify(all[i].Author, message, all[i].Signature) {
						b.Error("a signature does not verify")
					}
				}
			})
		}
		cores.Wait()
		raw, rawCPU = raw+time.Since(begin), rawCPU+cpu()-used

		begin = time.Now()
		if _, err := w.l.Verify(ctx, nil); err != nil {
			b.Fatal(err)
		}
		full += time.Since(begin)
		n += len(all)
	}
	b.ReportMetric(float64(n)/ours.Seconds(), "entries/s")
	b.ReportMetric(float64(n)/raw.Seconds(), "sha+ed25519/s")
	b.ReportMetric(raw.Seconds()/ours.Seconds(), "of-limit")
	b.ReportMetric(rawCPU.Seconds()/ourCPU.Seconds(), "cpu-of-limit")
	b.ReportMetric(float64(n)/full.Seconds(), "with-book/s")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkRefold: the book folded again from the entries.
func BenchmarkRefold(b *testing.B) {
	w := newWorld(b, scratch(b))
	defer w.l.Close()
	w.write(b, w.weighings(b, 10_000), 256)
	var took time.Duration
	n := 0
	for b.Loop() {
		begin := time.Now()
		if err := w.l.Rebuild(ctx, nil); err != nil {
			b.Fatal(err)
		}
		took += time.Since(begin)
		n += int(w.l.Size())
	}
	b.ReportMetric(float64(n)/took.Seconds(), "entries/s")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkReadCSV: a table of 100 000 rows against one of 10 000. To reach: linear, so a ratio near 1 a row.
func BenchmarkReadCSV(b *testing.B) {
	table := func(rows int) []byte {
		var t bytes.Buffer
		t.WriteString("series,date,value\n")
		day := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
		for n := range rows {
			fmt.Fprintf(&t, "invented %d,%s,2350.%02d\n", n/5000, day.AddDate(0, 0, n%5000).Format(time.DateOnly), n%100)
		}
		return t.Bytes()
	}
	small, large := table(10_000), table(100_000)
	var took [2]time.Duration
	n := 0
	for b.Loop() {
		for i, t := range [][]byte{small, large} {
			begin := time.Now()
			if _, err := settlement.ParsePrices(t); err != nil {
				b.Fatal(err)
			}
			took[i] += time.Since(begin)
		}
		n++
	}
	b.ReportMetric(float64(took[1].Nanoseconds())/float64(n)/100_000, "ns/row")
	b.ReportMetric(took[1].Seconds()/took[0].Seconds()/10, "row-of-10k")
	b.ReportMetric(0, "ns/op")
}
