package ledger

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"go.etcd.io/bbolt"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// A Report says what Verify, Backup, CheckBackup, Export or Import found in order.
type Report struct {
	Origin     string
	Size       uint64     // entries
	Root       proof.Hash // computed from the entries, equal to what the checkpoint signs
	Checkpoint []byte     // the signed checkpoint that was checked
	BookKeys   uint64     // keys of the book, each equal to what the log yields; 0 where the book was not folded again
}

// Verify checks the whole file against itself and the log's key: every entry parses, stands under its author's
// signature and its hash; the stored tree is the one its entries make, with the root that the signed checkpoint names;
// times do not run backwards; the index of ids has each entry and nothing else; and the book is, byte for byte, what
// the Judge decides and folds from the entries in a scratch file. It stops at the first fault.
//
// It may run beside a working service: it reads in short views, and holds one for the last comparison only. It needs
// about as much scratch space as the book. In a ledger that was opened without its private key, where nothing else
// writes, it also checks the store's own pages, and holds up a rebuild meanwhile. What it cannot see is that a log was
// swapped for another whole one under the same key: only the checkpoints that others keep show that.
//
// Reasons: LEDGER_ENTRY_DAMAGED, LEDGER_HASH_MISMATCH, LEDGER_SIGNATURE_INVALID, LEDGER_TIME_ORDER, LEDGER_ID_INDEX,
// LEDGER_REPLAY, LEDGER_ROOT_MISMATCH, LEDGER_CHECKPOINT_INVALID, LEDGER_BOOK_DIFFERS, LEDGER_PAGES, LEDGER_DAMAGED,
// LEDGER_CANCELLED, LEDGER_SCRATCH, and those for which the ledger is halted.
func (l *Ledger) Verify(ctx context.Context, progress func(done, total uint64)) (Report, error) {
	if progress == nil {
		progress = func(done, total uint64) {}
	}
	scratch, err := openScratch(l.config.Scratch)
	if err != nil {
		return Report{}, refusal.New(refusal.Unavailable, "LEDGER_SCRATCH", "",
			"No scratch file could be made to fold the log into. Name a folder with room for a copy of the book.").Because(err)
	}
	defer scratch.remove()
	v := &verification{config: l.config, scratch: scratch.db, signatures: true, progress: progress}

	// What is there now, in short views; then what came since, and all that holds of the whole, as of one moment.
	total := l.Size()
	progress(0, total)
	err = v.rest(ctx, total, func(f func(v *view) error) error {
		return l.read(haltBook, f)
	})
	if err != nil {
		return Report{}, err
	}
	if l.config.Signer == nil { // nothing else writes, so the store's own pages can be checked too
		l.writing.Lock()
		defer l.writing.Unlock()
	}
	var report Report
	err = l.read(haltBook, func(now *view) error {
		if l.config.Signer == nil {
			if err := checkElements(now.tx); err != nil {
				return err
			}
		}
		if err := v.rest(ctx, now.size(), func(f func(v *view) error) error { return f(now) }); err != nil {
			return err
		}
		if l.config.Signer == nil {
			if err := checkPages(now.tx); err != nil {
				return err
			}
		}
		report, err = v.whole(ctx, now)
		return err
	})
	return report, err
}

// verification is how far the check of a file has come. Its progress is told from one goroutine.
type verification struct {
	config     Config
	scratch    *bbolt.DB         // nil: entries are not judged and folded, and the book is not compared
	signatures bool              // the authors' signatures are checked
	withoutIDs bool              // the index of ids is not looked at
	taken      func(r row) error // if not nil, is given each checked row in order
	progress   func(done, total uint64)

	tree       proof.Frontier
	recordedAt time.Time
}

