//go:build unix

package ledger_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime/debug"
	"strings"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// Attacks on the file by somebody who can write to it, each with what notices it. What the file alone cannot show,
// because the attacker has the log's key too or puts an older whole copy back, the checkpoints that parties keep do.

func init() { children["flip"] = flipInChild }

// reader opens a ledger as its operator's verify command does: without the private key, so that nothing is written.
func reader(path string) (*ledger.Ledger, error) {
	c := ledgertest.Config()
	c.Signer, c.InitialMmap, c.LockTimeout = nil, 1, 5*time.Second
	return ledger.Open(path, c)
}

// readable is a digest of everything that anyone can read out of a ledger: its checkpoint, its entries by number and by
// id, every proof, and its book.
func readable(l *ledger.Ledger) (string, error) {
	sum := sha256.New()
	signed, err := l.Checkpoint()
	if err != nil {
		return "", err
	}
	sum.Write(signed)
	for seq := range l.Size() {
		e, err := l.Entry(seq)
		if err != nil {
			return "", err
		}
		if e, err = l.ByID(e.ID); err != nil {
			return "", err
		}
		leaf, err := e.Leaf().Marshal()
		if err != nil {
			return "", err
		}
		fmt.Fprintf(sum, "%d %x\n", e.Seq, leaf)
		for size := seq + 1; size <= l.Size(); size++ {
			inclusion, err := l.ProveInclusion(seq, size)
			if err != nil {
				return "", err
			}
			consistency, err := l.ProveConsistency(seq, size)
			if err != nil {
				return "", err
			}
			fmt.Fprintln(sum, inclusion, consistency)
		}
	}
	err = l.View(func(book *ledger.Book, size uint64) error {
		fmt.Fprintln(sum, size, ledgertest.Dump(book))
		return nil
	})
	return fmt.Sprintf("%x", sum.Sum(nil)), err
}

// verdict says of a file what opening, verifying and reading it shows.
func verdict(path string) string {
	l, err := reader(path)
	if refusal.Is(err, "LEDGER_IN_USE") {
		return "in use"
	}
	if err != nil {
		return "noticed on opening"
	}
	defer l.Close()
	if _, err := l.Verify(context.Background(), nil); err != nil {
		return "noticed by verify"
	}
	digest, err := readable(l)
	if err != nil {
		return "noticed by reading"
	}
	return "reads " + digest
}

// flipInChild flips one bit after the other, from the one that the environment numbers on, and says what shows.
func flipInChild(path string) {
	whole, err := os.ReadFile(path)
	if err != nil {
		failChild(err)
	}
	var bits []int
	if err := json.Unmarshal([]byte(os.Getenv("LEDGER_CHILD_BITS")), &bits); err != nil {
		failChild(err)
	}
	work := path + ".work"
	debug.SetMaxStack(64 << 20) // pages that lead in a circle
	for _, bit := range bits {
		hung := time.AfterFunc(time.Minute, func() {
			fmt.Println("hangs")
			os.Exit(exitFailed)
		})
		damaged := bytes.Clone(whole)
		damaged[bit/8] ^= 1 << (bit % 8)
		// A file of its own each time: one that made the store panic may still be locked.
		if err := errors.Join(os.RemoveAll(work), os.WriteFile(work, damaged, 0o600)); err != nil {
			failChild(err)
		}
		fmt.Println(verdict(work))
		hung.Stop()
	}
	os.Exit(0)
}

// flips runs through bits of a file in child processes, for a damaged page may be beyond what the store survives; dying
// counts as noticing. Every bit must be noticed, or change nothing that anyone can read.
func flips(t *testing.T, path string, bits []int) (count map[string]int) {
	t.Helper()
	whole := verdict(path)
	if !strings.HasPrefix(whole, "reads ") {
		t.Fatalf("the undamaged file: %s", whole)
	}
	count = map[string]int{}
	for len(bits) > 0 {
		some := bits[:min(len(bits), 2000)]
		list, err := json.Marshal(some)
		if err != nil {
			t.Fatal(err)
		}
		out, err := child(ctx, "flip", path, "LEDGER_CHILD_BITS="+string(list)).Output()
		done := 0
		for line := range strings.Lines(string(out)) {
			switch what := strings.TrimSpace(line); {
			case what == whole:
				count["free space"]++
			case what == "in use" || what == "hangs" || strings.HasPrefix(what, "failed"):
				t.Errorf("byte %d, bit %d: the child says %q", some[done]/8, some[done]%8, what)
			case strings.HasPrefix(what, "reads "):
				t.Errorf("byte %d, bit %d: nobody notices that the ledger reads otherwise", some[done]/8, some[done]%8)
			default:
				count[what]++
			}
			done++
		}
		if done < len(some) {
			if err == nil {
				t.Fatalf("the child ended after %d of %d flips", done, len(some))
			}
			count["killed the process"]++
			done++
		}
		bits = bits[done:]
	}
	return count
}

