//go:build unix

package ledger_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/ledger/proof"
)

type ack struct {
	n, seq int
	hash   string
}

// runWriters runs a writing child until it is dead and returns what it acknowledged. kill, if not nil, is given each
// acknowledgement's count and says when to kill it from outside.
func runWriters(t *testing.T, path string, first int, point string, passage int, kill func(acks int) bool) []ack {
	t.Helper()
	cmd := child(ctx, "write", path, fmt.Sprintf("LEDGER_CHILD_FIRST=%d", first), "LEDGER_CHILD_POINT="+point,
		fmt.Sprintf("LEDGER_CHILD_PASSAGE=%d", passage))
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var acks []ack
	for lines := bufio.NewScanner(out); lines.Scan(); {
		var a ack
		if _, err := fmt.Sscanf(lines.Text(), "ack %d %d %s", &a.n, &a.seq, &a.hash); err != nil {
			t.Errorf("the child says %q", lines.Text())
			continue
		}
		acks = append(acks, a)
		if kill != nil && kill(len(acks)) {
			_ = cmd.Process.Kill()
		}
	}
	wantKilled(t, cmd.Wait())
	return acks
}

func wantKilled(t *testing.T, err error) {
	t.Helper()
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
		t.Fatalf("the child was not killed but ended with %v", err)
	}
}

// checkAfterCrash opens the file, verifies all of it, and resends everything: what was acknowledged is there once, in its
// place; the rest is there once or not at all and then recorded now. It returns the number of the next unused event.
func checkAfterCrash(t *testing.T, path string, first int, acks []ack) int {
	t.Helper()
	l, err := ledger.Open(path, ledgertest.Config())
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	ledgertest.Verify(t, l)
	size := int(l.Size())
	if size < first+len(acks) {
		t.Fatalf("%d entries are left of %d and %d acknowledged", size, first, len(acks))
	}
	last := max(size, first) + 20
	for _, a := range acks {
		last = max(last, a.n+1)
		r := mustAppend(t, l, childEvent(a.n))
		if !r.Resent || int(r.Seq) != a.seq || r.LeafHash.String() != a.hash {
			t.Errorf("acknowledged %+v, after the crash %+v", a, r)
		}
	}
	if int(l.Size()) != size {
		t.Errorf("resending grew the log from %d to %d", size, l.Size())
	}
	fresh := 0
	for n := first; n < last; n++ {
		if !mustAppend(t, l, childEvent(n)).Resent {
			fresh++
		}
	}
	if int(l.Size()) != last || size+fresh != last {
		t.Errorf("%d entries for %d events", l.Size(), last)
	}
	for i := range 10 {
		want := int64(0) // by hand: every tenth event adds 1
		for n := i; n < last; n += 10 {
			want++
		}
		if got := total(t, l, fmt.Sprintf("name%d", i)); got != want {
			t.Errorf("name%d is %d, want %d", i, got, want)
		}
	}
	ledgertest.Verify(t, l)
	return last
}

func emptyLedger(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "ledger")
	l, err := ledger.Create(path, ledgertest.Config())
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestCrashAtEachPoint(t *testing.T) {
	path := emptyLedger(t)
	first := 0
	for i, point := range slices.Concat(ledger.CrashPoints, ledger.StoreCrashPoints) {
		for _, passage := range []int{1, 7 + i} {
			acks := runWriters(t, path, first, point, passage, nil)
			if passage > 1 && len(acks) == 0 && point != "before-apply" && point != "after-apply" {
				t.Errorf("%s: nothing was acknowledged before passage %d", point, passage)
			}
			first = checkAfterCrash(t, path, first, acks)
		}
	}
}

func TestCrashAtRandom(t *testing.T) {
	seed := seedOf(t)
	random := rand.New(rand.NewPCG(seed, 2))
	path := emptyLedger(t)
	first := 0
	killed := rounds(t, 4, 300)
	for range killed {
		after := 1 + random.IntN(200)
		acks := runWriters(t, path, first, "", 0, func(n int) bool {
			if n != after {
				return false
			}
			time.Sleep(time.Duration(random.IntN(2000)) * time.Microsecond) // where in a batch it dies
			return true
		})
		first = checkAfterCrash(t, path, first, acks)
		if first > 20_000 { // checking takes longer with every entry
			path, first = emptyLedger(t), 0
		}
	}
	t.Logf("%d kills survived, lost: 0", killed)
}

// rounds is how many rounds a test runs: few in every run, many where BARWARD_LONG is set.
func rounds(t testing.TB, short, long int) int {
	t.Helper()
	if os.Getenv("BARWARD_LONG") != "" {
		return long
	}
	return short
}

