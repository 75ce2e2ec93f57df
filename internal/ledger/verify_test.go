package ledger_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"go.etcd.io/bbolt"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

func key(seq uint64) []byte { return binary.BigEndian.AppendUint64(nil, seq) }

// closedLedger makes a ledger file with some entries and closes it.
func closedLedger(t testing.TB, entries int) (path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "ledger")
	l, err := ledger.Create(path, ledgertest.Config())
	if err != nil {
		t.Fatal(err)
	}
	grow(t, l, entries)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestVerifyReport(t *testing.T) {
	l := ledgertest.Create(t)
	empty := ledgertest.Verify(t, l)
	if empty.Size != 0 || empty.Root != proof.EmptyRoot || empty.BookKeys != 0 {
		t.Errorf("empty: %+v", empty)
	}
	grow(t, l, 123)
	var done []uint64
	report, err := l.Verify(ctx, func(d, total uint64) {
		if total != 123 {
			t.Errorf("of %d", total)
		}
		done = append(done, d)
	})
	if err != nil {
		t.Fatal(err)
	}
	// By hand: ten names and 123 rows of the list.
	if report.Size != 123 || report.BookKeys != 10+123 || report.Origin != ledgertest.Origin {
		t.Errorf("%+v", report)
	}
	if signed, _ := l.Checkpoint(); !bytes.Equal(signed, report.Checkpoint) {
		t.Error("another checkpoint")
	}
	if len(done) != 3 || done[0] != 0 || done[1] != 100 || done[2] != 123 {
		t.Errorf("progress %v", done)
	}
}

// forge rewrites a ledger file as an operator with the log's key could: any leaves, with tree, index and checkpoint to fit.
func forge(leaves func(old [][]byte) [][]byte) func(tx *bbolt.Tx) error {
	return func(tx *bbolt.Tx) error {
		var old [][]byte
		if err := tx.Bucket([]byte("entries")).ForEach(func(_, v []byte) error {
			old = append(old, bytes.Clone(v))
			return nil
		}); err != nil {
			return err
		}
		var f proof.Frontier
		for n, leaf := range leaves(old) {
			row := []byte(nil)
			for _, h := range f.Append(nil, proof.LeafHash(leaf)) {
				row = append(row, h[:]...)
			}
			if err := errors.Join(tx.Bucket([]byte("entries")).Put(key(uint64(n)), leaf),
				tx.Bucket([]byte("hashes")).Put(key(uint64(n)), row)); err != nil {
				return err
			}
		}
		c := ledgertest.Config()
		signed, err := proof.SignCheckpoint(proof.Checkpoint{Origin: c.Origin, Size: f.Size(), Root: f.Root()}, c.Signer)
		if err != nil {
			return err
		}
		return tx.Bucket([]byte("meta")).Put([]byte("checkpoint"), signed)
	}
}

