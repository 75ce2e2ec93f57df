package ledger

import (
	"bytes"
	"cmp"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"barward/internal/refusal"
)

// The journal makes a batch durable by one write and one sync. It lies in two files beside the ledger's, which are written
// in turn: while the entries of one are brought into the ledger's file, new ones go to the other. A ledger that was
// closed has none.
//
// A file holds frames one behind the other, and behind the last whatever was there before: zeros, or frames of an earlier
// turn. A frame is one batch (numbers are big-endian):
//
//	mark (4 bytes), turn (8), sequence of its first entry (8), entries (4), length of what follows the sum (4),
//	SHA-256 of all that is before and behind it (32),
//	for each entry the length of its leaf (4) and the leaf, and last the signed checkpoint over the tree with them
//
// Each turn of a file has a higher number than all before it, by a step that chance sets. The entries of an earlier turn of a file are all in the
// ledger's own, so a frame that remained of one says nothing new; and of the others none may be missing but the last, which
// a crash may have left half written.
const (
	frameMark = "bwj1"
	frameHead = 28 // bytes before the sum
	frameRest = frameHead + sha256.Size
)

// Free refuses (LEDGER_EXISTS) to have a ledger put at path where one is, or where the journal of another lies, which would
// be taken for its own.
func Free(path string) error {
	if _, err := os.Lstat(path); err == nil {
		return ledgerExists(path)
	}
	for _, name := range journalFiles(path) {
		if _, err := os.Lstat(name); err == nil {
			return refusal.New(refusal.Exists, "LEDGER_EXISTS", "",
				"There is a journal at %s, of a ledger that was not closed. It may hold entries that are nowhere else: put its ledger "+
					"back beside it, or move it away and keep it.", name).About(name)
		}
	}
	return nil
}

// journalFiles are the names of the two files.
func journalFiles(path string) [2]string { return [2]string{path + ".journal-1", path + ".journal-2"} }

// journal is what writes frames.
type journal struct {
	names [2]string
	files [2]*os.File // opened when first written to
	room  [2]int64    // bytes that a file has on the disk, so that a sync need not write its size
	now   int         // the file that is written
	turn  uint64      // its
	at    int64       // where its next frame goes
	tried int64       // where the last one was written, as far as that may be; -1: nowhere
	frame []byte
}

// A frame is a batch as the journal holds it.
type frame struct {
	turn, first uint64
	leaves      [][]byte
	checkpoint  []byte
}

// write makes a frame durable. Where it returns an error, holds tells whether it may be there all the same.
func (j *journal) write(first uint64, leaves [][]byte, checkpoint []byte) error {
	if j.files[j.now] == nil {
		if err := j.open(); err != nil {
			return err
		}
	}
	b := append(j.frame[:0], frameMark...)
	b = binary.BigEndian.AppendUint64(b, j.turn)
	b = binary.BigEndian.AppendUint64(b, first)
	b = binary.BigEndian.AppendUint32(b, uint32(len(leaves)))
	b = append(b, make([]byte, frameRest-len(b))...)
	for _, leaf := range leaves {
		b = binary.BigEndian.AppendUint32(b, uint32(len(leaf)))
		b = append(b, leaf...)
	}
	b = append(b, checkpoint...)
	binary.BigEndian.PutUint32(b[frameHead-4:], uint32(len(b)-frameRest))
	sum := frameSum(b)
	copy(b[frameHead:], sum[:])
	j.frame = b
	if err := j.makeRoom(j.at + int64(len(b))); err != nil {
		return err
	}
	j.tried = j.at
	if _, err := j.files[j.now].WriteAt(b, j.at); err != nil {
		return err
	}
	if err := syncData(j.files[j.now]); err != nil {
		return err
	}
	j.at += int64(len(b))
	return nil
}

func frameSum(b []byte) [sha256.Size]byte {
	h := sha256.New()
	h.Write(b[:frameHead])
	h.Write(b[frameRest:])
	return [sha256.Size]byte(h.Sum(nil))
}

// open opens the file that is written, or makes it.
func (j *journal) open() error {
	name := j.names[j.now]
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, filePerm)
	if err != nil {
		return err
	}
	info, err := f.Stat()
	if err == nil {
		err = syncDir(filepath.Dir(name))
	}
	if err != nil {
		return errors.Join(err, f.Close())
	}
	j.files[j.now], j.room[j.now] = f, info.Size()
	return nil
}

// makeRoom lengthens the file ahead of what is written to it, so that most syncs have the data to write and not the
// file's length.
func (j *journal) makeRoom(end int64) error {
	have := j.room[j.now]
	if end <= have {
		return nil
	}
	more := max(end-have, min(max(have, minJournal), maxJournalStep))
	if _, err := j.files[j.now].WriteAt(make([]byte, more), have); err != nil {
		return err
	}
	j.room[j.now] = have + more
	return nil
}