// A rebuild that dies is done again when the file is opened, and gives the book that was there.
func TestCrashInRebuild(t *testing.T) {
	path := closedLedger(t, 250)
	l, err := ledger.Open(path, ledgertest.Config())
	if err != nil {
		t.Fatal(err)
	}
	before := dump(t, l)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		point   string
		passage string
	}{
		{"rebuild-dropped", "1"}, {"rebuild-before-commit", "1"}, {"rebuild-before-commit", "3"},
		{"rebuild-after-commit", "1"}, {"rebuild-after-commit", "2"}, {"rebuild-after-commit", "3"},
	} {
		wantKilled(t, child(ctx, "rebuild", path, "LEDGER_CHILD_POINT="+c.point, "LEDGER_CHILD_PASSAGE="+c.passage).Run())
		l, err := ledger.Open(path, ledgertest.Config())
		if err != nil {
			t.Fatal(err)
		}
		if dump(t, l) != before {
			t.Errorf("%s, passage %s: the book differs", c.point, c.passage)
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
	ledgertest.Open(t, path)
}

func wantWentOn(t *testing.T, path string, cmd *exec.Cmd) {
	t.Helper()
	out, err := cmd.Output()
	var size uint64
	if _, scanErr := fmt.Sscanf(string(out), "went on to %d\n", &size); err != nil || scanErr != nil || size <= 50 {
		t.Fatalf("the child says %q and ended with %v", out, err)
	}
	if l := ledgertest.Open(t, path); l.Size() != size {
		t.Errorf("%d entries are left of %d", l.Size(), size)
	}
}

// A file that may not grow: the kernel's own limit on the size of a file, in a child. Runs everywhere.
func TestFileMayNotGrow(t *testing.T) {
	for _, limit := range []int{200_000, 1 << 20} {
		path := emptyLedger(t)
		wantWentOn(t, path, child(ctx, "fill", path, fmt.Sprintf("LEDGER_CHILD_LIMIT=%d", limit)))
	}
}

// Two ledgers never share a file: a second process is refused while the first lives.
func TestSecondProcess(t *testing.T) {
	path := emptyLedger(t)
	l := ledgertest.Open(t, path)
	out, err := child(ctx, "verify", path).Output()
	if err != nil || string(out) != "in use\n" {
		t.Errorf("a second process says %q and ended with %v", out, err)
	}
	mustAppend(t, l, childEvent(0))
}

// The log key of the tests, its events and its leaves are the same in every process.
func TestChildrenAgree(t *testing.T) {
	a, b := childEvent(5), ledgertest.Add(t, 5)
	if string(a.Signed.Event) != string(b.Signed.Event) || proof.LeafHash(a.Signed.Signature) != proof.LeafHash(b.Signed.Signature) {
		t.Error("the same event differs")
	}
	if os.Getenv("LEDGER_CHILD") != "" {
		t.Error("this is a child")
	}
}

// Bits flipped anywhere, also where the store keeps its own pages, never make a ledger verify with other content. This runs
// in a child process, for a damaged page may be beyond what the store survives; dying counts as noticing.
func TestFlippedBitsAnywhere(t *testing.T) {
	path := closedLedger(t, 300)
	file := compacted(t, path)
	undamaged, err := ledger.Open(path, ledgertest.Config())
	if err != nil {
		t.Fatal(err)
	}
	want := ledgertest.Verify(t, undamaged)
	if err := undamaged.Close(); err != nil {
		t.Fatal(err)
	}
	seed := seedOf(t)
	random := rand.New(rand.NewPCG(seed, 1))
	const rounds = 30
	offsets := make([]int, rounds)
	for i := range offsets {
		damaged := bytes.Clone(file)
		offsets[i] = random.IntN(len(file))
		damaged[offsets[i]] ^= 1 << random.IntN(8)
		write(t, fmt.Sprintf("%s.%d", path, i), damaged)
	}
	verified := fmt.Sprintf("verified %d %s", want.Size, want.Root)
	noticed, died := 0, 0
	for next := 0; next < rounds; {
		limited, cancel := context.WithTimeout(ctx, time.Minute)
		out, err := child(limited, "verify", path, fmt.Sprintf("LEDGER_CHILD_FIRST=%d", next), fmt.Sprintf("LEDGER_CHILD_END=%d", rounds)).Output()
		cancel()
		for line := range strings.Lines(string(out)) {
			switch answer := strings.TrimSpace(line); answer {
			case verified: // the bit was in a part of a page that holds nothing
			case "noticed":
				noticed++
			default:
				t.Errorf("seed %d, offset %d: a damaged file gives %q", seed, offsets[next], answer)
			}
			next++
		}
		if next < rounds {
			t.Logf("seed %d, offset %d: the child ended with %v", seed, offsets[next], err)
			died++
			next++
		}
	}
	t.Logf("seed %d: of %d flips %d noticed, %d killed the process, the rest hit nothing", seed, rounds, noticed, died)
	if noticed+died == 0 {
		t.Error("no flip hit anything")
	}
}

func seedOf(t *testing.T) uint64 {
	seed := uint64(time.Now().UnixNano())
	if s := os.Getenv("LEDGER_TEST_SEED"); s != "" {
		var err error
		if seed, err = strconv.ParseUint(s, 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("seed %d; set LEDGER_TEST_SEED to repeat", seed)
	return seed
}
