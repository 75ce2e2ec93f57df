package desk

import (
	"encoding/csv"
	"strings"
	"testing"
)

// A cell that begins like a formula is guarded: OWASP, CSV injection, names = + - @ tab and carriage return; the
// full-width forms are taken alike by spreadsheets of East Asian settings (common practice, no source).
func TestTextsThatLookLikeFormulas(t *testing.T) {
	s := sheet{name: "t", columns: append(texts("text"), figures("amount")...)}
	for _, text := range []string{"=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "＝1+1", "＋1", "－1", "＠x"} {
		if got := s.cells([]string{text, ""})[0]; got != "'"+text {
			t.Errorf("%q is written as %q", text, got)
		}
	}
	for _, text := range []string{"", "Au", "12 - 3", "a=b", "'quoted'"} {
		if got := s.cells([]string{text, ""})[0]; got != text {
			t.Errorf("%q is written as %q", text, got)
		}
	}
	// A figure below zero is a number and stays one; its unit is a text that a stranger may have written.
	if got := s.cells([]string{"x", "-12.50 =CMD"}); got[1] != "-12.50" || got[2] != "'=CMD" {
		t.Errorf("the figure is written as %q", got[1:])
	}
	if got := s.cells([]string{"x", "-oops"}); got[1] != "'-oops" {
		t.Errorf("what is no figure is written as %q", got[1:])
	}
}

// IEEE 754 doubles hold every decimal of up to 15 significant digits so that it reads back (IEEE 754-2019, 5.12.2),
// and a spreadsheet shows 15. What has more stays text.
func TestNumbersOnlyWhereExact(t *testing.T) {
	for _, tt := range []struct {
		decimal string
		ok      bool
	}{
		{"0", true}, {"-0.10", true}, {"1312321.09", true}, {"123456789012345", true}, {"1234567890.12345", true},
		{"1234567890123456", false}, {"0.1234567890123456", false}, {"12345678901234567890.1", false}, {"", false}, {"x",
			false},
	} {
		if _, ok := exact(tt.decimal); ok != tt.ok {
			t.Errorf("%s: exact %v", tt.decimal, ok)
		}
	}
}

func TestSheetsKeepEveryDigit(t *testing.T) {
	s := sheet{name: "t", columns: append(texts("of"), figures("mass")...),
		rows: [][]string{{"a, \"b\"\nc", "12441.390 g"}}}
	file, err := s.csv()
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(string(file))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(rows[1], "|"); got != "a, \"b\"\nc|12441.390|g" { // the last zero is evidence
		t.Errorf("read back as %q", got)
	}
}
