package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"barward/internal/refusal"
	"barward/internal/service"
)

// socketed serves with an operator's socket at a short path, because a socket's may not be long.
func (p place) socketed(change func(*Config)) (ready Ready, stop func() error) {
	p.t.Helper()
	if runtime.GOOS == "windows" {
		p.t.Skip("no permissions guard a socket on Windows")
	}
	folder, err := os.MkdirTemp("", "bw")
	if err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() { os.RemoveAll(folder) })
	return p.serve(func(c *Config) {
		c.OperatorSocket, c.Limits = filepath.Join(folder, "s"), service.Unlimited
		if change != nil {
			change(c)
		}
	})
}

// told runs a command and reads its answer.
func (p place) told(answer any, args ...string) {
	p.t.Helper()
	code, stdout, stderr := p.run(args...)
	if code != 0 {
		p.t.Fatalf("%v: ended with %d: %s", args, code, stderr)
	}
	if err := json.Unmarshal([]byte(stdout), answer); err != nil {
		p.t.Fatalf("%v told %q: %v", args, stdout, err)
	}
}

// The commands work beside a running server, by its socket, and say the same without one.
func TestCommandsBesideARunningServer(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	ready, stop := p.socketed(nil)
	s := newSite(p, seeded(t), "a", dialer(ready, nil))
	s.shipment(s.chance, "O1", 2)
	socket := []string{"--ledger", p.path("ledger"), "--operator-socket", ready.OperatorSocket}
	info, err := os.Stat(ready.OperatorSocket)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the socket has mode %v, %v; only its owner may open it", info.Mode(), err)
	}
	with := func(args ...string) []string { return append(args, socket...) }
	var now status
	p.told(&now, with("status")...)
	if now.Running == nil || now.Running.PID != os.Getpid() || !now.Running.Health.Ready || now.Entries != uint64(len(s.acked)+2) {
		t.Errorf("status told %+v", now)
	}
	var verified, backup, export found
	var again rebuilt
	p.told(&verified, with("verify")...)
	p.told(&backup, with("backup", "--to", p.path("copy"))...)
	p.told(&export, with("export", "--to", p.path("log"))...)
	p.told(&again, with("rebuild")...)
	for _, f := range []found{verified, backup, export} {
		if !f.Verified || f.Entries != now.Entries || f.Root != now.Root || f.Checkpoint != now.Checkpoint {
			t.Errorf("%s told %+v, status %+v", f.Did, f, now)
		}
	}
	if again.Entries != now.Entries {
		t.Errorf("rebuild told %+v", again)
	}
	for _, name := range []string{"copy", "log"} {
		if info, err := os.Stat(p.path(name)); err != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("%s: mode %v, %v; it holds what parties keep from each other", name, info.Mode(), err)
		}
	}
	// What is there is not replaced.
	code, _, stderr := p.run(with("backup", "--to", p.path("copy"))...)
	want(t, "backup onto a file", code, 1, stderr, "BACKUP_EXISTS")
	code, _, stderr = p.run(with("export", "--to", p.path("log"))...)
	want(t, "export onto a file", code, 1, stderr, "EXPORT_EXISTS")
	code, _, stderr = p.run(with("backup", "--to", p.path("no/such/folder"))...)
	want(t, "backup into nowhere", code, 1, stderr, "BACKUP_NOT_WRITTEN")
	s.shipment(s.chance, "O2", 1) // it records on
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(ready.OperatorSocket); !os.IsNotExist(err) {
		t.Error("the socket of a server that is gone is still there")
	}
	p.audit(s)
	var alone status
	p.told(&alone, with("status")...)
	if alone.Running != nil || alone.Entries != uint64(len(s.acked)+2) {
		t.Errorf("without a server status told %+v", alone)
	}
	p.told(&backup, with("backup", "--to", p.path("copy2"))...)
	p.told(&export, with("export", "--to", p.path("log2"))...)
	if backup.Root != alone.Root || export.Root != alone.Root {
		t.Errorf("without a server: backup %+v, export %+v, status %+v", backup, export, alone)
	}
}

