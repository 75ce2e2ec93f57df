package ledger_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// What brings the journal into the file runs beside everything else. These are tests of what could go wrong between them.

// put writes the files of a crashed ledger down and returns the path.
func (c crashed) put(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ledger")
	write(t, path, c.file)
	for i, b := range c.journals {
		if b != nil {
			write(t, fmt.Sprintf("%s.journal-%d", path, i+1), b)
		}
	}
	return path
}

// copied takes what is on the disk of a ledger that is at work.
func copied(t *testing.T, l *ledger.Ledger) (c crashed) {
	t.Helper()
	c.file = read(t, l.Path())
	for i := range c.journals {
		b, err := os.ReadFile(fmt.Sprintf("%s.journal-%d", l.Path(), i+1))
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			t.Fatal(err)
		}
		c.journals[i] = b
	}
	return c
}

// Writers, views, copies, checks, rebuilds and a reopening at once: who has a receipt reads what it is for, no view is of two
// moments, and nothing fails but what is told to wait for a rebuild.
func TestEverythingAtOnce(t *testing.T) {
	l := ledgertest.Create(t)
	var stop atomic.Bool
	var all sync.WaitGroup
	var next atomic.Int64
	want := int64(rounds(t, 1500, 100_000))
	fine := func(what string, err error) {
		if err != nil && !refusal.Is(err, "LEDGER_REBUILDING") {
			t.Errorf("%s: %v (%v)", what, err, errors.Unwrap(err))
			stop.Store(true)
		}
	}
	until := func(f func()) {
		all.Go(func() {
			for !stop.Load() {
				f()
			}
		})
	}
	for range 8 {
		until(func() {
			n := int(next.Add(1) - 1)
			if int64(n) >= want {
				stop.Store(true)
				return
			}
			r, err := l.Append(ctx, ledgertest.Add(t, n))
			for refusal.Is(err, "LEDGER_REBUILDING") {
				time.Sleep(time.Millisecond)
				r, err = l.Append(ctx, ledgertest.Add(t, n))
			}
			if err != nil {
				fine("append", err)
				return
			}
			if r.TreeSize <= r.Seq || l.Size() < r.TreeSize {
				t.Errorf("a receipt for entry %d in a tree of %d, and the size is %d", r.Seq, r.TreeSize, l.Size())
			}
			if e, err := l.ByID(ledgertest.ID(n)); err != nil || e.Seq != r.Seq {
				t.Errorf("its event reads as %+v, %v", e, err)
			}
			_, err = l.ProveInclusion(r.Seq, r.TreeSize)
			fine("prove", err)
		})
	}
	for range 3 {
		until(func() {
			before := l.Size()
			fine("view", l.View(func(b *ledger.Book, size uint64) error {
				sum, listed := int64(0), uint64(0)
				for n := range 10 {
					sum += ledgertest.Total(b, fmt.Sprint("name", n))
				}
				c := b.Table("list").Cursor()
				for k, _ := c.First(); k != nil; k, _ = c.Next() {
					listed++
				}
				if size < before || sum != int64(size) || listed != size {
					t.Errorf("a view of %d entries after %d sums to %d and lists %d", size, before, sum, listed)
				}
				return nil
			}))
		})
	}
	dir, copies := t.TempDir(), 0
	until(func() {
		copies++
		_, err := l.Backup(ctx, filepath.Join(dir, fmt.Sprint(copies)), nil)
		fine("backup", err)
	})
	until(func() {
		_, err := l.Export(ctx, io.Discard, nil)
		fine("export", err)
		l.Stats()
		_, err = l.Verify(ctx, nil)
		fine("verify", err)
	})
	until(func() {
		time.Sleep(20 * time.Millisecond)
		fine("rebuild", l.Rebuild(ctx, nil))
		fine("reopen", l.Reopen())
	})
	size := uint64(0)
	until(func() {
		impatient, cancel := context.WithTimeout(ctx, 50*time.Millisecond)
		defer cancel()
		if n, err := l.Wait(impatient, size); err == nil {
			size = n
		}
	})
	all.Wait()
	if l.Size() != uint64(want) && !t.Failed() {
		t.Errorf("%d entries of %d events", l.Size(), want)
	}
	ledgertest.Verify(t, l)
}

