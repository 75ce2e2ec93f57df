package ledger

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
	berrors "go.etcd.io/bbolt/errors"

	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// The file. Every bucket but the book is the ledger's:
//
//	meta     format, origin, size, checkpoint, and rebuilding while the book is not whole
//	entries  sequence -> leaf bytes
//	hashes   sequence -> the hashes that this leaf completes, its own first, 32 bytes each
//	ids      event id (16 bytes) -> sequence
//	book     the judge's
//
// Sequences are 8 bytes, big-endian. The hash of the n-th whole subtree at a level is completed by leaf (n+1)·2^level-1,
// so it stands in that row at that level: one row an entry, written once, in order.
const (
	nameEntries = "entries"
	nameHashes  = "hashes"
	nameIDs     = "ids"
)

var (
	bucketMeta    = []byte("meta")
	bucketEntries = []byte(nameEntries)
	bucketHashes  = []byte(nameHashes)
	bucketIDs     = []byte(nameIDs)
	bucketBook    = []byte("book")

	keyFormat     = []byte("format")
	keyOrigin     = []byte("origin")
	keySize       = []byte("size")
	keyCheckpoint = []byte("checkpoint")
	keyRebuilding = []byte("rebuilding")
)

// formatVersion names this layout of the file. Another one is refused, not guessed at.
const formatVersion = "barward ledger 1"

func options(c Config, flags func(flag int) int) *bbolt.Options {
	return &bbolt.Options{
		Timeout:         c.LockTimeout,
		FreelistType:    bbolt.FreelistMapType,
		NoFreelistSync:  false, // an unsynced freelist is rebuilt by reading the whole file when it is opened
		InitialMmapSize: int(c.InitialMmap),
		OpenFile: func(name string, flag int, perm os.FileMode) (*os.File, error) {
			return os.OpenFile(name, flags(flag), perm)
		},
	}
}

// openFile opens path without ever creating or initialising it: bbolt makes a missing or empty file into a new one, and a
// service that starts empty because a disk was not mounted would look like one whose log was wiped.
func openFile(path string, c Config) (*bbolt.DB, error) {
	return open(path, options(c, func(flag int) int { return flag &^ os.O_CREATE }))
}

// openToRead is openFile for who writes nothing, on a file that may lie where nothing can be written.
func openToRead(path string, c Config) (*bbolt.DB, error) {
	o := options(c, func(flag int) int { return flag })
	o.ReadOnly, o.PreLoadFreelist = true, true
	return open(path, o)
}

func open(path string, o *bbolt.Options) (*bbolt.DB, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil, refusal.New(refusal.NotFound, "LEDGER_MISSING", "",
			"There is no ledger at %s. See that the disk is mounted and the path is right; a new ledger is made by init only.",
			path).About(path).Because(err)
	case err != nil:
		return nil, asUnreadable(path, err)
	case !info.Mode().IsRegular():
		return nil, asUnreadable(path, errors.New("it is not a regular file"))
	case info.Size() == 0:
		return nil, asUnreadable(path, errors.New("it is empty"))
	}
	var db *bbolt.DB
	err = guard(func() error {
		var err error
		db, err = bbolt.Open(path, filePerm, o)
		return err
	})
	if errors.Is(err, berrors.ErrTimeout) {
		return nil, refusal.New(refusal.Unavailable, "LEDGER_IN_USE", "",
			"Another process holds the ledger at %s. One server at a time may use it: stop the other one first.", path).
			About(path).Because(err)
	}
	if err != nil {
		return nil, asUnreadable(path, err)
	}
	return db, nil
}

// asUnreadable leaves alone what is said about a sound file; anything else found while opening is damage.
func asUnreadable(path string, err error) error {
	if r := refusal.As(err); r != nil && (r.Kind == refusal.Precondition || r.Kind == refusal.NotFound) {
		return r
	}
	return refusal.New(refusal.DataLoss, "LEDGER_UNREADABLE", "",
		"The file at %s cannot be read as a ledger: it is another kind of file, or it is damaged. Leave it as it is and "+
			"restore a copy; the other parties' checkpoints tell whether the copy is complete.", path).About(path).Because(err)
}

