package ledger_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/transparency-dev/merkle/proof"
	"github.com/transparency-dev/merkle/rfc6962"
	"go.etcd.io/bbolt"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	ledgerproof "barward/internal/ledger/proof"
	"barward/internal/refusal"
)

var ctx = context.Background()

func wantReason(t *testing.T, err error, reason string) *refusal.Error {
	t.Helper()
	r := refusal.As(err)
	if r == nil || r.Reason != reason {
		t.Fatalf("got %v (cause %v), want the refusal %s", err, errors.Unwrap(err), reason)
	}
	return r
}

func mustAppend(t testing.TB, l *ledger.Ledger, sub ledger.Submission) ledger.Receipt {
	t.Helper()
	r, err := l.Append(ctx, sub)
	if err != nil {
		t.Fatalf("append: %v (cause %v)", err, errors.Unwrap(err))
	}
	return r
}

func grow(t testing.TB, l *ledger.Ledger, to int) {
	t.Helper()
	var all sync.WaitGroup
	for n := int(l.Size()); n < to; n++ {
		all.Add(1)
		err := l.Submit(ctx, ledgertest.Add(t, n), func(_ ledger.Receipt, err error) {
			if err != nil {
				t.Errorf("event: %v", err)
			}
			all.Done()
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	all.Wait()
}

func dump(t testing.TB, l *ledger.Ledger) (s string) {
	t.Helper()
	if err := l.View(func(book *ledger.Book, size uint64) error {
		s = fmt.Sprintf("size %d\n%s", size, ledgertest.Dump(book))
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return s
}

func total(t testing.TB, l *ledger.Ledger, name string) (n int64) {
	t.Helper()
	if err := l.View(func(book *ledger.Book, _ uint64) error {
		n = ledgertest.Total(book, name)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestAppendAndRead(t *testing.T) {
	clock := time.Date(2026, 3, 14, 15, 9, 26, 535897932, time.FixedZone("", 3600))
	l := ledgertest.Create(t, func(c *ledger.Config) { c.Clock = func() time.Time { return clock }; c.Rules = 7 })
	sub := ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(1), ledgertest.ID(1), "add gold 5"))
	r := mustAppend(t, l, sub)
	if r.Seq != 0 || r.TreeSize != 1 || r.Resent || r.RecordedAt.Format(time.RFC3339Nano) != "2026-03-14T14:09:26.535897Z" {
		t.Errorf("receipt %+v", r)
	}
	e, err := l.Entry(0)
	if err != nil {
		t.Fatal(err)
	}
	if e.Seq != 0 || e.Rules != 7 || e.ID != sub.Envelope.ID || !e.Author.Equal(sub.Envelope.Author) || e.Memo != nil ||
		!e.RecordedAt.Equal(r.RecordedAt) || !bytes.Equal(e.Event, sub.Signed.Event) || !bytes.Equal(e.Signature, sub.Signed.Signature) {
		t.Errorf("entry %+v", e)
	}
	if leaf, err := e.Leaf().Marshal(); err != nil || ledgerproof.LeafHash(leaf) != r.LeafHash {
		t.Errorf("the receipt's hash is not that of the entry: %v", err)
	}
	if byID, err := l.ByID(sub.Envelope.ID); err != nil || byID.Seq != 0 {
		t.Errorf("by id: %v, %v", byID, err)
	}
	if total(t, l, "gold") != 5 {
		t.Errorf("total %d", total(t, l, "gold"))
	}
	// The clock goes back an hour, then to a year that no entry can carry; the log's time stands still.
	clock = clock.Add(-time.Hour)
	if r2 := mustAppend(t, l, ledgertest.Add(t, 2)); !r2.RecordedAt.Equal(r.RecordedAt) || r2.Seq != 1 {
		t.Errorf("after the clock went back: %+v", r2)
	}
	clock = time.Date(12000, 1, 1, 0, 0, 0, 0, time.UTC)
	if r3 := mustAppend(t, l, ledgertest.Add(t, 3)); !r3.RecordedAt.Equal(r.RecordedAt) {
		t.Errorf("after the clock went mad: %+v", r3)
	}
	// What a caller does to what it was given changes nothing.
	e.Event[0]++
	if again, err := l.Entry(0); err != nil || bytes.Equal(again.Event, e.Event) {
		t.Errorf("the caller changed the stored entry: %v", err)
	}
}

func TestReadsBeyondTheTree(t *testing.T) {
	l := ledgertest.Create(t)
	check := func(size uint64) {
		t.Helper()
		_, err := l.Entry(size)
		r := wantReason(t, err, "BEYOND_TREE")
		if r.Kind != refusal.OutOfRange || r.Values["size"] != fmt.Sprint(size) {
			t.Errorf("%+v", r)
		}
		_, err = l.ProveInclusion(0, size+1)
		wantReason(t, err, "BEYOND_TREE")
		_, err = l.ProveInclusion(size, size)
		wantReason(t, err, "BEYOND_TREE")
		_, err = l.ProveInclusion(1<<63, 1<<63+1)
		wantReason(t, err, "BEYOND_TREE")
		_, err = l.ProveConsistency(size, size+1)
		wantReason(t, err, "BEYOND_TREE")
		_, err = l.ProveConsistency(size+1, size)
		wantReason(t, err, "BEYOND_TREE")
		_, err = l.Entries(size+1, 1)
		wantReason(t, err, "BEYOND_TREE")
		if page, err := l.Entries(size, 10); err != nil || len(page) != 0 {
			t.Errorf("the page after the last entry: %v, %v", page, err)
		}
		if path, err := l.ProveConsistency(0, size); err != nil || len(path) != 0 {
			t.Errorf("from nothing: %v, %v", path, err)
		}
	}
	check(0)
	grow(t, l, 5)
	check(5)
	_, err := l.ByID(ledgertest.ID(99))
	wantReason(t, err, "EVENT_UNKNOWN")
	for _, limit := range []int{0, -1} {
		_, err = l.Entries(0, limit)
		wantReason(t, err, "PAGE_SIZE")
	}
	page, err := l.Entries(1, 3)
	if err != nil || len(page) != 3 || page[0].Seq != 1 || page[2].Seq != 3 {
		t.Errorf("page %v, %v", page, err)
	}
	if page, err = l.Entries(2, 1<<30); err != nil || len(page) != 3 {
		t.Errorf("the rest: %d, %v", len(page), err)
	}
}

// Large entries make short pages, so that a page fits a message.
func TestPagesAreBoundedInBytes(t *testing.T) {
	l := ledgertest.Create(t)
	filler := strings.Repeat(" ", 250_000)
	for n := range 20 {
		mustAppend(t, l, ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(0), ledgertest.ID(n), "add a 1"+filler)))
	}
	seen := uint64(0)
	for pages := 0; seen < 20; pages++ {
		page, err := l.Entries(seen, 100)
		if err != nil || len(page) == 0 || len(page) > 13 || page[0].Seq != seen {
			t.Fatalf("page of %d from %d: %v", len(page), seen, err)
		}
		seen += uint64(len(page))
	}
}

// Each proof that the ledger gives, at each size up to 40, is what an independent verifier takes; the roots are those that
// RFC 6962 gives by another library.
func TestProofsByTheLedger(t *testing.T) {
	l := ledgertest.Create(t)
	_, public := ledgertest.LogKey()
	key, err := ledgerproof.NewVerifier(public)
	if err != nil {
		t.Fatal(err)
	}
	const largest = 40
	at := make([]ledgerproof.Checkpoint, largest+1)
	var leaves []ledgerproof.Hash
	for size := range at {
		if size > 0 {
			leaves = append(leaves, mustAppend(t, l, ledgertest.Add(t, size-1)).LeafHash)
		}
		signed, err := l.Checkpoint()
		if err != nil {
			t.Fatal(err)
		}
		if at[size], err = ledgerproof.OpenCheckpoint(signed, ledgertest.Origin, key); err != nil || at[size].Size != uint64(size) {
			t.Fatalf("checkpoint of %d: %+v, %v", size, at[size], err)
		}
	}
	raw := func(path []ledgerproof.Hash) (out [][]byte) {
		for _, h := range path {
			out = append(out, bytes.Clone(h[:]))
		}
		return out
	}
	for size := range at {
		for n := range size {
			path, err := l.ProveInclusion(uint64(n), uint64(size))
			if err != nil {
				t.Fatal(err)
			}
			if err := proof.VerifyInclusion(rfc6962.DefaultHasher, uint64(n), uint64(size), leaves[n][:], raw(path), at[size].Root[:]); err != nil {
				t.Fatalf("entry %d of %d: %v", n, size, err)
			}
			if err := ledgerproof.VerifyInclusion(at[size], uint64(n), leaves[n], path); err != nil {
				t.Fatal(err)
			}
		}
		for old := range size + 1 {
			path, err := l.ProveConsistency(uint64(old), uint64(size))
			if err != nil {
				t.Fatal(err)
			}
			if err := proof.VerifyConsistency(rfc6962.DefaultHasher, uint64(old), uint64(size), raw(path), at[old].Root[:], at[size].Root[:]); err != nil {
				t.Fatalf("%d to %d: %v", old, size, err)
			}
			if err := ledgerproof.VerifyConsistency(at[old], at[size], path); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func TestResendAndReuse(t *testing.T) {
	l := ledgertest.Create(t)
	grow(t, l, 4)
	sub := ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(1), ledgertest.ID(50), "once gold"))
	first := mustAppend(t, l, sub)
	grow(t, l, 8)
	before := dump(t, l)
	checkpoint, _ := l.Checkpoint()
	for range 3 {
		// The judge would refuse it now; it is not asked.
		again := mustAppend(t, l, sub)
		if !again.Resent || again.Seq != first.Seq || again.LeafHash != first.LeafHash || !again.RecordedAt.Equal(first.RecordedAt) || again.TreeSize != 8 {
			t.Errorf("first %+v, again %+v", first, again)
		}
	}
	for name, other := range map[string]ledger.Submission{
		"other bytes":  ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(1), ledgertest.ID(50), "once silver")),
		"other author": ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(2), ledgertest.ID(50), "once gold")),
	} {
		_, err := l.Append(ctx, other)
		r := wantReason(t, err, "EVENT_ID_REUSED")
		if r.Kind != refusal.Exists || r.Values["sequence"] != "4" || r.Subject != ledgertest.ID(50).String() {
			t.Errorf("%s: %+v", name, r)
		}
	}
	if after, _ := l.Checkpoint(); !bytes.Equal(after, checkpoint) || dump(t, l) != before {
		t.Error("resending changed the ledger")
	}
}

// A gate holds the first batch, which has one event, until it is released; what is queued meanwhile is one batch.
type gate struct {
	arrived, open chan struct{}
	first, last   sync.Once
}

func hold(c *ledger.Config) *gate {
	g := &gate{arrived: make(chan struct{}), open: make(chan struct{})}
	c.Hook = func(point string) error {
		if point == "batch-taken" {
			g.first.Do(func() { close(g.arrived) })
			<-g.open
		}
		return nil
	}
	return g
}

func (g *gate) release() { g.last.Do(func() { close(g.open) }) }

// oneBatch submits events as one batch behind a held one and returns their answers in order of submission. The held event
// is entry 0.
func oneBatch(t *testing.T, l *ledger.Ledger, g *gate, subs ...ledger.Submission) ([]ledger.Receipt, []error) {
	t.Helper()
	receipts, errs := make([]ledger.Receipt, len(subs)), make([]error, len(subs))
	var all sync.WaitGroup
	all.Add(1 + len(subs))
	if err := l.Submit(ctx, ledgertest.Add(t, 1000), func(ledger.Receipt, error) { all.Done() }); err != nil {
		t.Fatal(err)
	}
	<-g.arrived
	for i, sub := range subs {
		if err := l.Submit(ctx, sub, func(r ledger.Receipt, err error) {
			receipts[i], errs[i] = r, err
			all.Done()
		}); err != nil {
			t.Fatal(err)
		}
	}
	g.release()
	all.Wait()
	return receipts, errs
}

func TestBatch(t *testing.T) {
	var g *gate
	l := ledgertest.Create(t, func(c *ledger.Config) { g = hold(c) })
	event := func(id int, payload string) ledger.Submission {
		return ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(1), ledgertest.ID(id), payload))
	}
	gone, cancel := context.WithCancel(ctx)
	receipts, errs := oneBatch(t, l, g,
		event(1, "add a 1"),
		event(2, "refuse"),
		event(3, "once b"),
		event(4, "once b"),  // refused because of the one before it, in the same batch
		event(3, "once b"),  // the same again
		event(3, "once c"),  // another with its id
		event(2, "add a 1"), // the id of the refused one is free
		event(5, "nonsense"),
		event(6, "add a 1"),
	)
	cancel()
	for i, want := range []string{"1", "TOY_REFUSED", "2", "TOY_TAKEN", "2 resent", "EVENT_ID_REUSED", "3", "TOY_MALFORMED", "4"} {
		got := fmt.Sprint(receipts[i].Seq)
		if receipts[i].Resent {
			got += " resent"
		}
		if errs[i] != nil {
			got = refusal.As(errs[i]).Reason
		}
		if got != want {
			t.Errorf("event %d: %s, want %s", i, got, want)
		}
		if errs[i] == nil && receipts[i].TreeSize != 5 {
			t.Errorf("event %d: tree of %d", i, receipts[i].TreeSize)
		}
	}
	if total(t, l, "a") != 3 || total(t, l, "b") != 1 || total(t, l, "c") != 0 || l.Size() != 5 {
		t.Errorf("a %d, b %d, c %d, size %d", total(t, l, "a"), total(t, l, "b"), total(t, l, "c"), l.Size())
	}
	if _, err := l.Append(gone, event(9, "add a 1")); err == nil {
		t.Error("appended for a caller who has gone")
	} else {
		wantReason(t, err, "LEDGER_BUSY")
	}
}

