package ledger

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"os"
	"slices"

	"go.etcd.io/bbolt"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// Backup writes a copy of the ledger file, as of one moment and with what its journal holds, to a new file at path, beside
// a working service, and writes nothing else. The copy is synced, read back byte for byte, and checked as CheckBackup checks it, before it appears under its name; an
// existing file is never replaced. The report names the checkpoint that the copy holds: keep it apart from the copy.
//
// progress, if not nil, is told in bytes: each is written and then read back, so the total is twice what the file has.
//
// The copy is a ledger that Open opens, and whoever can read it reads all that the ledger holds. Reading takes one long
// view, during which the ledger's file grows faster than it must; Close ends it. What was read back may come from the
// machine's memory and not from the disk: check a copy again where it is kept.
//
// Reasons: BACKUP_EXISTS; BACKUP_NOT_WRITTEN; BACKUP_DIFFERS if what was read back is not what was written;
// LEDGER_CANCELLED; LEDGER_CLOSED; what is wrong with the ledger itself, by the reasons of Verify.
func (l *Ledger) Backup(ctx context.Context, path string, progress func(done, total uint64)) (Report, error) {
	exists := refusal.New(refusal.Exists, "BACKUP_EXISTS", "",
		"There is a file at %s already; a backup replaces none. Name another path, such as one with the date.", path).About(path)
	if _, err := os.Lstat(path); err == nil {
		return Report{}, exists
	}
	var report Report
	err := appear(path, ".new-backup-*", func(passing string) error {
		copied := &copying{ctx: ctx, closing: l.closing, sum: sha256.New(), progress: progress}
		h, err := l.copyTo(passing, copied)
		if err != nil {
			return err
		}
		if err := copied.readBack(passing); err != nil {
			return err
		}
		if err := l.complete(passing, h); err != nil {
			return err
		}
		report, err = checkFile(ctx, passing, l.config, nil)
		return err
	})
	switch {
	case errors.Is(err, os.ErrExist):
		return Report{}, exists.Because(err)
	case refusal.As(err) != nil:
		return Report{}, refusal.As(err)
	case err != nil:
		return Report{}, refusal.New(refusal.Unavailable, "BACKUP_NOT_WRITTEN", "",
			"No backup could be written to %s. See that the folder exists, may be written to and has room.", path).
			About(path).Because(err)
	}
	return report, nil
}

// copyTo writes the file as it stands in one transaction, syncs it, and returns the head of which it is a part.
func (l *Ledger) copyTo(passing string, copied *copying) (h head, err error) {
	f, err := os.OpenFile(passing, os.O_WRONLY, filePerm)
	if err != nil {
		return h, err
	}
	err = l.read(haltBook, func(v *view) error {
		h = v.head
		copied.size = v.tx.Size()
		copied.w = f
		_, err := v.tx.WriteTo(copied)
		if copied.stopped != nil { // the store drops the chain of some errors
			return copied.stopped
		}
		return err
	})
	if err == nil {
		err = f.Sync()
	}
	return h, errors.Join(err, f.Close())
}

// complete brings into a copy what lay in front of the file.
func (l *Ledger) complete(passing string, h head) error {
	db, err := openFile(passing, l.config)
	if err != nil {
		return err
	}
	db.AllocSize = minJournal // by how much it grows
	return errors.Join(guard(func() error {
		return db.Update(func(tx *bbolt.Tx) error {
			for _, layer := range slices.Backward(h.layers) {
				if err := layer.storeIn(tx); err != nil {
					return err
				}
			}
			return storeHead(tx, h.tree.Size(), h.checkpoint)
		})
	}), db.Close())
}

// copying counts and hashes what is copied, and ends it early.
type copying struct {
	ctx      context.Context
	closing  <-chan struct{}
	w        io.Writer
	sum      hash.Hash
	size     int64 // of the whole copy
	done     int64 // bytes written and read back
	stopped  error // why it was ended early
	progress func(done, total uint64)
}

func (c *copying) Write(b []byte) (int, error) {
	if err := c.step(); err != nil {
		return 0, err
	}
	c.sum.Write(b)
	n, err := c.w.Write(b)
	c.done += int64(n)
	return n, err
}

func (c *copying) step() error {
	if c.progress != nil {
		c.progress(uint64(c.done), uint64(2*c.size))
	}
	select {
	case <-c.closing:
		c.stopped = closedRefusal()
	default:
		c.stopped = cancelled(c.ctx)
	}
	return c.stopped
}