// createFile makes a ledger file without entries.
func createFile(path string, c Config) error {
	return appear(path, ".new-ledger-*", func(passing string) error {
		db, err := bbolt.Open(passing, filePerm, options(c, func(flag int) int { return flag }))
		if err != nil {
			return err
		}
		return errors.Join(db.Update(func(tx *bbolt.Tx) error {
			if err := makeBuckets(tx, c); err != nil {
				return err
			}
			var empty proof.Frontier
			signed, err := sign(c, &empty)
			if err != nil {
				return err
			}
			return storeHead(tx, 0, signed)
		}), db.Close())
	})
}

// appear has make write a file under a passing name and links it to its own when it is whole and synced, so that a crash
// leaves the whole file or none. It replaces nothing.
func appear(path, pattern string, make func(passing string) error) error {
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, pattern) // readable by its owner only
	if err != nil {
		return err
	}
	passing := f.Name()
	defer os.Remove(passing)
	if err := f.Close(); err != nil {
		return err
	}
	if err := make(passing); err != nil {
		return err
	}
	if err := os.Link(passing, path); err != nil {
		if errors.Is(err, os.ErrExist) {
			return err
		}
		// Some file systems have no links. The caller has looked that the name is free.
		if err := os.Rename(passing, path); err != nil {
			return err
		}
	}
	return syncDir(dir)
}

// syncDir makes a new name in a folder survive a power cut.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) && !errors.Is(err, os.ErrPermission) {
		return err // those two: systems on which a folder cannot be synced
	}
	return nil
}

func makeBuckets(tx *bbolt.Tx, c Config) error {
	for _, name := range [][]byte{bucketMeta, bucketEntries, bucketHashes, bucketIDs, bucketBook} {
		if _, err := tx.CreateBucket(name); err != nil {
			return err
		}
	}
	meta := tx.Bucket(bucketMeta)
	if err := meta.Put(keyFormat, []byte(formatVersion)); err != nil {
		return err
	}
	return meta.Put(keyOrigin, []byte(c.Origin))
}

// sign signs the checkpoint of tree.
func sign(c Config, tree *proof.Frontier) ([]byte, error) {
	return proof.SignCheckpoint(proof.Checkpoint{Origin: c.Origin, Size: tree.Size(), Root: tree.Root()}, c.Signer)
}

func storeHead(tx *bbolt.Tx, size uint64, signed []byte) error {
	meta := tx.Bucket(bucketMeta)
	if err := meta.Put(keySize, seqKey(size)); err != nil {
		return err
	}
	return meta.Put(keyCheckpoint, signed)
}

// readHead reads what memory needs of the file, and checks that the stored tree has the root that its checkpoint signs.
func readHead(tx *bbolt.Tx, c Config) (h head, rebuilding bool, err error) {
	meta := tx.Bucket(bucketMeta)
	if meta == nil || meta.Get(keyFormat) == nil {
		return head{}, false, errors.New("it has no ledger's buckets")
	}
	if got := string(meta.Get(keyFormat)); got != formatVersion {
		return head{}, false, refusal.New(refusal.Precondition, "LEDGER_VERSION", "",
			"The ledger file is of version %.40q; this program reads %q. Use the program that wrote it, or its newer releases.",
			got, formatVersion).With("found", fmt.Sprintf("%.40q", got)).With("allowed", formatVersion)
	}
	for _, name := range [][]byte{bucketEntries, bucketHashes, bucketIDs} {
		if tx.Bucket(name) == nil {
			return head{}, false, fmt.Errorf("its bucket %s is missing", name)
		}
	}
	rebuilding = meta.Get(keyRebuilding) != nil
	if tx.Bucket(bucketBook) == nil && !rebuilding {
		return head{}, false, errors.New("its book is missing")
	}
	size, err := storedSize(tx)
	if err != nil {
		return head{}, false, err
	}
	h.checkpoint = append([]byte(nil), meta.Get(keyCheckpoint)...)
	signed, err := proof.OpenCheckpoint(h.checkpoint, c.Origin, c.Verifier)
	if err != nil {
		origin := string(meta.Get(keyOrigin))
		return head{}, false, refusal.New(refusal.Precondition, "LEDGER_KEY", "",
			"The ledger is of the log %.80q and its checkpoint is not signed by the key given for %q. Give this ledger's own "+
				"name and key; if they are its own, the checkpoint was altered.", origin, c.Origin).
			With("found", fmt.Sprintf("%.80q", origin)).With("allowed", c.Origin).Because(err)
	}
	if got := string(meta.Get(keyOrigin)); got != c.Origin {
		return head{}, false, fmt.Errorf("it names the log %.80q, and its checkpoint the log %q", got, c.Origin)
	}
	h.tree, err = viewOf(tx, head{}).frontier(size)
	if err != nil {
		return head{}, false, err
	}
	if signed.Size != size || signed.Root != h.tree.Root() {
		return head{}, false, fmt.Errorf("its tree of %d entries does not have the root that its checkpoint signs", size)
	}
	h.recordedAt = time.UnixMicro(0).UTC()
	if size > 0 {
		leaf, err := proof.ParseLeaf(tx.Bucket(bucketEntries).Get(seqKey(size - 1)))
		if err != nil {
			return head{}, false, fmt.Errorf("its last entry cannot be read: %w", err)
		}
		h.recordedAt = leaf.RecordedAt
	}
	return h, rebuilding, nil
}