// A copy is held against a later checkpoint: one that ends before it, or that says something else, is found out.
func TestCheckBackupAgainstALaterCheckpoint(t *testing.T) {
	t.Parallel()
	p, other := newLedger(t), newLedger(t)
	ready, stop := p.socketed(nil)
	s := newSite(p, seeded(t), "a", dialer(ready, nil))
	at := []string{"--ledger", p.path("ledger"), "--operator-socket", ready.OperatorSocket}
	var early, late, now found
	p.told(&early, append([]string{"backup", "--to", p.path("early")}, at...)...)
	s.shipment(s.chance, "K1", 1)
	p.told(&late, append([]string{"backup", "--to", p.path("late")}, at...)...)
	p.write("checkpoint", []byte(late.Checkpoint))
	key := []string{"--log-public-key", ready.LogPublicKey}
	check := func(copy string, more ...string) []string {
		return append(append([]string{"check-backup", "--backup", p.path(copy)}, more...), key...)
	}
	p.told(&now, check("late", "--checkpoint", p.path("checkpoint"))...)
	if now.Root != late.Root || now.Entries != late.Entries {
		t.Errorf("check-backup told %+v, backup %+v", now, late)
	}
	code, stdout, stderr := p.run(check("early", "--checkpoint", p.path("checkpoint"))...)
	want(t, "a copy that ends early", code, 1, stderr, "BACKUP_INCOMPLETE")
	if stdout != "" {
		t.Errorf("it told %s", stdout)
	}
	// The JSON of a command will do as a checkpoint too.
	asJSON, err := json.Marshal(early)
	if err != nil {
		t.Fatal(err)
	}
	p.write("early.json", asJSON)
	p.told(&now, check("late", "--checkpoint", p.path("early.json"))...)
	code, _, stderr = p.run(check("late", "--checkpoint", p.path("none"))...)
	want(t, "no checkpoint", code, 1, stderr, "CHECKPOINT_MISSING")
	code, _, stderr = p.run("check-backup", "--backup", p.path("late"), "--checkpoint", p.path("checkpoint"))
	want(t, "no key", code, 1, stderr, "LOG_KEY_MISSING")
	code, _, stderr = p.run("check-backup", "--backup", other.path("ledger"), "--log-key", p.path("ledger.key"),
		"--checkpoint", p.path("checkpoint"))
	want(t, "another log's file", code, 1, stderr, "LEDGER_")
	code, _, stderr = p.run("restore", "--backup", p.path("early"), "--ledger", p.path("new"), "--log-key", p.path("ledger.key"),
		"--checkpoint", p.path("checkpoint"))
	want(t, "restoring a copy that ends early", code, 1, stderr, "BACKUP_INCOMPLETE")
	if _, err := os.Stat(p.path("new")); !os.IsNotExist(err) {
		t.Error("a copy that was refused has become a ledger")
	}
	if err := stop(); err != nil {
		t.Fatal(err)
	}
}

// The recovery drill of OPERATING.md, step by step: a server with desks at work is backed up; its machine is lost; a
// copy is checked against the last checkpoint and restored elsewhere; the server comes back, and so do the desks, who
// send what they were not answered for. Nothing acknowledged is lost.
func TestRecoveryDrill(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	ready, stop := p.socketed(nil)
	s := newSite(p, seeded(t), "a", dialer(ready, nil))
	s.shipment(s.chance, "D1", 2)
	var backup found
	p.told(&backup, "backup", "--to", p.path("copy"), "--ledger", p.path("ledger"), "--operator-socket", ready.OperatorSocket)
	var last status // as a monitor or a client keeps it
	p.told(&last, "status", "--ledger", p.path("ledger"), "--operator-socket", ready.OperatorSocket)
	p.write("last-checkpoint", []byte(last.Checkpoint))
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	s.hangUpAll()
	// The disk is gone; the log's key is kept elsewhere.
	if err := os.Rename(p.path("ledger"), p.path("lost")); err != nil {
		t.Fatal(err)
	}
	code, _, stderr := p.run("serve", "--ledger", p.path("ledger"), "--listen", "127.0.0.1:0")
	want(t, "serve without a ledger", code, 1, stderr, "LEDGER_MISSING")
	restore := []string{"restore", "--backup", p.path("copy"), "--ledger", p.path("ledger"), "--log-key", p.path("ledger.key"),
		"--checkpoint", p.path("last-checkpoint")}
	var restored found
	p.told(&restored, restore...)
	if restored.Root != last.Root || restored.Entries != last.Entries {
		t.Errorf("restored %+v, the last checkpoint says %+v", restored, last)
	}
	code, _, stderr = p.run(restore...)
	want(t, "restore twice", code, 1, stderr, "LEDGER_EXISTS")
	code, _, stderr = p.run("verify", "--ledger", p.path("ledger"))
	want(t, "verify", code, 0, stderr, "")
	ready, stop = p.socketed(nil)
	s.dial = dialer(ready, nil)
	s.shipment(s.chance, "D2", 1)
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	p.audit(s)
}