// holds reports whether the frame that could not be written may be there.
func (j *journal) holds() bool {
	f := j.files[j.now]
	if f == nil || j.tried < 0 {
		return false
	}
	b := make([]byte, len(j.frame))
	if _, err := f.ReadAt(b, j.tried); err != nil && !errors.Is(err, io.EOF) {
		return true // not known
	}
	return bytes.Equal(b, j.frame)
}

// swap turns to the other file, all entries of which are in the ledger's own.
func (j *journal) swap() {
	var step [8]byte
	_, _ = rand.Read(step[:]) // never fails
	j.now, j.turn, j.at = 1-j.now, j.turn+1+binary.BigEndian.Uint64(step[:])>>24, 0
}

func (j *journal) close() error {
	var errs []error
	for i, f := range j.files {
		if f != nil {
			errs = append(errs, f.Close())
		}
		j.files[i] = nil
	}
	return errors.Join(errs...)
}

// remove takes the files away when all their entries are in the ledger's own.
func (j *journal) remove() {
	_ = j.close()
	for _, name := range j.names {
		_ = os.Remove(name) // what remains says nothing new
	}
}

// openJournal reads the journal of the ledger at path. It returns it ready to be written on, with the frames that it holds
// in the order in which they were written.
func openJournal(path string) (*journal, []frame, error) {
	j := &journal{names: journalFiles(path)}
	var frames []frame
	for i, name := range j.names {
		b, err := os.ReadFile(name)
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return nil, nil, asUnreadable(path, err)
		}
		read, err := readFrames(b)
		if err != nil {
			return nil, nil, journalDamaged(path, fmt.Errorf("%s: %w", filepath.Base(name), err))
		}
		for _, f := range read {
			if f.turn >= j.turn {
				j.now, j.turn = i, f.turn
			}
			frames = append(frames, f)
		}
	}
	slices.SortStableFunc(frames, func(a, b frame) int { return cmp.Compare(a.turn, b.turn) })
	j.swap() // the file written last stays as it is until its entries are elsewhere
	return j, frames, nil
}

// readFrames reads the whole frames of a file: from its beginning on, and, behind what a crash cut short or a fault
// spoiled, whatever others are whole. If a spoiled one was the last, that shows nothing. If not, a frame behind it begins
// with an entry that none before it leads to. Of what lies there only frames of the file's own turn are taken: nobody
// outside knows its number, so no event can hold one.
func readFrames(b []byte) (frames []frame, err error) {
	if len(b) >= 4 && string(b[:4]) != frameMark && string(b[:4]) != "\x00\x00\x00\x00" {
		return nil, errors.New("it does not begin with a batch")
	}
	for {
		f, size, ok := parseFrame(b)
		if !ok {
			break
		}
		frames, b = append(frames, f), b[size:]
	}
	begin := []byte(frameMark)
	if len(frames) > 0 {
		begin = binary.BigEndian.AppendUint64(begin, frames[0].turn)
	}
	for len(b) > 0 {
		at := bytes.Index(b[1:], begin)
		if at < 0 {
			break
		}
		b = b[1+at:]
		if f, size, ok := parseFrame(b); ok {
			frames, b = append(frames, f), b[size-1:]
		}
	}
	return frames, nil
}

// parseFrame reads the frame that b begins with, of so many bytes.
func parseFrame(b []byte) (f frame, size int, ok bool) {
	if len(b) < frameRest || string(b[:4]) != frameMark {
		return frame{}, 0, false
	}
	length := binary.BigEndian.Uint32(b[frameHead-4:])
	if int64(length) > int64(len(b)-frameRest) {
		return frame{}, 0, false
	}
	size = frameRest + int(length)
	b = b[:size]
	if frameSum(b) != [sha256.Size]byte(b[frameHead:frameRest]) {
		return frame{}, 0, false
	}
	f = frame{turn: binary.BigEndian.Uint64(b[4:]), first: binary.BigEndian.Uint64(b[12:])}
	rest := b[frameRest:]
	for range binary.BigEndian.Uint32(b[20:]) {
		if len(rest) < 4 || int64(binary.BigEndian.Uint32(rest)) > int64(len(rest)-4) {
			return frame{}, 0, false
		}
		n := 4 + binary.BigEndian.Uint32(rest)
		f.leaves = append(f.leaves, rest[4:n:n])
		rest = rest[n:]
	}
	f.checkpoint = rest
	return f, size, true
}

func journalDamaged(path string, err error) *refusal.Error {
	return refusal.New(refusal.DataLoss, "LEDGER_JOURNAL", "",
		"The journal beside the ledger, %s, does not continue it: it is damaged, or one of the two comes from elsewhere. It holds "+
			"entries that were acknowledged. Keep all of these files; restore a copy that verifies, or put the right files together.",
		path).About(path).Because(err)
}