// continuesTree reports whether the tree of size entries in v begins with the known one.
func continuesTree(v *view, size uint64, known *proof.Frontier) (bool, error) {
	if known == nil {
		return true, nil
	}
	if size < known.Size() {
		return false, nil
	}
	then, err := v.frontier(known.Size())
	return then.Root() == known.Root(), err
}

func storedSize(tx *bbolt.Tx) (uint64, error) {
	meta := tx.Bucket(bucketMeta)
	if meta == nil {
		return 0, errors.New("its bucket meta is missing")
	}
	b := meta.Get(keySize)
	if len(b) != 8 {
		return 0, errors.New("its size cannot be read")
	}
	return binary.BigEndian.Uint64(b), nil
}

// frontier returns the frontier of the tree of the first size entries.
func (v *view) frontier(size uint64) (proof.Frontier, error) {
	return proof.NewFrontier(size, v.subtree)
}

// subtree reads the hash of the n-th whole subtree at level.
func (v *view) subtree(level int, n uint64) (proof.Hash, error) {
	row := v.hashes().Get(seqKey((n+1)<<level - 1))
	if len(row) < (level+1)*len(proof.Hash{}) {
		return proof.Hash{}, hashMissing((n+1)<<level - 1)
	}
	return proof.Hash(row[level*len(proof.Hash{}):][:len(proof.Hash{})]), nil
}

func hashMissing(seq uint64) *refusal.Error {
	return dataLoss("LEDGER_HASH_MISMATCH", seq, "The stored tree hashes of entry %d are missing or cut.", seq)
}

func dataLoss(reason string, seq uint64, text string, args ...any) *refusal.Error {
	e := refusal.New(refusal.DataLoss, reason, "", text, args...).About(fmt.Sprintf("entry %d", seq)).
		With("sequence", fmt.Sprint(seq))
	e.Text += " Stop the service, keep the file, and restore a copy that verifies."
	return e
}

func seqKey(seq uint64) []byte { return binary.BigEndian.AppendUint64(nil, seq) }

// guard runs f and turns a panic of the store, or a fault in the mapped file, into LEDGER_DAMAGED.
func guard(f func() error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if p := recover(); p != nil {
			err = refusal.New(refusal.DataLoss, "LEDGER_DAMAGED", "",
				"Using the ledger file failed in a way that only a damaged file or a fault in this program explains. "+
					"Stop the service, verify the file, and restore a copy if it does not verify.").
				Because(fmt.Errorf("%v\n%s", p, debug.Stack()))
		}
	}()
	return f()
}

// diskFull reports whether err says that there was no room. The store drops the chain of some errors, so their text has
// to do; both are looked for.
func diskFull(err error) bool {
	for _, full := range []syscall.Errno{syscall.ENOSPC, syscall.EDQUOT, syscall.EFBIG} {
		if errors.Is(err, full) || strings.Contains(err.Error(), full.Error()) {
			return true
		}
	}
	return false
}