// A caller whose time ends while its event waits is told that it is not recorded, and it is not; the queue is bounded.
func TestBusy(t *testing.T) {
	var g *gate
	l := ledgertest.Create(t, func(c *ledger.Config) { g = hold(c) })
	defer g.release()
	taken := make(chan error, 1)
	if err := l.Submit(ctx, ledgertest.Add(t, 0), func(_ ledger.Receipt, err error) { taken <- err }); err != nil {
		t.Fatal(err)
	}
	<-g.arrived
	short, cancel := context.WithCancel(ctx)
	var waiting sync.WaitGroup
	for n := 1; n <= 3; n++ {
		sub := ledgertest.Add(t, n)
		waiting.Go(func() {
			if _, err := l.Append(short, sub); !refusal.Is(err, "LEDGER_BUSY") {
				t.Errorf("event %d: %v", n, err)
			}
		})
	}
	sub := ledgertest.Add(t, 4)
	late := make(chan error, 1)
	if err := l.Submit(short, sub, func(_ ledger.Receipt, err error) { late <- err }); err != nil {
		t.Fatal(err)
	}
	// Fill the queue: with room for a bounded number, at last one submission waits and gives up.
	full := false
	for n := 5; n < 5000 && !full; n++ {
		patience, stop := context.WithTimeout(ctx, 50*time.Millisecond)
		err := l.Submit(patience, sub, func(ledger.Receipt, error) {})
		stop()
		if err != nil {
			wantReason(t, err, "LEDGER_BUSY")
			full = true
		}
	}
	if !full {
		t.Error("the queue has no bound")
	}
	cancel()
	waiting.Wait()
	g.release()
	if err := <-taken; err != nil {
		t.Error(err)
	}
	wantReason(t, <-late, "LEDGER_BUSY")
	for n := 1; n <= 3; n++ {
		_, err := l.ByID(ledgertest.ID(n))
		wantReason(t, err, "EVENT_UNKNOWN")
	}
}