// A disk that was full while nobody sent an event heals all the same.
func TestHealsWhileIdle(t *testing.T) {
	var once atomic.Bool
	goOn := make(chan struct{})
	l := ledgertest.Create(t, func(c *ledger.Config) {
		c.Hook = func(point string) error {
			if point == "store-after-commit" && once.CompareAndSwap(false, true) {
				<-goOn
				return syscall.ENOSPC
			}
			return nil
		}
	})
	grow(t, l, 60)
	mustAppend(t, l, ledgertest.Add(t, 60)) // before it the others begin to be stored
	close(goOn)
	waitUntil(t, "it halts and heals", func() bool { return once.Load() && l.Stats().Journal == 0 && l.Health().Records })
	grow(t, l, 70)
}

// A halt is not made less by a lesser failure that comes a moment later.
func TestHaltIsNotLowered(t *testing.T) {
	for what, c := range map[string]struct {
		point string
		err   error
	}{
		"a fault of the program":         {"batch-taken", errors.New("a bug")},
		"a full disk, outcome not known": {"after-commit", syscall.ENOSPC},
	} {
		t.Run(what, func(t *testing.T) {
			var l *ledger.Ledger
			var over, stored atomic.Bool
			waiting, failed := make(chan struct{}), make(chan struct{})
			l = ledgertest.Create(t, func(config *ledger.Config) {
				config.Hook = func(point string) error {
					switch {
					case point == "store-before-commit" && stored.CompareAndSwap(false, true):
						<-waiting // until the next batch is under way
						return syscall.EIO
					case point == c.point && stored.Load() && over.CompareAndSwap(false, true):
						close(waiting)
						waitUntil(t, "the store halts it", func() bool { return l.Health().State == ledger.Halted })
						defer close(failed)
						return c.err
					}
					return nil
				}
			})
			for n := 0; !over.Load(); n++ {
				_, _ = l.Append(ctx, ledgertest.Add(t, n))
			}
			<-failed
			_, err := l.Append(ctx, ledgertest.Add(t, 1000))
			wantReason(t, err, "LEDGER_OUTCOME_UNKNOWN")
			wantState(t, l, ledger.Halted)
			if err := l.Reopen(); err != nil {
				t.Fatal(err)
			}
			wantState(t, l, ledger.Healthy)
		})
	}
}

// spy is a judge that looks about while it folds.
type spy struct {
	ledgertest.Judge
	look *func()
}

func (s spy) Apply(book *ledger.Book, e *ledger.Entry) error {
	if *s.look != nil {
		(*s.look)()
	}
	return s.Judge.Apply(book, e)
}

// While a ledger reads its disk back, nothing of it is shown before all of it is in order and synced.
func TestReopenShowsNothingEarly(t *testing.T) {
	var look func()
	var l *ledger.Ledger
	var failing, watching atomic.Bool
	closer := func() {
		if n := l.Size(); n != 5 {
			t.Errorf("the size is %d, of which 5 are known to be durable", n)
		}
		if _, err := l.Checkpoint(); err == nil || l.Health().State != ledger.Halted {
			t.Errorf("a checkpoint was given out; health says %s", l.Health().State)
		}
	}
	l = ledgertest.Create(t, func(c *ledger.Config) {
		c.Judge = spy{look: &look}
		c.Hook = func(point string) error {
			if point == "after-commit" && failing.Load() {
				return syscall.EIO // the sync failed, and the frame can be read
			}
			if watching.Load() {
				closer()
			}
			return nil
		}
	})
	grow(t, l, 5)
	failing.Store(true)
	_, err := l.Append(ctx, ledgertest.Add(t, 5))
	wantReason(t, err, "LEDGER_OUTCOME_UNKNOWN")
	failing.Store(false)
	watching.Store(true)
	look = closer
	err = l.Reopen()
	look = nil
	watching.Store(false)
	if err != nil || l.Size() != 6 {
		t.Errorf("%d entries, %v", l.Size(), err)
	}
}

