package ledger_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/refusal"
)

func TestCommitFails(t *testing.T) {
	for name, c := range map[string]struct {
		point   string
		err     error
		written bool
		reason  string
	}{
		"error, not written":         {"before-commit", errors.New("injected"), false, "LEDGER_OUTCOME_UNKNOWN"},
		"error, but written":         {"after-commit", errors.New("injected"), true, "LEDGER_OUTCOME_UNKNOWN"},
		"full disk, not written":     {"before-commit", &os.PathError{Op: "write", Err: syscall.ENOSPC}, false, "LEDGER_DISK_FULL"},
		"full disk, chain lost":      {"before-commit", fmt.Errorf("resize: %s", syscall.ENOSPC), false, "LEDGER_DISK_FULL"},
		"full disk, but written":     {"after-commit", &os.PathError{Op: "sync", Err: syscall.ENOSPC}, true, "LEDGER_OUTCOME_UNKNOWN"},
		"quota, not written":         {"before-commit", syscall.EDQUOT, false, "LEDGER_DISK_FULL"},
		"file size bound, unwritten": {"before-commit", syscall.EFBIG, false, "LEDGER_DISK_FULL"},
	} {
		t.Run(name, func(t *testing.T) {
			var mu sync.Mutex
			var failing bool
			fail := func(on bool) { mu.Lock(); failing = on; mu.Unlock() }
			l := ledgertest.Create(t, func(config *ledger.Config) {
				config.Hook = func(point string) error {
					mu.Lock()
					defer mu.Unlock()
					if failing && (point == c.point || point == ledger.ResumeCrashPoint) {
						return c.err
					}
					return nil
				}
			})
			grow(t, l, 3)
			fail(true)
			sub := ledgertest.Add(t, 3)
			_, err := l.Append(ctx, sub)
			if r := wantReason(t, err, c.reason); r.Kind != refusal.Unavailable || !errors.Is(err, c.err) {
				t.Errorf("%+v", r)
			}
			wantReason(t, l.Err(), c.reason)
			if c.reason == "LEDGER_OUTCOME_UNKNOWN" {
				// All work is refused, reading too: memory and file may differ.
				_, err = l.Append(ctx, ledgertest.Add(t, 4))
				wantReason(t, err, c.reason)
				_, err = l.Entry(0)
				wantReason(t, err, c.reason)
				_, err = l.Checkpoint()
				wantReason(t, err, c.reason)
				_, err = l.ProveInclusion(0, 1)
				wantReason(t, err, c.reason)
				wantReason(t, l.View(func(*ledger.Book, uint64) error { return nil }), c.reason)
				impatient, cancel := context.WithTimeout(ctx, time.Minute)
				_, err = l.Wait(impatient, 3)
				cancel()
				wantReason(t, err, c.reason)
				_, err = l.Verify(ctx, nil)
				wantReason(t, err, c.reason)
				wantReason(t, l.Rebuild(ctx, nil), c.reason)
				wantReason(t, l.Reopen(), c.reason) // while the disk goes on failing
			}
			fail(false)
			switch {
			case c.reason == "LEDGER_DISK_FULL":
				wantState(t, l, ledger.Full) // and the next event is tried
			case errors.Is(c.err, syscall.ENOSPC):
				waitUntil(t, "the ledger goes on by itself", func() bool { return l.Err() == nil })
			default:
				wantState(t, l, ledger.Halted) // a person must look at it first
				if err := l.Reopen(); err != nil {
					t.Fatal(err)
				}
			}
			want := uint64(3)
			if c.written {
				want = 4
			}
			if l.Size() != want {
				t.Errorf("%d entries, want %d", l.Size(), want)
			}
			r := mustAppend(t, l, sub)
			if r.Seq != 3 || r.Resent != c.written || l.Size() != 4 || l.Err() != nil {
				t.Errorf("sent again: %+v, size %d, %v", r, l.Size(), l.Err())
			}
			grow(t, l, 6)
		})
	}
}

func wantState(t testing.TB, l *ledger.Ledger, state ledger.State) {
	t.Helper()
	if h := l.Health(); h.State != state || (h.Reason == nil) != (state == ledger.Healthy) {
		t.Errorf("the ledger is %s (%v), want %s", h.State, h.Reason, state)
	}
}

// waitUntil polls for a condition, generously: the machine may be busy.
func waitUntil(t testing.TB, what string, condition func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); !condition(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain: %s", what)
		}
	}
}

