package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// evidenceOfTheDemonstration exports packs from the ledger that the demonstration left in out, stops the service, and
// has them checked by a process that has nothing but the client: an empty home, an empty environment, no service.
func evidenceOfTheDemonstration(t *testing.T, out string) {
	ready := filepath.Join(out, "evidence-ready.json")
	server := exec.Command(filepath.Join(out, "bin", "barward-server"), "serve", "--ledger", filepath.Join(out,
		"ledger.db"),
		"--listen", "127.0.0.1:0", "--ready-file", ready)
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	stop := func() {
		_ = server.Process.Kill()
		_ = server.Wait() // it was killed, so it has no good word to say
	}
	defer stop()
	var said struct {
		Listening    string `json:"listening"`
		LogPublicKey string `json:"log_public_key"`
	}
	for waited := 0; ; waited++ {
		if text, err := os.ReadFile(ready); err == nil && json.Unmarshal(text, &said) == nil {
			break
		}
		if waited == 6000 {
			t.Fatal("the server does not take calls")
		}
		time.Sleep(20 * time.Millisecond)
	}
	client := filepath.Join(out, "bin", "barward")
	folder := t.TempDir()
	as := func(who string, args ...string) (string, error) {
		home := filepath.Join(out, "home", who)
		command := exec.Command(client, args...)
		command.Env = []string{"BARWARD_SERVER=" + said.Listening, "BARWARD_HOME=" + home,
			"BARWARD_KEY=" + filepath.Join(home, "key"),
			"BARWARD_PASSPHRASE_FILE=" + filepath.Join(out, "passphrase")}
		text, err := command.CombinedOutput()
		return string(text), err
	}
	// ST-2 by hand: 99095 g at 813.76 and 146.80 ppt are 2590.029 and 458.347 oz payable; at 2940.45 and 33.1850 they are
	// 7615850.77 and 15210.25; less 1752.81, 1036.01, 450.00 and the umpire's 640.00.
	packs := []struct {
		name, who, kind, of string
		nets                map[string]string // as by hand in TestDemonstration; ST-1P as in the journal, ST-2 see below
	}{
		{"lot-1", "lucan", "lot", "thistlequay/L-1", map[string]string{"thistlequay/ST-1P": "11767725.32 USD",
			"quillmoss/ST-1": "1348004.48 USD"}},
		{"lot-2", "fennimore", "lot", "L-2", map[string]string{"quillmoss/ST-2": "7627182.20 USD",
			"quillmoss/ST-2C": "7626872.90 USD"}},
		{"bar", "lucan", "bar", "QM-0421", map[string]string{}},
		{"seal", "hob", "discrepancy", register(t, out, "seal quillmoss/B-4"), map[string]string{}},
		{"return", "lucan", "discrepancy", register(t, out, "return differs thistlequay/L-1"),
			map[string]string{"thistlequay/ST-1P": "11767725.32 USD", "quillmoss/ST-1": "1348004.48 USD"}},
	}
	for _, p := range packs {
		file := filepath.Join(folder, p.name+".zip")
		if text, err := as(p.who, "evidence", "export", p.kind, p.of, "--file", file); err != nil {
			t.Fatalf("%s: %v\n%s", p.name, err, text)
		}
		if text, err := as(p.who, "evidence", "export", p.kind, p.of, "--file", file); err == nil || !strings.Contains(text,
			"FILE_EXISTS") {
			t.Errorf("%s is written over: %v\n%s", p.name, err, text)
		}
	}
	// What somebody may not see, they cannot take away either: a carrier knows no lot.
	if text, err := as("hob", "evidence", "export", "lot", "thistlequay/L-1", "--file", filepath.Join(folder,
		"carrier.zip")); err == nil ||
		!strings.Contains(text, "NAME_UNKNOWN") {
		t.Errorf("a carrier exports a lot: %v\n%s", err, text)
	}
	stop()

	// The other machine: the client, the file, nothing else.
	desk := t.TempDir()
	binary, err := os.ReadFile(client)
	if err != nil {
		t.Fatal(err)
	}
	alone := filepath.Join(desk, "barward")
	if err := os.WriteFile(alone, binary, 0o700); err != nil {
		t.Fatal(err)
	}
	there := func(args ...string) (string, error) {
		command := exec.Command(alone, args...)
		command.Dir, command.Env = desk, []string{"HOME=" + filepath.Join(desk, "nobody")}
		var answer, complaint bytes.Buffer
		command.Stdout, command.Stderr = &answer, &complaint
		err := command.Run()
		if err != nil {
			err = fmt.Errorf("%w: %s", err, complaint.String())
		}
		return answer.String(), err
	}
	for _, p := range packs {
		t.Run(p.name, func(t *testing.T) {
			file := filepath.Join(folder, p.name+".zip")
			text, err := there("evidence", "verify", file, "--log-key", said.LogPublicKey, "-o", "json")
			var report struct {
				Sound      bool     `json:"sound"`
				Compared   bool     `json:"log_key_compared"`
				Exporter   string   `json:"exporter"`
				NotProven  []string `json:"not_proven"`
				Statements []struct {
					Name, Net, Digest string
					RestsOn           []uint64 `json:"rests_on"`
				}
			}
			if bad := json.Unmarshal([]byte(text), &report); err != nil || bad != nil {
				t.Fatalf("%v, %v\n%s", err, bad, text)
			}
			if !report.Sound || !report.Compared || !strings.HasSuffix(report.Exporter, "/"+p.who) || len(report.NotProven) < 4 {
				t.Errorf("%+v", report)
			}
			if len(report.Statements) != len(p.nets) {
				t.Errorf("%d statements, not %d", len(report.Statements), len(p.nets))
			}
			for _, s := range report.Statements {
				if s.Net != p.nets[s.Name] || len(s.RestsOn) < 5 {
					t.Errorf("statement %s comes to %s, by hand %s; it rests on %v", s.Name, s.Net, p.nets[s.Name], s.RestsOn)
				}
				// The demonstration saved what the service showed; the pack is computed from entries alone.
				var shown struct{ Digest string }
				if saved, err := os.ReadFile(filepath.Join(out, strings.ReplaceAll(s.Name, "/", "-")+".json")); err == nil {
					if err := json.Unmarshal(saved, &shown); err != nil || shown.Digest != s.Digest {
						t.Errorf("statement %s has the digest %s, and the service showed %s (%v)", s.Name, s.Digest, shown.Digest, err)
					}
				}
			}
			words, err := there("evidence", "verify", file)
			for _, want := range []string{"SOUND", "Proven:", "Not proven:", "That the metal was there",
				"verify again with --log-key"} {
				if err != nil || !strings.Contains(words, want) {
					t.Errorf("%v; the words do not hold %q:\n%s", err, want, words)
				}
			}
			if summary, err := there("evidence", "show", file); err != nil || !strings.Contains(summary,
				"Entry 0, taken by the log") {
				t.Errorf("%v\n%s", err, summary)
			}
			damaged(t, there, file)
		})
	}
	if _, err := there("evidence", "verify", filepath.Join(folder, "bar.zip"), "--log-key",
		strings.Replace(said.LogPublicKey, "lanternfold", "lanternfald", 1)); err == nil ||
		!strings.Contains(err.Error(), "LOG_KEY_DIFFERS") && !strings.Contains(err.Error(), "EVIDENCE_UNSOUND") {
		t.Errorf("another log's key is taken: %v", err)
	}
	recipe, err := there("evidence", "show", filepath.Join(folder, "bar.zip"), "--entry", "1")
	if err != nil || !strings.Contains(recipe, "openssl pkeyutl -verify") {
		t.Errorf("%v\n%s", err, recipe)
	}
	if left, err := os.ReadDir(desk); err != nil || len(left) != 1 {
		t.Errorf("checking left something behind: %v, %v", left, err)
	}
}

// damaged has the client look at copies of a pack with one bit changed, spread over the file; package evidence exhausts
// them over a small one.
func damaged(t *testing.T, there func(...string) (string, error), file string) {
	good, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	copied := filepath.Join(t.TempDir(), "copy.zip")
	for i := range 8 {
		bad := slices.Clone(good)
		at := (2*i + 1) * len(bad) / 16
		bad[at] ^= 1 << i
		if err := os.WriteFile(copied, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		text, err := there("evidence", "verify", copied)
		var exit *exec.ExitError
		if !errors.As(err, &exit) || exit.ExitCode() != exitRefused || strings.Contains(text, "SOUND:") {
			t.Errorf("bit %d of byte %d changed: %v\n%s", i, at, err, text)
		}
	}
}

// register returns the name of a discrepancy by its kind and subject.
func register(t *testing.T, out, wanted string) string {
	t.Helper()
	for _, row := range csvRows(t, filepath.Join(out, "discrepancies.csv")) {
		if row["kind"]+" "+row["subject"] == wanted {
			return row["discrepancy"]
		}
	}
	t.Fatalf("no discrepancy %s", wanted)
	return ""
}