func TestEnvelopeOfAnotherEvent(t *testing.T) {
	l := ledgertest.Create(t)
	a, b := ledgertest.Add(t, 1), ledgertest.Add(t, 2)
	a.Envelope = b.Envelope
	_, err := l.Append(ctx, a)
	wantReason(t, err, "ENVELOPE_MISMATCH")
	b.Signed.Signature = nil
	_, err = l.Append(ctx, b)
	wantReason(t, err, "ENVELOPE_MISMATCH")
	_, err = l.Append(ctx, ledger.Submission{Signed: ledgerproof.Signed{Event: []byte("x")}})
	wantReason(t, err, "EVENT_MALFORMED")
}

func TestWait(t *testing.T) {
	l := ledgertest.Create(t)
	grow(t, l, 3)
	if n, err := l.Wait(ctx, 2); n != 3 || err != nil {
		t.Errorf("at once: %d, %v", n, err)
	}
	type answer struct {
		n   uint64
		err error
	}
	answers := make(chan answer)
	wait := func(c context.Context, size uint64) {
		go func() {
			n, err := l.Wait(c, size)
			answers <- answer{n, err}
		}()
	}
	wait(ctx, 3)
	mustAppend(t, l, ledgertest.Add(t, 3))
	if a := <-answers; a.n != 4 || a.err != nil {
		t.Errorf("%+v", a)
	}
	short, cancel := context.WithCancel(ctx)
	wait(short, 4)
	cancel()
	if a := <-answers; !errors.Is(a.err, context.Canceled) {
		t.Errorf("%+v", a)
	}
	wait(ctx, 4)
	ledgertest.Verify(t, l)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if a := <-answers; !refusal.Is(a.err, "LEDGER_CLOSED") {
		t.Errorf("%+v", a)
	}
}

