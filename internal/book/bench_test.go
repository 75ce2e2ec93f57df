package book

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"go.etcd.io/bbolt"
	"google.golang.org/protobuf/proto"

	"barward/internal/identity"
	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	pb "barward/proto/barward/v1"
)

// Each benchmark does its work and that of its peer, a plain read or write of the same bytes, in the same run, and
// reports the ratio: machines differ, and the ratio is the result.

// stock is a book of many bars, in memory: what is measured is the book, not the disk. The peer's file is not synced.
type stock struct {
	*world
	book *ledger.Book
	db   *bbolt.DB
	seq  uint64
	now  time.Time
	n    int
}

// stocked pours bars for quillmoss, a hundred at a time, beside the few of the world, which thistlequay may read.
func stocked(b *testing.B, bars int) *stock {
	b.Helper()
	w := newWorld(b)
	db, err := bbolt.Open(filepath.Join(b.TempDir(), "plain"), 0o600, &bbolt.Options{NoSync: true})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = db.Close() })
	s := &stock{world: w, book: ledger.NewBook(), db: db, now: w.base[len(w.base)-1].RecordedAt}
	for _, e := range w.base {
		if err := New().Apply(s.book, e); err != nil {
			b.Fatal(err)
		}
		e.Memo = nil
		s.seq++
	}
	for first := 0; first < bars; first += 2000 {
		for i := first; i < min(first+2000, bars); i += 100 {
			e := &pb.PourRecorded{PourId: fmt.Sprintf("M%d", i), Balance: "quillmoss/QB1"}
			for n := i; n < i+100; n++ {
				e.Bars = append(e.Bars, &pb.PouredBar{Mark: fmt.Sprintf("M%d", n), Readings: []string{"20000.00 g", "20000.01 g"}})
			}
			s.fold(b, s.book, s.event(b, "ibbet", e))
		}
	}
	return s
}

// event is a signed event as the service hands it on, decoded already.
func (s *stock) event(b *testing.B, who string, body proto.Message) *ledger.Entry {
	b.Helper()
	event := wrapped(body)
	s.n++
	s.now = s.now.Add(time.Second)
	event.EventId, event.AuthorKey, event.OccurredAt = ledgertest.ID(1<<23+s.n).String(), s.people[who].public(), s.now.Format(time.RFC3339)
	bytes, err := deterministic.Marshal(event)
	if err != nil {
		b.Fatal(err)
	}
	decoded, err := Decode(bytes)
	if err != nil {
		b.Fatal(err)
	}
	return &ledger.Entry{RecordedAt: s.now, Rules: Rules, Author: event.AuthorKey, Event: bytes, Memo: decoded}
}

func (s *stock) fold(b *testing.B, book *ledger.Book, e *ledger.Entry) {
	e.Seq = s.seq
	if err := New().Decide(book, e); err != nil {
		b.Fatal(err)
	}
	if err := New().Apply(book, e); err != nil {
		b.Fatal(err)
	}
	s.seq++
}

func (s *stock) caller(b *testing.B, who string) (c identity.Caller) {
	b.Helper()
	var err error
	if c, err = CallerOf(s.book, s.people[who].public()); err != nil {
		b.Fatal(err)
	}
	return c
}

// beside measures f and its peer on batches of work, in turn, and reports what one piece costs and the ratio of the two.
func beside(b *testing.B, batch int, prepare func(), f, peer func()) {
	b.Helper()
	var ours, theirs time.Duration
	n := 0
	for b.Loop() {
		if n++; n%batch != 1 && batch > 1 {
			continue
		}
		b.StopTimer()
		prepare()
		start := time.Now()
		peer()
		theirs += time.Since(start)
		b.StartTimer()
		start = time.Now()
		f()
		ours += time.Since(start)
	}
	done := float64((n + batch - 1) / batch * batch)
	b.ReportMetric(float64(ours.Nanoseconds())/done, "ns/piece")
	b.ReportMetric(float64(ours)/float64(max(theirs, 1)), "x-peer")
}

// BenchmarkFoldWeighed decides and folds weighings of bars poured before, 64 to a transaction, as a day at the desk brings
// them. The peer puts each event's bytes into a bucket of its own, under the same number of transactions.
func BenchmarkFoldWeighed(b *testing.B) {
	const batch, bars = 64, 6400
	s := stocked(b, bars)
	var entries []*ledger.Entry
	b.ReportAllocs()
	weighings := 0
	beside(b, batch, func() {
		if weighings >= 5*bars { // a bar is weighed five times on its way
			s, weighings = stocked(b, bars), 0
		}
		entries = entries[:0]
		for range batch {
			entries = append(entries, s.event(b, "ibbet", weighedAs(fmt.Sprintf("quillmoss/M%d", weighings%bars), release, "quillmoss/QB1", "20000.00 g")))
			weighings++
		}
	}, func() {
		for _, e := range entries {
			s.fold(b, s.book, e)
		}
	}, func() { s.plainly(b, entries) })
}

