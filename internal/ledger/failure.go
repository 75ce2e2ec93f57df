package ledger

import (
	"context"
	"fmt"
	"runtime"
	"strings"
	"time"

	"go.etcd.io/bbolt"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// halt is why the ledger does not work, and how much of it.
type halt struct {
	err   *refusal.Error
	level haltLevel
	heals bool // the committer tries by itself to go on
	since time.Time
}

type haltLevel int

const (
	haltNothing haltLevel = iota
	haltWrites            // the file is known and readable, nothing more is recorded
	haltBook              // and the book is not whole
	haltAll               // it is not known what the file holds
)

// stop halts the ledger for reason r and returns r.
func (l *Ledger) stop(level haltLevel, r *refusal.Error) *refusal.Error {
	return l.stopFor(halt{err: r, level: level})
}

func (l *Ledger) stopFor(h halt) *refusal.Error {
	h.since = l.config.Clock()
	l.mu.Lock()
	defer l.mu.Unlock()
	// What is worse stays: storing fails beside the committer.
	if was := l.halt; was.err != nil && (was.level > h.level || was.level == haltAll && !was.heals && h.heals) {
		return h.err
	}
	l.halt = h
	if h.heals {
		select {
		case l.healing <- struct{}{}:
		default:
		}
	}
	l.wake()
	return h.err
}

// stopped returns why work that needs this much of the ledger cannot be done, or nil.
func (l *Ledger) stopped(needs haltLevel) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.halt.err != nil && l.halt.level >= needs {
		return l.halt.err
	}
	return nil
}

// storeFailed says what becomes of the ledger when writing to its disk returned err. nowhere tells that it is sure that
// nothing of it is there.
//
// Otherwise it may be: a frame is written before it is synced, and so is the file's meta page. Memory can no longer claim to
// match the disk, so refuse all work until it was read back. A full disk is the one exception that can be proved, and the
// next batch may find room. A disk that is full and leaves the outcome open will have room again, so the ledger then tries
// by itself to go on. Any other error is the disk's own, and a person must look at it.
func (l *Ledger) storeFailed(err error, nowhere bool) error {
	full := diskFull(err)
	if full && nowhere {
		r := refusal.New(refusal.Unavailable, "LEDGER_DISK_FULL", "",
			"The disk of the ledger is full; the event is not recorded. Make room, then send the same again.").
			About(l.path).Because(err)
		l.mu.Lock()
		l.full = r
		l.mu.Unlock()
		return r
	}
	return l.stopFor(halt{level: haltAll, heals: full, err: outcomeUnknown(l.path, err)})
}

// commitFailed is storeFailed for a transaction of the file, which held transaction before until then.
func (l *Ledger) commitFailed(err error, before int) error {
	return l.storeFailed(err, l.committed() == before)
}

func outcomeUnknown(path string, err error) *refusal.Error {
	return refusal.New(refusal.Unavailable, "LEDGER_OUTCOME_UNKNOWN", "",
		"Writing to the disk failed and the event may be recorded or not. The service must read its file back first; then "+
			"send the same event again: it is recorded once in either case.").About(path).Because(err)
}

// committed returns the id of the transaction that the file now holds, or -1.
func (l *Ledger) committed() int {
	id := -1
	_ = guard(func() error {
		return l.db.View(func(tx *bbolt.Tx) error {
			id = tx.ID()
			return nil
		})
	})
	return id
}

// fillFailed answers a batch that did not come as far as its commit: nothing of it is in the file.
func (l *Ledger) fillFailed(err error) error {
	if r := refusal.As(err); r != nil && r.Kind == refusal.DataLoss {
		return l.stop(haltWrites, r)
	}
	return l.stop(haltWrites, refusal.New(refusal.Unavailable, "LEDGER_STOPPED", "",
		"The service stopped recording because of a fault of its own; the event is not recorded. Its operator must look into the "+
			"log and restart it; then send the same again.").About(l.path).Because(err))
}

// Reopen closes the file and reads it back, which clears a halt if the file is sound and can be written: after
// LEDGER_OUTCOME_UNKNOWN it finds out which of the two outcomes it was. It waits for open views to end. On error the
// ledger stays halted.
//
// Reasons: those of Open, LEDGER_CLOSED, LEDGER_ROLLED_BACK if the file lost entries that were acknowledged, those of
// Verify for the last entries, LEDGER_OUTCOME_UNKNOWN if it still cannot be written, and LEDGER_DAMAGED if the file
// cannot be let go of without ending the process.
func (l *Ledger) Reopen() error {
	l.writing.Lock()
	defer l.writing.Unlock()
	l.mu.Lock()
	closed := l.closed
	l.mu.Unlock()
	if closed {
		return closedRefusal()
	}
	if err := l.reopen(); err != nil {
		return err
	}
	return nil
}