func TestCreateAndOpen(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "ledger")
	config := ledgertest.Config()
	config.LockTimeout = 60 * time.Millisecond

	_, err := ledger.Open(path, config)
	wantReason(t, err, "LEDGER_MISSING")
	if _, err := os.Stat(path); err == nil {
		t.Fatal("opening created the file")
	}
	_, err = ledger.Create(filepath.Join(dir, "no", "such", "folder"), config)
	wantReason(t, err, "LEDGER_NOT_CREATED")

	l, err := ledger.Create(path, config)
	if err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v, %v", info.Mode(), err)
	}
	grow(t, l, 3)
	_, err = ledger.Open(path, config)
	wantReason(t, err, "LEDGER_IN_USE")
	_, err = ledger.Create(path, config)
	wantReason(t, err, "LEDGER_EXISTS")
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Errorf("closed twice: %v", err)
	}
	_, err = l.Append(ctx, ledgertest.Add(t, 4))
	wantReason(t, err, "LEDGER_CLOSED")
	_, err = l.Entry(0)
	wantReason(t, err, "LEDGER_CLOSED")
	wantReason(t, l.Err(), "LEDGER_CLOSED")
	wantReason(t, l.Reopen(), "LEDGER_CLOSED")
	wantReason(t, l.Rebuild(ctx, nil), "LEDGER_CLOSED")
	_, err = ledger.Create(path, config)
	wantReason(t, err, "LEDGER_EXISTS")
	if names, _ := os.ReadDir(dir); len(names) != 1 {
		t.Errorf("left behind: %v", names)
	}

	other := config
	private, _, err := ledgerproof.GenerateKey(chance{}, ledgertest.Origin)
	if err != nil {
		t.Fatal(err)
	}
	if other.Signer, other.Verifier, err = ledgerproof.NewSigner(private); err != nil {
		t.Fatal(err)
	}
	_, err = ledger.Open(path, other)
	wantReason(t, err, "LEDGER_KEY")

	// Reading needs no private key, and writing is refused without it.
	reader := config
	reader.Signer = nil
	l, err = ledger.Open(path, reader)
	if err != nil {
		t.Fatal(err)
	}
	if ledgertest.Verify(t, l).Size != 3 {
		t.Error("entries are missing")
	}
	_, err = l.Append(ctx, ledgertest.Add(t, 5))
	wantReason(t, err, "LEDGER_READ_ONLY")
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	_, err = ledger.Create(filepath.Join(dir, "second"), reader)
	wantReason(t, err, "LEDGER_CONFIG")
}

