package proof

import (
	"context"
	"encoding/binary"
	"io"
	"runtime"
	"strconv"
	"sync"
	"time"

	"barward/internal/refusal"
)

// The export of a whole log is one stream that anyone can read for ever with SHA-256 and Ed25519 and nothing of ours:
//
//	the 15 bytes "barward log v1\n"
//	4 bytes, big-endian: the length of the signed checkpoint, and the checkpoint, a C2SP signed note
//	for each entry of the checkpoint's tree, in order:
//	    4 bytes, big-endian: the length of the leaf, and the leaf, in the framing that Leaf describes
//
// Nothing follows. To verify it: check the note's signature with the log's public key; hash each leaf, SHA-256 over a
// zero byte and the leaf, and make the tree of RFC 6962 section 2.1 of the hashes; its root must be the checkpoint's.
// The author's key is bytes 42 to 73 of the event, whose signature is over Purpose and the event.
const exportMagic = "barward log v1\n"

// MaxLeaf is the largest leaf in bytes.
const MaxLeaf = leafHead + MaxEvent

// Bounds of what VerifyExport holds in memory at once.
const (
	exportChunk      = 1000
	exportChunkBytes = 8 << 20
)

// An ExportWriter writes an export. It checks nothing: who writes it has the log.
type ExportWriter struct{ w io.Writer }

// NewExportWriter starts an export of the tree that the signed checkpoint names.
func NewExportWriter(w io.Writer, signed []byte) (*ExportWriter, error) {
	if len(signed) > MaxNote {
		return nil, malformedExport("the checkpoint has " + strconv.Itoa(len(signed)) + " bytes")
	}
	x := &ExportWriter{w: w}
	if _, err := io.WriteString(w, exportMagic); err != nil {
		return nil, err
	}
	return x, x.frame(signed)
}

// Leaf writes the next leaf.
func (x *ExportWriter) Leaf(leaf []byte) error { return x.frame(leaf) }

func (x *ExportWriter) frame(b []byte) error {
	if _, err := x.w.Write(binary.BigEndian.AppendUint32(nil, uint32(len(b)))); err != nil {
		return err
	}
	_, err := x.w.Write(b)
	return err
}

// An ExportReader reads an export and checks it as it goes: the checkpoint's signature at once, each leaf's framing,
// and at the end that the leaves make the tree that the checkpoint signs. Until Next has returned io.EOF nothing that
// it gave is proven. It holds one leaf in memory.
type ExportReader struct {
	r          io.Reader
	signed     []byte
	checkpoint Checkpoint
	tree       Frontier
	recordedAt time.Time
}

// NewExportReader reads the head of an export of the log named origin.
//
// Reasons: EXPORT_MALFORMED, and those of OpenCheckpoint. An error of r is its cause.
func NewExportReader(r io.Reader, origin string, key Verifier) (*ExportReader, error) {
	head := make([]byte, len(exportMagic))
	if _, err := io.ReadFull(r, head); err != nil || string(head) != exportMagic {
		return nil, malformedExport("it does not begin as one").Because(err)
	}
	x := &ExportReader{r: r, recordedAt: time.UnixMicro(0)}
	var err error
	if x.signed, err = x.frame(MaxNote, "the checkpoint"); err != nil {
		return nil, err
	}
	if x.checkpoint, err = OpenCheckpoint(x.signed, origin, key); err != nil {
		return nil, err
	}
	return x, nil
}

// Checkpoint returns the checkpoint whose tree the export holds, and the signed note it was read from.
func (x *ExportReader) Checkpoint() (Checkpoint, []byte) { return x.checkpoint, x.signed }

