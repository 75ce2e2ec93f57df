//go:build unix

package outbox

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

	"barward/internal/refusal"
)

// The crash tests run a morning's work in a child process, which is this test binary, kill it, and look at what is left.
// A kill keeps what the kernel has been given, so these tests show that no order of steps loses an event, not that the
// disk was synced.

func TestMain(m *testing.M) {
	switch os.Getenv("OUTBOX_CHILD") {
	case "morning":
		childMorning()
	case "flush":
		o, err := Open(os.Getenv("OUTBOX_FOLDER"))
		if err == nil {
			_, err = o.Flush(context.Background(), nil)
		}
		if r := refusal.As(err); r != nil {
			fmt.Print(r.Reason)
		}
	default:
		os.Exit(m.Run())
	}
}

// morning puts six events, has them sent over a link that breaks once, has one sent again and one dismissed, and saves a
// checkpoint. did is called with the number of each event that is safely put.
func morning(o *Outbox, log *fakeLog, checkpoint []byte, did func(n int)) error {
	for n := range 6 {
		text := "pour"
		if n == 1 || n == 4 {
			text = "refuse"
		}
		if _, err := o.Put(signed(numbered(n), text)); err != nil {
			return err
		}
		did(n)
	}
	broken := false
	for range 2 {
		_, err := o.Flush(context.Background(), func(ctx context.Context, item Item) ([]byte, error) {
			receipt, err := log.send(ctx, item)
			if item.ID == numbered(2) && !broken {
				broken = true
				return nil, errors.New("link lost after the log had recorded it")
			}
			return receipt, err
		})
		if err != nil {
			return err
		}
	}
	if err := o.Retry(numbered(4)); err != nil && !refusal.Is(err, "EVENT_NOT_REFUSED") {
		return err
	}
	if _, err := o.Flush(context.Background(), log.send); err != nil {
		return err
	}
	if err := o.Dismiss(numbered(0)); err != nil && !refusal.Is(err, "EVENT_NOT_IN_OUTBOX") {
		return err
	}
	return o.SaveCheckpoint(checkpoint)
}

func childMorning() {
	fail := func(err error) {
		fmt.Println("error", err)
		os.Exit(1)
	}
	o, err := Open(os.Getenv("OUTBOX_FOLDER"))
	if err != nil {
		fail(err)
	}
	kill, _ := strconv.Atoi(os.Getenv("OUTBOX_KILL"))
	steps := 0
	o.step = func(string) error {
		if steps++; steps == kill {
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
			select {}
		}
		return nil
	}
	checkpoint, err := os.ReadFile(os.Getenv("OUTBOX_CHECKPOINT"))
	if err != nil {
		fail(err)
	}
	if err := morning(o, &fakeLog{folder: os.Getenv("OUTBOX_LOG")}, checkpoint, func(n int) { fmt.Println("put", n) }); err != nil {
		fail(err)
	}
	fmt.Println("done")
}

type crash struct {
	folder, log, checkpoint string
}

func newCrash(t *testing.T) crash {
	base := tempDir(t)
	c := crash{filepath.Join(base, "outbox"), filepath.Join(base, "log"), filepath.Join(base, "checkpoint")}
	if err := os.Mkdir(c.log, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(c.checkpoint, note(t, "ledger.example/umbrivane", 9), 0o600); err != nil {
		t.Fatal(err)
	}
	return c
}

func (c crash) child(what string, kill int) *exec.Cmd {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "OUTBOX_CHILD="+what, "OUTBOX_FOLDER="+c.folder, "OUTBOX_LOG="+c.log,
		"OUTBOX_CHECKPOINT="+c.checkpoint, "OUTBOX_KILL="+strconv.Itoa(kill))
	return cmd
}

// check opens what the crash left, ends the morning, and asks: is every event that was safely put where it belongs, once?
func (c crash) check(t *testing.T, out string) {
	t.Helper()
	o := open(t, c.folder)
	inFolders := map[string]int{}
	for _, state := range []State{Waiting, Recorded, Refused} {
		items, err := o.List(state, Page{Size: MaxPage})
		if err != nil {
			t.Fatal(err)
		}
		for _, item := range items {
			if inFolders[item.ID.String()]++; inFolders[item.ID.String()] > 1 {
				t.Errorf("%s is in two folders after opening", item.ID)
			}
		}
	}
	for n := range 6 {
		id := numbered(n).String()
		_, inLog := os.Stat(filepath.Join(c.log, id))
		if strings.Contains(out, fmt.Sprintf("put %d\n", n)) && inFolders[id] == 0 && (n != 0 || inLog != nil) {
			t.Errorf("event %d was put and is lost", n)
		}
	}
	log := &fakeLog{folder: c.log}
	checkpoint, err := os.ReadFile(c.checkpoint)
	if err != nil {
		t.Fatal(err)
	}
	if err := morning(o, log, checkpoint, func(int) {}); err != nil {
		t.Fatalf("the morning cannot be ended: %v", err)
	}
	wantIDs(t, o, Waiting)
	wantIDs(t, o, Refused, 1, 4)
	wantIDs(t, o, Recorded, 2, 3, 5)
	wantCheckpoint(t, o, checkpoint)
	if damaged, err := o.Damaged(); err != nil || damaged != nil {
		t.Errorf("damaged: %+v, %v", damaged, err)
	}
	for n := range 6 {
		event, err := os.ReadFile(filepath.Join(c.log, numbered(n).String()))
		switch refuse := n == 1 || n == 4; {
		case refuse && err == nil:
			t.Errorf("the log has event %d, which it refused", n)
		case !refuse && !bytes.Equal(event, signed(numbered(n), "pour").Event):
			t.Errorf("the log has %q as event %d, %v", event, n, err)
		}
	}
}

