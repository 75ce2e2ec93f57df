package ledger_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// A real disk without room: a small file system in memory, filled to the last block. TestFileMayNotGrow covers the same
// path without root.
func TestDiskFull(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("mounting a small file system takes root")
	}
	dir := t.TempDir()
	if err := syscall.Mount("ledger-test", dir, "tmpfs", 0, "size=3m"); err != nil {
		t.Skipf("mounting a small file system: %v", err)
	}
	t.Cleanup(func() { unmount(dir) })
	path, ballast := filepath.Join(dir, "ledger"), filepath.Join(dir, "ballast")
	l, err := ledger.Create(path, ledgertest.Config())
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	write(t, ballast, make([]byte, 2<<20))
	wantWentOn(t, path, child(ctx, "fill", path, "LEDGER_CHILD_BALLAST="+ballast))

	// With no room at all, creating a ledger and backing one up fail cleanly and leave nothing.
	filler, err := os.Create(ballast)
	if err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = filler.Write(make([]byte, 4096))
	}
	if err := errors.Join(filler.Close()); err != nil {
		t.Fatal(err)
	}
	_, err = ledger.Create(filepath.Join(dir, "second"), ledgertest.Config())
	wantReason(t, err, "LEDGER_NOT_CREATED")
	elsewhere := ledgertest.Create(t)
	grow(t, elsewhere, 20)
	_, err = elsewhere.Backup(ctx, filepath.Join(dir, "copy"), nil)
	wantReason(t, err, "BACKUP_NOT_WRITTEN")
	_, err = ledger.Import(ctx, strings.NewReader(string(exported(t, elsewhere))), filepath.Join(dir, "third"), ledgertest.Config(), nil)
	wantReason(t, err, "LEDGER_NOT_CREATED")
	if names, _ := os.ReadDir(dir); len(names) != 2 {
		t.Errorf("left behind: %v", names)
	}
}

// unmount takes a file system away, also from under whoever uses it.
func unmount(dir string) {
	if syscall.Unmount(dir, syscall.MNT_DETACH) != nil {
		_ = exec.Command("fusermount3", "-u", "-z", dir).Run()
	}
}

// faultyDisk is the test's end of a disk in a child process.
type faultyDisk struct {
	t     *testing.T
	path  string // of the ledger on it
	in    io.Writer
	lines chan string
}

// newDisk mounts a disk that holds a copy of the file at content. Whatever happens it is gone when the test ends.
func newDisk(t *testing.T, content string) *faultyDisk {
	t.Helper()
	lacking := ""
	if f, err := os.OpenFile("/dev/fuse", os.O_RDWR, 0); err != nil {
		lacking = err.Error()
	} else if f.Close(); os.Geteuid() != 0 {
		if _, err := exec.LookPath("fusermount3"); err != nil {
			lacking = "mounting without root takes fusermount3"
		}
	}
	if lacking != "" {
		if os.Getenv("CI") != "" {
			t.Fatalf("a disk that fails needs FUSE: %s", lacking)
		}
		t.Skipf("a disk that fails needs FUSE: %s", lacking)
	}
	dir := t.TempDir()
	cmd := child(context.Background(), "disk", dir)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	d := &faultyDisk{t: t, path: filepath.Join(dir, "ledger"), in: in, lines: make(chan string, 16)}
	read := make(chan struct{})
	go func() {
		defer close(read)
		defer close(d.lines)
		for s := bufio.NewScanner(out); s.Scan(); {
			d.lines <- s.Text()
		}
	}()
	t.Cleanup(func() {
		_ = in.Close() // the child unmounts and ends
		hurry := time.AfterFunc(time.Minute, func() { _ = cmd.Process.Kill() })
		for range d.lines {
		}
		<-read
		_ = cmd.Wait()
		hurry.Stop()
		unmount(dir)
	})
	d.want("mounted")
	d.order(order{Do: "load", Path: content})
	return d
}

// want waits for a line of the disk's.
func (d *faultyDisk) want(line string) {
	d.t.Helper()
	select {
	case got, open := <-d.lines:
		if !open || got != line {
			d.t.Fatalf("the disk says %q, want %q", got, line)
		}
	case <-time.After(2 * time.Minute):
		d.t.Fatalf("the disk does not say %q", line)
	}
}

func (d *faultyDisk) order(o order) {
	d.t.Helper()
	line, err := json.Marshal(o)
	if err != nil {
		d.t.Fatal(err)
	}
	if _, err := d.in.Write(append(line, '\n')); err != nil {
		d.t.Fatal(err)
	}
	d.want("done")
}

