package ledger_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/iotest"

	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/rfc6962"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	ledgerproof "barward/internal/ledger/proof"
	"barward/internal/refusal"
)

func checkpointOf(t testing.TB, l *ledger.Ledger) []byte {
	t.Helper()
	signed, err := l.Checkpoint()
	if err != nil {
		t.Fatal(err)
	}
	return signed
}

// A backup made while writers are at work is a whole ledger of some moment: it holds everything acknowledged before it
// began.
func TestBackupUnderLoad(t *testing.T) {
	l := ledgertest.Create(t)
	grow(t, l, 120)
	stop := make(chan struct{})
	var writers sync.WaitGroup
	var next sync.Mutex
	n := 120
	for range 4 {
		writers.Go(func() {
			for {
				select {
				case <-stop:
					return
				default:
				}
				next.Lock()
				i := n
				n++
				next.Unlock()
				if _, err := l.Append(ctx, ledgertest.Add(t, i)); err != nil {
					t.Errorf("append: %v", err)
					return
				}
			}
		})
	}
	dir := t.TempDir()
	for i := range 3 {
		before := checkpointOf(t, l)
		acknowledged := l.Size()
		path := filepath.Join(dir, fmt.Sprint("copy", i))
		var last, total uint64
		report, err := l.Backup(ctx, path, func(d, n uint64) {
			if d < last || n == 0 {
				t.Errorf("progress %d of %d after %d", d, n, last)
			}
			last, total = d, n
		})
		if err != nil {
			t.Fatalf("%v (%v)", err, errors.Unwrap(err))
		}
		info, err := os.Stat(path)
		if err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%v, %v", info.Mode(), err)
		}
		if last != total || total%4096 != 0 { // pages of the file; what the journal had came to them afterwards
			t.Errorf("progress ended at %d of %d, the copy has %d bytes", last, total, info.Size())
		}
		if report.Size < acknowledged {
			t.Errorf("%d entries of %d acknowledged", report.Size, acknowledged)
		}
		if checked, err := ledger.CheckBackup(ctx, path, ledgertest.Config(), before, nil); err != nil || checked.Size != report.Size {
			t.Errorf("against the checkpoint before it: %+v, %v", checked, err)
		}
		copied := ledgertest.Open(t, path) // verified whole when the test ends
		if copied.Size() != report.Size || !bytes.Equal(checkpointOf(t, copied), report.Checkpoint) {
			t.Errorf("the copy has %d entries, the report says %d", copied.Size(), report.Size)
		}
	}
	close(stop)
	writers.Wait()
	if names, _ := filepath.Glob(filepath.Join(dir, ".new*")); len(names) != 0 {
		t.Errorf("left behind: %v", names)
	}
}

func TestBackupRefusals(t *testing.T) {
	l := ledgertest.Create(t)
	grow(t, l, 30)
	dir := t.TempDir()
	taken := filepath.Join(dir, "taken")
	write(t, taken, []byte("precious"))
	_, err := l.Backup(ctx, taken, nil)
	wantReason(t, err, "BACKUP_EXISTS")
	if b, _ := os.ReadFile(taken); string(b) != "precious" {
		t.Errorf("the file there is now %q", b)
	}
	_, err = l.Backup(ctx, filepath.Join(dir, "missing", "copy"), nil)
	wantReason(t, err, "BACKUP_NOT_WRITTEN")
	gone, cancel := context.WithCancel(ctx)
	_, err = l.Backup(gone, filepath.Join(dir, "copy"), func(done, _ uint64) {
		if done > 0 {
			cancel()
		}
	})
	wantReason(t, err, "LEDGER_CANCELLED")
	if names, _ := os.ReadDir(dir); len(names) != 1 {
		t.Errorf("left behind: %v", names)
	}
}

