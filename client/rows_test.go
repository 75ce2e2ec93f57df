package main

import (
	"strings"
	"testing"

	"barward/internal/refusal"
)

func TestRows(t *testing.T) {
	good := "\ufeffMark, reading1 ,reading2,reading3\r\nQ-1,1.0 g,1.0 g,\r\n\"Q,2\",2.0 g,2.1 g,2.0 g\r\n"
	rows, err := parseRows([]byte(good), []string{"mark", "reading1", "reading2"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 2 || rows[0].cells["mark"] != "Q-1" || len(rows[0].readings) != 2 || rows[1].cells["mark"] != "Q,2" || len(rows[1].readings) != 3 || rows[1].number != 3 {
		t.Errorf("rows %+v", rows)
	}
}

func TestRowsRefused(t *testing.T) {
	for _, tt := range []struct{ name, text, reason, part string }{
		{"empty", "", "CSV_EMPTY", "first row names the columns: mark, reading1, reading2"},
		{"header only", "mark,reading1,reading2\n", "CSV_EMPTY", "no rows"},
		{"column missing", "mark,reading1\nQ-1,1 g\n", "CSV_COLUMN_MISSING", "no column reading2; found mark, reading1"},
		{"column unknown", "mark,reading1,reading2,weight\nQ,1 g,1 g,1 g\n", "CSV_COLUMN_UNKNOWN", `"weight"`},
		{"reading zero", "mark,reading0,reading1,reading2\nQ,1 g,1 g,1 g\n", "CSV_COLUMN_UNKNOWN", `"reading0"`},
		{"column twice", "mark,reading1,reading2,MARK\nQ,1 g,1 g,Q\n", "CSV_COLUMN_REPEATED", "mark twice"},
		{"short row", "mark,reading1,reading2\nQ,1 g,1 g\nR,1 g\n", "CSV_ROW_WRONG", "Row 3 has 2 cells, the header has 3"},
		{"empty cell", "mark,reading1,reading2\nQ,1 g,1 g\n,1 g,1 g\n", "CSV_ROW_WRONG", "Row 3: mark is empty"},
		{"quote left open", "mark,reading1,reading2\n\"Q,1 g,1 g\n", "CSV_MALFORMED", "Row 2"},
		{"not UTF-8", "mark,reading1,reading2\nQ\xff,1 g,1 g\n", "CSV_MALFORMED", "UTF-8"},
	} {
		_, err := parseRows([]byte(tt.text), []string{"mark", "reading1", "reading2"}, nil)
		if !refusal.Is(err, tt.reason) || !strings.Contains(err.Error(), tt.part) {
			t.Errorf("%s: %v, want %s with %q", tt.name, err, tt.reason, tt.part)
		}
	}
	var long strings.Builder
	long.WriteString("date\n")
	for range maxRows + 1 {
		long.WriteString("2026-03-02\n")
	}
	if _, err := parseRows([]byte(long.String()), []string{"date"}, nil); !refusal.Is(err, "CSV_TOO_LONG") {
		t.Errorf("%d rows: %v", maxRows+1, err)
	}
}

// What parses has every required cell filled and is numbered in order, whatever the bytes.
func FuzzRows(f *testing.F) {
	f.Add([]byte("mark,reading1,reading2\nQ-1,1.0 g,1.0 g\n"))
	f.Add([]byte("\ufeffreading2,mark,reading1\r\n\"a\"\"b\",c,d\r\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		rows, err := parseRows(text, []string{"mark", "reading1", "reading2"}, []string{"note"})
		if err != nil {
			if refusal.As(err) == nil {
				t.Fatalf("no refusal: %v", err)
			}
			return
		}
		for i, r := range rows {
			if r.number != i+2 || r.cells["mark"] == "" || len(r.readings) < 2 {
				t.Fatalf("row %+v", r)
			}
		}
	})
}

func TestResultsOf(t *testing.T) {
	got, err := resultsOf([]string{"Au=812.30", "Cu=1.2 %", "Pb=40 g/t"})
	if err != nil || len(got) != 3 || got[0].GetFineness() != "812.30 ppt" || got[1].GetFineness() != "1.2 %" || got[2].GetElement() != "Pb" {
		t.Errorf("results %v, %v", got, err)
	}
	for text, reason := range map[string]string{
		"Au": "RESULT_MALFORMED", "Au=1000.1": "FINENESS_OUT_OF_RANGE", "Au=-1": "FINENESS_OUT_OF_RANGE", "gold=812": "ELEMENT_UNKNOWN", "Au=1e2": "NUMBER_MALFORMED", "Au=": "NUMBER_MISSING",
	} {
		if _, err := resultsOf([]string{text}); !refusal.Is(err, reason) {
			t.Errorf("%s: %v, want %s", text, err, reason)
		}
	}
}

func TestPrintable(t *testing.T) {
	if got := printable("a\x1b[31mred\x07\nü\u009b"); got != "a·[31mred·\nü·" {
		t.Errorf("%q", got)
	}
}
