package settlement

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"barward/internal/refusal"
)

// Each target: what parses prints, and parses back to what prints the same; what does not parse is refused with a reason.

func wantReason(t *testing.T, err error) {
	t.Helper()
	if e := refusal.As(err); e == nil || e.Reason == "" || e.Kind == refusal.Internal {
		t.Fatalf("refused without a reason: %v", err)
	}
}

func FuzzParseTerms(f *testing.F) {
	for _, file := range []string{"full_settlement", "order_of_rounding", "bar_gold"} {
		f.Add(load(f, file).Terms.JSON())
	}
	f.Add([]byte(`{"metals":[{"fine_rounding":{"places":3}}]}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		terms, err := ParseTerms(b)
		if err != nil {
			wantReason(t, err)
			return
		}
		printed := terms.JSON()
		again, err := ParseTerms(printed)
		if err != nil {
			t.Fatalf("%v in %s", err, printed)
		}
		if !bytes.Equal(again.JSON(), printed) {
			t.Fatalf("printed %s, then %s", printed, again.JSON())
		}
		if err := terms.Check(); err != nil {
			wantReason(t, err)
		}
		terms.Warnings()
	})
}

func FuzzPreview(f *testing.F) {
	files, err := filepath.Glob("testdata/*.json")
	if err != nil || len(files) == 0 {
		f.Fatal("no previews", err)
	}
	for _, file := range files {
		b, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := Preview(b)
		if err != nil {
			wantReason(t, err)
			return
		}
		read, err := ParseStatement(s.JSON())
		if err != nil || read.Digest() != s.Digest() {
			t.Fatalf("a settled statement does not read back: %v", err)
		}
	})
}

func FuzzParseStatement(f *testing.F) {
	for _, file := range []string{"full_settlement", "direction_of_rounding"} {
		f.Add(settled(f, file).JSON())
	}
	ours := settled(f, "full_settlement")
	f.Fuzz(func(t *testing.T, b []byte) {
		s, err := ParseStatement(b)
		if err != nil {
			wantReason(t, err)
			return
		}
		again, err := ParseStatement(s.JSON())
		if err != nil || !bytes.Equal(again.JSON(), s.JSON()) {
			t.Fatalf("does not read back: %v", err)
		}
		for _, l := range s.Lines[:min(len(s.Lines), 20)] {
			if _, err := s.Explain(l.Path()); err != nil {
				wantReason(t, err)
			}
		}
		if r, err := Reconcile(s, ours.Return(), strict()); err == nil {
			wantSums(t, r)
		} else {
			wantReason(t, err)
		}
	})
}

func FuzzParseReturn(f *testing.F) {
	ours := settled(f, "full_settlement")
	f.Add(ours.Return().CSV())
	f.Add(ours.Return().JSON())
	f.Add([]byte("code,element,name,unit,quantity,quantity_unit,rate,rate_unit,amount\nnet,,,,,,,,1 USD\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := ParseReturn(b)
		if err != nil {
			wantReason(t, err)
			return
		}
		again, err := ParseReturn(r.JSON())
		if err != nil || !bytes.Equal(again.JSON(), r.JSON()) {
			t.Fatalf("as JSON: %v", err)
		}
		table, err := ParseReturn(r.CSV())
		if err != nil || !bytes.Equal(table.CSV(), r.CSV()) {
			t.Fatalf("as CSV: %v", err)
		}
		if rec, err := Reconcile(ours, r, strict()); err == nil {
			wantSums(t, rec)
		} else {
			wantReason(t, err)
		}
	})
}

func FuzzParsePrices(f *testing.F) {
	f.Add([]byte("series,date,value\ninvented gold,2027-03-01,2350.25\n\"a, b\",2028-02-29,0.10\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		series, err := ParsePrices(b)
		if err != nil {
			wantReason(t, err)
			return
		}
		printed := PricesCSV(series)
		again, err := ParsePrices(printed)
		if err != nil || !bytes.Equal(PricesCSV(again), printed) {
			t.Fatalf("%v in %s", err, printed)
		}
	})
}

func FuzzParseHolidays(f *testing.F) {
	f.Add([]byte("calendar,date\ninvented bank,2027-12-27\ninvented bank,2028-02-29\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		calendars, err := ParseHolidays(b)
		if err != nil {
			wantReason(t, err)
			return
		}
		printed := HolidaysCSV(calendars)
		again, err := ParseHolidays(printed)
		if err != nil || !bytes.Equal(HolidaysCSV(again), printed) {
			t.Fatalf("%v in %s", err, printed)
		}
	})
}