// An event that the judge accepts and cannot fold stops the ledger with nothing of its batch written.
func TestApplyFails(t *testing.T) {
	for payload, reason := range map[string]string{"break": "LEDGER_STOPPED", "panic": "LEDGER_STOPPED"} {
		t.Run(payload, func(t *testing.T) {
			var g *gate
			l := ledgertest.Create(t, func(c *ledger.Config) { g = hold(c) })
			_, errs := oneBatch(t, l, g,
				ledgertest.Add(t, 1),
				ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(0), ledgertest.ID(2), payload)),
				ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(0), ledgertest.ID(3), "refuse")),
			)
			for _, err := range errs {
				wantReason(t, err, reason)
			}
			wantReason(t, l.Err(), reason)
			wantState(t, l, ledger.Stopped)
			_, err := l.Append(ctx, ledgertest.Add(t, 4))
			wantReason(t, err, reason)
			size := l.Size()
			if size != 1 { // the held event, a batch of its own
				t.Errorf("%d entries", size)
			}
			// What is recorded can still be read and verified.
			if ledgertest.Verify(t, l).Size != size {
				t.Error("verified another size")
			}
			if err := l.Reopen(); err != nil {
				t.Fatal(err)
			}
			for n := 1; n < 4; n++ {
				_, err := l.ByID(ledgertest.ID(n))
				wantReason(t, err, "EVENT_UNKNOWN")
			}
			mustAppend(t, l, ledgertest.Add(t, 1))
		})
	}
}

// Hooks are called where they say, in order.
func TestCrashPointsAreReached(t *testing.T) {
	var mu sync.Mutex
	var seen []string
	l := ledgertest.Create(t, func(c *ledger.Config) {
		c.Hook = func(point string) error { mu.Lock(); seen = append(seen, point); mu.Unlock(); return nil }
	})
	mustAppend(t, l, ledgertest.Add(t, 0))
	if err := l.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	mu.Lock()
	defer mu.Unlock()
	want := slices.Concat(ledger.CrashPoints, ledger.StoreCrashPoints, ledger.RebuildCrashPoints)
	if !slices.Equal(seen, want) {
		t.Errorf("%v, want %v", seen, want)
	}
}

// Reopening reads the file that is there, and notices when it is not the one that was.
func TestReopen(t *testing.T) {
	var mu sync.Mutex
	failing := false
	fail := func(on bool) { mu.Lock(); failing = on; mu.Unlock() }
	l := ledgertest.Create(t, func(c *ledger.Config) {
		c.Hook = func(point string) error {
			mu.Lock()
			defer mu.Unlock()
			if failing && point == "before-commit" {
				return errors.New("injected")
			}
			return nil
		}
	})
	grow(t, l, 3)
	old := backedUp(t, l)
	grow(t, l, 5)
	fail(true)
	_, err := l.Append(ctx, ledgertest.Add(t, 5))
	wantReason(t, err, "LEDGER_OUTCOME_UNKNOWN")
	fail(false)

	right := l.Path() + ".right"
	move := func(from, to string) {
		t.Helper()
		for _, beside := range []string{"", ".journal-2"} { // where the journal begins
			if err := os.Rename(from+beside, to+beside); err != nil {
				t.Fatal(err)
			}
		}
	}
	move(l.Path(), right)
	wantReason(t, l.Reopen(), "LEDGER_MISSING")
	wantReason(t, l.Err(), "LEDGER_MISSING")
	_, err = l.Entry(0)
	wantReason(t, err, "LEDGER_MISSING")

	write(t, l.Path(), old) // an older copy
	r := wantReason(t, l.Reopen(), "LEDGER_ROLLED_BACK")
	if r.Values["old_size"] != "5" || r.Values["size"] != "3" {
		t.Errorf("%+v", r)
	}
	other := ledgertest.Create(t) // another log under the same key, longer
	for n := 100; n < 110; n++ {
		mustAppend(t, other, ledgertest.Add(t, n))
	}
	write(t, l.Path(), backedUp(t, other))
	wantReason(t, l.Reopen(), "LEDGER_ROLLED_BACK")
	_, err = l.Append(ctx, ledgertest.Add(t, 5))
	wantReason(t, err, "LEDGER_ROLLED_BACK")

	move(right, l.Path())
	write(t, l.Path(), old) // with the journal that goes on from it
	if err := l.Reopen(); err != nil {
		t.Fatal(err)
	}
	if r := mustAppend(t, l, ledgertest.Add(t, 5)); r.Seq != 5 || r.Resent {
		t.Errorf("%+v", r)
	}
}

