//go:build unix

package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"barward/internal/ledger"
	"barward/internal/ledger/ledgertest"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// Tests that may kill a process run this test binary again as a child, told by its environment what to do.
func TestMain(m *testing.M) {
	if what := os.Getenv("LEDGER_CHILD"); what != "" {
		children[what](os.Getenv("LEDGER_CHILD_PATH"))
	}
	os.Exit(m.Run())
}

var children = map[string]func(path string){
	"write": writeUntilKilled, "rebuild": rebuildUntilKilled, "verify": verifyInChild, "fill": fillFile,
}

func child(ctx context.Context, what, path string, environment ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, os.Args[0])
	cmd.Env = append(os.Environ(), "LEDGER_CHILD="+what, "LEDGER_CHILD_PATH="+path)
	cmd.Env = append(cmd.Env, environment...)
	cmd.Stderr = nil
	return cmd
}

const exitFailed = 11

func failChild(err error) {
	fmt.Println("failed:", err, "cause:", errors.Unwrap(err))
	os.Exit(exitFailed)
}

// verifyInChild says of a file, or of the numbered copies of it that the environment names, what verifying finds.
func verifyInChild(path string) {
	verify := func(path string) string {
		c := ledgertest.Config()
		c.LockTimeout = 100 * time.Millisecond
		l, err := ledger.Open(path, c)
		if refusal.Is(err, "LEDGER_IN_USE") {
			return "in use"
		}
		if err != nil {
			return "noticed"
		}
		report, err := l.Verify(context.Background(), nil)
		if err != nil {
			return "noticed"
		}
		return fmt.Sprintf("verified %d %s", report.Size, report.Root)
	}
	if end, err := strconv.Atoi(os.Getenv("LEDGER_CHILD_END")); err == nil {
		first, _ := strconv.Atoi(os.Getenv("LEDGER_CHILD_FIRST"))
		for n := first; n < end; n++ {
			fmt.Println(verify(fmt.Sprintf("%s.%d", path, n)))
		}
	} else {
		fmt.Println(verify(path))
	}
	os.Exit(0)
}

// killAt returns a hook that kills this process with SIGKILL at the n-th passage of a point; the environment says which.
func killAt() func(point string) error {
	at := os.Getenv("LEDGER_CHILD_POINT")
	passage, _ := strconv.Atoi(os.Getenv("LEDGER_CHILD_PASSAGE"))
	var seen atomic.Int64
	return func(point string) error {
		if point == at && int(seen.Add(1)) == passage {
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
			select {}
		}
		return nil
	}
}

// childEvent is event number n of the crash tests.
func childEvent(n int) ledger.Submission { return paddedEvent(n, 0) }

// paddedEvent is event number n with some spaces in it, to fill a disk sooner.
func paddedEvent(n, spaces int) ledger.Submission {
	payload := fmt.Sprintf("add name%d 1", n%10) + strings.Repeat(" ", spaces)
	signed := ledgertest.Event(ledgertest.Key(n%3), ledgertest.ID(n), payload)
	envelope, err := proof.Open(signed)
	if err != nil {
		failChild(err)
	}
	return ledger.Submission{Signed: signed, Envelope: envelope}
}

// writeUntilKilled appends events from the number that the environment gives on, from many writers, and says on its output
// which are acknowledged, each as soon as it is.
func writeUntilKilled(path string) {
	c := ledgertest.Config()
	c.Hook = killAt()
	l, err := ledger.Open(path, c)
	if err != nil {
		failChild(err)
	}
	first, _ := strconv.Atoi(os.Getenv("LEDGER_CHILD_FIRST"))
	var next atomic.Int64
	next.Store(int64(first))
	var writers sync.WaitGroup
	for range 16 {
		writers.Go(func() {
			for {
				n := int(next.Add(1) - 1)
				if n >= first+5000 {
					return
				}
				r, err := l.Append(context.Background(), childEvent(n))
				if err != nil {
					failChild(err)
				}
				fmt.Fprintf(os.Stdout, "ack %d %d %s\n", n, r.Seq, r.LeafHash)
			}
		})
	}
	writers.Wait()
	failChild(errors.New("survived"))
}

func rebuildUntilKilled(path string) {
	c := ledgertest.Config()
	c.Hook = killAt()
	l, err := ledger.Open(path, c)
	if err != nil {
		failChild(err)
	}
	if err := l.Rebuild(context.Background(), nil); err != nil {
		failChild(err)
	}
	failChild(errors.New("survived"))
}

// fillFile appends until there is no room, makes room, and goes on. With LEDGER_CHILD_LIMIT it is its own file size limit
// that is in the way; otherwise the file LEDGER_CHILD_BALLAST on the same disk, which it removes.
func fillFile(path string) {
	c := ledgertest.Config()
	c.InitialMmap = 64 << 10
	l, err := ledger.Open(path, c)
	if err != nil {
		failChild(err)
	}
	var old syscall.Rlimit
	if limit, err := strconv.ParseUint(os.Getenv("LEDGER_CHILD_LIMIT"), 10, 64); err == nil {
		if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &old); err != nil {
			failChild(err)
		}
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: limit, Max: old.Max}); err != nil {
			failChild(err)
		}
	}
	ctx := context.Background()
	n := 0
	for ; ; n++ {
		if n == 100_000 {
			failChild(errors.New("the disk does not fill"))
		}
		r, err := l.Append(ctx, paddedEvent(n, 2000))
		if refusal.Is(err, "LEDGER_DISK_FULL") {
			break
		}
		if err != nil || r.Seq != uint64(n) {
			failChild(fmt.Errorf("event %d: %+v: %w", n, r, err))
		}
	}
	// Full, several times over: the same clear answer, health says so, and reading goes on.
	for range 3 {
		if _, err := l.Append(ctx, paddedEvent(n, 2000)); !refusal.Is(err, "LEDGER_DISK_FULL") {
			failChild(fmt.Errorf("again: %w", err))
		}
	}
	if !refusal.Is(l.Err(), "LEDGER_DISK_FULL") {
		failChild(fmt.Errorf("health: %w", l.Err()))
	}
	if report, err := l.Verify(ctx, nil); err != nil || report.Size != uint64(n) {
		failChild(fmt.Errorf("verify while full, %d entries: %w", report.Size, err))
	}
	if ballast := os.Getenv("LEDGER_CHILD_BALLAST"); ballast != "" {
		err = os.Remove(ballast)
	} else {
		err = syscall.Setrlimit(syscall.RLIMIT_FSIZE, &old)
	}
	if err != nil {
		failChild(err)
	}
	for end := n + 50; n < end; n++ {
		if r, err := l.Append(ctx, paddedEvent(n, 2000)); err != nil || r.Resent || r.Seq != uint64(n) {
			failChild(fmt.Errorf("event %d after room was made: %+v: %w", n, r, err))
		}
	}
	if l.Err() != nil {
		failChild(l.Err())
	}
	report, err := l.Verify(ctx, nil)
	if err = errors.Join(err, l.Close()); err != nil {
		failChild(err)
	}
	fmt.Printf("went on to %d\n", report.Size)
	os.Exit(0)
}