// Attack: flip any byte of the file. One bit of every byte that holds something or stands within 16 bytes of one that
// does, and of every 32nd of the rest, another bit in every run; with BARWARD_LONG every bit of the file.
func TestAttackFlipAnyByte(t *testing.T) {
	path := closedLedger(t, 3)
	file := compacted(t, path)
	at := path + ".small"
	write(t, at, file)
	seed := int(seedOf(t) % 32)
	var bits []int
	last := -1 << 10 // the last byte that holds something
	for i := range file {
		if near := file[i:min(i+17, len(file))]; len(bytes.TrimLeft(near, "\x00")) > 0 {
			last = i + bytes.IndexFunc(near, func(r rune) bool { return r != 0 })
		}
		switch {
		case os.Getenv("BARWARD_LONG") != "":
			for bit := range 8 {
				bits = append(bits, i*8+bit)
			}
		case i-last <= 16 || i%32 == seed:
			bits = append(bits, i*8+(i+seed)%8)
		}
	}
	count := flips(t, at, bits)
	t.Logf("%d flips in %d bytes: %v", len(bits), len(file), count)
	if count["noticed on opening"] == 0 || count["noticed by verify"] == 0 || count["free space"] == 0 {
		t.Error("no flip of some kind")
	}
}

// Attack: spoil the head of a file that was closed in order, so that the store falls back on the head before it and the
// last batch is gone. Both heads name the same state then, so nothing is lost.
func TestAttackSpoilTheHead(t *testing.T) {
	path := closedLedger(t, 20)
	page := os.Getpagesize()
	used := bytes.TrimRight(readFile(t, path), "\x00")
	write(t, path+".small", append(used, make([]byte, page)...)) // without the room for growth
	for _, head := range []int{0, page} {
		var bits []int
		for bit := head * 8; bit < (head+88)*8; bit += 5 { // 16 bytes of the page, 64 of the head, and what follows
			bits = append(bits, bit)
		}
		count := flips(t, path+".small", bits)
		if count["free space"] == 0 {
			t.Errorf("%v", count)
		}
	}
	file := readFile(t, path)
	for _, head := range []int{0, page} {
		damaged := bytes.Clone(file)
		clear(damaged[head : head+page])
		without := fmt.Sprint(path, ".without", head)
		write(t, without, damaged)
		if got := ledgertest.Open(t, without).Size(); got != 20 {
			t.Errorf("without the head at %d there are %d entries", head, got)
		}
	}
}