// steps returns the points that the morning passes.
func steps(t *testing.T) []string {
	c := newCrash(t)
	o := open(t, c.folder)
	var points []string
	o.step = func(point string) error {
		points = append(points, point)
		return nil
	}
	checkpoint, err := os.ReadFile(c.checkpoint)
	if err != nil {
		t.Fatal(err)
	}
	if err := morning(o, &fakeLog{folder: c.log}, checkpoint, func(int) {}); err != nil {
		t.Fatal(err)
	}
	names := strings.Join(points, " ")
	for _, step := range []string{"draft", "name", "sync", "remove", "rename", "dismiss", "checkpoint draft", "checkpoint name"} {
		if !strings.Contains(names, "before "+step) || !strings.Contains(names, "after "+step) {
			t.Fatalf("the morning does not pass the step %q", step)
		}
	}
	return points
}

// Killed at the first and the last time that each named point is passed; TestErrorAtEveryStep goes through all.
func TestKilledAtEveryPoint(t *testing.T) {
	points := steps(t)
	for k, point := range points {
		if slices.Index(points, point) != k && slices.Contains(points[k+1:], point) {
			continue
		}
		c := newCrash(t)
		out, err := c.child("morning", k+1).Output()
		var exit *exec.ExitError
		if !errors.As(err, &exit) || exit.Sys().(syscall.WaitStatus).Signal() != syscall.SIGKILL {
			t.Fatalf("step %d, %s: the child was not killed: %v, %s", k+1, point, err, out)
		}
		c.check(t, string(out))
		if t.Failed() {
			t.Fatalf("killed at step %d, %s", k+1, point)
		}
	}
}

// Killed from outside at a moment of chance, between steps too. Any outcome of the race is right; what is checked holds
// for all of them.
func TestKilledAtRandom(t *testing.T) {
	for range 12 {
		c := newCrash(t)
		cmd := c.child("morning", 0)
		pipe, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		var out strings.Builder
		lines := bufio.NewScanner(pipe)
		for killAfter := rand.IntN(7); lines.Scan(); killAfter-- {
			out.WriteString(lines.Text() + "\n")
			if killAfter == 0 {
				for range rand.IntN(1 << 22) { // a little later than the line
				}
				_ = cmd.Process.Kill()
			}
		}
		_ = cmd.Wait() // killed or done
		c.check(t, out.String())
	}
}

// Each step fails twice: with an error before anything was done, and with an error after it was done.
func TestErrorAtEveryStep(t *testing.T) {
	for k, point := range steps(t) {
		c := newCrash(t)
		o := open(t, c.folder)
		count := 0
		o.step = func(string) error {
			if count++; count == k+1 {
				return syscall.ENOSPC
			}
			return nil
		}
		checkpoint, err := os.ReadFile(c.checkpoint)
		if err != nil {
			t.Fatal(err)
		}
		var out strings.Builder
		err = morning(o, &fakeLog{folder: c.log}, checkpoint, func(n int) { fmt.Fprintf(&out, "put %d\n", n) })
		if !errors.Is(err, syscall.ENOSPC) {
			t.Fatalf("step %d, %s: the failure was not reported: %v", k+1, point, err)
		}
		c.check(t, out.String())
		if t.Failed() {
			t.Fatalf("failed at step %d, %s", k+1, point)
		}
	}
}

func TestOneFlushAtATimeAcrossProcesses(t *testing.T) {
	c := newCrash(t)
	o := open(t, c.folder)
	put(t, o, 1, "pour")
	flush(t, o, func(context.Context, Item) ([]byte, error) {
		out, err := c.child("flush", 0).Output()
		if err != nil || string(out) != "OUTBOX_BUSY" {
			t.Errorf("the other process said %q, %v", out, err)
		}
		return nil, nil
	})
	wantIDs(t, o, Recorded, 1)
	// A killed holder does not keep the lock.
	if out, err := c.child("flush", 0).Output(); err != nil || len(out) != 0 {
		t.Errorf("after the flush the other process said %q, %v", out, err)
	}
}

// A folder that may not be read is not taken for damage.
func TestUnreadableIsNotDamaged(t *testing.T) {
	if os.Getuid() == 0 {
		t.Skip("root may read everything")
	}
	o := open(t, tempDir(t))
	put(t, o, 1, "pour")
	if err := os.Chmod(o.path(Waiting, numbered(1)), 0); err != nil {
		t.Fatal(err)
	}
	_, err := o.Waiting(1)
	wantReason(t, err, "OUTBOX_NOT_READABLE")
}