// heal reopens a ledger that halted in a way that may pass, and reports whether to try again later. It runs in the
// committer.
func (l *Ledger) heal() (again bool) {
	l.mu.Lock()
	heals := l.halt.heals && !l.closed
	l.mu.Unlock()
	if !heals {
		return false
	}
	l.writing.Lock()
	defer l.writing.Unlock()
	_ = l.reopen()
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.halt.heals
}

// reopen is Reopen for a holder of writing. On error it leaves the ledger halted.
func (l *Ledger) reopen() *refusal.Error {
	l.files.Lock()
	defer l.files.Unlock()
	if err := l.closeFile(); err != nil {
		return l.stop(haltAll, refusal.New(refusal.DataLoss, "LEDGER_DAMAGED", "",
			"The ledger file %s could not be closed. End the process, verify the file and start again.", l.path).
			About(l.path).Because(err))
	}
	known := l.shown().tree
	err := l.openAndLoad(&known)
	if err == nil {
		return nil
	}
	r := refusal.As(err)
	if r == nil {
		r = refusal.New(refusal.Unavailable, "LEDGER_STOPPED", "", "The ledger file %s could not be read back.", l.path).
			About(l.path).Because(err)
	}
	l.mu.Lock()
	l.halt = halt{} // this is what holds now
	l.mu.Unlock()
	return l.stopFor(halt{level: haltAll, heals: r.Cause != nil && diskFull(r.Cause), err: r})
}

// continues checks a file that was read back after writing failed: it must hold all that was known, and its last entries are
// checked in full.
func (l *Ledger) continues(h head, known *proof.Frontier) error {
	first := known.Size() - min(known.Size(), maxBatch)
	v := verification{config: l.config, signatures: true, progress: func(done, total uint64) {}}
	return l.db.View(func(tx *bbolt.Tx) error {
		now := viewOf(tx, h)
		continues, err := continuesTree(now, now.size(), known)
		if err != nil {
			return err
		}
		if !continues {
			return refusal.New(refusal.DataLoss, "LEDGER_ROLLED_BACK", "",
				"The file at %s does not hold the %d entries that it held before: another file was put in its place. Nothing is "+
					"recorded in it; put the right file back.", l.path, known.Size()).
				About(l.path).With("old_size", fmt.Sprint(known.Size())).With("size", fmt.Sprint(now.size()))
		}
		if v.tree, err = now.frontier(first); err != nil {
			return err
		}
		v.recordedAt = time.UnixMicro(0)
		return v.rest(context.Background(), now.size(), func(f func(v *view) error) error { return f(now) })
	})
}

// resume writes the head of a file again that was read back after writing failed, and that has all that was in the journal.
// After a failed sync what is read may be in the machine's memory only. But pages are synced before a head is written, so
// when a new head over them was synced without an error, all of it is on the disk.
func (l *Ledger) resume(h head) error {
	tx, err := l.db.Begin(true)
	if err != nil {
		return outcomeUnknown(l.path, err)
	}
	defer func() { _ = guard(tx.Rollback) }() // does nothing after the commit
	if err = storeHead(tx, h.tree.Size(), h.checkpoint); err == nil {
		if err = l.hook(ResumeCrashPoint); err == nil {
			err = tx.Commit()
		}
	}
	if err != nil {
		return outcomeUnknown(l.path, err)
	}
	return nil
}

// judged calls the judge. A panic of its own becomes an error; one of the store, whose pages the judge reads through
// it, goes on to guard: the first says that the program is wrong, the second that the file is.
func judged(f func() error) (err error) {
	defer func() {
		p := recover()
		switch {
		case p == nil:
		case ofStore(p):
			panic(p)
		default:
			err = fmt.Errorf("the judge panicked: %v\n%s", p, stack())
		}
	}()
	return f()
}

// ofStore tells from within a deferred call whether p is a fault in the mapped file, or a panic out of the store's
// code. Using a bucket that is not there is the judge's.
func ofStore(p any) bool {
	if fault, ok := p.(runtime.Error); ok {
		if _, ok := fault.(interface{ Addr() uintptr }); ok {
			return true
		}
		if strings.Contains(fault.Error(), "nil pointer") {
			return false
		}
	}
	var callers [64]uintptr
	frames := runtime.CallersFrames(callers[:runtime.Callers(0, callers[:])])
	for panicked := false; ; {
		frame, more := frames.Next()
		switch {
		case frame.Function == "runtime.gopanic":
			panicked = true
		case panicked && strings.HasPrefix(frame.Function, "go.etcd.io/bbolt"):
			return true
		case panicked && strings.HasPrefix(frame.Function, "barward/"):
			return false
		}
		if !more {
			return false
		}
	}
}

func stack() []byte {
	b := make([]byte, 8<<10)
	return b[:runtime.Stack(b, false)]
}
