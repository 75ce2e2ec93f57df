package bench

import (
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"go.etcd.io/bbolt"
	_ "modernc.org/sqlite"

	"barward/internal/ledger"
)

// What a weighing makes the ledger write, counted in the book: the entry, its hashes and its id; the bar with its new
// weight, found by its name; the note of what the entry is about, and the index from the event's id to it; and with
// each batch the head. A rival is given the same rows with the same keys and bytes, and spared judging, hashing and
// signing.
type rows struct {
	seq, bar                uint64
	leaf, hashes, id, thing []byte
	barName, noteName       string
	note                    []byte
}

// rowsOf makes the rows of weighings whose first is number first; bars are numbered alike.
func rowsOf(subs []ledger.Submission, first int) []rows {
	thing, note, hashes := make([]byte, 580), make([]byte, 170), make([]byte, 32)
	list := make([]rows, len(subs))
	for i, s := range subs {
		n := first + i
		list[i] = rows{seq: uint64(n), bar: uint64(n), leaf: append(make([]byte, 75), s.Signed.Event...), hashes: hashes,
			id: s.Envelope.ID[:], thing: thing, note: note, barName: "quillmoss/" + mark(n), noteName: s.Envelope.ID.String()}
	}
	return list
}

// rival stores rows durably, in one transaction.
type rival interface {
	addBars(first, n int) error
	store(batch []rows) error
	close()
}

// writeRival is world.write for a rival: the same number of writers, and the same way of joining them in a batch.
func writeRival(tb testing.TB, r rival, list []rows, writers int) time.Duration {
	tb.Helper()
	type job struct {
		row  rows
		done chan error
	}
	queue := make(chan job, 1024)
	var committer sync.WaitGroup
	committer.Go(func() {
		for first := range queue {
			jobs, batch := []job{first}, []rows{first.row}
			for quiet := 0; quiet < 3 && len(jobs) < 256; {
				select {
				case j, open := <-queue:
					if !open {
						quiet = 3
						break
					}
					jobs, batch = append(jobs, j), append(batch, j.row)
					quiet = 0
				default:
					runtime.Gosched()
					quiet++
				}
			}
			err := r.store(batch)
			for _, j := range jobs {
				j.done <- err
			}
		}
	})
	begin := time.Now()
	var all sync.WaitGroup
	for w := range writers {
		all.Go(func() {
			done := make(chan error, 1)
			for i := w; i < len(list); i += writers {
				queue <- job{list[i], done}
				if err := <-done; err != nil {
					tb.Error(err)
					return
				}
			}
		})
	}
	all.Wait()
	took := time.Since(begin)
	close(queue)
	committer.Wait()
	return took
}

// bare puts entries under growing keys in one bbolt bucket: the least that could be durable there.
type bare struct{ db *bbolt.DB }

func openBare(dir string) (rival, error) {
	db, err := bbolt.Open(filepath.Join(dir, "bare"), 0o600, &bbolt.Options{FreelistType: bbolt.FreelistMapType,
		InitialMmapSize: 4 << 30})
	if err != nil {
		return nil, err
	}
	return bare{db}, db.Update(func(tx *bbolt.Tx) error { _, err := tx.CreateBucket([]byte("x")); return err })
}

func (b bare) addBars(int, int) error { return nil }
func (b bare) close()                 { _ = b.db.Close() }

func (b bare) store(batch []rows) error {
	return b.db.Update(func(tx *bbolt.Tx) error {
		x := tx.Bucket([]byte("x"))
		x.FillPercent = 0.95
		for _, r := range batch {
			if err := x.Put(binary.BigEndian.AppendUint64(nil, r.seq), r.leaf); err != nil {
				return err
			}
		}
		return nil
	})
}

