package ledger

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"go.etcd.io/bbolt"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// Export writes the whole log, up to the checkpoint that it returns, in the form that package proof describes beside
// ExportWriter: anyone can verify it with SHA-256 and Ed25519 alone, and Import makes a ledger of it. It holds each
// leaf against the stored tree and the whole against the checkpoint. It may run beside a working service, reads in
// short views, and works while the book is being rebuilt or writing has stopped. progress, if not nil, is told in
// entries.
//
// Reasons: LEDGER_ENTRY_DAMAGED, LEDGER_HASH_MISMATCH, LEDGER_ROOT_MISMATCH, LEDGER_CHECKPOINT_INVALID,
// LEDGER_CANCELLED, EXPORT_NOT_WRITTEN if w fails, and those for which the ledger is halted.
func (l *Ledger) Export(ctx context.Context, w io.Writer, progress func(done, total uint64)) (Report, error) {
	signed, err := l.Checkpoint()
	if err != nil {
		return Report{}, err
	}
	at, err := proof.OpenCheckpoint(signed, l.config.Origin, l.config.Verifier)
	if err != nil {
		return Report{}, checkpointInvalid(err)
	}
	buffered := bufio.NewWriterSize(w, 1<<20)
	out, err := proof.NewExportWriter(buffered, signed)
	if err != nil {
		return Report{}, exportNotWritten(err)
	}
	v := &verification{config: l.config, withoutIDs: true, progress: progress}
	if progress == nil {
		v.progress = func(done, total uint64) {}
	}
	v.progress(0, at.Size)
	v.taken = func(r row) error {
		if err := out.Leaf(r.leaf); err != nil {
			return exportNotWritten(err)
		}
		return nil
	}
	err = v.rest(ctx, at.Size, func(f func(v *view) error) error { return l.read(haltAll, f) })
	if err != nil {
		return Report{}, err
	}
	if root := v.tree.Root(); root != at.Root {
		return Report{}, rootMismatch(at, at.Size, root)
	}
	if err := buffered.Flush(); err != nil {
		return Report{}, exportNotWritten(err)
	}
	return Report{Origin: at.Origin, Size: at.Size, Root: at.Root, Checkpoint: signed}, nil
}

func exportNotWritten(err error) *refusal.Error {
	return refusal.New(refusal.Unavailable, "EXPORT_NOT_WRITTEN", "",
		"The export could not be written to its end. See that there is room where it goes, and start it again.").Because(err)
}

// Import makes a new ledger file at path of an export, and closes it. It believes nothing: signatures, the tree and the
// checkpoint are checked, every entry is judged again by the rules version that it carries, and the book is folded from
// them. The private key of the log is not needed, for the checkpoint is the export's. The file appears whole or not at
// all, and an import that was cut short leaves nothing. progress, if not nil, is told in entries.
//
// Reasons: LEDGER_EXISTS, LEDGER_CONFIG, LEDGER_NOT_CREATED, LEDGER_CANCELLED, those of proof.ExportReader,
// LEDGER_SIGNATURE_INVALID, LEDGER_ENTRY_DAMAGED, LEDGER_ID_INDEX if an id occurs twice, and LEDGER_REPLAY.
func Import(ctx context.Context, r io.Reader, path string, c Config, progress func(done, total uint64)) (Report, error) {
	if err := c.check(); err != nil {
		return Report{}, err
	}
	if err := Free(path); err != nil {
		return Report{}, err
	}
	in, err := proof.NewExportReader(bufio.NewReaderSize(r, 1<<20), c.Origin, c.Verifier)
	if err != nil {
		return Report{}, err
	}
	var report Report
	err = appear(path, ".new-ledger-*", func(passing string) error {
		db, err := bbolt.Open(passing, filePerm, options(c, func(flag int) int { return flag }))
		if err != nil {
			return err
		}
		db.NoSync = true // nobody relies on the file before it is whole
		err = guard(func() error {
			report, err = importInto(ctx, db, in, c, progress)
			return err
		})
		if err == nil {
			err = db.Sync()
		}
		return errors.Join(err, db.Close())
	})
	switch {
	case errors.Is(err, os.ErrExist):
		return Report{}, ledgerExists(path).Because(err)
	case refusal.As(err) != nil:
		return Report{}, refusal.As(err)
	case err != nil:
		return Report{}, notCreated(path, err)
	}
	return report, nil
}