// rest checks entries from the verified size up to total. open gives a view for as long as it takes to copy a chunk.
func (v *verification) rest(ctx context.Context, total uint64, open func(func(v *view) error) error) error {
	next := v.tree.Size()
	var prepare func(*Entry)
	if v.scratch != nil {
		prepare = ahead(v.config.Judge)
	}
	return examineAll(v.signatures, prepare, func() (rows []row, err error) {
		if next == total {
			return nil, nil
		}
		if err := cancelled(ctx); err != nil {
			return nil, err
		}
		err = guard(func() error {
			return open(func(v *view) error {
				rows, err = readRows(v, next, total)
				return err
			})
		})
		next += uint64(len(rows))
		return rows, err
	}, func(rows []row) error {
		if err := cancelled(ctx); err != nil { // what is read ahead may be all there is
			return err
		}
		if err := v.take(rows); err != nil {
			return err
		}
		v.progress(v.tree.Size(), total)
		return nil
	})
}

// readRows copies rows from number first on: at most a chunk of them, fewer if they are large, none from end on.
func readRows(v *view, first, end uint64) ([]row, error) {
	end = min(end, first+replayChunk)
	rows := make([]row, 0, end-first)
	entries, hashes, ids := v.entries(), v.hashes(), v.ids()
	size := 0
	for seq := first; seq < end && size < replayBytes; seq++ {
		r := row{seq: seq, leaf: bytes.Clone(entries.Get(seqKey(seq))), hashes: bytes.Clone(hashes.Get(seqKey(seq)))}
		if r.leaf == nil {
			return nil, dataLoss("LEDGER_ENTRY_DAMAGED", seq, "Entry %d is missing.", seq)
		}
		if r.hashes == nil {
			return nil, hashMissing(seq)
		}
		if leaf, err := proof.ParseLeaf(r.leaf); err == nil {
			if envelope, err := proof.ReadEnvelope(leaf.Event); err == nil {
				r.indexed = bytes.Clone(ids.Get(envelope.ID[:]))
			}
		}
		rows = append(rows, r)
		size += len(r.leaf)
	}
	return rows, nil
}

// take checks examined rows that follow the verified size against those before them, and folds them.
func (v *verification) take(rows []row) error {
	var room [49]proof.Hash
	want := make([]byte, 0, len(room)*len(room[0]))
	for _, r := range rows {
		want = want[:0]
		for _, h := range v.tree.Append(room[:0], r.hash) {
			want = append(want, h[:]...)
		}
		switch {
		case !bytes.Equal(want, r.hashes):
			return dataLoss("LEDGER_HASH_MISMATCH", r.seq,
				"The stored tree hashes of entry %d are not those of its bytes and the entries before it.", r.seq)
		case r.err != nil:
			return r.err
		case r.entry.RecordedAt.Before(v.recordedAt):
			return dataLoss("LEDGER_TIME_ORDER", r.seq, "Entry %d is recorded at %s, before the entry in front of it.",
				r.seq, r.entry.RecordedAt.Format(time.RFC3339Nano))
		case !v.withoutIDs && !bytes.Equal(r.indexed, seqKey(r.seq)):
			return dataLoss("LEDGER_ID_INDEX", r.seq, "The index of event ids does not lead from %s to entry %d.",
				r.entry.ID, r.seq)
		}
		v.recordedAt = r.entry.RecordedAt
		if v.taken != nil {
			if err := v.taken(r); err != nil {
				return err
			}
		}
	}
	if v.scratch == nil {
		return nil
	}
	return guard(func() error {
		return v.scratch.Update(func(tx *bbolt.Tx) error {
			folded := writable(tx)
			for _, r := range rows {
				if err := foldInto(folded.book, v.config.Judge, r.entry); err != nil {
					return err
				}
			}
			return folded.written.storeIn(tx)
		})
	})
}

// checkPages has the store check its own pages: each is in use once or free, and keys stand in order. Nothing may write
// meanwhile. It reads every page.
func checkPages(tx *bbolt.Tx) error {
	// The store's check runs as far as a page says it does, so that is looked at first.
	pages := int(tx.Size()) / tx.DB().Info().PageSize
	for id := 0; id < pages; id++ {
		page, err := tx.Page(id)
		if err != nil || page == nil {
			return pagesContradict(fmt.Errorf("page %d cannot be read: %w", id, err))
		}
		if page.Type == "free" {
			continue
		}
		if page.OverflowCount < 0 || page.OverflowCount >= pages-id {
			return pagesContradict(fmt.Errorf("page %d is said to go on for %d pages of %d", id, page.OverflowCount, pages))
		}
		id += page.OverflowCount
	}
	var first error
	for err := range tx.Check() { // to its end: the check reads on in a goroutine of its own
		if first == nil {
			first = err
		}
	}
	if first != nil {
		return pagesContradict(first)
	}
	return nil
}

