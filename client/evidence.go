package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"barward/client/station"
	"barward/internal/evidence"
	"barward/internal/ledger/proof"
	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

type evidenceCmd struct {
	Export evidenceExport `cmd:"" help:"Put what was signed about a bar, a lot or a discrepancy into one file that proves itself." example:"barward evidence export lot L-1 --file L-1.zip"`
	Verify evidenceVerify `cmd:"" help:"Check such a file without any service, and say what it proves and what it does not." example:"barward evidence verify L-1.zip --log-key log-key.txt"`
	Show   evidenceShow   `cmd:"" help:"Show what such a file says, or how to check one entry of it with openssl." example:"barward evidence show L-1.zip --entry 41"`
}

type evidenceExport struct {
	Kind  string `arg:"" help:"bar, lot or discrepancy." enum:"bar,lot,discrepancy"`
	Name  string `arg:"" help:"Its mark or number."`
	File  string `required:"" type:"path" help:"New file to write."`
	Cover string `type:"path" help:"PDF to put in front, for readers; it proves nothing."`
}

// Run gathers, signs, checks and writes the file.
func (c *evidenceExport) Run(a *app) error {
	about := evidence.What{Kind: evidence.Kind(c.Kind), Name: c.Name}
	key, err := a.person()
	if err != nil {
		return err
	}
	if about.Kind != evidence.Discrepancy {
		if about.Name, err = a.ref(c.Name); err != nil {
			return err
		}
	}
	_, exporter, err := a.station.Identify(a.ctx)
	if err == nil && exporter == "" { // the party was given, and so the person was not asked for
		var found *pb.Person
		if found, err = a.station.FindPerson(a.ctx, key.Public()); err == nil {
			exporter = found.GetName()
		}
	}
	if err != nil {
		return err
	}
	if err := a.open(); err != nil {
		return err
	}
	var cover func(evidence.Pack) ([]byte, error)
	if c.Cover != "" {
		cover = func(evidence.Pack) ([]byte, error) { return station.ReadFile(c.Cover, station.MaxInput) }
	}
	file, err := a.station.Evidence(a.ctx, about, exporter, cover)
	if err != nil {
		return err
	}
	read, err := evidence.Read(file)
	if err != nil {
		return err
	}
	if err := writeNew(c.File, file); err != nil {
		return err
	}
	say(a.complain, "%s: %d entries about %s, each proven under the checkpoint of the log.\n", c.File, len(read.Entries), about)
	if n := len(read.Withheld); n > 0 {
		say(a.complain, "  %d entries belong to it that your party may not read; the file says so.\n", n)
	}
	return nil
}

// writeNew writes a file that is not there yet, whole or not at all.
func writeNew(path string, text []byte) error {
	home := station.Home{Folder: filepath.Dir(path)}
	err := home.WriteNew(filepath.Base(path), text)
	if errors.Is(err, os.ErrExist) {
		return refusal.New(refusal.Exists, "FILE_EXISTS", "--file", "%s is there already. Name a new file.", path).About(path)
	}
	return err
}

type evidenceVerify struct {
	File string `arg:"" type:"path" help:"The file."`
}

// Run checks the file. It needs no service, no key and no home.
func (c *evidenceVerify) Run(a *app) error {
	pack, err := readEvidence(c.File)
	if err != nil {
		return err
	}
	trusted, err := a.trustedKey(pack)
	if err != nil {
		return err
	}
	report := evidence.Verify(pack, trusted)
	if a.g.Output == "json" {
		err = a.showValue(reportJSON(report))
	} else {
		tellReport(a.out, c.File, report)
	}
	if err == nil && !report.Sound() {
		err = unsound(report, c.File)
	}
	return err
}

func readEvidence(path string) (evidence.Pack, error) {
	file, err := station.ReadFile(path, evidence.MaxPack)
	if err != nil {
		return evidence.Pack{}, err
	}
	return evidence.Read(file)
}

