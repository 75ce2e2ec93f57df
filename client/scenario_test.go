package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// The scenarios are text archives under testdata/scenario that read like a day's journal. They run the real programs: a
// server on loopback with a ledger of its own, and the client as each person in turn. Beyond testscript's own commands:
//
//	world             a mine, two carriers, a refinery and an umpire laboratory with their people and balances
//	agreed            their agreement, signed and countersigned, with prices and holidays
//	as PERSON ARGS    the client as that person; stdin, stdout, stderr and ! work as with exec
//	at TIME           what follows happened then
//	link down|up      the server is killed, or started again on the same ledger and address
//	verify            the server's own check of the whole ledger, after which it is gone
//	desk NAME         what follows is done at one workstation that several people share; without a name, each at their own
//	refused REASON PERSON ARGS    as, which must fail with that reason and leave the ledger as it was
//	exits CODE PERSON ARGS        as, which must end with that exit code
//	recorded KIND PERSON          the ledger shows the person an entry of that kind, signed and as stored
//	forged HOW REASON PERSON      an event of the person that was tampered with on the way, which must be refused
//	cp-tree FROM TO               a copy of a folder
//	of-another-version FILE TO    a copy of a ledger file that says it was written by another version
//	reads PATTERN FILE NAME       what the pattern's group matches in a file (or stdout) goes to the variable NAME
//	rewrite OLD NEW FILE TO       a file with its only OLD replaced by NEW
//	alter OLD NEW FILE  every OLD in a file, which may be binary, becomes NEW of the same length
//	only GLOB NAME    the path of the only file that matches goes to the variable NAME
//	rehash FILE       the hash at the head of a file of the outbox is made to fit, as somebody who can write it would
//	desk-page WHO FILE  the first page of that person's desk goes to a file
//	unpinned          from now on the log's key is not given with --log-key
//	asks-preview PERSON FILE      the statement of a file of figures, asked of the server; what it says goes to the file answer
func TestScenarios(t *testing.T) { play(t, filepath.Join("testdata", "scenario")) }

// play runs the scenarios of a folder, with the real programs built for it.
func play(t *testing.T, folder string) {
	programs := t.TempDir()
	for folder, name := range map[string]string{"client": "barward", "server": "barward-server"} {
		build := exec.Command("go", "build", "-o", filepath.Join(programs, name), "barward/"+folder)
		if output, err := build.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, output)
		}
	}
	founded := &foundation{folder: filepath.Join(programs, "world")}
	folders := map[string]string{}
	for name, path := range map[string]string{
		"DEMO":       filepath.Join("..", "testdata", "demo"),
		"SETTLEMENT": filepath.Join("..", "internal", "settlement", "testdata"), // figures of published settlements
	} {
		var err error
		if folders[name], err = filepath.Abs(path); err != nil {
			t.Fatal(err)
		}
	}
	command := func(do func(w *world, ts *testscript.TestScript, args []string) error) func(*testscript.TestScript, bool, []string) {
		return func(ts *testscript.TestScript, neg bool, args []string) {
			switch err := do(ts.Value(worldKey{}).(*world), ts, args); {
			case neg && err == nil:
				ts.Fatalf("it succeeded, and should not have")
			case !neg && err != nil:
				ts.Fatalf("%v", err)
			}
		}
	}
	testscript.Run(t, testscript.Params{
		Dir: folder,
		Setup: func(env *testscript.Env) error {
			w := &world{dir: env.WorkDir, programs: programs, founded: founded}
			env.Values[worldKey{}] = w
			for name, path := range folders {
				env.Setenv(name, path)
			}
			env.Setenv("YESTERDAY", time.Now().AddDate(0, 0, -1).UTC().Format(time.RFC3339)) // what the service's own clock judges
			env.Setenv("IN_A_YEAR", time.Now().AddDate(1, 0, 0).UTC().Format(time.RFC3339))
			env.Setenv("PATH", programs+string(os.PathListSeparator)+env.Getenv("PATH"))
			env.Defer(w.kill)
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"world":  command((*world).found),
			"agreed": command((*world).agree),
			"as":     command(func(w *world, ts *testscript.TestScript, args []string) error { return w.as(ts, args[0], args[1:]...) }),
			"at":     command(func(w *world, _ *testscript.TestScript, args []string) error { w.at = args[0]; return nil }),
			"link":   command((*world).link),
			"verify": command((*world).verify),

			"desk": command(func(w *world, _ *testscript.TestScript, args []string) error {
				w.desk = strings.Join(args, "")
				return nil
			}),
			"refused":            command((*world).refused),
			"exits":              command((*world).exits),
			"recorded":           command((*world).recorded),
			"forged":             command((*world).forged),
			"asks-preview":       command((*world).asksPreview),
			"alter":              command(alter),
			"only":               command(only),
			"rehash":             command(rehash),
			"desk-page":          command((*world).deskPage),
			"unpinned":           command((*world).unpin),
			"of-another-version": command(otherVersion),
			"cp-tree": command(func(_ *world, ts *testscript.TestScript, args []string) error {
				return os.CopyFS(ts.MkAbs(args[1]), os.DirFS(ts.MkAbs(args[0])))
			}),
			"rewrite": command(func(w *world, ts *testscript.TestScript, args []string) error {
				text := ts.ReadFile(args[2])
				if strings.Count(text, args[0]) != 1 {
					return fmt.Errorf("%q is %d times in %s, not once", args[0], strings.Count(text, args[0]), args[2])
				}
				return os.WriteFile(ts.MkAbs(args[3]), []byte(strings.Replace(text, args[0], args[1], 1)), 0o600)
			}),
			"reads": command(func(_ *world, ts *testscript.TestScript, args []string) error {
				found := regexp.MustCompile(args[0]).FindStringSubmatch(ts.ReadFile(args[1]))
				if found == nil {
					return fmt.Errorf("%s does not match", args[0])
				}
				ts.Setenv(args[2], found[1])
				return nil
			}),
		},
	})
}

