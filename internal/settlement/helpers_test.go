package settlement

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"barward/internal/quantity"
	"barward/internal/refusal"
)

// load reads a preview from testdata and lets the test change it.
func load(t testing.TB, file string, change ...func(*PreviewInput)) PreviewInput {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", file+".json"))
	if err != nil {
		t.Fatal(err)
	}
	var in PreviewInput
	if err := readJSON(b, maxPreviewBytes, "a preview", &in); err != nil {
		t.Fatal(err)
	}
	for _, c := range change {
		c(&in)
	}
	return in
}

// preview settles a preview as a file would be: through JSON.
func preview(t testing.TB, in PreviewInput) Statement {
	t.Helper()
	s, err := tryPreview(t, in)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func tryPreview(t testing.TB, in PreviewInput) (Statement, error) {
	t.Helper()
	b, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	return Preview(b)
}

func settled(t testing.TB, file string, change ...func(*PreviewInput)) Statement {
	t.Helper()
	return preview(t, load(t, file, change...))
}

// wantFigures checks what a line states: quantity with unit, rate with unit, amount, as Line.figures joins them.
func wantFigures(t testing.TB, source string, s Statement, path, want string) {
	t.Helper()
	found := s.Find(path)
	if len(found) != 1 {
		t.Fatalf("%s: %d lines %s", source, len(found), path)
	}
	if got := found[0].figures(); got != want {
		t.Errorf("%s: %s = %s, want %s", source, path, got, want)
	}
}

func wantRefused(t testing.TB, reason string, err error) {
	t.Helper()
	if !refusal.Is(err, reason) {
		t.Errorf("refused with %v, want %s", err, reason)
	}
}

func dec(s string) quantity.Decimal { return quantity.MustDecimal(s) }

func ptr(s string) *quantity.Decimal { return number(dec(s)) }

func rounding(places int, mode quantity.Mode) quantity.Rounding {
	return quantity.Rounding{Places: places, Mode: mode}
}