// open opens the ledger on the disk. When the test ends the disk stops failing first, so that closing does not wait for
// it.
func (d *faultyDisk) open() *ledger.Ledger {
	d.t.Helper()
	c := ledgertest.Config()
	c.InitialMmap = 1 << 20
	l, err := ledger.Open(d.path, c)
	if err != nil {
		d.t.Fatalf("open: %v (%v)", err, errors.Unwrap(err))
	}
	return l
}

// acked is what a ledger has acknowledged, by event number.
type acked map[int]proof.Hash

// wantAcked opens the file at path as after a restart and fails the test unless it verifies and holds all that is
// acked.
func wantAcked(t *testing.T, what, path string, all acked) (size uint64) {
	t.Helper()
	c := ledgertest.Config()
	c.InitialMmap = 1 << 20
	l, err := ledger.Open(path, c)
	if err != nil {
		t.Errorf("%s: open: %v (%v)", what, err, errors.Unwrap(err))
		return 0
	}
	defer l.Close()
	if _, err := l.Verify(ctx, nil); err != nil {
		t.Errorf("%s: verify: %v (%v)", what, err, errors.Unwrap(err))
		return 0
	}
	lost := 0
	for n, want := range all {
		e, err := l.ByID(ledgertest.ID(n))
		if err != nil {
			lost++
			continue
		}
		if leaf, err := e.Leaf().Marshal(); err != nil || proof.LeafHash(leaf) != want {
			t.Errorf("%s: event %d has another leaf: %v", what, n, err)
		}
	}
	if lost > 0 {
		t.Errorf("%s: %d of %d acknowledged events are lost", what, lost, len(all))
	}
	return l.Size()
}

// load keeps events coming until it is told to stop: batches of several sizes, each answered before the next is sent.
type load struct {
	l       *ledger.Ledger
	next    int
	answers chan answer // in the order of the log
	stop    chan struct{}
	done    chan struct{}
}

type answer struct {
	n    int
	hash proof.Hash
	err  error
}

func startLoad(t testing.TB, l *ledger.Ledger, next int) *load {
	w := &load{l: l, next: next, answers: make(chan answer, 100_000), stop: make(chan struct{}), done: make(chan struct{})}
	go func() {
		defer close(w.done)
		for {
			var batch sync.WaitGroup
			for range 1 + w.next%5 {
				n := w.next
				w.next++
				batch.Add(1)
				if err := l.Submit(ctx, ledgertest.Add(t, n), func(r ledger.Receipt, err error) {
					w.answers <- answer{n, r.LeafHash, err}
					batch.Done()
				}); err != nil {
					w.answers <- answer{n: n, err: err}
					batch.Done()
				}
			}
			batch.Wait()
			select {
			case <-w.stop:
				return
			default:
			}
		}
	}()
	return w
}

// collect moves the answers given so far to all.
func (w *load) collect(t testing.TB, all acked) {
	t.Helper()
	for len(w.answers) > 0 {
		a := <-w.answers
		if a.err != nil {
			t.Errorf("event %d: %v", a.n, a.err)
			continue
		}
		all[a.n] = a.hash
	}
}