func TestVerifyFinds(t *testing.T) {
	at := func(bucket string) func(tx *bbolt.Tx) *bbolt.Bucket {
		return func(tx *bbolt.Tx) *bbolt.Bucket {
			b := tx.Bucket([]byte(strings.Split(bucket, "/")[0]))
			for _, name := range strings.Split(bucket, "/")[1:] {
				b = b.Bucket([]byte(name))
			}
			return b
		}
	}
	put := func(bucket string, k, v []byte) func(tx *bbolt.Tx) error {
		return func(tx *bbolt.Tx) error { return at(bucket)(tx).Put(k, v) }
	}
	drop := func(bucket string, k []byte) func(tx *bbolt.Tx) error {
		return func(tx *bbolt.Tx) error { return at(bucket)(tx).Delete(k) }
	}
	flipAt := func(bucket string, k []byte, byteAt int) func(tx *bbolt.Tx) error {
		return func(tx *bbolt.Tx) error {
			v := bytes.Clone(at(bucket)(tx).Get(k))
			v[(byteAt+len(v))%len(v)] ^= 1
			return at(bucket)(tx).Put(k, v)
		}
	}
	id := func(n int) []byte { i := ledgertest.ID(n); return i[:] }
	for name, c := range map[string]struct {
		change   func(tx *bbolt.Tx) error
		reason   string
		sequence string
	}{
		"event changed":          {flipAt("entries", key(7), -1), "LEDGER_HASH_MISMATCH", "7"},
		"signature changed":      {flipAt("entries", key(7), 11), "LEDGER_HASH_MISMATCH", "7"},
		"time changed":           {flipAt("entries", key(7), 10), "LEDGER_HASH_MISMATCH", "7"},
		"rules version changed":  {flipAt("entries", key(7), 2), "LEDGER_HASH_MISMATCH", "7"},
		"entry cut to nothing":   {put("entries", key(7), []byte{}), "LEDGER_HASH_MISMATCH", "7"},
		"entry missing":          {drop("entries", key(7)), "LEDGER_ENTRY_DAMAGED", "7"},
		"entry beyond the last":  {put("entries", key(20), []byte("x")), "LEDGER_ENTRY_DAMAGED", "20"},
		"leaf hash changed":      {flipAt("hashes", key(6), 0), "LEDGER_HASH_MISMATCH", "6"},
		"node hash changed":      {flipAt("hashes", key(7), 40), "LEDGER_HASH_MISMATCH", "7"},
		"hashes missing":         {drop("hashes", key(6)), "LEDGER_HASH_MISMATCH", "6"},
		"hashes beyond the last": {put("hashes", key(25), make([]byte, 32)), "LEDGER_ENTRY_DAMAGED", "20"},
		"a spare hash":           {put("hashes", key(6), make([]byte, 64)), "LEDGER_HASH_MISMATCH", "6"},
		"id missing":             {drop("ids", id(3)), "LEDGER_ID_INDEX", "3"},
		"id leads elsewhere":     {put("ids", id(3), key(4)), "LEDGER_ID_INDEX", "3"},
		"id too many":            {put("ids", id(77), key(4)), "LEDGER_ID_INDEX", ""},
		"total changed":          {put("book/totals", []byte("name3"), key(99)), "LEDGER_BOOK_DIFFERS", ""},
		"total added":            {put("book/totals", []byte("zzz"), key(1)), "LEDGER_BOOK_DIFFERS", ""},
		"total added in front":   {put("book/totals", []byte("aaa"), key(1)), "LEDGER_BOOK_DIFFERS", ""},
		"total missing":          {drop("book/totals", []byte("name9")), "LEDGER_BOOK_DIFFERS", ""},
		"list row missing":       {drop("book/list", key(0)), "LEDGER_BOOK_DIFFERS", ""},
		"value for a bucket": {func(tx *bbolt.Tx) error {
			return errors.Join(tx.Bucket([]byte("book")).DeleteBucket([]byte("list")),
				tx.Bucket([]byte("book")).Put([]byte("list"), nil))
		}, "LEDGER_BOOK_DIFFERS", ""},
		"bucket's sequence changed": {func(tx *bbolt.Tx) error { return at("book/list")(tx).SetSequence(3) }, "LEDGER_BOOK_DIFFERS", ""},
		"forged event, everything else to fit": {forge(func(old [][]byte) [][]byte {
			old[7][len(old[7])-1] = '9' // add name7 9
			return old
		}), "LEDGER_SIGNATURE_INVALID", "7"},
		"forged order of times": {forge(func(old [][]byte) [][]byte {
			copy(old[7][3:11], make([]byte, 8))
			return old
		}), "LEDGER_TIME_ORDER", "7"},
		"forged order of entries": {forge(func(old [][]byte) [][]byte {
			old[7], old[8] = old[8], old[7]
			copy(old[8][3:11], old[7][3:11])
			return old
		}), "LEDGER_ID_INDEX", "7"},
		"forged rules, a leaf that is none": {forge(func(old [][]byte) [][]byte {
			old[7] = []byte("x")
			return old
		}), "LEDGER_ENTRY_DAMAGED", "7"},
	} {
		t.Run(name, func(t *testing.T) {
			path := closedLedger(t, 20)
			edit(t, path, c.change)
			l, err := ledger.Open(path, ledgertest.Config())
			if err != nil {
				t.Fatal(err)
			}
			defer l.Close()
			_, err = l.Verify(ctx, nil)
			r := wantReason(t, err, c.reason)
			if r.Kind != refusal.DataLoss || r.Values["sequence"] != c.sequence {
				t.Errorf("%+v", r)
			}
			if c.reason == "LEDGER_HASH_MISMATCH" && strings.Contains(name, "changed") && !strings.Contains(name, "node") {
				seq, _ := strconv.ParseUint(c.sequence, 10, 64)
				if _, err := l.Entry(seq); !refusal.Is(err, c.reason) { // a reader is not given it either
					t.Errorf("read: %v", err)
				}
			}
		})
	}
}

