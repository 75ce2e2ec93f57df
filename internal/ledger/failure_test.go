package ledger_test

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"

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
					if failing && point == c.point {
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
			fail(false)
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
				wantReason(t, l.View(func(*bbolt.Bucket, uint64) error { return nil }), c.reason)
				_, err = l.Wait(ctx, 3)
				wantReason(t, err, c.reason)
				_, err = l.Verify(ctx, nil)
				wantReason(t, err, c.reason)
				wantReason(t, l.Rebuild(ctx, nil), c.reason)
				if err := l.Reopen(); err != nil {
					t.Fatal(err)
				}
				if err := l.Err(); err != nil {
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

// An event that the judge accepts and cannot fold stops the ledger with nothing of its batch written.
func TestApplyFails(t *testing.T) {
	for payload, reason := range map[string]string{"break": "LEDGER_STOPPED", "panic": "LEDGER_DAMAGED"} {
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
	want := slices.Concat(ledger.CrashPoints, ledger.RebuildCrashPoints)
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
	old, err := os.ReadFile(l.Path())
	if err != nil {
		t.Fatal(err)
	}
	grow(t, l, 5)
	fail(true)
	_, err = l.Append(ctx, ledgertest.Add(t, 5))
	wantReason(t, err, "LEDGER_OUTCOME_UNKNOWN")
	fail(false)

	right := l.Path() + ".right"
	if err := os.Rename(l.Path(), right); err != nil {
		t.Fatal(err)
	}
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
	forked, err := os.ReadFile(other.Path())
	if err != nil {
		t.Fatal(err)
	}
	write(t, l.Path(), forked)
	wantReason(t, l.Reopen(), "LEDGER_ROLLED_BACK")
	_, err = l.Append(ctx, ledgertest.Add(t, 5))
	wantReason(t, err, "LEDGER_ROLLED_BACK")

	if err := os.Rename(right, l.Path()); err != nil {
		t.Fatal(err)
	}
	if err := l.Reopen(); err != nil {
		t.Fatal(err)
	}
	if r := mustAppend(t, l, ledgertest.Add(t, 5)); r.Seq != 5 || r.Resent {
		t.Errorf("%+v", r)
	}
}

// faulty is a toy judge that has bugs.
type faulty struct{ ledgertest.Judge }

func (f faulty) Decide(book *bbolt.Bucket, e *ledger.Entry) error {
	if e.Memo == "bug" {
		return errors.New("a bug")
	}
	return f.Judge.Decide(book, e)
}

// A refusal out of Apply is still our fault and never the submitter's.
func (f faulty) Apply(book *bbolt.Bucket, e *ledger.Entry) error {
	if e.Memo == "add late 1" {
		return refusal.Invalidf("TOY_LATE", "payload", "This should have been refused before.")
	}
	return f.Judge.Apply(book, e)
}

func TestJudgeHasBugs(t *testing.T) {
	l := ledgertest.Create(t, func(c *ledger.Config) { c.Judge = faulty{} })
	sub := ledgertest.Add(t, 1)
	sub.Memo = "bug"
	_, err := l.Append(ctx, sub)
	if r := wantReason(t, err, "JUDGE_FAILED"); r.Kind != refusal.Internal || strings.Contains(r.Text, "a bug") {
		t.Errorf("%+v", r)
	}
	grow(t, l, 3) // it goes on
	sub = ledgertest.Add(t, 9)
	sub.Memo = "add late 1"
	_, err = l.Append(ctx, sub)
	if r := wantReason(t, err, "LEDGER_STOPPED"); r.Kind != refusal.Unavailable || !strings.Contains(errors.Unwrap(err).Error(), "TOY_LATE") {
		t.Errorf("%+v, cause %v", r, r.Cause)
	}
	if err := l.Reopen(); err != nil {
		t.Fatal(err)
	}
	grow(t, l, 5)
}
