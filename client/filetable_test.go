package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// README says of each file that we write what somebody who can alter it could make us believe. Each row of that
// table is a scenario here, which alters the file for real and shows what comes of it.
const filesHeading = "## Files we write, and what someone who can alter each could make us believe"

func TestFilesTable(t *testing.T) { play(t, filepath.Join("testdata", "files")) }

// A row without a scenario is a promise that nobody keeps, and a scenario without a row one that nobody was told.
func TestEveryRowOfTheFilesTableIsPlayed(t *testing.T) {
	readme, err := os.ReadFile(filepath.Join("..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, section, found := strings.Cut(string(readme), filesHeading+"\n")
	if !found {
		t.Fatalf("README has no section %q", filesHeading)
	}
	section, _, _ = strings.Cut(section, "\n## ")
	rows := map[string]bool{}
	for _, line := range strings.Split(section, "\n") {
		cells := strings.Split(line, "|")
		if len(cells) < 5 || strings.Contains(cells[1], "---") || strings.TrimSpace(cells[1]) == "file" {
			continue
		}
		rows[strings.TrimSpace(cells[1])] = true
	}
	played := map[string]string{}
	archives, err := filepath.Glob(filepath.Join("testdata", "files", "*.txtar"))
	if err != nil {
		t.Fatal(err)
	}
	row := regexp.MustCompile(`^# row: (.*)\n`)
	for _, archive := range archives {
		text, err := os.ReadFile(archive)
		if err != nil {
			t.Fatal(err)
		}
		first := row.FindSubmatch(text)
		if first == nil {
			t.Errorf("%s does not begin with the row that it plays", archive)
			continue
		}
		if other, twice := played[string(first[1])]; twice {
			t.Errorf("%s and %s play one row", archive, other)
		}
		played[string(first[1])] = archive
		if !rows[string(first[1])] {
			t.Errorf("%s plays the row %q, which README's table does not have", archive, first[1])
		}
	}
	for name := range rows {
		if played[name] == "" {
			t.Errorf("no scenario plays the row %q of README's table", name)
		}
	}
	if len(rows) < 15 {
		t.Errorf("%d rows were read from README's table", len(rows))
	}
}

// alter is what somebody with write access does: other bytes in the same places.
func alter(_ *world, ts *testscript.TestScript, args []string) error {
	if len(args) != 3 || len(args[0]) != len(args[1]) {
		return fmt.Errorf("alter OLD NEW FILE, both of one length")
	}
	path := ts.MkAbs(args[2])
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	if !bytes.Contains(text, []byte(args[0])) {
		return fmt.Errorf("%q is not in %s", args[0], args[2])
	}
	return os.WriteFile(path, bytes.ReplaceAll(text, []byte(args[0]), []byte(args[1])), 0o600)
}

func only(_ *world, ts *testscript.TestScript, args []string) error {
	files, err := filepath.Glob(ts.MkAbs(args[0]))
	if err != nil || len(files) != 1 {
		return fmt.Errorf("%s matches %v (%v), not one file", args[0], files, err)
	}
	ts.Setenv(args[1], files[0])
	return nil
}

func rehash(_ *world, ts *testscript.TestScript, args []string) error {
	path := ts.MkAbs(args[0])
	text, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	head, body, found := bytes.Cut(text, []byte("\n"))
	at := bytes.LastIndexByte(head, ' ')
	if !found || at < 0 {
		return fmt.Errorf("%s is no file of the outbox", args[0])
	}
	sum := sha256.Sum256(body)
	return os.WriteFile(path, []byte(string(head[:at+1])+hex.EncodeToString(sum[:])+"\n"+string(body)), 0o600)
}

func (w *world) unpin(*testscript.TestScript, []string) error {
	w.unpinned = true
	return nil
}

// deskPage serves a person's desk for as long as it takes to fetch its first page.
func (w *world) deskPage(ts *testscript.TestScript, args []string) error {
	ready := w.path("desk.json")
	desk := exec.Command(filepath.Join(w.programs, "barward"), "desk", "--listen", "127.0.0.1:0", "--ready-file", ready,
		"--home", w.path("home", args[0]), "--keys", w.path("home", args[0], "key"), "--server", w.address)
	if err := desk.Start(); err != nil {
		return err
	}
	defer func() {
		_ = desk.Process.Kill()
		_ = desk.Wait() // it was killed
	}()
	for end := time.Now().Add(2 * time.Minute); ; time.Sleep(20 * time.Millisecond) {
		text, err := os.ReadFile(ready)
		if err == nil {
			var said struct{ Address string }
			if err := json.Unmarshal(text, &said); err != nil {
				return err
			}
			answer, err := http.Get(said.Address)
			if err != nil {
				return err
			}
			defer answer.Body.Close()
			page, err := io.ReadAll(io.LimitReader(answer.Body, 1<<20))
			if err != nil {
				return err
			}
			return os.WriteFile(ts.MkAbs(args[1]), page, 0o600)
		}
		if time.Now().After(end) {
			return err
		}
	}
}