// Next returns the next leaf, parsed, and the bytes that the tree hashes, which the caller may keep. After the last one
// it returns io.EOF, and only if the leaves make the signed tree and nothing follows them. It does not check the
// author's signature: Open does.
//
// Reasons: EXPORT_MALFORMED; EXPORT_ALTERED if these are not the leaves that the checkpoint signs. An error of the
// reader is the cause.
func (x *ExportReader) Next() (Leaf, []byte, error) {
	if x.tree.Size() == x.checkpoint.Size {
		if x.tree.Root() != x.checkpoint.Root {
			return Leaf{}, nil, alteredExport("its %d entries make a tree with root %s, and its checkpoint signs one with root %s",
				x.checkpoint.Size, x.tree.Root(), x.checkpoint.Root)
		}
		var more [1]byte
		switch n, err := io.ReadFull(x.r, more[:]); {
		case n > 0:
			return Leaf{}, nil, malformedExport("something follows its last entry")
		case err != io.EOF:
			return Leaf{}, nil, malformedExport("what follows its last entry cannot be read").Because(err)
		}
		return Leaf{}, nil, io.EOF
	}
	seq := x.tree.Size()
	b, err := x.frame(MaxLeaf, "entry "+format(seq))
	if err != nil {
		return Leaf{}, nil, err
	}
	leaf, err := ParseLeaf(b)
	if err != nil {
		return Leaf{}, nil, malformedExport("entry " + format(seq) + " cannot be read").Because(err)
	}
	if leaf.RecordedAt.Before(x.recordedAt) {
		return Leaf{}, nil, alteredExport("entry %d was recorded before the entry in front of it", seq)
	}
	x.recordedAt = leaf.RecordedAt
	var room [8]Hash
	x.tree.Append(room[:0], LeafHash(b))
	return leaf, b, nil
}

func (x *ExportReader) frame(most uint32, what string) ([]byte, error) {
	var head [4]byte
	if _, err := io.ReadFull(x.r, head[:]); err != nil {
		return nil, malformedExport("it is cut before " + what).Because(err)
	}
	n := binary.BigEndian.Uint32(head[:])
	if n > most {
		return nil, malformedExport(what + " is said to have " + strconv.FormatUint(uint64(n), 10) + " bytes, above " +
			strconv.FormatUint(uint64(most), 10))
	}
	b := make([]byte, n)
	if _, err := io.ReadFull(x.r, b); err != nil {
		return nil, malformedExport("it is cut within " + what).Because(err)
	}
	return b, nil
}

// VerifyExport reads an export to its end and checks all that can be checked without judging the events: the log's
// signature, the tree, the order of times, and every author's signature, on all cores. progress, if not nil, is told
// how many entries are checked. It holds some megabytes in memory, however large the log.
//
// What it cannot see is that the log was swapped for another whole one under the same key: compare the checkpoint with
// those that others keep. Reasons: those of ExportReader; EXPORT_ALTERED also names a wrong signature;
// EXPORT_CANCELLED.
func VerifyExport(ctx context.Context, r io.Reader, origin string, key Verifier, progress func(done, total uint64)) (
	Checkpoint, error,
) {
	x, err := NewExportReader(r, origin, key)
	if err != nil {
		return Checkpoint{}, err
	}
	for ended := false; !ended; {
		if ctx.Err() != nil {
			return Checkpoint{}, refusal.New(refusal.Unavailable, "EXPORT_CANCELLED", "",
				"The work was cancelled before its end. Start it again.").Because(context.Cause(ctx))
		}
		first := x.tree.Size()
		var chunk []Signed
		for size := 0; len(chunk) < exportChunk && size < exportChunkBytes; {
			leaf, b, err := x.Next()
			if err == io.EOF { // itself, not as the cause of another
				ended = true
				break
			}
			if err != nil {
				return Checkpoint{}, err
			}
			chunk = append(chunk, leaf.Signed)
			size += len(b)
		}
		if err := openAll(first, chunk); err != nil {
			return Checkpoint{}, err
		}
		if progress != nil {
			progress(x.tree.Size(), x.checkpoint.Size)
		}
	}
	return x.checkpoint, nil
}

// openAll checks the signatures of consecutive entries on all cores and returns the first fault by sequence.
func openAll(first uint64, chunk []Signed) error {
	workers := min(runtime.GOMAXPROCS(0), len(chunk))
	faults := make([]error, len(chunk))
	var wait sync.WaitGroup
	for w := range workers {
		wait.Go(func() {
			for i := w; i < len(chunk); i += workers {
				_, faults[i] = Open(chunk[i])
			}
		})
	}
	wait.Wait()
	for i, err := range faults {
		if err != nil {
			return alteredExport("entry %d is not signed by the key it names", first+uint64(i)).Because(err)
		}
	}
	return nil
}

func malformedExport(what string) *refusal.Error {
	return refusal.Invalidf("EXPORT_MALFORMED", "export",
		"This is not a whole export of a log: %s. Have it exported again, and compare its size after copying.", what).
		With("found", what)
}

func alteredExport(what string, args ...any) *refusal.Error {
	e := refusal.New(refusal.DataLoss, "EXPORT_ALTERED", "export", "The export was altered after it was made, or its log was: "+
		what+". Do not rely on it; keep it, and have the log exported again.", args...)
	return e
}