// statements are what a weighing takes in SQL, in order; the first two are asked, and answered, before the rest.
var statements = []string{
	`SELECT seq FROM ids WHERE id = $1`,
	`SELECT bars.value FROM bar_names JOIN bars ON bars.k = bar_names.k WHERE bar_names.name = $1`,
	`INSERT INTO entries VALUES ($1, $2)`,
	`INSERT INTO hashes VALUES ($1, $2)`,
	`INSERT INTO ids VALUES ($1, $2)`,
	`UPDATE bars SET value = $2 WHERE k = $1`,
	`INSERT INTO notes VALUES ($1, $2)`,
	`INSERT INTO note_names VALUES ($1, $2)`,
}

func schema(blob, without string) []string {
	return []string{
		`CREATE TABLE entries (seq BIGINT PRIMARY KEY, leaf ` + blob + `)` + without,
		`CREATE TABLE hashes (seq BIGINT PRIMARY KEY, r ` + blob + `)` + without,
		`CREATE TABLE ids (id ` + blob + ` PRIMARY KEY, seq BIGINT)` + without,
		`CREATE TABLE bars (k BIGINT PRIMARY KEY, value ` + blob + `)` + without,
		`CREATE TABLE bar_names (name TEXT PRIMARY KEY, k BIGINT)` + without,
		`CREATE TABLE notes (k BIGINT PRIMARY KEY, value ` + blob + `)` + without,
		`CREATE TABLE note_names (name TEXT PRIMARY KEY, k BIGINT)` + without,
		`CREATE TABLE meta (k TEXT PRIMARY KEY, value ` + blob + `)` + without,
		`INSERT INTO meta VALUES ('checkpoint', NULL)`,
	}
}

// sqlite is one connection in WAL mode that syncs the log with every commit.
type sqlite struct {
	db       *sql.DB
	prepared []*sql.Stmt
}

