package main

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"github.com/alecthomas/kong"
)

// Every command says what it does and has an example, and every example can be read by the parser.
func TestEveryCommandHasAWorkingExample(t *testing.T) {
	parser, err := newParser(&cli{}, io.Discard, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	commands := 0
	for _, leaf := range parser.Model.Leaves(false) {
		commands++
		example := leaf.Tag.Get("example")
		if leaf.Help == "" || example == "" {
			t.Errorf("%s: help %q, example %q", leaf.Path(), leaf.Help, example)
			continue
		}
		for _, fd := range leaf.Flags {
			if fd.Help == "" {
				t.Errorf("%s: --%s says nothing", leaf.Path(), fd.Name)
			}
		}
		words := shellWords(t, example)
		chosen, err := parser.Parse(words[1:])
		if err != nil {
			t.Errorf("%s: %v in %s", leaf.Path(), err, example)
			continue
		}
		if got := commandPath(chosen.Selected()); got != commandPath(leaf) {
			t.Errorf("%s: its example runs %s", commandPath(leaf), got)
		}
	}
	if commands < 70 {
		t.Errorf("%d commands", commands)
	}
}

func commandPath(n *kong.Node) string {
	if n.Parent == nil {
		return n.Name
	}
	return commandPath(n.Parent) + " " + n.Name
}

// shellWords splits as a shell does: blanks, and single and double quotes with \" inside.
func shellWords(t *testing.T, line string) (words []string) {
	t.Helper()
	var b strings.Builder
	open := rune(0)
	for _, r := range line {
		switch {
		case open == 0 && (r == '\'' || r == '"'):
			open = r
		case r == open:
			open = 0
		case r == ' ' && open == 0:
			words = append(words, b.String())
			b.Reset()
		default:
			b.WriteRune(r)
		}
	}
	if open != 0 {
		t.Fatalf("a quote is left open in %s", line)
	}
	return append(words, b.String())
}

// Each list and show knows its kind of thing, and each kind has columns.
func TestEveryListKnowsItsThing(t *testing.T) {
	parser, err := newParser(&cli{}, io.Discard, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, leaf := range parser.Model.Leaves(false) {
		switch leaf.Target.Addr().Interface().(type) {
		case *listCmd, *showCmd, *countersignCmd:
			chosen, err := parser.Parse(shellWords(t, leaf.Tag.Get("example"))[1:])
			if err != nil {
				t.Fatal(err)
			}
			kind := thingOf(chosen)
			if c, ok := columns[kind]; !ok || len(c.names) == 0 {
				t.Errorf("%s lists %v", leaf.Path(), kind)
			}
			seen[kind.String()] = true
		case *offlineCmd:
			if offline[leaf.Tag.Get("offline")] == nil {
				t.Errorf("%s computes nothing", leaf.Path())
			}
		}
	}
	if len(seen) != len(columns) {
		t.Errorf("%d of %d kinds can be listed: %v", len(seen), len(columns), seen)
	}
}

func TestUsage(t *testing.T) {
	for _, tt := range []struct {
		args []string
		code int
		part string
	}{
		{nil, exitDone, "Commands:"},
		{[]string{"--help"}, exitDone, "Commands:"},
		{[]string{"pour", "log", "--help"}, exitDone, "Example:\n  barward pour log"},
		{[]string{"pour", "log"}, exitUsage, "expected \"<number>\""},
		{[]string{"pour", "melt"}, exitUsage, "--help"},
		{[]string{"bar", "list", "-o", "xml"}, exitUsage, "must be one of"},
	} {
		var out bytes.Buffer
		if code := run(t.Context(), tt.args, strings.NewReader(""), &out,
			&out); code != tt.code || !strings.Contains(out.String(), tt.part) {
			t.Errorf("%v: exit %d, %s", tt.args, code, out.String())
		}
	}
}
