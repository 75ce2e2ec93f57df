package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"path/filepath"
	"time"

	"barward/internal/ledger"
	"barward/internal/refusal"
)

// onLedger names a ledger that a server may hold: then the server does the task, asked by its operator's socket.
type onLedger struct {
	where
	OperatorSocket string `placeholder:"FILE" env:"BARWARD_OPERATOR_SOCKET" help:"Operator's socket of a running server. Default: the ledger file's name with .sock behind it."`
}

func (w onLedger) socket() string {
	if w.OperatorSocket != "" {
		return w.OperatorSocket
	}
	return w.Ledger + ".sock"
}

type verifyCommand struct {
	onLedger
	Scratch string `placeholder:"FOLDER" help:"Folder with room for a second copy of the book, where no server runs. Default: the system's folder for such files."`
}

// Run checks a ledger. Where no server holds it the check has this process to itself: a damaged page can take down the
// process that reads it.
func (c *verifyCommand) Run(w *world) error { return c.have(w, "verify", "", c.Scratch) }

type rebuildCommand struct{ onLedger }

// Run drops the book and folds it again. A running server refuses calls meanwhile.
func (c *rebuildCommand) Run(w *world) error { return c.have(w, "rebuild", "", "") }

type statusCommand struct{ onLedger }

// Run says what a ledger holds, and how its server is, if one runs.
func (c *statusCommand) Run(w *world) error { return c.have(w, "status", "", "") }

type backupCommand struct {
	onLedger
	To string `required:"" placeholder:"FILE" help:"File to write; one that is there is not replaced."`
}

// Run writes a copy of the ledger, checks it, and tells its checkpoint.
func (c *backupCommand) Run(w *world) error { return c.have(w, "backup", c.To, "") }

type exportCommand struct {
	onLedger
	To string `required:"" placeholder:"FILE" help:"File to write; one that is there is not replaced."`
}

// Run writes the whole log in a form that needs no database to be verified.
func (c *exportCommand) Run(w *world) error { return c.have(w, "export", c.To, "") }

// have has a task done, by the server that holds the ledger or in this process, and tells the answer.
func (c onLedger) have(w *world, name, file, scratch string) (err error) {
	if file != "" {
		if file, err = filepath.Abs(file); err != nil {
			return err
		}
	}
	if conn, err := net.Dial("unix", c.socket()); err == nil {
		return w.ask(conn, name, request{File: file})
	}
	l, key, err := c.open(scratch)
	if err != nil {
		return err
	}
	defer l.Close()
	answer, err := tasks[name].run(w.ctx, opened{ledger: l, key: key, file: file}, w.progress(name, tasks[name].unit))
	if err != nil {
		return err
	}
	return w.tell(answer)
}

// open opens the ledger so that nothing can be recorded.
func (w where) open(scratch string) (*ledger.Ledger, logKey, error) {
	if err := w.missing(); err != nil {
		return nil, logKey{}, err
	}
	key, err := readLogKey(w.logKey())
	if err != nil {
		return nil, logKey{}, err
	}
	config := key.config(reading)
	config.Scratch = scratch
	l, err := ledger.Open(w.Ledger, config)
	if r := refusal.As(err); r != nil && r.Reason == "LEDGER_IN_USE" {
		r.Text += " If it is a server that runs, name its --operator-socket."
	}
	return l, key, err
}

// ask has the server behind conn do a task, tells how far it is and then its answer. When the context ends the
// connection does, and the server ends the task.
func (w *world) ask(conn net.Conn, name string, req request) error {
	body, err := json.Marshal(req)
	if err != nil {
		return err
	}
	ask, err := http.NewRequestWithContext(w.ctx, http.MethodPost, "http://operator/tasks/"+name, bytes.NewReader(body))
	if err != nil {
		return err
	}
	client := http.Client{Transport: &http.Transport{
		DialContext: func(context.Context, string, string) (net.Conn, error) { return conn, nil }}}
	defer client.CloseIdleConnections()
	broken := func(err error) error {
		if w.ctx.Err() != nil {
			return refusal.New(refusal.Unavailable, "LEDGER_CANCELLED", "",
				"The work was cancelled before its end. Start it again.").Because(err)
		}
		return refusal.New(refusal.Unavailable, "OPERATOR_SOCKET_FAILED", "operator_socket",
			"The server was asked and did not answer to the end. See its log, and ask again.").Because(err)
	}
	answer, err := client.Do(ask)
	if err != nil {
		return broken(err)
	}
	defer answer.Body.Close()
	lines := bufio.NewScanner(answer.Body)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var l line
		if err := json.Unmarshal(lines.Bytes(), &l); err != nil {
			return broken(err)
		}
		switch {
		case l.Progress != nil:
			w.showProgress(*l.Progress)
		case l.Refusal != nil:
			return l.Refusal.error()
		default:
			var pretty bytes.Buffer
			if err := json.Indent(&pretty, l.Answer, "", "  "); err != nil {
				return broken(err)
			}
			pretty.WriteByte('\n')
			_, err := pretty.WriteTo(w.stdout)
			return err
		}
	}
	return broken(errors.Join(lines.Err(), errors.New("the answer ended early")))
}

// progress tells how far a long command is, at most once a second, with its rate and the time left.
func (w *world) progress(name, unit string) func(done, total uint64) {
	pace := newPace(w.now())
	return func(done, total uint64) {
		if rate, left, due := pace.step(w.now(), done, total); due {
			w.showProgress(progress{Task: name, Unit: unit, Done: done, Total: total, PerSecond: rate, SecondsLeft: left})
		}
	}
}

func (w *world) showProgress(p progress) {
	if p.Total == 0 {
		return
	}
	fmt.Fprintf(w.stderr, "%s: %d of %d %s, %d %%, %.0f %s/s, %s left\n", p.Task, p.Done, p.Total, p.Unit,
		uint64(float64(p.Done)*100/float64(p.Total)), p.PerSecond, p.Unit,
		(time.Duration(p.SecondsLeft) * time.Second).String())
}

// readCheckpoint reads a signed checkpoint from a file: the note itself, or the JSON that another command told.
func readCheckpoint(path string) ([]byte, error) {
	text, err := readSmall(path)
	if err != nil {
		return nil, refusal.New(refusal.NotFound, "CHECKPOINT_MISSING", "checkpoint",
			"No checkpoint can be read from %s. Name a file that holds one, as status, backup and the clients give it.", path).
			About(path).Because(err)
	}
	var told struct {
		Checkpoint string `json:"checkpoint"`
	}
	if json.Unmarshal(text, &told) == nil && told.Checkpoint != "" {
		return []byte(told.Checkpoint), nil
	}
	return text, nil
}
