package ledger

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"time"

	"go.etcd.io/bbolt"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// A Report says what Verify found in order.
type Report struct {
	Origin     string
	Size       uint64     // entries: each parsed, hashed, its signature, id and time checked, judged and folded again
	Root       proof.Hash // computed from the entries, equal to what the checkpoint signs
	Checkpoint []byte     // the signed checkpoint that was checked
	BookKeys   uint64     // keys of the book, each equal to what the log yields
}

// Verify checks the whole file against itself and the log's key: every entry parses, stands under its author's signature
// and its hash; the stored tree is the one its entries make, with the root that the signed checkpoint names; times do not
// run backwards; the index of ids has each entry and nothing else; and the book is, byte for byte, what the Judge decides
// and folds from the entries in a scratch file. It stops at the first fault.
//
// It may run beside a working service: it reads in short views, and holds one for the last comparison only. It needs
// about as much scratch space as the book. What it cannot see is that a log was swapped for another whole one under the
// same key: only the checkpoints that others keep show that.
//
// Reasons: LEDGER_ENTRY_DAMAGED, LEDGER_HASH_MISMATCH, LEDGER_SIGNATURE_INVALID, LEDGER_TIME_ORDER, LEDGER_ID_INDEX,
// LEDGER_REPLAY, LEDGER_ROOT_MISMATCH, LEDGER_CHECKPOINT_INVALID, LEDGER_BOOK_DIFFERS, LEDGER_DAMAGED, LEDGER_CANCELLED,
// LEDGER_SCRATCH, and those for which the ledger is halted.
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
	v := &verification{config: l.config, scratch: scratch.db, recordedAt: time.UnixMicro(0)}

	// What is there now, in chunks of one short view each.
	total := l.Size()
	for v.tree.Size() < total {
		progress(v.tree.Size(), total)
		if err := cancelled(ctx); err != nil {
			return Report{}, err
		}
		var rows []row
		err := l.read(haltBook, func(tx *bbolt.Tx) error {
			var err error
			rows, err = v.rows(tx, min(v.tree.Size()+replayChunk, total))
			return err
		})
		if err != nil {
			return Report{}, err
		}
		if err := v.check(rows); err != nil {
			return Report{}, err
		}
	}
	// What came since, and all that holds of the whole, as of one moment.
	var report Report
	err = l.read(haltBook, func(tx *bbolt.Tx) error {
		size, err := storedSize(tx)
		if err != nil {
			return err
		}
		for v.tree.Size() < size {
			progress(v.tree.Size(), size)
			if err := cancelled(ctx); err != nil {
				return err
			}
			rows, err := v.rows(tx, min(v.tree.Size()+replayChunk, size))
			if err != nil {
				return err
			}
			if err := v.check(rows); err != nil {
				return err
			}
		}
		progress(size, size)
		report, err = v.whole(ctx, tx)
		return err
	})
	return report, err
}

// verification is how far Verify has come.
type verification struct {
	config     Config
	scratch    *bbolt.DB
	tree       proof.Frontier
	recordedAt time.Time
}

// row is what the file holds about one entry, copied.
type row struct {
	leaf, hashes []byte
	indexed      []byte // what the index of ids has under the entry's id
}

// rows copies the rows from the verified size up to end.
func (v *verification) rows(tx *bbolt.Tx, end uint64) ([]row, error) {
	rows := make([]row, 0, end-v.tree.Size())
	entries, hashes, ids := tx.Bucket(bucketEntries), tx.Bucket(bucketHashes), tx.Bucket(bucketIDs)
	for seq := v.tree.Size(); seq < end; seq++ {
		r := row{leaf: bytes.Clone(entries.Get(seqKey(seq))), hashes: bytes.Clone(hashes.Get(seqKey(seq)))}
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
	}
	return rows, nil
}