// backedUp is a file with all that a ledger holds.
func backedUp(t *testing.T, l *ledger.Ledger) []byte {
	t.Helper()
	path := filepath.Join(t.TempDir(), "copy")
	if _, err := l.Backup(ctx, path, nil); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Reopening after a failed commit checks the last entries in full, not only that the tree's roots fit.
func TestReopenVerifiesTheTail(t *testing.T) {
	var failing atomic.Bool
	l := ledgertest.Create(t, func(c *ledger.Config) {
		c.Hook = func(point string) error {
			if failing.Load() && point == "before-commit" {
				return errors.New("injected")
			}
			return nil
		}
	})
	grow(t, l, 10)
	copied := filepath.Join(t.TempDir(), "copy")
	if _, err := l.Backup(ctx, copied, nil); err != nil {
		t.Fatal(err)
	}
	failing.Store(true)
	_, err := l.Append(ctx, ledgertest.Add(t, 10))
	wantReason(t, err, "LEDGER_OUTCOME_UNKNOWN")
	failing.Store(false)
	// What is read back has an entry altered, under the roots that were there.
	edit(t, copied, func(tx *bbolt.Tx) error {
		leaf := bytes.Clone(tx.Bucket([]byte("entries")).Get(key(7)))
		leaf[len(leaf)-1] ^= 1
		return tx.Bucket([]byte("entries")).Put(key(7), leaf)
	})
	if err := os.Rename(copied, l.Path()); err != nil {
		t.Fatal(err)
	}
	withoutJournal(t, l.Path())
	wantReason(t, l.Reopen(), "LEDGER_HASH_MISMATCH")
	wantState(t, l, ledger.Halted)
}

// faulty is a toy judge that has bugs.
type faulty struct{ ledgertest.Judge }

func (f faulty) Decide(book *ledger.Book, e *ledger.Entry) error {
	switch e.Memo {
	case "bug":
		return errors.New("a bug")
	case "panic":
		var none *ledger.Table
		none.Get([]byte("x")) // a nil pointer within the store, and still the judge's
	}
	return f.Judge.Decide(book, e)
}

// A refusal out of Apply is still our fault and never the submitter's.
func (f faulty) Apply(book *ledger.Book, e *ledger.Entry) error {
	if e.Memo == "add late 1" {
		return refusal.Invalidf("TOY_LATE", "payload", "This should have been refused before.")
	}
	return f.Judge.Apply(book, e)
}

func TestJudgeHasBugs(t *testing.T) {
	l := ledgertest.Create(t, func(c *ledger.Config) { c.Judge = faulty{} })
	for _, bug := range []string{"bug", "panic"} {
		sub := ledgertest.Add(t, 1)
		sub.Memo = bug
		_, err := l.Append(ctx, sub)
		if r := wantReason(t, err, "JUDGE_FAILED"); r.Kind != refusal.Internal || strings.Contains(r.Text, bug) {
			t.Errorf("%+v", r)
		}
	}
	grow(t, l, 3) // it goes on
	sub := ledgertest.Add(t, 9)
	sub.Memo = "add late 1"
	_, err := l.Append(ctx, sub)
	if r := wantReason(t, err, "LEDGER_STOPPED"); r.Kind != refusal.Unavailable || !strings.Contains(errors.Unwrap(err).Error(), "TOY_LATE") {
		t.Errorf("%+v, cause %v", r, r.Cause)
	}
	if err := l.Reopen(); err != nil {
		t.Fatal(err)
	}
	grow(t, l, 5)
}

// damaged is a toy judge that meets a damaged page: the store panics in its hands.
type damaged struct{ ledgertest.Judge }

func (d damaged) Apply(book *ledger.Book, e *ledger.Entry) error {
	if e.Seq == 2 {
		panic(faultAt(0xdead0000))
	}
	return d.Judge.Apply(book, e)
}

// faultAt is what the runtime panics with when the mapped file is shorter than it was.
type faultAt uintptr

func (f faultAt) RuntimeError() {}
func (f faultAt) Error() string {
	return "runtime error: invalid memory address or nil pointer dereference"
}
func (f faultAt) Addr() uintptr { return uintptr(f) }

// What the file does to the judge is not the judge's fault: the answer says that the file is damaged.
func TestFileFailsInTheJudge(t *testing.T) {
	l := ledgertest.Create(t, func(c *ledger.Config) { c.Judge = damaged{} })
	grow(t, l, 2)
	_, err := l.Append(ctx, ledgertest.Add(t, 2))
	wantReason(t, err, "LEDGER_DAMAGED")
	wantState(t, l, ledger.Stopped)
	if l.Size() != 2 {
		t.Errorf("%d entries", l.Size())
	}
}

// Before the sync that makes a batch durable has returned nobody may be shown it: if that sync fails, or the power does, it
// never was.
func TestReadsSeeWhatIsSynced(t *testing.T) {
	for _, fails := range []bool{false, true} {
		reached, goOn := make(chan struct{}), make(chan error, 1)
		var on atomic.Bool
		l := ledgertest.Create(t, func(c *ledger.Config) {
			c.Hook = func(point string) error {
				if point != "after-commit" || !on.CompareAndSwap(true, false) {
					return nil
				}
				close(reached)
				return <-goOn
			}
		})
		t.Cleanup(func() { // so that a failure does not leave the committer waiting
			select {
			case goOn <- nil:
			default:
			}
		})
		grow(t, l, 2)
		on.Store(true)
		answered := make(chan error, 1)
		go func() {
			_, err := l.Append(ctx, ledgertest.Add(t, 2))
			answered <- err
		}()
		<-reached // the file has three entries now; to the ledger, the sync has not returned

		if l.Size() != 2 {
			t.Errorf("%d entries", l.Size())
		}
		if signed, err := l.Checkpoint(); err != nil || !strings.Contains(string(signed), "\n2\n") {
			t.Errorf("checkpoint %q, %v", signed, err)
		}
		_, err := l.Entry(2)
		wantReason(t, err, "BEYOND_TREE")
		if page, err := l.Entries(0, 10); err != nil || len(page) != 2 {
			t.Errorf("%d entries, %v", len(page), err)
		}
		_, err = l.ByID(ledgertest.ID(2))
		wantReason(t, err, "EVENT_UNKNOWN")
		_, err = l.ProveInclusion(2, 3)
		wantReason(t, err, "BEYOND_TREE")
		_, err = l.ProveConsistency(1, 3)
		wantReason(t, err, "BEYOND_TREE")
		view := func() (size uint64, book int64, err error) {
			err = l.View(func(b *ledger.Book, n uint64) error {
				size, book = n, ledgertest.Total(b, "name2")
				return nil
			})
			return size, book, err
		}
		if size, book, err := view(); err != nil || size != 2 || book != 0 {
			t.Errorf("a view saw %d entries and a total of %d before the sync returned, %v", size, book, err)
		}
		if !fails {
			goOn <- nil
			if err := <-answered; err != nil {
				t.Error(err)
			}
			if size, book, err := view(); err != nil || size != 3 || book != 1 {
				t.Errorf("after the sync a view saw %d entries and a total of %d, %v", size, book, err)
			}
			continue
		}
		goOn <- syscall.EIO
		wantReason(t, <-answered, "LEDGER_OUTCOME_UNKNOWN")
		_, _, err = view()
		wantReason(t, err, "LEDGER_OUTCOME_UNKNOWN")
	}
}

// Health tells the states apart, and what still works in each.
func TestHealth(t *testing.T) {
	var seen []ledger.Batch
	var mu sync.Mutex
	l := ledgertest.Create(t, func(c *ledger.Config) {
		c.Observe = func(b ledger.Batch) { mu.Lock(); seen = append(seen, b); mu.Unlock() }
	})
	wantState(t, l, ledger.Healthy)
	grow(t, l, 150)
	if _, err := l.Append(ctx, ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(0), ledgertest.ID(999), "refuse"))); err == nil {
		t.Error("taken")
	}
	mu.Lock()
	events, recorded, refused := 0, 0, 0
	for _, b := range seen {
		events, recorded, refused = events+b.Events, recorded+b.Recorded, refused+b.Refused
	}
	mu.Unlock()
	if recorded != 150 || events > 151 || refused > 1 { // the last batch may be told after its answer
		t.Errorf("of %d events %d were recorded and %d refused", events, recorded, refused)
	}
	s := l.Stats()
	if s.Entries != 150 || s.FileBytes == 0 || s.Journal > 150 || s.PageBytes == 0 || s.Capacity == 0 || s.SyncTime <= 0 {
		t.Errorf("%+v", s)
	}
	gone, cancel := context.WithCancel(ctx)
	if err := l.Rebuild(gone, func(done, _ uint64) {
		if h := l.Health(); h.State != ledger.Rebuilding || h.Book || !h.Entries || h.Records || h.Since.IsZero() {
			t.Errorf("%+v", h)
		}
		if done > 0 {
			cancel()
		}
	}); err == nil {
		t.Error("not cancelled")
	}
	wantState(t, l, ledger.Rebuilding)
	if err := l.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	wantState(t, l, ledger.Healthy)
	path := l.Path()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	wantState(t, l, ledger.Closed)
	reader := ledgertest.Open(t, path, func(c *ledger.Config) { c.Signer = nil })
	wantState(t, reader, ledger.ReadOnly)
	if reader.Err() != nil {
		t.Error(reader.Err())
	}
	_, err := reader.Append(ctx, ledgertest.Add(t, 200))
	wantReason(t, err, "LEDGER_READ_ONLY")
}