type worldKey struct{}

// world is one scenario's server and people.
type world struct {
	dir, programs       string
	address, logKey, at string
	desk                string // a workstation that people share; empty where each has their own
	server              *exec.Cmd
	founded             *foundation
	unpinned            bool
}

// foundation is the world as it is founded, made once for all scenarios and copied for each.
type foundation struct {
	folder string
	mu     sync.Mutex
	made   bool
}

// people are the same as the demonstration's: person, party, site they work at, roles.
var people = [][4]string{
	{"odo", "lanternfold", "", "administrator"},
	{"wren", "quillmoss", "quillmoss/high-terrace", "administrator"},
	{"ibbet", "quillmoss", "quillmoss/high-terrace", "gold_room_officer"},
	{"tamsin", "quillmoss", "quillmoss/high-terrace", "witness gold_room_officer"},
	{"perpetua", "quillmoss", "quillmoss/high-terrace", "assayer"},
	{"lucan", "quillmoss", "quillmoss/high-terrace", "commercial_manager"},
	{"hob", "pebblewing", "", "administrator custodian"},
	{"marjory", "saltferry", "", "administrator custodian"},
	{"auberon", "thistlequay", "thistlequay/quay-works", "administrator"},
	{"dilly", "thistlequay", "thistlequay/quay-works", "receiving_clerk"},
	{"ansel", "thistlequay", "thistlequay/quay-works", "assayer"},
	{"fennimore", "thistlequay", "thistlequay/quay-works", "commercial_manager"},
	{"umbra", "umbercount", "umbercount/bench", "administrator assayer"},
}

func (w *world) path(parts ...string) string {
	return filepath.Join(append([]string{w.dir}, parts...)...)
}

// as runs the client as a person; its output is there for stdout and stderr to look at.
func (w *world) as(ts *testscript.TestScript, who string, args ...string) error {
	place := ""
	for _, p := range people {
		if p[0] == who {
			place = p[2]
		}
	}
	home := w.desk
	if home == "" {
		home = who
	}
	for name, value := range map[string]string{
		"BARWARD_SERVER": w.address, "BARWARD_HOME": w.path("home", home), "BARWARD_KEY": w.path("home", who, "key"),
		"BARWARD_PASSPHRASE_FILE": w.path("passphrase"), "BARWARD_LOG_KEY": w.logKey, "BARWARD_PLACE": place,
	} {
		if name == "BARWARD_LOG_KEY" && w.unpinned {
			value = ""
		}
		ts.Setenv(name, value)
	}
	if w.at != "" {
		args = append(args, "--at", w.at)
	}
	return ts.Exec(filepath.Join(w.programs, "barward"), args...)
}