func readFile(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func wantVerify(t *testing.T, path, reason string) {
	t.Helper()
	l, err := reader(path)
	if err == nil {
		defer l.Close()
		_, err = l.Verify(ctx, nil)
	}
	wantReason(t, err, reason)
}

// Attack: list a page that is in use as free, so that nothing shows now and the next batches overwrite it.
func TestAttackFreeAUsedPage(t *testing.T) {
	path := closedLedger(t, 20)
	file := readFile(t, path)
	page := os.Getpagesize()
	// The layout of the store's head, after 16 bytes of the page: 16 bytes, then the root's page at 16, the list of
	// free pages at 32, the transaction at 48; of the list: the count at 10, the pages from 16 on (go.etcd.io/bbolt,
	// internal/common).
	head := 16
	if binary.NativeEndian.Uint64(file[page+16+48:]) > binary.NativeEndian.Uint64(file[16+48:]) {
		head += page
	}
	root := binary.NativeEndian.Uint64(file[head+16:])
	free := int(binary.NativeEndian.Uint64(file[head+32:])) * page
	if n := binary.NativeEndian.Uint16(file[free+10:]); n == 0 {
		t.Fatal("no page is free")
	}
	binary.NativeEndian.PutUint64(file[free+16:], root)
	write(t, path, file)
	wantVerify(t, path, "LEDGER_PAGES")
}

// Attack: have an element of a page lie outside of it, so that the store reads what stands in memory there, which may by
// chance be right while it is verified and wrong afterwards.
func TestAttackElementOutsideItsPage(t *testing.T) {
	path := closedLedger(t, 3)
	file := compacted(t, path)
	name := bytes.Index(file, []byte("totals"))
	if name < 0 {
		t.Fatal("the book of the tests has no bucket of totals")
	}
	first := name + len("totals") + 16 + 16 // the bucket's head and its page's, see pages.go
	for element := range 3 {
		for _, word := range []int{4, 8, 12} { // position, size of the key, size of the value
			damaged := bytes.Clone(file)
			at := first + 16*element + word
			binary.NativeEndian.PutUint32(damaged[at:], binary.NativeEndian.Uint32(damaged[at:])|1<<23)
			write(t, path+".wild", damaged)
			wantVerify(t, path+".wild", "LEDGER_PAGES")
		}
	}
}

// Attack: swap two entries, with and without the hashes and the index that belong to them.
func TestAttackSwapTwoEntries(t *testing.T) {
	swap := func(bucket string, one, two []byte) func(tx *bbolt.Tx) error {
		return func(tx *bbolt.Tx) error {
			b := tx.Bucket([]byte(bucket))
			first, second := bytes.Clone(b.Get(one)), bytes.Clone(b.Get(two))
			return errors.Join(b.Put(one, second), b.Put(two, first))
		}
	}
	four, six := ledgertest.ID(4), ledgertest.ID(6)
	path := closedLedger(t, 20)
	edit(t, path, swap("entries", key(4), key(6)))
	wantVerify(t, path, "LEDGER_HASH_MISMATCH")
	edit(t, path, swap("hashes", key(4), key(6)))
	wantVerify(t, path, "LEDGER_ID_INDEX")
	edit(t, path, swap("ids", four[:], six[:]))
	wantVerify(t, path, "LEDGER_HASH_MISMATCH") // of the node above them
}

// Attack: cut the tail, of the file or of the log; without the log's key it does not open, and with an older
// checkpoint, or a new one by the log's own key, what parties keep shows it.
func TestAttackCutTheTail(t *testing.T) {
	c := ledgertest.Config()
	path := closedLedger(t, 20)
	file := compacted(t, path)
	write(t, path+".whole", file)
	whole := verdict(path + ".whole")
	noticed := 0
	for cut := os.Getpagesize() / 2; cut < len(file); cut += os.Getpagesize() / 2 {
		write(t, path+".cut", file[:len(file)-cut])
		out, err := child(ctx, "verify", path+".cut").Output() // a page beyond the end may kill it
		switch {
		case err != nil || strings.TrimSpace(string(out)) == "noticed":
			noticed++
		case noticed > 0 || verdict(path+".cut") != whole: // pages that were cut before were free
			t.Errorf("cut by %d: %q", cut, out)
		}
	}
	if noticed < 4 {
		t.Errorf("%d cuts were noticed", noticed)
	}
	old := closedLedger(t, 15) // the same events, so the same log, some batches earlier
	early, err := ledger.Open(old, c)
	if err != nil {
		t.Fatal(err)
	}
	before := checkpointOf(t, early)
	if err := early.Close(); err != nil {
		t.Fatal(err)
	}
	late, err := reader(path)
	if err != nil {
		t.Fatal(err)
	}
	kept := checkpointOf(t, late)
	if err := late.Close(); err != nil {
		t.Fatal(err)
	}

	// Entries taken away, the checkpoint left.
	drop := func(tx *bbolt.Tx) error {
		for n := uint64(15); n < 20; n++ {
			id := ledgertest.ID(int(n))
			if err := errors.Join(tx.Bucket([]byte("entries")).Delete(key(n)), tx.Bucket([]byte("hashes")).Delete(key(n)),
				tx.Bucket([]byte("ids")).Delete(id[:])); err != nil {
				return err
			}
		}
		return nil
	}
	cut := path + ".dropped"
	write(t, cut, file)
	edit(t, cut, drop)
	wantVerify(t, cut, "LEDGER_UNREADABLE")
	// And an older checkpoint of the same log put back: only the size and the root of another history fit its time
	// stamps.
	edit(t, cut, func(tx *bbolt.Tx) error {
		return errors.Join(tx.Bucket([]byte("meta")).Put([]byte("size"), key(15)),
			tx.Bucket([]byte("meta")).Put([]byte("checkpoint"), before))
	})
	wantVerify(t, cut, "LEDGER_UNREADABLE")
	// Signed anew by the operator: the file is whole in itself but for the book, which still holds the metal of the
	// cut.
	sign := func(tx *bbolt.Tx) error {
		tree, err := proof.NewFrontier(15, func(level int, n uint64) (proof.Hash, error) {
			return proof.Hash(tx.Bucket([]byte("hashes")).Get(key((n+1)<<level - 1))[level*32:]), nil
		})
		if err != nil {
			return err
		}
		signed, err := proof.SignCheckpoint(proof.Checkpoint{Origin: c.Origin, Size: 15, Root: tree.Root()}, c.Signer)
		if err != nil {
			return err
		}
		return tx.Bucket([]byte("meta")).Put([]byte("checkpoint"), signed)
	}
	edit(t, cut, sign)
	wantVerify(t, cut, "LEDGER_BOOK_DIFFERS")
	l := ledgertest.Open(t, cut)
	if err := l.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	ledgertest.Verify(t, l) // now nothing in the file tells; the checkpoint that a party kept does
	shorter := checkpointOf(t, l)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	_, err = ledger.CheckBackup(ctx, cut, c, kept, nil)
	if r := wantReason(t, err, "BACKUP_INCOMPLETE"); r.Values["missing"] != "5" {
		t.Errorf("%+v", r)
	}
	seen, err := proof.OpenCheckpoint(kept, c.Origin, c.Verifier)
	if err != nil {
		t.Fatal(err)
	}
	_, err = proof.Watcher{Origin: c.Origin, Verifier: c.Verifier}.Advance(&seen, shorter, nil)
	wantReason(t, err, "LOG_ROLLED_BACK")
}

// Attack: replace the book by one of another history, or change a figure in it.
func TestAttackReplaceTheBook(t *testing.T) {
	path := closedLedger(t, 20)
	other := closedLedger(t, 21)
	edit(t, path, func(tx *bbolt.Tx) error {
		src, err := bbolt.Open(other, 0o600, &bbolt.Options{ReadOnly: true})
		if err != nil {
			return err
		}
		defer src.Close()
		if err := tx.DeleteBucket([]byte("book")); err != nil {
			return err
		}
		book, err := tx.CreateBucket([]byte("book"))
		if err != nil {
			return err
		}
		return src.View(func(from *bbolt.Tx) error { return copyBucket(book, from.Bucket([]byte("book"))) })
	})
	wantVerify(t, path, "LEDGER_BOOK_DIFFERS")
	l := ledgertest.Open(t, path) // and a rebuild has nothing of it left
	if err := l.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if total(t, l, "name0") != 2 { // by hand: events 0 and 10
		t.Errorf("total %d", total(t, l, "name0"))
	}
}

func copyBucket(to, from *bbolt.Bucket) error {
	if err := to.SetSequence(from.Sequence()); err != nil {
		return err
	}
	return from.ForEach(func(k, v []byte) error {
		if v != nil {
			return to.Put(k, v)
		}
		child, err := to.CreateBucket(k)
		if err != nil {
			return err
		}
		return copyBucket(child, from.Bucket(k))
	})
}

// Attack: fork the log. The operator, who has the log's key, shows two parties two whole ledgers. Each verifies by
// itself; any party that holds a checkpoint of the one is not taken to the other, and a running service that has seen
// the one does not go on with the other.
func TestAttackFork(t *testing.T) {
	c := ledgertest.Config()
	clock := func(c *ledger.Config) {
		c.Clock = func() time.Time { return time.UnixMicro(1_700_000_000_000_000) } // so that a common beginning is the same
	}
	one, two := ledgertest.Create(t, clock), ledgertest.Create(t, clock)
	for _, l := range []*ledger.Ledger{one, two} {
		grow(t, l, 10)
	}
	common := checkpointOf(t, one)
	if !bytes.Equal(common, checkpointOf(t, two)) {
		t.Fatal("the common beginning differs")
	}
	mustAppend(t, one, ledgertest.Add(t, 100))
	mustAppend(t, two, ledgertest.Add(t, 200))
	ledgertest.Verify(t, one)
	ledgertest.Verify(t, two)
	watcher := proof.Watcher{Origin: c.Origin, Verifier: c.Verifier}
	seen, err := watcher.Advance(nil, checkpointOf(t, one), nil)
	if err != nil {
		t.Fatal(err)
	}
	_, err = watcher.Advance(&seen, checkpointOf(t, two), nil)
	if r := wantReason(t, err, "LOG_FORKED"); r.Kind != refusal.DataLoss {
		t.Errorf("%+v", r)
	}
	mustAppend(t, two, ledgertest.Add(t, 201))
	path, err := two.ProveConsistency(11, 12)
	if err != nil {
		t.Fatal(err)
	}
	_, err = watcher.Advance(&seen, checkpointOf(t, two), path)
	wantReason(t, err, "LOG_FORKED")
	before, err := watcher.Advance(nil, common, nil)
	if err != nil {
		t.Fatal(err)
	}
	if path, err = two.ProveConsistency(10, 12); err != nil {
		t.Fatal(err)
	}
	if _, err := watcher.Advance(&before, checkpointOf(t, two), path); err != nil {
		t.Errorf("a party that saw the common beginning only: %v", err)
	}
	copied := filepath.Join(t.TempDir(), "copy")
	if _, err := two.Backup(ctx, copied, nil); err != nil {
		t.Fatal(err)
	}
	_, err = ledger.CheckBackup(ctx, copied, c, checkpointOf(t, one), nil)
	wantReason(t, err, "BACKUP_FORKED")
	forked, err := os.ReadFile(copied)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(one.Path()); err != nil {
		t.Fatal(err)
	}
	write(t, one.Path(), forked)
	wantReason(t, one.Reopen(), "LEDGER_JOURNAL") // which goes on from another history
	withoutJournal(t, one.Path())
	wantReason(t, one.Reopen(), "LEDGER_ROLLED_BACK")
}
