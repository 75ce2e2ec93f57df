package ledger_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/refusal"
)

// crashed is what lies on the disk of a ledger that was not closed: the file and its journal.
type crashed struct {
	file     []byte
	journals [2][]byte
	sizes    []uint64 // of the log after each batch, from the file's own on
	ends     []int    // where in the journal's first file each of these batches ends
}

// crash records batches and takes what is on the disk then.
func crash(t *testing.T, batches int) crashed {
	t.Helper()
	l := ledgertest.Create(t)
	c := crashed{sizes: []uint64{0}, ends: []int{0}}
	n := 0
	for batch := range batches {
		var answered int
		answers := make(chan error, 3)
		for range 1 + batch%3 {
			if err := l.Submit(ctx, ledgertest.Add(t, n), func(_ ledger.Receipt, err error) { answers <- err }); err != nil {
				t.Fatal(err)
			}
			n++
		}
		for ; answered < 1+batch%3; answered++ {
			if err := <-answers; err != nil {
				t.Fatal(err)
			}
		}
	}
	on := copied(t, l)
	c.file, c.journals = on.file, on.journals
	// Where frames end, by the format: 24 bytes to the length of what follows the sum, then 32 of the sum.
	for at := 0; ; {
		b := c.journals[1][at:]
		if len(b) < 60 || string(b[:4]) != "bwj1" {
			break
		}
		at += 60 + int(binary.BigEndian.Uint32(b[24:]))
		c.sizes = append(c.sizes, binary.BigEndian.Uint64(b[12:])+uint64(binary.BigEndian.Uint32(b[20:])))
		c.ends = append(c.ends, at)
	}
	if len(c.sizes) < 3 || c.sizes[len(c.sizes)-1] != uint64(n) {
		t.Fatalf("the journal has batches up to %d, want some up to %d", c.sizes, n)
	}
	return c
}

// open puts the files down and opens them; it fails the test unless what opens verifies.
func (c crashed) open(t *testing.T, what string) (size uint64, err error) {
	t.Helper()
	path := c.put(t)
	config := ledgertest.Config()
	config.InitialMmap = 1 << 20
	l, err := ledger.Open(path, config)
	if err != nil {
		return 0, err
	}
	defer l.Close()
	if _, err := l.Verify(ctx, nil); err != nil {
		t.Errorf("%s: what opened does not verify: %v", what, err)
	}
	return l.Size(), nil
}

// withoutJournal takes the journal of a ledger away.
func withoutJournal(t *testing.T, path string) {
	t.Helper()
	names, _ := filepath.Glob(path + ".journal-*")
	for _, name := range names {
		if err := os.Remove(name); err != nil {
			t.Fatal(err)
		}
	}
}

func read(t *testing.T, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// A journal that was cut anywhere, as a crash cuts it, holds the batches that are whole; and so does one of which the rest
// is still what was there before.
func TestJournalCutAnywhere(t *testing.T) {
	c := crash(t, 7)
	whole := c.journals[1]
	for at := 0; at <= c.ends[len(c.ends)-1]; at += rounds(t, 61, 1) {
		want := uint64(0)
		for i, end := range c.ends {
			if end <= at {
				want = c.sizes[i]
			}
		}
		for what, rest := range map[string][]byte{"nothing": nil, "zeros": make([]byte, 500), "others": bytes.Repeat([]byte("bwj1"), 200)} {
			c.journals[1] = append(bytes.Clone(whole[:at]), rest...)
			if got, err := c.open(t, what); err != nil || got != want {
				t.Errorf("cut at %d with %s behind: %d entries, %v; want %d", at, what, got, err, want)
			}
		}
	}
}

// A byte that changed in a journal is never taken for an entry. In the last batch it is as if that had been cut; in one
// before it the ledger says that acknowledged entries are missing.
func TestJournalBytesChanged(t *testing.T) {
	c := crash(t, 5)
	whole := c.journals[1]
	last := c.ends[len(c.ends)-2]
	refused := 0
	for at := 0; at < c.ends[len(c.ends)-1]; at += rounds(t, 37, 1) {
		c.journals[1] = bytes.Clone(whole)
		c.journals[1][at] ^= 0x10
		got, err := c.open(t, fmt.Sprint("byte ", at))
		switch {
		case at >= last && err == nil && got == c.sizes[len(c.sizes)-2]:
		case at < last && refusal.Is(err, "LEDGER_JOURNAL") && refusal.As(err).Kind == refusal.DataLoss:
			refused++
		default:
			t.Errorf("byte %d of %d: %d entries, %v", at, len(whole), got, err)
		}
	}
	if refused == 0 {
		t.Error("nothing was refused")
	}
}

// The journal is one with its file: that of another ledger, one with its older half missing, and one whose file is older
// than its beginning are refused, and nothing is changed.
func TestJournalOfElsewhere(t *testing.T) {
	c, other := crash(t, 4), crash(t, 6)
	mixed := other
	mixed.file = c.file // both are empty, under one key: what the journal says is signed, so it stands
	if got, err := mixed.open(t, "another's"); err != nil || got != other.sizes[len(other.sizes)-1] {
		t.Errorf("the journal of the same log: %d, %v", got, err)
	}

	forked := ledgertest.Create(t) // before the other, so that its times fit
	for n := range 40 {
		mustAppend(t, forked, ledgertest.Add(t, 1000+n))
	}
	l := ledgertest.Create(t)
	grow(t, l, 40)
	if err := l.Rebuild(ctx, nil); err != nil { // brings all into the file
		t.Fatal(err)
	}
	mustAppend(t, l, ledgertest.Add(t, 40))
	late := crashed{file: c.file, journals: [2][]byte{read(t, l.Path()+".journal-1"), nil}}
	_, err := late.open(t, "late")
	if r := wantReason(t, err, "LEDGER_JOURNAL"); r.Kind != refusal.DataLoss {
		t.Errorf("%+v", r)
	}

	late.file = backedUp(t, forked)
	_, err = late.open(t, "forked")
	if r := wantReason(t, err, "LEDGER_JOURNAL"); !strings.Contains(fmt.Sprint(r.Cause), "root") {
		t.Errorf("%v", r.Cause)
	}
}

// A ledger that was closed is one file.
func TestJournalEnds(t *testing.T) {
	path := filepath.Join(t.TempDir(), "ledger")
	l, err := ledger.Create(path, ledgertest.Config())
	if err != nil {
		t.Fatal(err)
	}
	grow(t, l, 150) // more than one turn
	if names, _ := filepath.Glob(path + ".journal-*"); len(names) == 0 {
		t.Error("there is no journal while it is open")
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if names, _ := filepath.Glob(path + "*"); len(names) != 1 {
		t.Errorf("left behind: %v", names)
	}
	if l := ledgertest.Open(t, path); l.Size() != 150 {
		t.Errorf("%d entries", l.Size())
	}
}

// Who opens a ledger to read it, after a crash, sees what the journal holds and changes nothing.
func TestJournalIsRead(t *testing.T) {
	c := crash(t, 5)
	path := filepath.Join(t.TempDir(), "ledger")
	write(t, path, c.file)
	write(t, path+".journal-2", c.journals[1])
	l, err := reader(path)
	if err != nil {
		t.Fatal(err)
	}
	if want := c.sizes[len(c.sizes)-1]; l.Size() != want || ledgertest.Verify(t, l).Size != want {
		t.Errorf("%d entries, want %d", l.Size(), want)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(read(t, path), c.file) || !bytes.Equal(read(t, path+".journal-2"), c.journals[1]) {
		t.Error("the files changed")
	}
}