// BenchmarkReceive receives the bars of one consignment of four thousand, one after the other; each must cost as little as
// in one of forty. The peer puts each event's bytes, as above.
func BenchmarkReceive(b *testing.B) {
	for _, bars := range []int{40, 4000} {
		b.Run(fmt.Sprint(bars), func(b *testing.B) {
			const batch = 40
			var s *stock
			received := bars
			var entries []*ledger.Entry
			b.ReportAllocs()
			beside(b, batch, func() {
				if received >= bars {
					s, received = shipped(b, bars), 0
				}
				entries = entries[:0]
				for range batch {
					entries = append(entries, s.event(b, "dilly", &pb.BarReceived{Consignment: "quillmoss/MC", Box: fmt.Sprintf("quillmoss/MB%d", received/20),
						Bar: fmt.Sprintf("quillmoss/M%d", received), Seals: []string{fmt.Sprintf("MS%d", received/20)}, Balance: "thistlequay/TB1", Readings: []string{"20000.00 g", "20000.01 g"}}))
					received++
				}
			}, func() {
				for _, e := range entries {
					s.fold(b, s.book, e)
				}
			}, func() { s.plainly(b, entries) })
		})
	}
}

// shipped is a stock of which as many bars are advised in one consignment, twenty to a box.
func shipped(b *testing.B, bars int) *stock {
	b.Helper()
	s := stocked(b, max(bars, 100))
	advice := &pb.ConsignmentAdvised{ConsignmentId: "MC", Agreement: s.route.agreement}
	var given []*pb.BoxReading
	for box := range bars / 20 {
		e := &pb.BoxPacked{BoxId: fmt.Sprintf("MB%d", box), Seals: []string{fmt.Sprintf("MS%d", box)}}
		for n := box * 20; n < box*20+20; n++ {
			e.Bars = append(e.Bars, fmt.Sprintf("quillmoss/M%d", n))
		}
		advice.Boxes = append(advice.Boxes, "quillmoss/"+e.BoxId)
		given = append(given, &pb.BoxReading{Box: "quillmoss/" + e.BoxId, Seals: e.Seals})
		s.fold(b, s.book, s.event(b, "ibbet", e))
	}
	s.fold(b, s.book, s.event(b, "ibbet", advice))
	s.fold(b, s.book, s.event(b, "ibbet", &pb.Released{Consignment: "quillmoss/MC", ToParty: "thistlequay", Boxes: given}))
	s.fold(b, s.book, s.event(b, "dilly", &pb.Accepted{Consignment: "quillmoss/MC", FromParty: "quillmoss", Count: int32(len(given)), Boxes: given}))
	s.fold(b, s.book, s.event(b, "dilly", passed("thistlequay/TB1")))
	return s
}

// BenchmarkRead reads from a book of 100 000 bars: one, the route of one, and pages that are found without a walk past
// the others. The peer gets the bytes of one bar from the same book.
func BenchmarkRead(b *testing.B) {
	const bars = 100_000
	s := stocked(b, bars)
	mine, refinery := s.caller(b, "ibbet"), s.caller(b, "dilly")
	page := func(c identity.Caller, filter string, want int) func(*ledger.Book) error {
		return func(book *ledger.Book) error {
			things, _, err := List(book, c, pb.ThingKind_THING_KIND_BAR, filter, "", want, s.seq)
			if err == nil && len(things) != want {
				err = fmt.Errorf("%d things, want %d", len(things), want)
			}
			return err
		}
	}
	for _, read := range []struct {
		name string
		f    func(*ledger.Book) error
	}{
		{"get", func(book *ledger.Book) error {
			_, err := Get(book, mine, pb.ThingKind_THING_KIND_BAR, "quillmoss/M50000")
			return err
		}},
		{"trace", func(book *ledger.Book) error { _, err := Trace(book, mine, s.route.mark(0)); return err }},
		{"page of 50", page(mine, "", 50)},
		{"page of 50 by state", page(mine, `state = "POURED"`, 50)},
		{"page of 2 by pour", page(mine, `pour = "quillmoss/M50000" AND state = "POURED"`, 2)},
		{"page of 3 by box state", page(mine, `state = "PACKED"`, 3)},
		{"page of 4 of the refinery", page(refinery, "", 4)},
	} {
		b.Run(read.name, func(b *testing.B) {
			b.ReportAllocs()
			var ours, theirs time.Duration
			n := 0
			for b.Loop() {
				start := time.Now()
				if err := read.f(s.book); err != nil {
					b.Fatal(err)
				}
				ours += time.Since(start)
				n++
			}
			start := time.Now()
			for range n {
				key := s.book.Table("bar.name").Get([]byte("quillmoss/M50000"))
				if len(s.book.Table("bar").Get(key)) == 0 {
					b.Fatal("no bar")
				}
			}
			theirs = time.Since(start)
			b.ReportMetric(float64(ours)/float64(max(theirs, 1)), "x-bare-get")
		})
	}
}

// plainly puts the events of entries into a bucket, by number.
func (s *stock) plainly(b *testing.B, entries []*ledger.Entry) {
	b.Helper()
	err := s.db.Update(func(tx *bbolt.Tx) error {
		plain, err := tx.CreateBucketIfNotExists([]byte("plain"))
		if err != nil {
			return err
		}
		plain.FillPercent = 0.95
		for i, e := range entries {
			if err := plain.Put(fmt.Appendf(nil, "%012d", s.seq+uint64(i)), e.Event); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
}