type chance struct{}

func (chance) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = byte(i * 7)
	}
	return len(b), nil
}

func TestConfigIsChecked(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger")
	private, _, err := ledgerproof.GenerateKey(chance{}, "other.example")
	if err != nil {
		t.Fatal(err)
	}
	otherSigner, otherVerifier, err := ledgerproof.NewSigner(private)
	if err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*ledger.Config){
		"no judge":       func(c *ledger.Config) { c.Judge = nil },
		"no verifier":    func(c *ledger.Config) { c.Verifier = nil },
		"no rules":       func(c *ledger.Config) { c.Rules = 0 },
		"negative mmap":  func(c *ledger.Config) { c.InitialMmap = -1 },
		"other signer":   func(c *ledger.Config) { c.Signer = otherSigner },
		"other verifier": func(c *ledger.Config) { c.Verifier = otherVerifier },
	} {
		c := ledgertest.Config()
		change(&c)
		_, err := ledger.Create(path, c)
		if r := refusal.As(err); r == nil || r.Reason != "LEDGER_CONFIG" || r.Field == "" {
			t.Errorf("%s: %v", name, err)
		}
		_, err = ledger.Open(path, c)
		if !refusal.Is(err, "LEDGER_CONFIG") {
			t.Errorf("%s: %v", name, err)
		}
	}
	c := ledgertest.Config()
	c.Origin = "a b"
	_, err = ledger.Create(path, c)
	wantReason(t, err, "ORIGIN_MALFORMED")
}

