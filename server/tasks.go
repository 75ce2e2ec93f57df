package main

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"time"

	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	"barward/internal/service"
)

// A task is something that an operator has done on a ledger that is open: by the operator's socket on that of a running
// server, or on the file alone. It tells how far it is, and ends early when its context does.
type task func(ctx context.Context, on opened, progress func(done, total uint64)) (answer any, err error)

// opened is a ledger that is open, and what is known around it.
type opened struct {
	ledger *ledger.Ledger
	key    logKey
	file   string           // path that a backup or an export is written to
	server *service.Service // nil where there is only the file
	since  time.Time        // when the server started
}

// tasks by name. unit is what progress counts.
var tasks = map[string]struct {
	unit string
	run  task
}{
	"status":  {"entries", takeStatus},
	"verify":  {"entries", verifyLedger},
	"rebuild": {"entries", rebuildBook},
	"backup":  {"bytes", backUp},
	"export":  {"entries", exportLog},
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
	Running      *running   `json:"running,omitempty"` // a server that holds the ledger
}

// running is what a server says of itself.
type running struct {
	PID          int            `json:"pid"`
	Since        time.Time      `json:"since"`
	Health       service.Health `json:"health"`
	Queue        int            `json:"queue"`           // events that wait for the ledger
	Journal      int            `json:"journal_entries"` // acknowledged and not yet in the file
	FreeBytes    int64          `json:"free_bytes"`      // of the file, that the next transactions can use
	PendingBytes int64          `json:"pending_bytes"`   // that are free once open views end
	Views        int            `json:"views"`           // open now
}

// takeStatus says what a ledger holds. That its tree has the root that its checkpoint signs was checked on opening.
func takeStatus(_ context.Context, on opened, _ func(done, total uint64)) (any, error) {
	signed, err := on.ledger.Checkpoint()
	if err != nil {
		return nil, err
	}
	at, err := proof.OpenCheckpoint(signed, on.key.origin(), on.key.verifier)
	if err != nil {
		return nil, err
	}
	info, err := os.Stat(on.ledger.Path())
	if err != nil {
		return nil, err
	}
	told := status{Ledger: on.ledger.Path(), Bytes: info.Size(), Origin: at.Origin, LogPublicKey: on.key.public,
		Entries: at.Size, Root: at.Root.String(), Checkpoint: string(signed)}
	if at.Size > 0 {
		last, err := on.ledger.Entry(at.Size - 1)
		if err != nil {
			return nil, err
		}
		told.LastRecorded = &last.RecordedAt
	}
	if on.server != nil {
		stats := on.ledger.Stats()
		page := int64(stats.PageBytes)
		told.Running = &running{PID: os.Getpid(), Since: on.since, Health: on.server.Health(), Queue: stats.Queue, Journal: stats.Journal,
			FreeBytes: int64(stats.FreePages) * page, PendingBytes: int64(stats.PendingPages) * page, Views: stats.Views}
	}
	return told, nil
}

// found is what verify, backup, restore, export, import and check-backup tell: what was checked, and up to where.
type found struct {
	Did        string  `json:"did"`
	File       string  `json:"file,omitempty"`
	Verified   bool    `json:"verified"`
	Origin     string  `json:"origin"`
	Entries    uint64  `json:"entries"`
	Root       string  `json:"root"`
	BookKeys   uint64  `json:"book_keys,omitempty"` // 0 where the book was not folded again
	Seconds    float64 `json:"seconds"`
	Checkpoint string  `json:"checkpoint"`
}

func foundBy(did, file string, report ledger.Report, begin time.Time) found {
	return found{Did: did, File: file, Verified: true, Origin: report.Origin, Entries: report.Size,
		Root: report.Root.String(), BookKeys: report.BookKeys, Seconds: time.Since(begin).Seconds(), Checkpoint: string(report.Checkpoint)}
}

func verifyLedger(ctx context.Context, on opened, progress func(done, total uint64)) (any, error) {
	begin := time.Now()
	report, err := on.ledger.Verify(ctx, progress)
	if err != nil {
		return nil, err
	}
	return foundBy("verify", on.ledger.Path(), report, begin), nil
}

// rebuilt is what rebuild tells.
type rebuilt struct {
	Rebuilt bool    `json:"rebuilt"`
	Entries uint64  `json:"entries"`
	Seconds float64 `json:"seconds"`
}

// rebuildBook drops the book and folds it again. If it is cut short the file says so, and the next to open it begins
// again.
func rebuildBook(ctx context.Context, on opened, progress func(done, total uint64)) (any, error) {
	begin := time.Now()
	if err := on.ledger.Rebuild(ctx, progress); err != nil {
		return nil, err
	}
	return rebuilt{Rebuilt: true, Entries: on.ledger.Size(), Seconds: time.Since(begin).Seconds()}, nil
}

func backUp(ctx context.Context, on opened, progress func(done, total uint64)) (any, error) {
	begin := time.Now()
	report, err := on.ledger.Backup(ctx, on.file, progress)
	if err != nil {
		return nil, err
	}
	return foundBy("backup", on.file, report, begin), nil
}

// exportLog writes the whole log to a new file, which appears under its name whole or not at all.
func exportLog(ctx context.Context, on opened, progress func(done, total uint64)) (any, error) {
	begin := time.Now()
	var report ledger.Report
	err := newFile(on.file, "EXPORT", func(f *os.File) (err error) {
		report, err = on.ledger.Export(ctx, f, progress)
		return err
	})
	if err != nil {
		return nil, err
	}
	return foundBy("export", on.file, report, begin), nil
}

// newFile writes a file that only its owner may read. It is synced before it gets its name, which must be free: what is
// there already is never replaced. what begins the reasons of refusals.
func newFile(path, what string, write func(*os.File) error) error {
	exists := refusal.New(refusal.Exists, what+"_EXISTS", "file",
		"There is a file at %s already, and it is not replaced. Name another path.", path).About(path)
	if _, err := os.Lstat(path); err == nil {
		return exists
	}
	notWritten := func(err error) error {
		return refusal.New(refusal.Unavailable, what+"_NOT_WRITTEN", "file",
			"Nothing could be written to %s. See that the folder exists, may be written to and has room.", path).
			About(path).Because(err)
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*") // mode 0600
	if err != nil {
		return notWritten(err)
	}
	defer os.Remove(f.Name())
	defer f.Close()
	if err := write(f); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return notWritten(err)
	}
	if err := f.Close(); err != nil {
		return notWritten(err)
	}
	if err := os.Link(f.Name(), path); err != nil {
		if os.IsExist(err) {
			return exists
		}
		if err := os.Rename(f.Name(), path); err != nil { // some file systems have no links; the name was seen to be free
			return notWritten(err)
		}
	}
	if err := syncFolder(filepath.Dir(path)); err != nil {
		return notWritten(err)
	}
	return nil
}

// told counts what is copied, for progress.
type told struct {
	io.Reader
	ctx         context.Context
	done, total uint64
	progress    func(done, total uint64)
}

func (t *told) Read(b []byte) (int, error) {
	if err := t.ctx.Err(); err != nil {
		return 0, refusal.New(refusal.Unavailable, "LEDGER_CANCELLED", "",
			"The work was cancelled before its end. Start it again.").Because(err)
	}
	n, err := t.Reader.Read(b)
	t.done += uint64(n)
	t.progress(t.done, max(t.total, t.done))
	return n, err
}
