package main

import (
	"io"
	"os"
	"time"

	"barward/internal/book"
	"barward/internal/ledger"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
)

// What is done with copies. None of it needs a server, or the private half of the log's key; none replaces a file.

// trusted names the key by which a copy is checked.
type trusted struct {
	LogKey       string `placeholder:"FILE" env:"BARWARD_LOG_KEY_FILE" help:"File of the log's private key, of which the public half is used."`
	LogPublicKey string `placeholder:"KEY" env:"BARWARD_LOG_PUBLIC_KEY" help:"The log's public key, where the private one is not at hand."`
}

func (t trusted) config() (ledger.Config, error) {
	if t.LogPublicKey == "" && t.LogKey != "" {
		key, err := readLogKey(t.LogKey)
		if err != nil {
			return ledger.Config{}, err
		}
		return key.config(reading), nil
	}
	if t.LogPublicKey == "" {
		return ledger.Config{}, refusal.Invalidf("LOG_KEY_MISSING", "log_public_key",
			"A copy is checked by the log's key. Give --log-public-key, as the clients have it, or --log-key.")
	}
	verifier, err := proof.NewVerifier(t.LogPublicKey)
	if err != nil {
		return ledger.Config{}, err
	}
	return ledger.Config{Judge: book.New(), Origin: verifier.Name(), Verifier: verifier, Rules: book.Rules}, nil
}

type checkBackupCommand struct {
	trusted
	Backup     string `required:"" placeholder:"FILE" help:"The copy. It is opened for reading only."`
	Checkpoint string `required:"" placeholder:"FILE" help:"A checkpoint that the copy must reach: the latest that you or any party kept."`
}

// Run checks a copy, and that nothing acknowledged up to a checkpoint is missing from it.
func (c *checkBackupCommand) Run(w *world) error {
	config, err := c.config()
	if err != nil {
		return err
	}
	later, err := readCheckpoint(c.Checkpoint)
	if err != nil {
		return err
	}
	begin := time.Now()
	report, err := ledger.CheckBackup(w.ctx, c.Backup, config, later, w.progress("check-backup", "entries"))
	if err != nil {
		return err
	}
	return w.tell(foundBy("check-backup", c.Backup, report, begin))
}

type restoreCommand struct {
	trusted
	Backup     string `required:"" placeholder:"FILE" help:"The copy."`
	Ledger     string `required:"" placeholder:"FILE" env:"BARWARD_LEDGER" help:"The ledger file to make; one that is there is not replaced."`
	Checkpoint string `placeholder:"FILE" help:"A checkpoint that the copy must reach: the latest that you or any party kept. Without one nothing shows that the copy is complete."`
}

// Run makes a ledger file of a copy and checks it before it gets its name.
func (c *restoreCommand) Run(w *world) error {
	config, err := c.config()
	if err != nil {
		return err
	}
	if err := ledger.Free(c.Ledger); err != nil {
		return err
	}
	in, err := os.Open(c.Backup)
	if err != nil {
		return refusal.New(refusal.NotFound, "BACKUP_MISSING", "backup", "No copy can be read at %s.", c.Backup).
			About(c.Backup).Because(err)
	}
	defer in.Close()
	info, err := in.Stat()
	if err != nil {
		return err
	}
	begin := time.Now()
	var report ledger.Report
	err = newFile(c.Ledger, "LEDGER", func(f *os.File) error {
		copied := &told{Reader: in, ctx: w.ctx, total: uint64(info.Size()), progress: w.progress("restore", "bytes")}
		if _, err := io.Copy(f, copied); err != nil {
			return err
		}
		if err := f.Sync(); err != nil {
			return err
		}
		later, err := c.reaches(w, f.Name(), config)
		if err != nil {
			return err
		}
		report, err = ledger.CheckBackup(w.ctx, f.Name(), config, later, w.progress("check", "entries"))
		return err
	})
	if err != nil {
		return err
	}
	return w.tell(foundBy("restore", c.Ledger, report, begin))
}

// reaches returns the checkpoint that the copy must reach: the one given, or else the copy's own.
func (c *restoreCommand) reaches(w *world, path string, config ledger.Config) ([]byte, error) {
	if c.Checkpoint != "" {
		return readCheckpoint(c.Checkpoint)
	}
	if _, err := io.WriteString(w.stderr, "No --checkpoint was given: the copy is checked against itself, and nothing "+
		"shows that it holds all that was acknowledged.\n"); err != nil {
		return nil, err
	}
	l, err := ledger.Open(path, config)
	if err != nil {
		return nil, err
	}
	defer l.Close()
	return l.Checkpoint()
}

type importCommand struct {
	trusted
	Export string `required:"" placeholder:"FILE" help:"The export."`
	Ledger string `required:"" placeholder:"FILE" env:"BARWARD_LEDGER" help:"The ledger file to make; one that is there is not replaced."`
}

// Run makes a ledger of an export. It believes nothing in it: every entry is checked and judged again.
func (c *importCommand) Run(w *world) error {
	config, err := c.config()
	if err != nil {
		return err
	}
	in, err := os.Open(c.Export)
	if err != nil {
		return refusal.New(refusal.NotFound, "EXPORT_MISSING", "export", "No export can be read at %s.", c.Export).
			About(c.Export).Because(err)
	}
	defer in.Close()
	begin := time.Now()
	report, err := ledger.Import(w.ctx, in, c.Ledger, config, w.progress("import", "entries"))
	if err != nil {
		return err
	}
	return w.tell(foundBy("import", c.Ledger, report, begin))
}