// check checks rows that follow the verified size and folds them. Signatures are nine tenths of the work and go to all
// cores.
func (v *verification) check(rows []row) error {
	first := v.tree.Size()
	entries := make([]*Entry, len(rows))
	for i, r := range rows {
		seq := first + uint64(i)
		completed := v.tree.Append(nil, proof.LeafHash(r.leaf))
		want := make([]byte, 0, len(completed)*len(proof.Hash{}))
		for _, h := range completed {
			want = append(want, h[:]...)
		}
		if !bytes.Equal(want, r.hashes) {
			return dataLoss("LEDGER_HASH_MISMATCH", seq,
				"The stored tree hashes of entry %d are not those of its bytes and the entries before it.", seq)
		}
		e, err := decodeEntry(seq, r.leaf, completed[0])
		if err != nil {
			return err
		}
		if e.RecordedAt.Before(v.recordedAt) {
			return dataLoss("LEDGER_TIME_ORDER", seq, "Entry %d is recorded at %s, before the entry in front of it.",
				seq, e.RecordedAt.Format(time.RFC3339Nano))
		}
		v.recordedAt = e.RecordedAt
		if !bytes.Equal(r.indexed, seqKey(seq)) {
			return dataLoss("LEDGER_ID_INDEX", seq, "The index of event ids does not lead from %s to entry %d.", e.ID, seq)
		}
		entries[i] = e
	}
	signatures := checkSignatures(entries)
	folded := guard(func() error {
		return v.scratch.Update(func(tx *bbolt.Tx) error {
			for _, e := range entries {
				if err := foldInto(tx.Bucket(bucketBook), v.config.Judge, e); err != nil {
					return err
				}
			}
			return nil
		})
	})
	if err := signatures(); err != nil {
		return err
	}
	return folded
}

// checkSignatures starts checking on all cores; the function it returns waits and gives the first fault by sequence.
func checkSignatures(entries []*Entry) func() error {
	workers := min(runtime.GOMAXPROCS(0), len(entries))
	faults := make([]error, len(entries))
	var wait sync.WaitGroup
	for w := range workers {
		wait.Go(func() {
			for i := w; i < len(entries); i += workers {
				_, faults[i] = proof.Open(proof.Signed{Event: entries[i].Event, Signature: entries[i].Signature})
			}
		})
	}
	return func() error {
		wait.Wait()
		for i, err := range faults {
			if err != nil {
				return dataLoss("LEDGER_SIGNATURE_INVALID", entries[i].Seq,
					"Entry %d, event %s, is not signed by the key it names.", entries[i].Seq, entries[i].ID).Because(err)
			}
		}
		return nil
	}
}

// whole checks what holds of all entries together.
func (v *verification) whole(ctx context.Context, tx *bbolt.Tx) (Report, error) {
	size := v.tree.Size()
	signed, at, err := checkpointOf(tx, v.config)
	if err != nil {
		return Report{}, err
	}
	if at.Size != size || at.Root != v.tree.Root() {
		return Report{}, refusal.New(refusal.DataLoss, "LEDGER_ROOT_MISMATCH", "",
			"The checkpoint signs a tree of %d entries with root %s; the file's %d entries make %s. Stop the service and keep "+
				"the file.", at.Size, at.Root, size, v.tree.Root()).
			With("size", fmt.Sprint(size)).With("found", v.tree.Root().String()).With("allowed", at.Root.String())
	}
	for _, name := range [][]byte{bucketEntries, bucketHashes} {
		if k, _ := tx.Bucket(name).Cursor().Seek(seqKey(size)); k != nil {
			return Report{}, dataLoss("LEDGER_ENTRY_DAMAGED", size, "There are %s beyond the last of %d entries.", name, size)
		}
	}
	// Each entry was found in the index, each under its own place; so with as many ids as entries there is no other.
	count := uint64(0)
	for c, k := tx.Bucket(bucketIDs).Cursor(), []byte(nil); ; count++ {
		if count == 0 {
			k, _ = c.First()
		} else {
			k, _ = c.Next()
		}
		if k == nil {
			break
		}
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
	report := Report{Origin: at.Origin, Size: size, Root: at.Root, Checkpoint: signed}
	err = v.scratch.View(func(folded *bbolt.Tx) error {
		var err error
		report.BookKeys, err = compareBooks(tx.Bucket(bucketBook), folded.Bucket(bucketBook), "")
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