func openSQLite(dir string) (rival, error) {
	db, err := sql.Open("sqlite", filepath.Join(dir, "rival.sqlite")+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	for _, s := range schema("BLOB", " WITHOUT ROWID") {
		if _, err := db.Exec(s); err != nil {
			return nil, err
		}
	}
	r := &sqlite{db: db}
	for _, s := range statements {
		p, err := db.Prepare(s)
		if err != nil {
			return nil, err
		}
		r.prepared = append(r.prepared, p)
	}
	var mode, sync string
	if err := errors.Join(db.QueryRow("PRAGMA journal_mode").Scan(&mode), db.QueryRow("PRAGMA synchronous").Scan(&sync)); err != nil {
		return nil, err
	}
	if mode != "wal" || sync != "2" {
		return nil, fmt.Errorf("journal mode %s, synchronous %s", mode, sync)
	}
	return r, nil
}

func (s *sqlite) close() { _ = s.db.Close() }

func (s *sqlite) addBars(first, n int) error {
	tx, err := s.db.Begin()
	if err != nil {
		return err
	}
	for i := first; i < first+n; i++ {
		_, one := tx.Exec(`INSERT INTO bars VALUES ($1, $2)`, i, make([]byte, 350))
		_, two := tx.Exec(`INSERT INTO bar_names VALUES ($1, $2)`, "quillmoss/"+mark(i), i)
		if err := errors.Join(one, two); err != nil {
			return errors.Join(err, tx.Rollback())
		}
	}
	return tx.Commit()
}

func (s *sqlite) store(batch []rows) error {
	tx, err := s.db.Begin()
	if err != nil {
		return err
	}
	in := make([]*sql.Stmt, len(s.prepared))
	for i, p := range s.prepared {
		in[i] = tx.Stmt(p)
	}
	err = func() error {
		for _, r := range batch {
			var seq int64
			if err := in[0].QueryRow(r.id).Scan(&seq); !errors.Is(err, sql.ErrNoRows) {
				return fmt.Errorf("the id is there: %w", err)
			}
			var bar []byte
			if err := in[1].QueryRow(r.barName).Scan(&bar); err != nil {
				return err
			}
			for i, arguments := range r.arguments() {
				if _, err := in[2+i].Exec(arguments...); err != nil {
					return err
				}
			}
		}
		_, err := tx.Exec(`UPDATE meta SET value = $1`, make([]byte, 200))
		return err
	}()
	if err != nil {
		return errors.Join(err, tx.Rollback())
	}
	return tx.Commit()
}

func (r *rows) arguments() [][]any {
	return [][]any{{int64(r.seq), r.leaf}, {int64(r.seq), r.hashes}, {r.id, int64(r.seq)}, {int64(r.bar), r.thing},
		{int64(r.seq), r.note}, {r.noteName, int64(r.seq)}}
}

// postgres is a server of its own with its defaults, which sync with every commit, over a socket.
type postgres struct {
	conn   *pgx.Conn
	server *exec.Cmd
}

var errNoPostgres = errors.New("PostgreSQL is not installed")

func openPostgres(dir string) (rival, error) {
	find := func(name string) string {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
		found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/" + name)
		if len(found) == 0 {
			return ""
		}
		return found[len(found)-1]
	}
	if find("initdb") == "" || find("postgres") == "" {
		return nil, errNoPostgres
	}
	data := filepath.Join(dir, "pg")
	if err := os.Mkdir(data, 0o700); err != nil {
		return nil, err
	}
	as := func(cmd *exec.Cmd) *exec.Cmd { // it refuses to run as root
		cmd.Dir = data
		cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGQUIT}
		if os.Geteuid() == 0 {
			cmd.SysProcAttr.Credential = &syscall.Credential{Uid: 65534, Gid: 65534}
		}
		return cmd
	}
	if os.Geteuid() == 0 {
		if err := errors.Join(os.Chmod(dir, 0o711), os.Chown(data, 65534, 65534)); err != nil {
			return nil, err
		}
	}
	if out, err := as(exec.Command(find("initdb"), "-D", data, "-A", "trust", "-U", "bench", "-E", "UTF8", "--no-locale")).
		CombinedOutput(); err != nil {
		return nil, fmt.Errorf("initdb: %w: %s", err, out)
	}
	r := &postgres{server: as(exec.Command(find("postgres"), "-D", data, "-k", data, "-c", "listen_addresses="))}
	if err := r.server.Start(); err != nil {
		return nil, err
	}
	var err error
	for range 600 {
		if r.conn, err = pgx.Connect(ctx, "host="+data+" user=bench dbname=postgres"); err == nil {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	if err != nil {
		r.close()
		return nil, err
	}
	for _, s := range schema("BYTEA", "") {
		if _, err := r.conn.Exec(ctx, s); err != nil {
			r.close()
			return nil, err
		}
	}
	return r, nil
}

func (p *postgres) close() {
	if p.conn != nil {
		_ = p.conn.Close(ctx)
	}
	_ = p.server.Process.Signal(syscall.SIGINT)
	_ = p.server.Wait()
}

func (p *postgres) addBars(first, n int) error {
	var b pgx.Batch
	for i := first; i < first+n; i++ {
		b.Queue(`INSERT INTO bars VALUES ($1, $2)`, i, make([]byte, 350))
		b.Queue(`INSERT INTO bar_names VALUES ($1, $2)`, "quillmoss/"+mark(i), i)
	}
	return p.conn.SendBatch(ctx, &b).Close()
}

// store asks for the ids and bars of the whole batch in one pipeline, then writes in another, which is one transaction.
func (p *postgres) store(batch []rows) error {
	var ask, tell pgx.Batch
	for _, r := range batch {
		ask.Queue(statements[0], r.id)
		ask.Queue(statements[1], r.barName)
		for i, arguments := range r.arguments() {
			tell.Queue(statements[2+i], arguments...)
		}
	}
	if err := p.conn.SendBatch(ctx, &ask).Close(); err != nil {
		return err
	}
	tell.Queue(`UPDATE meta SET value = $1`, make([]byte, 200))
	return p.conn.SendBatch(ctx, &tell).Close()
}