func importInto(ctx context.Context, db *bbolt.DB, in *proof.ExportReader, c Config, progress func(done, total uint64)) (
	Report, error,
) {
	at, signed := in.Checkpoint()
	if progress == nil {
		progress = func(done, total uint64) {}
	}
	progress(0, at.Size)
	if err := db.Update(func(tx *bbolt.Tx) error { return makeBuckets(tx, c) }); err != nil {
		return Report{}, err
	}
	var h head
	seq, ended := uint64(0), false
	read := func() (rows []row, err error) {
		if err := cancelled(ctx); err != nil {
			return nil, err
		}
		for size := 0; !ended && uint64(len(rows)) < replayChunk && size < replayBytes; seq++ {
			_, leaf, err := in.Next()
			if err == io.EOF { // itself, not as the cause of another
				ended = true
				break
			}
			if err != nil {
				return nil, err
			}
			rows = append(rows, row{seq: seq, leaf: leaf})
			size += len(leaf)
		}
		return rows, nil
	}
	err := examineAll(true, ahead(c.Judge), read, func(rows []row) error {
		if err := cancelled(ctx); err != nil { // what is read ahead may be all there is
			return err
		}
		err := db.Update(func(tx *bbolt.Tx) error {
			v := writable(tx)
			for _, r := range rows {
				if r.err != nil {
					return r.err
				}
				if first := v.ids().Get(r.entry.ID[:]); first != nil {
					return dataLoss("LEDGER_ID_INDEX", r.seq, "Entry %d has the event id %s of an earlier one.", r.seq, r.entry.ID)
				}
				if err := foldInto(v.book, c.Judge, r.entry); err != nil {
					return err
				}
				if _, err := v.put(&h, r.entry); err != nil {
					return err
				}
			}
			return v.written.storeIn(tx)
		})
		if err == nil {
			progress(h.tree.Size(), at.Size)
		}
		return err
	})
	if err != nil {
		return Report{}, err
	}
	if root := h.tree.Root(); root != at.Root { // the reader has looked; this is the tree that is in the file
		return Report{}, rootMismatch(at, h.tree.Size(), root)
	}
	if err := db.Update(func(tx *bbolt.Tx) error { return storeHead(tx, at.Size, signed) }); err != nil {
		return Report{}, err
	}
	return Report{Origin: at.Origin, Size: at.Size, Root: at.Root, Checkpoint: signed}, nil
}

func ledgerExists(path string) *refusal.Error {
	return refusal.New(refusal.Exists, "LEDGER_EXISTS", "",
		"There is a file at %s already; a ledger is created once. Open it, or name another path.", path).About(path)
}

func notCreated(path string, err error) *refusal.Error {
	return refusal.New(refusal.Unavailable, "LEDGER_NOT_CREATED", "",
		"No ledger could be created at %s. See that the folder exists, may be written to and has room.", path).
		About(path).Because(err)
}

func rootMismatch(at proof.Checkpoint, size uint64, root proof.Hash) *refusal.Error {
	return refusal.New(refusal.DataLoss, "LEDGER_ROOT_MISMATCH", "",
		"The checkpoint signs a tree of %d entries with root %s; the file's %d entries make %s. Stop the service and keep "+
			"the file.", at.Size, at.Root, size, root).
		With("size", fmt.Sprint(size)).With("found", root.String()).With("allowed", at.Root.String())
}