// The service does not check signatures a second time; Verify does.
func TestVerifyChecksSignatures(t *testing.T) {
	l := ledgertest.Create(t)
	grow(t, l, 3)
	sub := ledgertest.Add(t, 3)
	sub.Signed.Signature = make([]byte, 64)
	mustAppend(t, l, sub)
	_, err := l.Verify(ctx, nil)
	if r := wantReason(t, err, "LEDGER_SIGNATURE_INVALID"); r.Values["sequence"] != "3" {
		t.Errorf("%+v", r)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestCancelled(t *testing.T) {
	l := ledgertest.Create(t)
	grow(t, l, 150)
	before := dump(t, l)
	gone, cancel := context.WithCancel(ctx)
	_, err := l.Verify(gone, func(done, _ uint64) {
		if done > 0 {
			cancel()
		}
	})
	wantReason(t, err, "LEDGER_CANCELLED")

	gone, cancel = context.WithCancel(ctx)
	err = l.Rebuild(gone, func(done, _ uint64) {
		if done > 0 {
			cancel()
		}
	})
	wantReason(t, err, "LEDGER_CANCELLED")
	// The half-built book is not served, nothing is recorded by it, and entries stay readable.
	wantReason(t, l.View(func(*ledger.Book, uint64) error { return nil }), "LEDGER_REBUILDING")
	_, err = l.Append(ctx, ledgertest.Add(t, 150))
	wantReason(t, err, "LEDGER_REBUILDING")
	_, err = l.Verify(ctx, nil)
	wantReason(t, err, "LEDGER_REBUILDING")
	if _, err := l.Entry(3); err != nil {
		t.Error(err)
	}
	if err := l.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	if dump(t, l) != before || l.Err() != nil {
		t.Errorf("the rebuilt book differs; %v", l.Err())
	}
}

// Book = fold(entries), at any size and however the entries were batched.
func TestRebuildGivesTheSameBytes(t *testing.T) {
	l := ledgertest.Create(t)
	for _, size := range []int{0, 1, 2, 25, 100, 201, 300} {
		grow(t, l, size)
		before := dump(t, l)
		if err := l.Rebuild(ctx, nil); err != nil {
			t.Fatal(err)
		}
		if dump(t, l) != before {
			t.Errorf("the book of %d entries differs when rebuilt", size)
		}
	}
}

// A judge that folds otherwise is found by Verify, and Rebuild makes the book its own.
func TestJudgeChanged(t *testing.T) {
	path := closedLedger(t, 30)
	skewed := func(c *ledger.Config) { c.Judge = ledgertest.Judge{Skew: 1} }
	l := ledgertest.Open(t, path, skewed)
	_, err := l.Verify(ctx, nil)
	wantReason(t, err, "LEDGER_BOOK_DIFFERS")
	if err := l.Rebuild(ctx, nil); err != nil {
		t.Fatal(err)
	}
	ledgertest.Verify(t, l)
	if got := total(t, l, "name3"); got != 6 { // by hand: three events of 1 and a skew of 1 each
		t.Errorf("total %d", got)
	}
}

// blind is the toy judge until it meets an entry that it cannot read.
type blind struct {
	ledgertest.Judge
	at     uint64
	decide bool
}

func (b blind) Decide(book *ledger.Book, e *ledger.Entry) error {
	if b.decide && e.Seq == b.at {
		return refusal.Invalidf("TOY_BLIND", "", "The toy judge cannot read this.")
	}
	return b.Judge.Decide(book, e)
}

func (b blind) Apply(book *ledger.Book, e *ledger.Entry) error {
	if !b.decide && e.Seq == b.at {
		return errors.New("unknown kind of event")
	}
	return b.Judge.Apply(book, e)
}

func TestReplayStops(t *testing.T) {
	path := closedLedger(t, 120)
	for _, decide := range []bool{true, false} {
		l, err := ledger.Open(path, withJudge(blind{at: 110, decide: decide}))
		if err != nil {
			t.Fatal(err)
		}
		_, err = l.Verify(ctx, nil)
		if r := wantReason(t, err, "LEDGER_REPLAY"); r.Values["sequence"] != "110" || r.Kind != refusal.DataLoss {
			t.Errorf("%+v", r)
		}
		if !decide {
			err = l.Rebuild(ctx, nil)
			if r := wantReason(t, err, "LEDGER_REPLAY"); r.Values["sequence"] != "110" {
				t.Errorf("%+v", r)
			}
			wantReason(t, l.View(func(*ledger.Book, uint64) error { return nil }), "LEDGER_REBUILDING")
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	// The file knows that its book is not whole: this program cannot open it, one that reads every entry makes it whole.
	_, err := ledger.Open(path, withJudge(blind{at: 110}))
	wantReason(t, err, "LEDGER_REPLAY")
	l := ledgertest.Open(t, path)
	if total(t, l, "name3") != 12 {
		t.Errorf("total %d", total(t, l, "name3"))
	}
}

func withJudge(j ledger.Judge) ledger.Config {
	c := ledgertest.Config()
	c.Judge = j
	return c
}

// compacted copies a ledger file so that it has no free pages and each byte of an entry stands in it once.
func compacted(t *testing.T, path string) []byte {
	t.Helper()
	src, err := bbolt.Open(path, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	dst, err := bbolt.Open(path+".compact", 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(bbolt.Compact(dst, src, 0), src.Close(), dst.Close()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(path + ".compact")
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A bit flipped on the disk anywhere in an entry is found, by name.
func TestFlippedBitsInEntries(t *testing.T) {
	path := closedLedger(t, 12)
	l, err := ledger.Open(path, ledgertest.Config())
	if err != nil {
		t.Fatal(err)
	}
	page, err := l.Entries(0, 12)
	if err := errors.Join(err, l.Close()); err != nil {
		t.Fatal(err)
	}
	file := compacted(t, path)
	for _, e := range page[:11] { // the last one is read on opening
		leaf, err := e.Leaf().Marshal()
		if err != nil {
			t.Fatal(err)
		}
		start := bytes.Index(file, leaf)
		if start < 0 || bytes.Count(file, leaf) != 1 {
			t.Fatalf("entry %d stands in the file %d times", e.Seq, bytes.Count(file, leaf))
		}
		for _, offset := range []int{0, 1, 9, 11, 74, 75, 77, 115, 150, len(leaf) - 1} {
			damaged := bytes.Clone(file)
			damaged[start+offset] ^= 1 << (offset % 8)
			at := path + ".damaged"
			write(t, at, damaged)
			l, err := ledger.Open(at, ledgertest.Config())
			if err != nil {
				t.Fatal(err)
			}
			_, err = l.Verify(ctx, nil)
			if r := wantReason(t, err, "LEDGER_HASH_MISMATCH"); r.Values["sequence"] != fmt.Sprint(e.Seq) {
				t.Errorf("entry %d, byte %d: %+v", e.Seq, offset, r)
			}
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
}