// What is not a ledger of this version is left alone, byte for byte.
func TestOpenOtherFiles(t *testing.T) {
	ledgerFile := func(change func(tx *bbolt.Tx) error) func(path string) {
		return func(path string) {
			l, err := ledger.Create(path, ledgertest.Config())
			if err != nil {
				t.Fatal(err)
			}
			grow(t, l, 5)
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
			edit(t, path, change)
		}
	}
	meta := []byte("meta")
	for name, c := range map[string]struct {
		make   func(path string)
		reason string
	}{
		"empty":     {func(path string) { write(t, path, nil) }, "LEDGER_UNREADABLE"},
		"text":      {func(path string) { write(t, path, []byte("date,bar,weight\n")) }, "LEDGER_UNREADABLE"},
		"long text": {func(path string) { write(t, path, bytes.Repeat([]byte("date,bar,weight\n"), 10000)) }, "LEDGER_UNREADABLE"},
		"zeros":     {func(path string) { write(t, path, make([]byte, 1<<16)) }, "LEDGER_UNREADABLE"},
		"a folder":  {func(path string) { _ = os.Mkdir(path, 0o700) }, "LEDGER_UNREADABLE"},
		"other store": {func(path string) {
			edit(t, path, func(tx *bbolt.Tx) error { _, err := tx.CreateBucket([]byte("x")); return err })
		}, "LEDGER_UNREADABLE"},
		"other version": {ledgerFile(func(tx *bbolt.Tx) error {
			return tx.Bucket(meta).Put([]byte("format"), []byte("barward ledger 2"))
		}), "LEDGER_VERSION"},
		"no size":       {ledgerFile(func(tx *bbolt.Tx) error { return tx.Bucket(meta).Delete([]byte("size")) }), "LEDGER_UNREADABLE"},
		"no checkpoint": {ledgerFile(func(tx *bbolt.Tx) error { return tx.Bucket(meta).Delete([]byte("checkpoint")) }), "LEDGER_KEY"},
		"no entries":    {ledgerFile(func(tx *bbolt.Tx) error { return tx.DeleteBucket([]byte("entries")) }), "LEDGER_UNREADABLE"},
		"no book":       {ledgerFile(func(tx *bbolt.Tx) error { return tx.DeleteBucket([]byte("book")) }), "LEDGER_UNREADABLE"},
		"size larger": {ledgerFile(func(tx *bbolt.Tx) error {
			return tx.Bucket(meta).Put([]byte("size"), []byte{0, 0, 0, 0, 0, 0, 0, 6})
		}), "LEDGER_UNREADABLE"},
		"size beyond all": {ledgerFile(func(tx *bbolt.Tx) error {
			return tx.Bucket(meta).Put([]byte("size"), []byte{255, 0, 0, 0, 0, 0, 0, 6})
		}), "LEDGER_UNREADABLE"},
		"last hash changed": {ledgerFile(func(tx *bbolt.Tx) error {
			return tx.Bucket([]byte("hashes")).Put([]byte{0, 0, 0, 0, 0, 0, 0, 4}, make([]byte, 32))
		}), "LEDGER_UNREADABLE"},
		"last entry gone": {ledgerFile(func(tx *bbolt.Tx) error {
			return tx.Bucket([]byte("entries")).Delete([]byte{0, 0, 0, 0, 0, 0, 0, 4})
		}), "LEDGER_UNREADABLE"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "file")
			c.make(path)
			before, _ := os.ReadFile(path)
			_, err := ledger.Open(path, ledgertest.Config())
			wantReason(t, err, c.reason)
			if after, _ := os.ReadFile(path); !bytes.Equal(before, after) {
				t.Error("opening changed the file")
			}
		})
	}
}