// An export makes a ledger again that has the same log, and one bit changed in it is found.
func TestExportIsImportedAgain(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	ready, stop := p.serve(func(c *Config) { c.Limits = service.Unlimited })
	s := newSite(p, seeded(t), "a", dialer(ready, nil))
	s.shipment(s.chance, "X1", 1)
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	var export, imported, verified found
	p.told(&export, "export", "--to", p.path("log"), "--ledger", p.path("ledger"))
	in := []string{"import", "--export", p.path("log"), "--ledger", p.path("again"), "--log-public-key", ready.LogPublicKey}
	p.told(&imported, in...)
	p.told(&verified, "verify", "--ledger", p.path("again"), "--log-key", p.path("ledger.key"))
	if imported.Root != export.Root || verified.Root != export.Root || verified.Entries != export.Entries {
		t.Errorf("exported %+v, imported %+v, verified %+v", export, imported, verified)
	}
	code, _, stderr := p.run(in...)
	want(t, "import onto a ledger", code, 1, stderr, "LEDGER_EXISTS")
	text, err := os.ReadFile(p.path("log"))
	if err != nil {
		t.Fatal(err)
	}
	text[len(text)/2] ^= 1
	p.write("bent", text)
	code, _, stderr = p.run("import", "--export", p.path("bent"), "--ledger", p.path("no"), "--log-public-key", ready.LogPublicKey)
	if code != 1 {
		t.Errorf("a bent export was imported: %d %s", code, stderr)
	}
	if _, err := os.Stat(p.path("no")); !os.IsNotExist(err) {
		t.Error("a bent export has become a ledger")
	}
}

// held is a task that goes on until it is cancelled, in place of a long verification.
func held(begun chan<- struct{}) task {
	return func(ctx context.Context, _ opened, progress func(done, total uint64)) (any, error) {
		close(begun)
		for n := uint64(0); ctx.Err() == nil; n++ {
			progress(n%1000, 1000)
			time.Sleep(time.Millisecond)
		}
		return nil, refusal.New(refusal.Unavailable, "LEDGER_CANCELLED", "", "The work was cancelled.")
	}
}

