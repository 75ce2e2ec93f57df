// Command play plays the demonstration: it builds both programs, starts a real server on loopback with an empty ledger,
// and plays the journal through the real client as each of its people in turn. Everything it leaves lies under out/demo, or where -out says.
//
// The journal, testdata/demo/journal.txt, reads like the days it tells of. A line is one of
//
//	# a heading
//	words                     printed as they are
//	at TIME                   what follows happened then
//	PERSON: COMMAND ARGS      the client is run as that person; the line and its output are printed
//	enrol                     the people of people.csv are enrolled
//
// With -keep the server stays until it is interrupted; with -quiet only failures are printed.
package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// passphrase opens every key of the demonstration, and the keys are made weak on purpose: it plays some hundred commands
// and protects nothing.
const passphrase = "an invented passphrase that protects nothing"

func main() {
	keep := flag.Bool("keep", false, "keep the server running until interrupted")
	quiet := flag.Bool("quiet", false, "print failures only")
	folder := flag.String("out", filepath.Join("out", "demo"), "folder to leave everything in; what is there is removed")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	out := io.Writer(os.Stdout)
	if *quiet {
		out = io.Discard
	}
	if err := run(ctx, out, *folder, *keep); err != nil {
		fmt.Fprintln(os.Stderr, "demonstration:", err)
		os.Exit(1)
	}
}

// player is a demonstration being played.
type player struct {
	out     io.Writer
	root    string // of the repository
	files   string // testdata/demo
	left    string // folder of what it leaves
	address string
	logKey  string
	at      string
	people  map[string]person
	order   []string
	public  map[string]string // keys
}

// person is one line of people.csv.
type person struct{ id, party, name, place, roles string }

func run(ctx context.Context, out io.Writer, folder string, keep bool) error {
	root, err := repository()
	if err != nil {
		return err
	}
	p := &player{out: out, root: root, files: filepath.Join(root, "testdata", "demo"), left: folder}
	if !filepath.IsAbs(folder) {
		p.left = filepath.Join(root, folder)
	}
	if err := os.RemoveAll(p.left); err != nil {
		return err
	}
	if err := os.MkdirAll(p.left, 0o755); err != nil {
		return err
	}
	if err := p.readPeople(); err != nil {
		return err
	}
	started := time.Now()
	for _, program := range []string{"client:barward", "server:barward-server"} {
		folder, name, _ := strings.Cut(program, ":")
		if err := p.tool(ctx, "go", "build", "-trimpath", "-o", p.path("bin", name), "./"+folder); err != nil {
			return err
		}
	}
	fmt.Fprintf(out, "Built both programs in %s.\n", time.Since(started).Round(time.Second))
	started = time.Now()
	if err := p.keys(ctx); err != nil {
		return err
	}
	if err := p.tool(ctx, p.path("bin", "barward-server"), "init", "--ledger", p.path("ledger.db"), "--origin", "lanternfold.invalid/dore",
		"--operator", "lanternfold", "--operator-name", "Lanternfold Registry (invented)", "--admin", p.order[0], "--admin-name", p.people[p.order[0]].name,
		"--admin-key", p.key(p.order[0]), "--passphrase-file", p.path("passphrase")); err != nil {
		return err
	}
	end, err := p.serve(ctx)
	if err != nil {
		return err
	}
	if err := p.play(ctx); err != nil {
		return errors.Join(err, end())
	}
	fmt.Fprintf(out, "\nPlayed in %s. Everything is under %s.\n", time.Since(started).Round(time.Second), folder)
	if err := p.summary(ctx); err != nil {
		return errors.Join(err, end())
	}
	if keep {
		script, err := p.stand()
		if err != nil {
			return errors.Join(err, end())
		}
		if near, err := filepath.Rel(root, script); err == nil {
			script = near
		}
		fmt.Fprintf(out, "\nThe server goes on at %s until interrupted. Be one of the demonstration's people (testdata/demo/people.csv) at the command line:\n\n  %s lucan discrepancy list\n",
			p.address, script)
		close, err := p.desks(ctx)
		if err != nil {
			return errors.Join(err, end())
		}
		<-ctx.Done()
		return errors.Join(close(), end())
	}
	if err := end(); err != nil {
		return err
	}
	return p.verify(ctx)
}