// Power loss: at chosen moments the disk says what a cut would leave, with what was not synced dropped, reordered or
// torn. The ledger opens on each such image, verifies, and has everything that was acknowledged before the cut.
func TestPowerLoss(t *testing.T) {
	seed := seedOf(t)
	random := rand.New(rand.NewPCG(seed, 3))
	cuts, images := rounds(t, 10, 300), 6
	d := newDisk(t, closedLedger(t, 30))
	l := d.open()
	all, next, opened := acked{}, 30, 0
	dir := t.TempDir()
	for cut := range cuts {
		prefix := filepath.Join(dir, "image")
		// One of the operations of the next batches: pages, their sync, the head, its sync, and now and then a longer
		// file.
		d.order(order{Do: "cut", At: 1 + random.IntN(60), Path: prefix, Images: images, Seed: random.Uint64()})
		w := startLoad(t, l, next)
		d.want("cut") // the committer stands still in that operation, so every answer given is among the answers
		w.collect(t, all)
		close(w.stop)
		d.order(order{Do: "go"})
		<-w.done
		next = w.next
		for i := range images {
			wantAcked(t, fmt.Sprintf("seed %d, cut %d, image %d", seed, cut, i), fmt.Sprintf("%s.%d", prefix, i), all)
			opened++
		}
		w.collect(t, all)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	t.Logf("%d power cuts, %d images opened, %d events acknowledged, lost: 0", cuts, opened, len(all))
}

// Every operation of a batch fails, one after the other, by each kind of error: the event is refused with a clear
// reason, health says so, nothing acknowledged is lost, also not by a power cut after that, and the ledger goes on: by
// itself where the disk was full, after a restart where it failed.
func TestDiskFailsAtEachStep(t *testing.T) {
	d := newDisk(t, closedLedger(t, 10))
	all, next := acked{}, 10
	for _, c := range []struct {
		name  string
		errno syscall.Errno
	}{{"i/o error", syscall.EIO}, {"full", syscall.ENOSPC}, {"read-only", syscall.EROFS}} {
		for _, op := range []string{"write", "sync"} {
			failed := 0
			for at := 1; at <= 12; at++ {
				what := fmt.Sprintf("%s, %s %d", c.name, op, at)
				d.order(order{Do: "fault", Op: op, At: at, Errno: int(c.errno)})
				l := d.open()
				record := func() error {
					r, err := l.Append(ctx, ledgertest.Add(t, next))
					if err == nil {
						all[next] = r.LeafHash
					}
					return err
				}
				err := record()
				if err == nil { // the batch has fewer such operations
					d.order(order{Do: "fault"})
					next++
					if err := l.Close(); err != nil {
						t.Errorf("%s: %v", what, err)
					}
					if failed == 0 {
						t.Errorf("%s: nothing failed", what)
					}
					break
				}
				failed++
				r := refusal.As(err)
				if r == nil || r.Kind != refusal.Unavailable || r.Reason != "LEDGER_DISK_FULL" && r.Reason != "LEDGER_OUTCOME_UNKNOWN" {
					t.Errorf("%s: %v", what, err)
				}
				if !errors.Is(err, c.errno) && !strings.Contains(fmt.Sprint(r.Cause), c.errno.Error()) {
					t.Errorf("%s: the cause is %v", what, r.Cause)
				}
				h := l.Health()
				if full := c.errno == syscall.ENOSPC; h.Reason == nil || full && h.State != ledger.Full && h.State != ledger.Healing ||
					!full && h.State != ledger.Halted {
					t.Errorf("%s: health says %s (%v)", what, h.State, h.Reason)
				}
				// A power cut now leaves all that was acknowledged.
				image := filepath.Join(t.TempDir(), "image")
				d.order(order{Do: "image", Path: image, Images: 1})
				wantAcked(t, what+", cut", image+".0", all)

				d.order(order{Do: "fault"})
				if c.errno == syscall.ENOSPC {
					waitUntil(t, what+": it goes on by itself", func() bool { return l.Health().Records })
					if err := record(); err != nil {
						t.Errorf("%s: after room was made: %v (%v)", what, err, errors.Unwrap(err))
					}
					next++
					d.order(order{Do: "image", Path: image, Images: 1})
					wantAcked(t, what+", gone on and cut", image+".0", all)
				} else if _, err := l.Append(ctx, ledgertest.Add(t, next)); !refusal.Is(err, "LEDGER_OUTCOME_UNKNOWN") {
					t.Errorf("%s: a failing disk was trusted again: %v", what, err)
				}
				if err := l.Close(); err != nil {
					t.Errorf("%s: %v", what, err)
				}
				// The machine starts again: what was never synced is gone.
				d.order(order{Do: "image", Path: image, Images: 1})
				d.order(order{Do: "load", Path: image + ".0"})
			}
		}
	}
	l := d.open()
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	t.Logf("%d events acknowledged", len(all))
}

// Every operation of the store fails, by each kind of error, while the journal goes on: what was acknowledged is there
// after a power cut and after a restart, and the ledger goes on by itself where the disk was full.
func TestStoreFailsAtEachStep(t *testing.T) {
	d := newDisk(t, closedLedger(t, 10))
	all, next, failed := acked{}, 10, 0
	image := filepath.Join(t.TempDir(), "image")
	for _, errno := range []syscall.Errno{syscall.EIO, syscall.ENOSPC} {
		for _, op := range []string{"write", "sync"} {
			for at := 1; at <= rounds(t, 12, 60); at += rounds(t, 3, 1) {
				what := fmt.Sprintf("%v, %s %d of the file", errno, op, at)
				l := d.open()
				d.order(order{Do: "fault", Op: op, At: at, Errno: int(errno), Name: "ledger"})
				var err error
				for range 250 { // four turns of the journal
					var r ledger.Receipt
					if r, err = l.Append(ctx, ledgertest.Add(t, next)); err != nil {
						break
					}
					all[next] = r.LeafHash
					next++
				}
				if err != nil {
					failed++
				}
				switch {
				case err == nil: // the store needs fewer operations than that
				case errno == syscall.ENOSPC && (refusal.Is(err, "LEDGER_DISK_FULL") || refusal.Is(err, "LEDGER_OUTCOME_UNKNOWN")):
				case errno == syscall.EIO && refusal.Is(err, "LEDGER_OUTCOME_UNKNOWN"):
				default:
					t.Errorf("%s: %v (%v)", what, err, errors.Unwrap(err))
				}
				d.order(order{Do: "image", Path: image, Images: 1})
				wantAcked(t, what+", cut", image+".0", all)
				if errno == syscall.ENOSPC && err != nil {
					d.order(order{Do: "fault"})
					waitUntil(t, what+": it goes on by itself", func() bool { return l.Health().Records })
					r, err := l.Append(ctx, ledgertest.Add(t, next))
					if err != nil {
						t.Fatalf("%s: after room was made: %v (%v)", what, err, errors.Unwrap(err))
					}
					all[next] = r.LeafHash
					next++
				}
				_ = l.Close() // it may fail: the journal is still there
				d.order(order{Do: "fault"})
				d.order(order{Do: "image", Path: image, Images: 1})
				wantAcked(t, what+", closed and cut", image+".0", all)
				d.order(order{Do: "image", Path: image, Images: 1})
				d.order(order{Do: "load", Path: image + ".0"})
			}
		}
	}
	if failed == 0 {
		t.Error("nothing failed")
	}
	t.Logf("%d failures of the store, %d events acknowledged, lost: 0", failed, len(all))
}

// The room on a disk ends in the middle of everything, from one size of the file to the next.
func TestRoomEndsAnywhere(t *testing.T) {
	d := newDisk(t, closedLedger(t, 10))
	l := d.open()
	all, next := acked{}, 10
	for room := 40 << 10; room < 400<<10; room += 36 << 10 {
		d.order(order{Do: "room", MaxSize: room})
		for i := 0; ; i++ {
			if i == 3000 {
				t.Fatalf("%d bytes do not fill", room)
			}
			r, err := l.Append(ctx, paddedEvent(next, 1500))
			if refusal.Is(err, "LEDGER_DISK_FULL") || refusal.Is(err, "LEDGER_OUTCOME_UNKNOWN") {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			all[next] = r.LeafHash
			next++
		}
		if err := l.View(func(*ledger.Book, uint64) error { return nil }); err != nil && l.Health().Book {
			t.Errorf("reading while full: %v", err)
		}
		d.order(order{Do: "room"})
		waitUntil(t, "it goes on by itself", func() bool { return l.Health().Records })
		r, err := l.Append(ctx, paddedEvent(next, 1500))
		if err != nil {
			t.Fatalf("after room was made: %v", err)
		}
		all[next] = r.LeafHash
		next++
	}
	ledgertest.Verify(t, l)
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	image := filepath.Join(t.TempDir(), "image")
	d.order(order{Do: "image", Path: image, Images: 1})
	wantAcked(t, "cut at the end", image+".0", all)
}

// A slow disk delays and loses nothing: who cannot wait is told so before the event is taken, or gets its receipt.
func TestSlowDisk(t *testing.T) {
	d := newDisk(t, closedLedger(t, 10))
	l := d.open()
	d.order(order{Do: "slow", Millis: 15})
	all, refused := acked{}, []int(nil)
	answers := make(chan answer, 40)
	for n := 10; n < 40; n++ { // three at a time, so that one is in the disk's hands and the others wait in the queue
		go func() {
			impatient, cancel := context.WithTimeout(ctx, time.Duration(n)*time.Millisecond)
			defer cancel()
			r, err := l.Append(impatient, ledgertest.Add(t, n))
			answers <- answer{n, r.LeafHash, err}
		}()
		if n%3 != 0 {
			continue
		}
		for len(all)+len(refused) < n-9 {
			switch a := <-answers; {
			case refusal.Is(a.err, "LEDGER_BUSY"):
				refused = append(refused, a.n)
			case a.err != nil:
				t.Fatalf("event %d: %v", a.n, a.err)
			default:
				all[a.n] = a.hash
			}
		}
	}
	for _, n := range refused {
		if _, err := l.ByID(ledgertest.ID(n)); !refusal.Is(err, "EVENT_UNKNOWN") {
			t.Errorf("event %d was refused as not taken, and is there: %v", n, err)
		}
	}
	wantState(t, l, ledger.Healthy)
	d.order(order{Do: "heal"})
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	image := filepath.Join(t.TempDir(), "image")
	d.order(order{Do: "image", Path: image, Images: 1})
	wantAcked(t, "slow", image+".0", all)
	t.Logf("%d recorded, %d told to send again", len(all), len(refused))
}