func write(t *testing.T, path string, b []byte) {
	t.Helper()
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// edit changes the file behind the ledger's back, as one who can write to the disk might.
func edit(t *testing.T, path string, change func(tx *bbolt.Tx) error) {
	t.Helper()
	db, err := bbolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(db.Update(change), db.Close()); err != nil {
		t.Fatal(err)
	}
}

// Close records what was queued before it.
func TestCloseDrains(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger")
	c := ledgertest.Config()
	g := hold(&c)
	l, err := ledger.Create(path, c)
	if err != nil {
		t.Fatal(err)
	}
	answers := make(chan error, 20)
	for n := range 20 {
		if err := l.Submit(ctx, ledgertest.Add(t, n), func(_ ledger.Receipt, err error) { answers <- err }); err != nil {
			t.Fatal(err)
		}
	}
	closed := make(chan error)
	go func() { closed <- l.Close() }()
	g.release()
	if err := <-closed; err != nil {
		t.Fatal(err)
	}
	for range 20 {
		if err := <-answers; err != nil {
			t.Error(err)
		}
	}
	if l := ledgertest.Open(t, path); l.Size() != 20 {
		t.Errorf("%d entries", l.Size())
	}
}

// Many writers, streams, readers, a verification and resends at once: run with the race detector.
func TestConcurrent(t *testing.T) {
	l := ledgertest.Create(t)
	const writers, each = 8, 40
	var all sync.WaitGroup
	for w := range writers {
		all.Go(func() {
			for i := range each {
				n := w*each + i
				sub := ledgertest.Add(t, n)
				first, err := l.Append(ctx, sub)
				if err != nil {
					t.Errorf("append: %v", err)
					return
				}
				if i%5 == 0 {
					again, err := l.Append(ctx, sub)
					if err != nil || !again.Resent || again.Seq != first.Seq {
						t.Errorf("again: %+v, %v", again, err)
					}
				}
				path, err := l.ProveInclusion(first.Seq, first.TreeSize)
				if err != nil || len(path) > 10 {
					t.Errorf("prove: %v", err)
				}
			}
		})
	}
	all.Go(func() {
		for size := uint64(0); size < writers*each; {
			var err error
			if size, err = l.Wait(ctx, size); err != nil {
				t.Errorf("wait: %v", err)
				return
			}
			if err := l.View(func(book *ledger.Book, size uint64) error {
				sum := int64(0)
				for i := range 10 {
					sum += ledgertest.Total(book, fmt.Sprintf("name%d", i))
				}
				if sum != int64(size) {
					return fmt.Errorf("the book counts %d of %d entries", sum, size)
				}
				return nil
			}); err != nil {
				t.Errorf("view: %v", err)
			}
		}
	})
	all.Go(func() { ledgertest.Verify(t, l) })
	all.Wait()
	if l.Size() != writers*each {
		t.Errorf("%d entries", l.Size())
	}
}

// The memo reaches the judge, and a replay without memos gives the same book.
func TestMemo(t *testing.T) {
	l := ledgertest.Create(t)
	sub := ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(0), ledgertest.ID(0), "add a 1"))
	sub.Memo = "add a 1"
	mustAppend(t, l, sub)
	before := dump(t, l)
	if err := l.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if dump(t, l) != before {
		t.Error("the rebuilt book differs")
	}
	sub = ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(0), ledgertest.ID(1), "add a 1"))
	sub.Memo = "refuse" // shows that the judge sees it
	_, err := l.Append(ctx, sub)
	wantReason(t, err, "TOY_REFUSED")
}

// preparing is a judge that prepares, and that takes nothing that was not prepared.
type preparing struct{ ledgertest.Judge }

func (p preparing) Prepare(e *ledger.Entry) {
	payload, err := ledgertest.Payload(e.Event)
	if err != nil || payload == "add panic 1" {
		panic("the toy judge panics ahead")
	}
	e.Memo = payload
}

func (p preparing) Apply(book *ledger.Book, e *ledger.Entry) error {
	if e.Memo == nil && !strings.Contains(string(e.Event), "add panic 1") {
		return errors.New("the entry was not prepared")
	}
	return p.Judge.Apply(book, e)
}

// Each way of replaying a log has its entries prepared before their turn, and lives with a judge that panics over one.
func TestReplaysPrepare(t *testing.T) {
	l := ledgertest.Create(t, func(c *ledger.Config) { c.Judge = preparing{} })
	for i, payload := range []string{"add a 1", "add panic 1", "add b 1"} {
		sub := ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(0), ledgertest.ID(i), payload))
		sub.Memo = payload
		mustAppend(t, l, sub)
	}
	if err := l.Rebuild(ctx, nil); err != nil {
		t.Errorf("rebuild: %v", err)
	}
	if _, err := l.Verify(ctx, nil); err != nil {
		t.Errorf("verify: %v", err)
	}
	var export bytes.Buffer
	if _, err := l.Export(ctx, &export, nil); err != nil {
		t.Fatal(err)
	}
	c := ledgertest.Config()
	c.Judge = preparing{}
	if _, err := ledger.Import(ctx, &export, filepath.Join(t.TempDir(), "imported"), c, nil); err != nil {
		t.Errorf("import: %v", err)
	}
}