// found makes the ledger and everybody who will write in it, or copies what was made before.
func (w *world) found(ts *testscript.TestScript, _ []string) error {
	w.founded.mu.Lock()
	defer w.founded.mu.Unlock()
	if !w.founded.made {
		if err := w.make(ts); err != nil {
			return err
		}
		w.kill()
		if err := foundIn(w.founded.folder, w.dir); err != nil {
			return err
		}
		w.founded.made = true
		return w.serve()
	}
	if err := foundIn(w.dir, w.founded.folder); err != nil {
		return err
	}
	w.at = founding
	return w.serve()
}

// foundIn copies what a founding left, each file for its owner only. The service was killed, so its journal comes too.
func foundIn(to, from string) error {
	if err := os.MkdirAll(to, 0o700); err != nil {
		return err
	}
	tops := []string{"passphrase", "ledger.db", "ledger.db.key", "home"}
	for _, journal := range []string{"ledger.db.journal-1", "ledger.db.journal-2"} {
		if _, err := os.Stat(filepath.Join(from, journal)); err == nil {
			tops = append(tops, journal)
		}
	}
	for _, top := range tops {
		err := filepath.WalkDir(filepath.Join(from, top), func(path string, entry os.DirEntry, err error) error {
			if err != nil {
				return err
			}
			name, err := filepath.Rel(from, path)
			if err != nil {
				return err
			}
			if entry.IsDir() {
				return os.MkdirAll(filepath.Join(to, name), 0o700)
			}
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			return os.WriteFile(filepath.Join(to, name), text, 0o600)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// founding is when the world began.
const founding = "2025-02-24T09:00:00+00:00"

func (w *world) make(ts *testscript.TestScript) error {
	if err := os.WriteFile(w.path("passphrase"), []byte("an invented passphrase\n"), 0o600); err != nil {
		return err
	}
	keys := map[string]string{}
	for _, p := range people {
		if err := os.MkdirAll(w.path("home", p[0]), 0o700); err != nil {
			return err
		}
		if err := w.as(ts, p[0], "person", "keygen", "--work", "10", "--output", "json", p[0]); err != nil {
			return err
		}
		var made struct {
			PublicKey string `json:"public_key"`
		}
		if err := json.Unmarshal([]byte(ts.ReadFile("stdout")), &made); err != nil {
			return err
		}
		keys[p[0]] = made.PublicKey
	}
	if err := ts.Exec(filepath.Join(w.programs, "barward-server"), "init", "--ledger", w.path("ledger.db"), "--origin", "scenario.invalid/dore",
		"--operator", "lanternfold", "--operator-name", "Lanternfold (invented)", "--admin", "odo", "--admin-name", "Odo",
		"--admin-key", w.path("home", "odo", "key"), "--passphrase-file", w.path("passphrase")); err != nil {
		return err
	}
	if err := w.serve(); err != nil {
		return err
	}
	w.at = founding
	for _, p := range [][]string{
		{"quillmoss", "--kind", "mine", "--site", "high-terrace:3900:High Terrace"},
		{"pebblewing", "--kind", "carrier"}, {"saltferry", "--kind", "carrier"},
		{"thistlequay", "--kind", "refinery", "--site", "quay-works:3:Quay works"},
		{"umbercount", "--kind", "laboratory", "--site", "bench:140:Bench"},
	} {
		if err := w.as(ts, "odo", append([]string{"party", "register", p[0], "--name", p[0] + " (invented)"}, p[1:]...)...); err != nil {
			return err
		}
	}
	administrators := map[string]string{}
	for _, p := range people[1:] {
		by := administrators[p[1]]
		if by == "" {
			by, administrators[p[1]] = "odo", p[0]
		}
		args := []string{"person", "enrol", p[1] + "/" + p[0], "--name", p[0], "--public-key", keys[p[0]]}
		for _, role := range strings.Fields(p[3]) {
			args = append(args, "--role", role)
		}
		if err := w.as(ts, by, args...); err != nil {
			return err
		}
	}
	for _, b := range [][]string{
		{"wren", "QB1", "high-terrace", "I", "32000 g", "0.1 g", "0.1 g", "0.2 g", "7"},
		{"auberon", "TB1", "quay-works", "I", "32000 g", "0.1 g", "0.1 g", "0.2 g", "7"},
		{"auberon", "TM1", "quay-works", "II", "300000 g", "1 g", "10 g", "10 g", "30"},
	} {
		if err := w.as(ts, b[0], "balance", "register", b[1], "--site", b[2], "--class", b[3], "--capacity", b[4], "--readability", b[5],
			"--interval", b[6], "--repeatability", b[7], "--check-every", b[8]); err != nil {
			return err
		}
	}
	return nil
}

// agree signs the demonstration's agreement and publishes its prices and holidays.
func (w *world) agree(ts *testscript.TestScript, _ []string) error {
	demo := ts.Getenv("DEMO")
	for _, c := range [][]string{
		{"lucan", "agreement", "sign", "TQ-2025-04", "--file", filepath.Join(demo, "agreement.json")},
		{"fennimore", "agreement", "countersign", "quillmoss/TQ-2025-04"},
		{"fennimore", "price", "holidays", "Lanternfold", "--file", filepath.Join(demo, "holidays.csv")},
		{"lucan", "price", "publish", "Lanternfold gold (invented)", "--currency", "USD", "--file", filepath.Join(demo, "prices-gold-1.csv")},
		{"lucan", "price", "publish", "Lanternfold silver (invented)", "--currency", "USD", "--file", filepath.Join(demo, "prices-silver-1.csv")},
		{"lucan", "price", "publish", "Lanternfold gold (invented)", "--currency", "USD", "--file", filepath.Join(demo, "prices-gold-2.csv")},
		{"lucan", "price", "publish", "Lanternfold silver (invented)", "--currency", "USD", "--file", filepath.Join(demo, "prices-silver-2.csv")},
	} {
		if err := w.as(ts, c[0], c[1:]...); err != nil {
			return err
		}
	}
	return nil
}

// serve starts the server, on the address it had before if it had one.
func (w *world) serve() error {
	listen, ready := w.address, w.path("ready.json")
	if listen == "" {
		listen = "127.0.0.1:0"
	}
	if err := os.RemoveAll(ready); err != nil {
		return err
	}
	log, err := os.OpenFile(w.path("server.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer log.Close()
	w.server = exec.Command(filepath.Join(w.programs, "barward-server"), "serve", "--ledger", w.path("ledger.db"), "--listen", listen, "--ready-file", ready)
	w.server.Stderr = log
	if err := w.server.Start(); err != nil {
		return err
	}
	for range 1000 {
		if text, err := os.ReadFile(ready); err == nil {
			var said struct {
				Listening    string `json:"listening"`
				LogPublicKey string `json:"log_public_key"`
			}
			if err := json.Unmarshal(text, &said); err != nil {
				return err
			}
			w.address, w.logKey = said.Listening, said.LogPublicKey
			return nil
		}
		time.Sleep(20 * time.Millisecond)
	}
	text, _ := os.ReadFile(w.path("server.log"))
	return fmt.Errorf("the server does not take calls: %s", text)
}

// kill ends the server as a power cut would.
func (w *world) kill() {
	if w.server != nil {
		_ = w.server.Process.Signal(syscall.SIGKILL)
		_ = w.server.Wait() // it was killed, so it has no good word to say
		w.server = nil
	}
}

func (w *world) link(_ *testscript.TestScript, args []string) error {
	switch args[0] {
	case "down":
		w.kill()
		return nil
	case "stop": // in order, so that the ledger is one file
		stopped := w.server
		w.server = nil
		return errors.Join(stopped.Process.Signal(syscall.SIGTERM), stopped.Wait())
	}
	return w.serve()
}

func (w *world) verify(ts *testscript.TestScript, _ []string) error {
	w.kill()
	return ts.Exec(filepath.Join(w.programs, "barward-server"), "verify", "--ledger", w.path("ledger.db"))
}
