package outbox

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// The last checkpoint is the client's memory of the log. With it, a log that was rewritten or cut is found out; without
// it the client must believe what it is told first. This package keeps the note as it was signed; whether it is signed by
// the log, and consistent with the one before, proof.Watcher decides before it is saved.

const checkpointFile = "checkpoint"

// SaveCheckpoint remembers a signed checkpoint, on the disk before it returns. It never forgets a larger one or one of
// another log: CHECKPOINT_OLDER (another process may have saved a newer one meanwhile, which is no cause for alarm),
// CHECKPOINT_OTHER_LOG. It does not check signatures.
func (o *Outbox) SaveCheckpoint(signed []byte) error {
	next, err := checkpointBody(signed)
	if err != nil {
		return err
	}
	unlock, err := lock(filepath.Join(o.folder, "checkpoint.lock"), true)
	if err != nil {
		return notWritten(err)
	}
	defer unlock()
	last, err := o.LoadCheckpoint()
	if err != nil {
		return err
	}
	if last != nil {
		kept, err := checkpointBody(last)
		if err != nil {
			return err
		}
		if kept.Origin != next.Origin {
			return refusal.New(refusal.Precondition, "CHECKPOINT_OTHER_LOG", "checkpoint",
				"This outbox remembers the log %.60q, and the checkpoint is of %.60q. Use one outbox for each log.",
				kept.Origin, next.Origin).With("kept", strconv.Quote(kept.Origin)).With("found", strconv.Quote(next.Origin))
		}
		if next.Size < kept.Size {
			return refusal.New(refusal.Precondition, "CHECKPOINT_OLDER", "checkpoint",
				"A checkpoint of %d entries is remembered, and this one has %d. The larger one was kept.", kept.Size, next.Size).
				With("kept", strconv.FormatUint(kept.Size, 10)).With("found", strconv.FormatUint(next.Size, 10))
		}
	}
	return o.replaceCheckpoint(signed)
}

// LoadCheckpoint returns the signed checkpoint as it was saved, nil if there never was one. A file that cannot be read is
// refused (CHECKPOINT_FILE_DAMAGED) and left where it is: to take it for none would be to forget.
func (o *Outbox) LoadCheckpoint() ([]byte, error) {
	file, err := os.Open(filepath.Join(o.folder, checkpointFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, checkpointDamaged(err)
	}
	signed, err := io.ReadAll(io.LimitReader(file, proof.MaxNote+1))
	if err := errors.Join(err, file.Close()); err != nil {
		return nil, checkpointDamaged(err)
	}
	if _, err := checkpointBody(signed); err != nil {
		return nil, checkpointDamaged(err)
	}
	return signed, nil
}

func (o *Outbox) replaceCheckpoint(signed []byte) error {
	var draft string
	err := o.change("checkpoint draft", func() error {
		file, err := os.CreateTemp(filepath.Join(o.folder, draftsFolder), "*")
		if err != nil {
			return err
		}
		draft = file.Name()
		_, err = file.Write(signed)
		return errors.Join(err, file.Sync(), file.Close())
	})
	if err == nil {
		err = o.change("checkpoint name", func() error {
			return os.Rename(draft, filepath.Join(o.folder, checkpointFile))
		})
	}
	if err == nil {
		err = syncFolder(o.folder)
	}
	if err != nil {
		_ = os.Remove(draft)
		return notWritten(err)
	}
	return nil
}

// checkpointBody reads what a signed note says. The last empty line ends the text (C2SP signed-note).
func checkpointBody(signed []byte) (proof.Checkpoint, error) {
	end := bytes.LastIndex(signed, []byte("\n\n"))
	if len(signed) > proof.MaxNote || end < 0 {
		return proof.Checkpoint{}, refusal.Invalidf("CHECKPOINT_UNREADABLE", "checkpoint",
			"This is not a signed checkpoint of at most %d bytes. Fetch it again.", proof.MaxNote)
	}
	return proof.ParseBody(signed[:end+1])
}

func checkpointDamaged(cause error) *refusal.Error {
	return refusal.New(refusal.DataLoss, "CHECKPOINT_FILE_DAMAGED", "",
		"The remembered checkpoint of the log cannot be read. Restore the file `%s` from a backup, or compare the log with "+
			"another party's checkpoint before you delete it: without it a rewritten log goes unseen.", checkpointFile).
		Because(cause)
}