func pagesContradict(err error) *refusal.Error {
	return refusal.New(refusal.DataLoss, "LEDGER_PAGES", "",
		"The pages of the file contradict each other, so that the next entry could overwrite older ones. Stop the service, keep "+
			"the file, and restore a copy that verifies.").Because(err)
}

// whole checks what holds of all entries together.
func (v *verification) whole(ctx context.Context, now *view) (Report, error) {
	size := v.tree.Size()
	// The file's own checkpoint, and the one over what is in front of it.
	_, stored, err := checkpointOf(now.tx, v.config)
	if err != nil {
		return Report{}, err
	}
	then, err := now.frontier(min(stored.Size, size))
	if err != nil {
		return Report{}, err
	}
	if then.Size() != stored.Size || then.Root() != stored.Root {
		return Report{}, rootMismatch(stored, then.Size(), then.Root())
	}
	signed := now.head.checkpoint
	at, err := proof.OpenCheckpoint(signed, v.config.Origin, v.config.Verifier)
	if err != nil {
		return Report{}, checkpointInvalid(err)
	}
	if at.Size != size || at.Root != v.tree.Root() {
		return Report{}, rootMismatch(at, size, v.tree.Root())
	}
	for _, name := range []string{nameEntries, nameHashes} {
		if k, _ := now.table(name).Cursor().Seek(seqKey(size)); k != nil {
			return Report{}, dataLoss("LEDGER_ENTRY_DAMAGED", size, "There are %s beyond the last of %d entries.", name, size)
		}
	}
	// Each entry was found in the index, each under its own place; so with as many ids as entries there is no other.
	count, ids := uint64(0), now.ids().Cursor()
	for k, _ := ids.First(); k != nil; k, _ = ids.Next() {
		count++
		if count%replayChunk == 0 {
			if err := cancelled(ctx); err != nil {
				return Report{}, err
			}
		}
	}
	if count != size {
		return Report{}, refusal.New(refusal.DataLoss, "LEDGER_ID_INDEX", "",
			"The index of event ids has %d ids for %d entries. Stop the service, keep the file, and restore a copy that "+
				"verifies.", count, size).With("found", fmt.Sprint(count)).With("size", fmt.Sprint(size))
	}
	report := Report{Origin: at.Origin, Size: size, Root: at.Root, Checkpoint: bytes.Clone(signed)}
	if v.scratch == nil {
		return report, nil
	}
	err = v.scratch.View(func(folded *bbolt.Tx) error {
		var err error
		report.BookKeys, err = compareBooks(now.book, viewOf(folded, head{}).book)
		return err
	})
	if err != nil {
		return Report{}, err
	}
	return report, nil
}

// scratch is a bbolt file that is thrown away: it is never synced.
type scratch struct {
	db  *bbolt.DB
	dir string
}

func openScratch(dir string) (*scratch, error) {
	dir, err := os.MkdirTemp(dir, "ledger-verify-*")
	if err != nil {
		return nil, err
	}
	db, err := bbolt.Open(filepath.Join(dir, "book"), filePerm, &bbolt.Options{
		NoSync: true, NoGrowSync: true, NoFreelistSync: true, FreelistType: bbolt.FreelistMapType,
	})
	if err == nil {
		err = db.Update(func(tx *bbolt.Tx) error {
			_, err := tx.CreateBucket(bucketBook)
			return err
		})
		if err == nil {
			return &scratch{db: db, dir: dir}, nil
		}
		err = errors.Join(err, db.Close())
	}
	return nil, errors.Join(err, os.RemoveAll(dir))
}

func (s *scratch) remove() {
	_ = s.db.Close()
	_ = os.RemoveAll(s.dir)
}