// repository finds the folder with go.mod above the working directory.
func repository() (string, error) {
	dir, err := os.Getwd()
	if err != nil {
		return "", err
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir, nil
		}
		parent := filepath.Dir(dir)
		if parent == dir {
			return "", errors.New("run this inside the repository")
		}
		dir = parent
	}
}

func (p *player) path(elements ...string) string {
	return filepath.Join(append([]string{p.left}, elements...)...)
}

func (p *player) key(who string) string { return p.path("home", who, "key") }

// tool runs a program in the repository and fails with its output.
func (p *player) tool(ctx context.Context, name string, args ...string) error {
	command := exec.CommandContext(ctx, name, args...)
	command.Dir = p.root
	command.Env = append(os.Environ(), "CGO_ENABLED=0")
	if output, err := command.CombinedOutput(); err != nil {
		return fmt.Errorf("%s %s: %w\n%s", filepath.Base(name), strings.Join(args, " "), err, output)
	}
	return nil
}

func (p *player) readPeople() error {
	file, err := os.Open(filepath.Join(p.files, "people.csv"))
	if err != nil {
		return err
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		return err
	}
	p.people, p.public = map[string]person{}, map[string]string{}
	for _, r := range rows[1:] {
		p.people[r[0]] = person{r[0], r[1], r[2], r[3], r[4]}
		p.order = append(p.order, r[0])
	}
	return nil
}

// keys makes everybody's key file.
func (p *player) keys(ctx context.Context) error {
	if err := os.WriteFile(p.path("passphrase"), []byte(passphrase+"\n"), 0o600); err != nil {
		return err
	}
	for _, who := range p.order {
		if err := os.MkdirAll(p.path("home", who), 0o700); err != nil {
			return err
		}
		text, err := p.client(ctx, who, "person", "keygen", "--work", "10", "--output", "json", p.people[who].name)
		if err != nil {
			return err
		}
		var made struct {
			PublicKey string `json:"public_key"`
		}
		if err := json.NewDecoder(strings.NewReader(text)).Decode(&made); err != nil {
			return fmt.Errorf("keygen of %s printed no JSON: %w\n%s", who, err, text)
		}
		p.public[who] = made.PublicKey
	}
	return nil
}