// A task tells its progress, is listed, is refused a second time, and ends when its operator hangs up, when it is
// cancelled by its number, and when the server stops.
func TestTasksAreCancelled(t *testing.T) {
	kept := tasks["verify"]
	defer func() { tasks["verify"] = kept }()
	p := newLedger(t)
	for what, cancel := range map[string]func(hangUp func(), o *http.Client, stop func() error) error{
		"hanging up": func(hangUp func(), _ *http.Client, _ func() error) error { hangUp(); return nil },
		"its number": func(_ func(), o *http.Client, _ func() error) error {
			var list []progress
			resp, err := o.Get("http://operator/tasks")
			if err != nil {
				return err
			}
			defer resp.Body.Close()
			if err := json.NewDecoder(resp.Body).Decode(&list); err != nil || len(list) != 1 || list[0].Task != "verify" {
				return errors.New("the list of tasks is wrong")
			}
			req, err := http.NewRequest(http.MethodDelete, "http://operator/tasks/"+jsonNumber(list[0].ID), nil)
			if err != nil {
				return err
			}
			done, err := o.Do(req)
			if err != nil || done.StatusCode != http.StatusNoContent {
				return errors.New("the task was not cancelled")
			}
			return done.Body.Close()
		},
		"the server's stop": func(_ func(), _ *http.Client, stop func() error) error { return stop() },
	} {
		begun := make(chan struct{})
		entry := tasks["verify"]
		entry.run = held(begun)
		tasks["verify"] = entry
		ready, stop := p.socketed(nil)
		args := []string{"verify", "--ledger", p.path("ledger"), "--operator-socket", ready.OperatorSocket}
		ctx, hangUp := context.WithCancel(context.Background())
		out, errs := new(bytes.Buffer), new(syncBuffer)
		ended := make(chan int, 1)
		go func() {
			w := &world{ctx: ctx, stdout: out, stderr: errs, now: time.Now, getenv: func(string) string { return "" }}
			ended <- w.run(args)
		}()
		<-begun
		code, _, stderr := p.run(args...)
		want(t, what+": a second one", code, 1, stderr, "TASK_RUNNING")
		patient(t, what+": progress is told", func() bool { return strings.Contains(errs.String(), "entries/s") })
		client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true,
			DialContext: func(context.Context, string, string) (net.Conn, error) { return net.Dial("unix", ready.OperatorSocket) }}}
		if err := cancel(hangUp, client, stop); err != nil {
			t.Errorf("%s: %v", what, err)
		}
		if code := <-ended; code != 1 || out.Len() > 0 {
			t.Errorf("%s: ended with %d and told %q", what, code, out.String())
		}
		if err := stop(); err != nil {
			t.Errorf("%s: stop: %v", what, err)
		}
		hangUp()
	}
}

func jsonNumber(n uint64) string {
	text, _ := json.Marshal(n)
	return string(text)
}

// What the socket does not understand it refuses in words.
func TestOperatorSocketRefuses(t *testing.T) {
	t.Parallel()
	p := newLedger(t)
	ready, _ := p.socketed(nil)
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true,
		DialContext: func(context.Context, string, string) (net.Conn, error) { return net.Dial("unix", ready.OperatorSocket) }}}
	for what, tt := range map[string]struct{ path, body, reason string }{
		"no such task":       {"/tasks/melt", "{}", "TASK_UNKNOWN"},
		"no JSON":            {"/tasks/verify", "please", "TASK_MALFORMED"},
		"an unknown field":   {"/tasks/verify", `{"force": true}`, "TASK_MALFORMED"},
		"too long":           {"/tasks/verify", `{"file": "` + strings.Repeat("x", maxTaskRequest) + `"}`, "TASK_MALFORMED"},
		"a relative path":    {"/tasks/backup", `{"file": "copy"}`, "FILE_NOT_ABSOLUTE"},
		"no path":            {"/tasks/export", `{}`, "FILE_NOT_ABSOLUTE"},
		"the ledger's own":   {"/tasks/backup", `{"file": "` + p.path("ledger") + `"}`, "BACKUP_EXISTS"},
		"onto the log's key": {"/tasks/export", `{"file": "` + p.path("ledger.key") + `"}`, "EXPORT_EXISTS"},
	} {
		resp, err := client.Post("http://operator"+tt.path, "application/json", strings.NewReader(tt.body))
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || !strings.Contains(string(text), tt.reason) {
			t.Errorf("%s: %s, %v", what, text, err)
		}
	}
	// A socket that a server which died has left is made anew.
	p2 := newLedger(t)
	stale, err := net.Listen("unix", ready.OperatorSocket+"2")
	if err != nil {
		t.Fatal(err)
	}
	stale.(*net.UnixListener).SetUnlinkOnClose(false)
	stale.Close()
	p2.serve(func(c *Config) { c.OperatorSocket = ready.OperatorSocket + "2" })
	var now status
	p2.told(&now, "status", "--ledger", p2.path("ledger"), "--operator-socket", ready.OperatorSocket+"2")
	if now.Running == nil {
		t.Error("the server does not answer on the socket that it made anew")
	}
}