// A journal under the log's signature that says otherwise than the file is never passed over: somebody went on from the
// file alone.
func TestForkBesideTheJournal(t *testing.T) {
	l := ledgertest.Create(t)
	grow(t, l, 40)
	old := backedUp(t, l)
	mustAppend(t, l, ledgertest.Add(t, 40))
	c := copied(t, l)
	alone := crashed{file: old}
	path := alone.put(t)
	other, err := ledger.Open(path, ledgertest.Config())
	if err != nil {
		t.Fatal(err)
	}
	for n := 50; n < 53; n++ {
		mustAppend(t, other, ledgertest.Add(t, n))
	}
	if err := other.Close(); err != nil {
		t.Fatal(err)
	}
	c.file = read(t, path)
	_, err = c.open(t, "forked")
	wantReason(t, err, "LEDGER_JOURNAL")
}

// What an author writes into an event is never read as a part of the journal, wherever a crash cuts a later batch.
func TestFramesInAnEvent(t *testing.T) {
	frame := append([]byte("bwj1"), make([]byte, 24)...) // a batch of no entries, far ahead
	binary.BigEndian.PutUint64(frame[4:], 7)
	binary.BigEndian.PutUint64(frame[12:], 1<<60)
	sum := sha256.Sum256(frame)
	frame = append(frame, sum[:]...)
	event := ledgertest.Event(ledgertest.Key(0), ledgertest.ID(100_000), "add x 1").Event
	body := bytes.Repeat(frame, 5000)
	event = append(binary.AppendUvarint(append(event, 0x22), uint64(len(body))), body...) // a field that the toy judge does not read
	l := ledgertest.Create(t)
	mustAppend(t, l, ledgertest.Submit(t, proof.Sign(ledgertest.Key(0), event)))
	for range 2 { // so that the file of the journal that has it is written over
		if err := l.Reopen(); err != nil {
			t.Fatal(err)
		}
		mustAppend(t, l, ledgertest.Add(t, int(l.Size())))
	}
	for range 8 {
		mustAppend(t, l, ledgertest.Add(t, int(l.Size())))
		c := copied(t, l)
		for i := range c.journals {
			for cut := 0; cut < 30; cut += 10 { // within the last batch: what is behind is the event's again
				again := c
				again.journals[i] = bytes.Clone(c.journals[i])
				at := bytes.LastIndex(again.journals[i][:min(len(again.journals[i]), 20_000)], []byte(ledgertest.Origin))
				if at > cut {
					again.journals[i][at-cut] ^= 1
				}
				if _, err := again.open(t, "cut"); err != nil {
					t.Fatalf("after %d entries: %v (%v)", l.Size(), err, errors.Unwrap(err))
				}
			}
		}
	}
}

// Whoever copies a ledger changes nothing of it, and needs no room on its disk.
func TestBackupWritesNothing(t *testing.T) {
	t.Run("of who opened it to read", func(t *testing.T) {
		c := crash(t, 5)
		path := c.put(t)
		l, err := reader(path)
		if err != nil {
			t.Fatal(err)
		}
		copy := backedUp(t, l)
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(read(t, path), c.file) {
			t.Error("its file was changed")
		}
		if got, err := (crashed{file: copy}).open(t, "the copy"); err != nil || got != c.sizes[len(c.sizes)-1] {
			t.Errorf("the copy has %d entries, %v", got, err)
		}
		_, err = l.Backup(ctx, filepath.Join(t.TempDir(), "copy"), nil)
		wantReason(t, err, "LEDGER_CLOSED")
	})
	t.Run("of a stopped one", func(t *testing.T) {
		l := ledgertest.Create(t)
		grow(t, l, 5)
		_, err := l.Append(ctx, ledgertest.Submit(t, ledgertest.Event(ledgertest.Key(0), ledgertest.ID(999), "break")))
		wantReason(t, err, "LEDGER_STOPPED")
		if got, err := (crashed{file: backedUp(t, l)}).open(t, "the copy"); err != nil || got != 5 {
			t.Errorf("the copy has %d entries, %v", got, err)
		}
	})
	t.Run("of a full one", func(t *testing.T) {
		var full atomic.Bool
		l := ledgertest.Create(t, func(c *ledger.Config) {
			c.Hook = func(point string) error {
				if full.Load() && point == "store-before-commit" {
					return syscall.ENOSPC
				}
				return nil
			}
		})
		grow(t, l, 5)
		full.Store(true)
		if got, err := (crashed{file: backedUp(t, l)}).open(t, "the copy"); err != nil || got != 5 {
			t.Errorf("the copy has %d entries, %v", got, err)
		}
		full.Store(false)
	})
}