// serve starts the server and waits until it takes calls; what it returns ends it.
func (p *player) serve(ctx context.Context) (func() error, error) {
	ready := p.path("ready.json")
	logs, err := os.Create(p.path("server.log"))
	if err != nil {
		return nil, err
	}
	command := exec.Command(p.path("bin", "barward-server"), "serve", "--ledger", p.path("ledger.db"), "--listen", "127.0.0.1:0", "--ready-file", ready)
	command.Stderr = logs
	if err := command.Start(); err != nil {
		return nil, err
	}
	ended := make(chan error, 1)
	go func() { ended <- command.Wait() }()
	end := func() error {
		defer logs.Close()
		_ = command.Process.Signal(os.Interrupt) // it may have ended by the same interrupt
		select {
		case err := <-ended:
			return err
		case <-time.After(20 * time.Second):
			return errors.Join(errors.New("the server did not end when asked"), command.Process.Kill())
		}
	}
	for {
		if text, err := os.ReadFile(ready); err == nil {
			var said struct {
				Listening    string `json:"listening"`
				LogPublicKey string `json:"log_public_key"`
			}
			if err := json.Unmarshal(text, &said); err != nil {
				return nil, errors.Join(err, end())
			}
			p.address, p.logKey = said.Listening, said.LogPublicKey
			return end, nil
		}
		select {
		case err := <-ended:
			return nil, fmt.Errorf("the server ended at once (%w); see out/demo/server.log", err)
		case <-ctx.Done():
			return nil, errors.Join(ctx.Err(), end())
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// client runs the client as somebody and returns what it prints.
func (p *player) client(ctx context.Context, who string, args ...string) (string, error) {
	whole := args
	if p.at != "" && records(args) {
		whole = append(append([]string(nil), args...), "--at", p.at)
	}
	command := exec.CommandContext(ctx, p.path("bin", "barward"), whole...)
	command.Dir = p.files
	command.Env = append(os.Environ(), "BARWARD_SERVER="+p.address, "BARWARD_HOME="+p.path("home", who), "BARWARD_KEY="+p.key(who),
		"BARWARD_PASSPHRASE_FILE="+p.path("passphrase"), "BARWARD_LOG_KEY="+p.logKey, "BARWARD_PLACE="+p.people[who].place)
	var output bytes.Buffer
	command.Stdout, command.Stderr = &output, &output
	err := command.Run()
	if err != nil {
		return output.String(), fmt.Errorf("%s: barward %s: %w\n%s", who, strings.Join(args, " "), err, output.String())
	}
	return output.String(), nil
}

// records says whether a command records an event, which then takes the journal's time.
func records(args []string) bool {
	for _, read := range []string{"list", "show", "trace", "explain", "checkpoint", "keygen", "preview", "compare", "status", "summary", "umpire-advise", "verify-inclusion", "entry", "entries"} {
		if len(args) > 1 && args[1] == read {
			return false
		}
	}
	return true
}

// enrol has each party's first administrator enrolled by the operator, and everybody else by that administrator.
func (p *player) enrol(ctx context.Context) error {
	administrators := map[string]string{}
	for _, who := range p.order[1:] {
		one := p.people[who]
		by := administrators[one.party]
		if by == "" {
			by, administrators[one.party] = p.order[0], who
		}
		args := []string{"person", "enrol", one.party + "/" + one.id, "--name", one.name, "--public-key", p.public[who]}
		for _, role := range strings.Fields(one.roles) {
			args = append(args, "--role", role)
		}
		output, err := p.client(ctx, by, args...)
		if err != nil {
			return err
		}
		p.show(by, strings.Join(args[:3], " ")+" …", output)
	}
	return nil
}

func (p *player) show(who, line, output string) {
	fmt.Fprintf(p.out, "\n  %s$ barward %s\n", who, line)
	for _, l := range strings.Split(strings.TrimRight(output, "\n"), "\n") {
		fmt.Fprintf(p.out, "    %s\n", l)
	}
}

// play plays the journal line by line.
func (p *player) play(ctx context.Context) error {
	file, err := os.Open(filepath.Join(p.files, "journal.txt"))
	if err != nil {
		return err
	}
	defer file.Close()
	lines := bufio.NewScanner(file)
	for lines.Scan() {
		line := lines.Text()
		who, command, isCommand := strings.Cut(line, ": ")
		_, known := p.people[who]
		switch {
		case strings.HasPrefix(line, "# "):
			fmt.Fprintf(p.out, "\n%s\n%s\n", strings.TrimPrefix(line, "# "), strings.Repeat("─", len(line)-2))
		case strings.HasPrefix(line, "at "):
			p.at = strings.TrimPrefix(line, "at ")
			fmt.Fprintf(p.out, "\n  [%s]\n", p.at)
		case line == "enrol":
			if err := p.enrol(ctx); err != nil {
				return err
			}
		case isCommand && known:
			args, err := words(command)
			if err != nil {
				return err
			}
			output, err := p.client(ctx, who, args...)
			if err != nil {
				return err
			}
			p.show(who, command, output)
		default:
			fmt.Fprintln(p.out, line)
		}
	}
	return lines.Err()
}

// words splits a line as a shell would, by blanks and single quotes.
func words(line string) (args []string, err error) {
	var word strings.Builder
	quoted, begun := false, false
	for _, r := range line {
		switch {
		case r == '\'':
			quoted, begun = !quoted, true
		case r == ' ' && !quoted:
			if begun {
				args = append(args, word.String())
			}
			word.Reset()
			begun = false
		default:
			word.WriteRune(r)
			begun = true
		}
	}
	if quoted {
		return nil, fmt.Errorf("a quote is not closed in %q", line)
	}
	if begun {
		args = append(args, word.String())
	}
	return args, nil
}

// summary prints what is due on each lot and leaves the documents as files.
func (p *player) summary(ctx context.Context) error {
	fmt.Fprintf(p.out, "\nNet sums due\n────────────\n")
	for _, name := range []string{"quillmoss/ST-1", "quillmoss/ST-2", "quillmoss/ST-2C"} {
		text, err := p.client(ctx, "lucan", "statement", "show", name, "--output", "json")
		if err != nil {
			return err
		}
		var st struct {
			Lot         string `json:"lot"`
			Net         string `json:"net"`
			CorrectedBy string `json:"corrected_by"`
		}
		if err := json.Unmarshal([]byte(text), &st); err != nil {
			return err
		}
		if st.CorrectedBy == "" {
			fmt.Fprintf(p.out, "  %s, statement %s: net sum due to the seller %s\n", st.Lot, name, st.Net)
		} else {
			fmt.Fprintf(p.out, "  %s, statement %s said %s; corrected by %s\n", st.Lot, name, st.Net, st.CorrectedBy)
		}
		if err := os.WriteFile(p.path(strings.ReplaceAll(name, "/", "-")+".json"), []byte(text), 0o644); err != nil {
			return err
		}
	}
	register, err := p.client(ctx, "lucan", "discrepancy", "list", "--sort", "money", "--at", p.at)
	if err != nil {
		return err
	}
	fmt.Fprintf(p.out, "\nThe register of discrepancies, as on %s\n────────────────────────────────────────────────────────────────\n%s", p.at, register)
	for file, args := range map[string][]string{
		"discrepancies.csv": {"discrepancy", "list", "--output", "csv", "--at", p.at},
		"trace-QM-0421.txt": {"bar", "trace", "QM-0421"},
		"entries.csv":       {"ledger", "entries", "--all", "--output", "csv"},
	} {
		text, err := p.client(ctx, "lucan", args...)
		if err != nil {
			return err
		}
		if err := os.WriteFile(p.path(file), []byte(text), 0o644); err != nil {
			return err
		}
	}
	return nil
}

// verify checks the whole ledger with the server's own command.
func (p *player) verify(ctx context.Context) error {
	command := exec.CommandContext(ctx, p.path("bin", "barward-server"), "verify", "--ledger", p.path("ledger.db"))
	output, err := command.CombinedOutput()
	fmt.Fprintf(p.out, "\nThe ledger\n──────────\n%s", output)
	if err != nil {
		return fmt.Errorf("the ledger does not verify: %w", err)
	}
	fmt.Fprintln(p.out, "The ledger is verified.")
	return nil
}

// stand leaves a script that runs the client as one of the people, for whoever tries the kept server.
func (p *player) stand() (string, error) {
	var b strings.Builder
	fmt.Fprintf(&b, "#!/bin/sh\n# Usage: as PERSON COMMAND...   (the people are in testdata/demo/people.csv)\nwho=$1; shift\ncase $who in\n")
	for _, who := range p.order {
		fmt.Fprintf(&b, "%s) export BARWARD_PLACE='%s' ;;\n", who, p.people[who].place)
	}
	fmt.Fprintf(&b, "*) echo \"nobody is called $who\" >&2; exit 2 ;;\nesac\nexport BARWARD_SERVER='%s' BARWARD_HOME='%s'/\"$who\" BARWARD_KEY='%s'/\"$who\"/key BARWARD_PASSPHRASE_FILE='%s' BARWARD_LOG_KEY='%s'\nexec '%s' \"$@\"\n",
		p.address, p.path("home"), p.path("home"), p.path("passphrase"), p.logKey, p.path("bin", "barward"))
	name := p.path("as")
	return name, os.WriteFile(name, []byte(b.String()), 0o755)
}