// A backup is held against what parties keep: their checkpoints. Nothing acknowledged may be missing.
func TestCheckBackup(t *testing.T) {
	c := ledgertest.Config()
	l := ledgertest.Create(t)
	var kept [][]byte
	for _, size := range []int{0, 1, 7, 20} {
		grow(t, l, size)
		kept = append(kept, checkpointOf(t, l))
	}
	path := filepath.Join(t.TempDir(), "copy")
	if _, err := l.Backup(ctx, path, nil); err != nil {
		t.Fatal(err)
	}
	grow(t, l, 23)
	later := checkpointOf(t, l)
	for i, signed := range kept {
		if report, err := ledger.CheckBackup(ctx, path, c, signed, nil); err != nil || report.Size != 20 {
			t.Errorf("checkpoint %d: %+v, %v", i, report, err)
		}
	}
	_, err := ledger.CheckBackup(ctx, path, c, later, nil)
	if r := wantReason(t, err, "BACKUP_INCOMPLETE"); r.Values["missing"] != "3" || r.Values["size"] != "20" {
		t.Errorf("%+v", r)
	}
	// Another history under the same key: the log was forked, or its operator put other entries in place.
	other := ledgertest.Create(t)
	for n := 500; n < 515; n++ {
		mustAppend(t, other, ledgertest.Add(t, n))
	}
	_, err = ledger.CheckBackup(ctx, path, c, checkpointOf(t, other), nil)
	wantReason(t, err, "BACKUP_FORKED")
	_, err = ledger.CheckBackup(ctx, path, c, append(bytes.Clone(later), 'x'), nil)
	wantReason(t, err, "CHECKPOINT_UNREADABLE")
	_, err = ledger.CheckBackup(ctx, path+".none", c, later, nil)
	wantReason(t, err, "LEDGER_MISSING")

	// The copy may lie where nothing can be written, and be in use by several readers.
	if err := os.Chmod(path, 0o400); err != nil {
		t.Fatal(err)
	}
	if _, err := ledger.CheckBackup(ctx, path, c, kept[2], nil); err != nil {
		t.Error(err)
	}
	// A signature that is not the author's, with everything else to fit, is found here too.
	forged := filepath.Join(t.TempDir(), "forged")
	if _, err := l.Backup(ctx, forged, nil); err != nil {
		t.Fatal(err)
	}
	edit(t, forged, forge(func(old [][]byte) [][]byte {
		old[7][len(old[7])-1] = '9'
		return old
	}))
	_, err = ledger.CheckBackup(ctx, forged, c, kept[1], nil)
	wantReason(t, err, "LEDGER_SIGNATURE_INVALID")
	_, err = ledger.CheckBackup(ctx, forged, c, kept[3], nil)
	wantReason(t, err, "BACKUP_FORKED")
}