// A ledger is not put where the journal of another lies.
func TestNothingIsPutBesideAJournal(t *testing.T) {
	c := crash(t, 5)
	path := c.put(t)
	whole := ledgertest.Create(t)
	grow(t, whole, 3)
	log := exported(t, whole)
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	_, err := ledger.Create(path, ledgertest.Config())
	wantReason(t, err, "LEDGER_EXISTS")
	_, err = ledger.Import(ctx, bytes.NewReader(log), path, ledgertest.Config(), nil)
	wantReason(t, err, "LEDGER_EXISTS")
	if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("left behind: %v", err)
	}
}

// After a crash too, a ledger that was opened and closed has two heads that lead to all of it.
func TestSealedAfterACrash(t *testing.T) {
	l := ledgertest.Create(t)
	grow(t, l, 40)
	if err := l.Rebuild(ctx, nil); err != nil { // the file has all of it, and the journal is still there
		t.Fatal(err)
	}
	c := copied(t, l)
	path := c.put(t)
	again, err := ledger.Open(path, ledgertest.Config())
	if err != nil {
		t.Fatal(err)
	}
	if err := again.Close(); err != nil {
		t.Fatal(err)
	}
	for head := range 2 {
		spoiled := crashed{file: read(t, path)}
		spoiled.file[head*os.Getpagesize()+16+20] ^= 1
		if got, err := spoiled.open(t, "spoiled"); err != nil || got != 40 {
			t.Errorf("with head %d spoiled there are %d of 40 entries, %v", head, got, err)
		}
	}
}

// A crashed ledger on a full disk opens, is read, and records when there is room.
func TestOpensOnAFullDisk(t *testing.T) {
	c := crash(t, 5)
	path := c.put(t)
	var full atomic.Bool
	full.Store(true)
	config := ledgertest.Config()
	config.Hook = func(point string) error {
		if full.Load() && point == "store-before-commit" {
			return syscall.ENOSPC
		}
		return nil
	}
	l, err := ledger.Open(path, config)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	size := c.sizes[len(c.sizes)-1]
	if wantState(t, l, ledger.Full); l.Size() != size || ledgertest.Verify(t, l).Size != size {
		t.Errorf("%d entries, want %d", l.Size(), size)
	}
	_, err = l.Append(ctx, ledgertest.Add(t, 500))
	wantReason(t, err, "LEDGER_DISK_FULL")
	full.Store(false)
	mustAppend(t, l, ledgertest.Add(t, 500))
	wantState(t, l, ledger.Healthy)
}

// Entries in the journal that cannot be folded into a damaged book are not lost behind it: the book is rebuilt.
func TestJournalOverADamagedBook(t *testing.T) {
	l := ledgertest.Create(t)
	grow(t, l, 20)
	if err := l.Rebuild(ctx, nil); err != nil { // brings all into the file
		t.Fatal(err)
	}
	mustAppend(t, l, ledgertest.Add(t, 20))
	c := copied(t, l)
	path := c.put(t)
	edit(t, path, func(tx *bbolt.Tx) error { // the total that the entry adds to is no number any more
		return tx.Bucket([]byte("book")).Bucket([]byte("totals")).Put([]byte("name0"), []byte("?"))
	})
	r, err := reader(path)
	if err != nil {
		t.Fatal(err)
	}
	if e, err := r.Entry(20); err != nil || e.ID != ledgertest.ID(20) {
		t.Errorf("%+v, %v", e, err)
	}
	wantReason(t, r.View(func(*ledger.Book, uint64) error { return nil }), "LEDGER_REBUILDING")
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	again := ledgertest.Open(t, path)
	if got := total(t, again, "name0"); got != 3 { // by hand: events 0, 10 and 20 add 1 each
		t.Errorf("the total is %d", got)
	}
	if ledgertest.Verify(t, again).Size != 21 {
		t.Errorf("%d entries", again.Size())
	}
}