// trustedKey is the log's key as this reader has it: given with --log-key, or kept on this machine since it first saw
// that log; empty otherwise.
func (a *app) trustedKey(pack evidence.Pack) (string, error) {
	given := strings.TrimSpace(a.g.LogKey)
	if given != "" && !strings.Contains(given, "+") {
		text, err := station.ReadFile(given, proof.MaxNote)
		return strings.TrimSpace(string(text)), refusal.In(err, "--log-key")
	}
	if given != "" {
		return given, nil
	}
	kept, err := os.ReadFile(station.Home{Folder: a.g.Home}.Path(station.LogKeyFile))
	if text := strings.TrimSpace(string(kept)); err == nil && text == pack.LogKey {
		return text, nil
	}
	return "", nil
}

func unsound(r evidence.Report, what string) error {
	return refusal.New(refusal.DataLoss, "EVIDENCE_UNSOUND", "",
		"%s is not to be relied on: %d things are wrong with it, the first being: %s", what, len(r.Findings),
		r.Findings[0].Text).
		With("first", r.Findings[0].Reason)
}

// tellReport writes a report for people.
func tellReport(w io.Writer, file string, r evidence.Report) {
	verdict := "SOUND: what it proves stands below."
	if !r.Sound() {
		verdict = "NOT SOUND. Rely on nothing in it."
	}
	say(w, "%s, about %s\n%s\n", printable(file), printable(r.About.String()), verdict)
	paragraph := func(title string, lines []string) {
		if len(lines) > 0 {
			say(w, "\n%s\n", title)
		}
		for _, line := range lines {
			say(w, "  - %s\n", printable(line))
		}
	}
	var wrong []string
	for _, f := range r.Findings {
		wrong = append(wrong, fmt.Sprintf("%s [%s, %s]", f.Text, f.Reason, f.Subject))
	}
	paragraph("Wrong with it:", wrong)
	paragraph("Proven:", r.Proven)
	paragraph("Not proven:", r.NotProven)
}

// reportJSON is a report for programs.
func reportJSON(r evidence.Report) any {
	type wrong struct {
		Reason string `json:"reason"`
		Member string `json:"member"`
		Text   string `json:"text"`
	}
	type statement struct {
		Name        string   `json:"name"`
		Lot         string   `json:"lot"`
		Entry       uint64   `json:"entry"`
		Net         string   `json:"net"`
		Digest      string   `json:"digest"`
		RestsOn     []uint64 `json:"rests_on"`
		Agreed      []string `json:"agreed,omitempty"`
		Differences []string `json:"differences,omitempty"`
	}
	out := struct {
		Sound      bool        `json:"sound"`
		About      string      `json:"about"`
		Log        string      `json:"log"`
		Size       uint64      `json:"tree_size"`
		Root       string      `json:"root"`
		Compared   bool        `json:"log_key_compared"`
		Exporter   string      `json:"exporter"`
		Statements []statement `json:"statements,omitempty"`
		Findings   []wrong     `json:"findings,omitempty"`
		Proven     []string    `json:"proven,omitempty"`
		NotProven  []string    `json:"not_proven"`
	}{r.Sound(), r.About.String(), r.Log, r.Size, r.Root.String(), r.Compared, r.Exporter, nil, nil, r.Proven, r.NotProven}
	for _, s := range r.Statements {
		out.Statements = append(out.Statements, statement{s.Name, s.Lot, s.Issued, s.Net, s.Digest, s.Rests, s.Agreed,
			s.Differences})
	}
	for _, f := range r.Findings {
		out.Findings = append(out.Findings, wrong{f.Reason, f.Subject, f.Text})
	}
	return out
}

type evidenceShow struct {
	File  string  `arg:"" type:"path" help:"The file."`
	Entry *uint64 `help:"One entry: its hash, and shell commands that check it with openssl alone." placeholder:"N"`
	Keys  bool    `help:"The keys, whose they are, and the entries that say so."`
}

// Run shows; whether it is true, verify says.
func (c *evidenceShow) Run(a *app) error {
	pack, err := readEvidence(c.File)
	if err != nil {
		return err
	}
	switch {
	case c.Entry != nil:
		_, hash, err := pack.Leaf(*c.Entry)
		if err != nil {
			return err
		}
		say(a.out, "%s", evidence.ByHand(c.File, *c.Entry, hash))
	case c.Keys:
		say(a.out, "%s", pack.Keys())
	default:
		say(a.out, "%s", pack.Summary())
	}
	say(a.complain, "Shown as the file says it; `barward evidence verify` says whether it is true.\n")
	return nil
}