func exported(t testing.TB, l *ledger.Ledger) []byte {
	t.Helper()
	var out bytes.Buffer
	if _, err := l.Export(ctx, &out, nil); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// An export is read here as its description says, with nothing of ours: SHA-256 and Ed25519 of the standard library,
// the tree by another library (transparency-dev/merkle).
func TestExportIsPortable(t *testing.T) {
	for _, size := range []int{0, 1, 2, 3, 130} {
		l := ledgertest.Create(t)
		grow(t, l, size)
		b := exported(t, l)
		if want := []byte("barward log v1\n"); !bytes.HasPrefix(b, want) {
			t.Fatalf("begins with %q", b[:20])
		}
		frame := func() []byte {
			n := binary.BigEndian.Uint32(b)
			f := b[4 : 4+n]
			b = b[4+n:]
			return f
		}
		b = b[15:]
		checkpoint := string(frame())
		tree := (&compact.RangeFactory{Hash: rfc6962.DefaultHasher.HashChildren}).NewEmptyRange(0)
		for n := range size {
			leaf := frame()
			if err := tree.Append(rfc6962.DefaultHasher.HashLeaf(leaf), nil); err != nil {
				t.Fatal(err)
			}
			event := leaf[75:]
			author := ed25519.PublicKey(event[2+36+2 : 2+36+2+32])
			if !ed25519.Verify(author, append([]byte("barward event v1\n"), event...), leaf[11:75]) {
				t.Errorf("entry %d is not signed", n)
			}
			if !bytes.Equal(event, ledgertest.Add(t, n).Signed.Event) {
				t.Errorf("entry %d is another event", n)
			}
		}
		if len(b) != 0 {
			t.Errorf("%d bytes follow", len(b))
		}
		root := sha256.Sum256(nil) // RFC 6962 section 2.1: the empty tree
		if size > 0 {
			got, err := tree.GetRootHash(nil)
			if err != nil {
				t.Fatal(err)
			}
			root = [32]byte(got)
		}
		want := fmt.Sprintf("%s\n%d\n%s\n\n", ledgertest.Origin, size, ledgerproof.Hash(root))
		if !strings.HasPrefix(checkpoint, want) {
			t.Errorf("checkpoint %q, want it to begin with %q", checkpoint, want)
		}
	}
}

// What was exported and imported is the same log with the same book, whatever the reader's pace.
func TestImportGivesTheSameLedger(t *testing.T) {
	l := ledgertest.Create(t)
	c := ledgertest.Config()
	c.Signer = nil // the log's private key is not needed
	for _, size := range []int{0, 1, 99, 100, 101, 250} {
		grow(t, l, size)
		path := filepath.Join(t.TempDir(), "imported")
		var done uint64
		report, err := ledger.Import(ctx, iotest.HalfReader(bytes.NewReader(exported(t, l))), path, c, func(d, total uint64) {
			if total != uint64(size) || d < done {
				t.Errorf("progress %d of %d after %d", d, total, done)
			}
			done = d
		})
		if err != nil {
			t.Fatalf("%v (%v)", err, errors.Unwrap(err))
		}
		if done != uint64(size) || !bytes.Equal(report.Checkpoint, checkpointOf(t, l)) {
			t.Errorf("ended at %d of %d with %q", done, size, report.Checkpoint)
		}
		again := ledgertest.Open(t, path)
		if dump(t, again) != dump(t, l) {
			t.Errorf("the book of %d entries differs", size)
		}
		if size > 0 {
			a, errA := l.Entry(uint64(size - 1))
			b, errB := again.Entry(uint64(size - 1))
			if errA != nil || errB != nil || a.ID != b.ID || !a.RecordedAt.Equal(b.RecordedAt) || a.Rules != b.Rules {
				t.Errorf("%+v, %v; %+v, %v", a, errA, b, errB)
			}
		}
		mustAppend(t, again, ledgertest.Add(t, 1000)) // and it goes on
	}
}

func TestImportRefusals(t *testing.T) {
	l := ledgertest.Create(t)
	grow(t, l, 120)
	export := exported(t, l)
	dir := t.TempDir()
	taken := filepath.Join(dir, "taken")
	write(t, taken, []byte("precious"))
	_, err := ledger.Import(ctx, bytes.NewReader(export), taken, ledgertest.Config(), nil)
	wantReason(t, err, "LEDGER_EXISTS")
	gone, cancel := context.WithCancel(ctx)
	_, err = ledger.Import(gone, bytes.NewReader(export), filepath.Join(dir, "new"), ledgertest.Config(), func(done, _ uint64) {
		if done > 0 {
			cancel()
		}
	})
	wantReason(t, err, "LEDGER_CANCELLED")
	_, err = ledger.Import(ctx, bytes.NewReader(export), filepath.Join(dir, "new"), withJudge(blind{at: 110, decide: true}), nil)
	if r := wantReason(t, err, "LEDGER_REPLAY"); r.Values["sequence"] != "110" {
		t.Errorf("%+v", r)
	}
	// An id twice, and a forged event, each in an export whose tree and checkpoint fit.
	for reason, change := range map[string]func(old [][]byte) [][]byte{
		"LEDGER_ID_INDEX":          func(old [][]byte) [][]byte { return append(old, old[len(old)-1]) },
		"LEDGER_SIGNATURE_INVALID": func(old [][]byte) [][]byte { old[7][len(old[7])-1] ^= 1; return old },
		"LEDGER_ENTRY_DAMAGED":     func(old [][]byte) [][]byte { old[7][76]++; return old },
		"EXPORT_ALTERED":           func(old [][]byte) [][]byte { clear(old[7][3:11]); return old },
	} {
		_, err = ledger.Import(ctx, bytes.NewReader(forgedExport(t, export, change)), filepath.Join(dir, "new"), ledgertest.Config(), nil)
		wantReason(t, err, reason)
	}
	if names, _ := os.ReadDir(dir); len(names) != 1 {
		t.Errorf("left behind: %v", names)
	}
}

// forgedExport makes an export of other leaves under a checkpoint of the log's own key.
func forgedExport(t testing.TB, export []byte, change func(old [][]byte) [][]byte) []byte {
	t.Helper()
	c := ledgertest.Config()
	in, err := ledgerproof.NewExportReader(bytes.NewReader(export), c.Origin, c.Verifier)
	if err != nil {
		t.Fatal(err)
	}
	var leaves [][]byte
	for {
		_, leaf, err := in.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		leaves = append(leaves, leaf)
	}
	leaves = change(leaves)
	var tree ledgerproof.Frontier
	for _, leaf := range leaves {
		tree.Append(nil, ledgerproof.LeafHash(leaf))
	}
	signed, err := ledgerproof.SignCheckpoint(ledgerproof.Checkpoint{Origin: c.Origin, Size: tree.Size(), Root: tree.Root()}, c.Signer)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	w, err := ledgerproof.NewExportWriter(&out, signed)
	for _, leaf := range leaves {
		err = errors.Join(err, w.Leaf(leaf))
	}
	if err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// Exhaustive over a small export: any bit changed, any cut and any addition is found.
func TestEveryBitOfAnExport(t *testing.T) {
	l := ledgertest.Create(t)
	grow(t, l, 3)
	export := exported(t, l)
	c := ledgertest.Config()
	verify := func(b []byte) error {
		_, err := ledgerproof.VerifyExport(ctx, bytes.NewReader(b), c.Origin, c.Verifier, nil)
		return err
	}
	if err := verify(export); err != nil {
		t.Fatal(err)
	}
	for i := range export {
		for bit := range 8 {
			export[i] ^= 1 << bit
			if r := refusal.As(verify(export)); r == nil {
				t.Errorf("byte %d, bit %d: not found", i, bit)
			}
			export[i] ^= 1 << bit
		}
		if r := refusal.As(verify(export[:i])); r == nil {
			t.Errorf("cut to %d bytes: not found", i)
		}
	}
	wantReason(t, verify(append(bytes.Clone(export), 0)), "EXPORT_MALFORMED")
	// Two entries in each other's place.
	swapped := forgedExport(t, export, func(old [][]byte) [][]byte { return old })
	if !bytes.Equal(swapped, export) {
		t.Fatal("the same leaves give another export")
	}
	first := bytes.Index(export, ledgertest.Add(t, 0).Signed.Event) - 75
	second := bytes.Index(export, ledgertest.Add(t, 1).Signed.Event) - 75
	length := second - first - 4
	copy(swapped[first:], export[second:second+length])
	copy(swapped[second:], export[first:first+length])
	if refusal.As(verify(swapped)) == nil {
		t.Error("swapped entries: not found")
	}
}

// Random bytes and random damage never panic, never allocate beyond the bounds, and are never taken.
func FuzzExport(f *testing.F) {
	l := ledgertest.Create(f)
	grow(f, l, 5)
	export := exported(f, l)
	c := ledgertest.Config()
	f.Add(export)
	f.Add(export[:100])
	random := rand.New(rand.NewPCG(1, 2))
	for range 20 {
		damaged := bytes.Clone(export)
		damaged[random.IntN(len(damaged))] ^= byte(1 + random.IntN(255))
		f.Add(damaged)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		_, err := ledgerproof.VerifyExport(ctx, bytes.NewReader(b), c.Origin, c.Verifier, nil)
		if (err == nil) != bytes.Equal(b, export) && err == nil {
			t.Error("taken, and it is not what was exported")
		}
		if err != nil && refusal.As(err) == nil {
			t.Errorf("not a refusal: %v", err)
		}
	})
}

// A writer that fails is told of, and the ledger goes on.
func TestExportWriterFails(t *testing.T) {
	l := ledgertest.Create(t)
	grow(t, l, 20)
	_, err := l.Export(ctx, brokenWriter{}, nil)
	wantReason(t, err, "EXPORT_NOT_WRITTEN")
	gone, cancel := context.WithCancel(ctx)
	cancel()
	_, err = l.Export(gone, io.Discard, nil)
	wantReason(t, err, "LEDGER_CANCELLED")
	grow(t, l, 21)
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errors.New("injected") }