// readBack holds the file against what was written to it.
func (c *copying) readBack(passing string) error {
	f, err := os.Open(passing)
	if err != nil {
		return err
	}
	defer f.Close()
	back := sha256.New()
	for buffer := make([]byte, 1<<20); ; {
		if err := c.step(); err != nil {
			return err
		}
		n, err := f.Read(buffer)
		back.Write(buffer[:n])
		c.done += int64(n)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
	}
	if c.done != 2*c.size || string(back.Sum(nil)) != string(c.sum.Sum(nil)) {
		return refusal.New(refusal.DataLoss, "BACKUP_DIFFERS", "",
			"What was read back of the backup is not what was written. Write it to another disk, and have this one looked at.")
	}
	return c.step()
}

// CheckBackup checks a closed ledger file, such as a backup or a restored copy, and that it holds everything that the
// log acknowledged up to a later checkpoint: any that a party has kept, as a signed note. It opens the file for reading
// only.
//
// It checks the store's pages, every leaf, the tree, the index of ids, the order of times and the file's own
// checkpoint; that the tree of the later checkpoint's size within the file has the root that it signs; and with
// signatures also each author's signature. It does not judge the entries or compare the book: to do so, open the copy
// and Verify it. progress, if not nil, is told in entries.
//
// Reasons: BACKUP_INCOMPLETE, with the number of entries that are missing; BACKUP_FORKED if the file holds other
// entries than the checkpoint signs; those of proof.OpenCheckpoint for the later checkpoint; those of Open; those of
// Verify.
func CheckBackup(ctx context.Context, path string, c Config, later []byte, progress func(done, total uint64)) (
	Report, error,
) {
	if err := c.check(); err != nil {
		return Report{}, err
	}
	at, err := proof.OpenCheckpoint(later, c.Origin, c.Verifier)
	if err != nil {
		return Report{}, err
	}
	return checkFile(ctx, path, c, &backupCheck{later: at, progress: progress})
}

// backupCheck is what CheckBackup asks beyond what Backup does.
type backupCheck struct {
	later    proof.Checkpoint
	progress func(done, total uint64)
}

func checkFile(ctx context.Context, path string, c Config, more *backupCheck) (Report, error) {
	db, err := openToRead(path, c)
	if err != nil {
		return Report{}, err
	}
	v := &verification{config: c, progress: func(done, total uint64) {}}
	if more != nil {
		v.signatures = true
		if more.progress != nil {
			v.progress = more.progress
		}
	}
	var report Report
	err = guard(func() error {
		return db.View(func(tx *bbolt.Tx) error {
			h, rebuilding, err := readHead(tx, c)
			if err != nil {
				return asUnreadable(path, err)
			}
			if rebuilding {
				return asUnreadable(path, errors.New("its book is not whole"))
			}
			if more != nil {
				if err := more.holds(viewOf(tx, h)); err != nil {
					return err
				}
			}
			if err := checkPages(tx); err != nil {
				return err
			}
			v.progress(0, h.tree.Size())
			now := viewOf(tx, h)
			if err := v.rest(ctx, now.size(), func(f func(v *view) error) error { return f(now) }); err != nil {
				return err
			}
			report, err = v.whole(ctx, now)
			return err
		})
	})
	return report, errors.Join(err, guard(db.Close))
}

// holds says whether the file's log is the one that the later checkpoint signs, as far as that goes.
func (b *backupCheck) holds(v *view) error {
	size := v.size()
	if b.later.Size > size {
		missing := b.later.Size - size
		return refusal.New(refusal.DataLoss, "BACKUP_INCOMPLETE", "",
			"The file holds %d entries and the log had acknowledged %d: the last %d are missing in it. Take a later backup, or "+
				"import an export; if there is none, have the parties' outboxes send again.", size, b.later.Size, missing).
			With("size", fmt.Sprint(size)).With("acknowledged", fmt.Sprint(b.later.Size)).With("missing", fmt.Sprint(missing))
	}
	then, err := v.frontier(b.later.Size)
	if err != nil {
		return err
	}
	if then.Root() != b.later.Root {
		return refusal.New(refusal.DataLoss, "BACKUP_FORKED", "",
			"The first %d entries of the file have the root %s; the log signed %s for them. The file is of another history, or was "+
				"altered: do not serve it, keep it and the checkpoint, and tell the other parties.",
			b.later.Size, then.Root(), b.later.Root).
			With("size", fmt.Sprint(b.later.Size)).With("found", then.Root().String()).With("allowed", b.later.Root.String())
	}
	return nil
}
