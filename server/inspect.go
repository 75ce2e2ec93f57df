package main

import (
	"fmt"
	"os"
	"time"

	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

type verifyCommand struct {
	where
	Scratch string `placeholder:"FOLDER" help:"Folder with room for a second copy of the book. Default: the system's folder for such files."`
}

// verified is what verify tells.
type verified struct {
	Verified   bool    `json:"verified"`
	Origin     string  `json:"origin"`
	Entries    uint64  `json:"entries"`
	Root       string  `json:"root"`
	BookKeys   uint64  `json:"book_keys"`
	Seconds    float64 `json:"seconds"`
	Checkpoint string  `json:"checkpoint"`
}

// Run checks a ledger in a process of its own: a damaged page can take down the process that reads it.
func (c *verifyCommand) Run(w *world) error {
	l, err := c.open(c.Scratch)
	if err != nil {
		return err
	}
	defer l.Close()
	begin := w.now()
	report, err := l.Verify(w.ctx, w.progress("verified"))
	if err != nil {
		return err
	}
	return w.tell(verified{
		Verified: true, Origin: report.Origin, Entries: report.Size, Root: report.Root.String(), BookKeys: report.BookKeys,
		Seconds: w.now().Sub(begin).Seconds(), Checkpoint: string(report.Checkpoint),
	})
}

type rebuildCommand struct {
	where
}

// rebuilt is what rebuild tells.
type rebuilt struct {
	Rebuilt bool    `json:"rebuilt"`
	Entries uint64  `json:"entries"`
	Seconds float64 `json:"seconds"`
}

// Run drops the book and folds it again. If it is cut short the file says so, and the next to open it begins again.
func (c *rebuildCommand) Run(w *world) error {
	l, err := c.open("")
	if err != nil {
		return err
	}
	defer l.Close()
	begin := w.now()
	if err := l.Rebuild(w.ctx, w.progress("folded")); err != nil {
		return err
	}
	return w.tell(rebuilt{Rebuilt: true, Entries: l.Size(), Seconds: w.now().Sub(begin).Seconds()})
}

type statusCommand struct {
	where
}

// status is what status tells.
type status struct {
	Ledger       string     `json:"ledger"`
	Bytes        int64      `json:"bytes"`
	Origin       string     `json:"origin"`
	LogPublicKey string     `json:"log_public_key"`
	Entries      uint64     `json:"entries"`
	Root         string     `json:"root"`
	LastRecorded *time.Time `json:"last_recorded_at"` // null for an empty ledger
	Checkpoint   string     `json:"checkpoint"`
}

// Run says what a ledger holds, after the checks of opening it: that its tree has the root that its checkpoint signs.
func (c *statusCommand) Run(w *world) error {
	l, err := c.open("")
	if err != nil {
		return err
	}
	defer l.Close()
	key, err := readLogKey(c.logKey())
	if err != nil {
		return err
	}
	signed, err := l.Checkpoint()
	if err != nil {
		return err
	}
	at, err := proof.OpenCheckpoint(signed, key.origin(), key.verifier)
	if err != nil {
		return err
	}
	info, err := os.Stat(c.Ledger)
	if err != nil {
		return err
	}
	told := status{Ledger: c.Ledger, Bytes: info.Size(), Origin: at.Origin, LogPublicKey: key.public, Entries: at.Size,
		Root: at.Root.String(), Checkpoint: string(signed)}
	if at.Size > 0 {
		last, err := l.Entry(at.Size - 1)
		if err != nil {
			return err
		}
		told.LastRecorded = &last.RecordedAt
	}
	return w.tell(told)
}

// open opens the ledger so that nothing can be recorded.
func (w where) open(scratch string) (*ledger.Ledger, error) {
	if err := w.missing(); err != nil {
		return nil, err
	}
	key, err := readLogKey(w.logKey())
	if err != nil {
		return nil, err
	}
	config := key.config(reading)
	config.Scratch = scratch
	l, err := ledger.Open(w.Ledger, config)
	if r := refusal.As(err); r != nil && r.Reason == "LEDGER_IN_USE" {
		r.Text += " This command needs the ledger to itself; a client can ask a running server."
	}
	return l, err
}

const progressEvery = time.Second

// progress tells how far a long command is, at most once a second, with its rate.
func (w *world) progress(did string) func(done, total uint64) {
	begin := w.now()
	last := begin
	return func(done, total uint64) {
		now := w.now()
		if now.Sub(last) < progressEvery || total == 0 {
			return
		}
		last = now
		fmt.Fprintf(w.stderr, "%s %d of %d entries, %d %%, %.0f entries/s\n", did, done, total, done*100/total,
			float64(done)/now.Sub(begin).Seconds())
	}
}
