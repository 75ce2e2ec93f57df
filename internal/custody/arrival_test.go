package custody

import (
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"barward/internal/refusal"
)

var advice = []Box{{"B1", []string{"QF-1", "QF-2"}}, {"B2", []string{"QF-3"}}, {"B3", nil}}

func TestTally(t *testing.T) {
	for _, tt := range []struct {
		name            string
		scanned         []Scan
		want            Arrival
		complete, clean bool
	}{
		{"nothing yet", nil, Arrival{MissingBoxes: []string{"B1", "B2", "B3"},
			MissingBars: []Scan{{"B1", "QF-1"}, {"B1", "QF-2"}, {"B2", "QF-3"}}}, false, false},
		{"a bar shows its box", []Scan{{"B1", "QF-2"}}, Arrival{MissingBoxes: []string{"B2", "B3"},
			MissingBars: []Scan{{"B1", "QF-1"}, {"B2", "QF-3"}}}, false, false},
		{"everything", []Scan{{"B3", ""}, {"B2", ""}, {"B2", "QF-3"}, {"B1", "QF-1"}, {"B1", "QF-2"}}, Arrival{}, true, true},
		{"everything, and more", []Scan{{"B1", "QF-1"}, {"B1", "QF-2"}, {"B2", "QF-3"}, {"B3", ""}, {"B4", ""}, {"B3", "QF-9"}},
			Arrival{ExtraBoxes: []string{"B4"}, ExtraBars: []Scan{{"B3", "QF-9"}}}, true, false},
		{"in another box", []Scan{{"B1", "QF-1"}, {"B2", "QF-2"}, {"B2", "QF-3"}, {"B3", ""}},
			Arrival{Misplaced: []Moved{{"QF-2", "B1", "B2"}}}, true, false},
		{"loose", []Scan{{"B1", "QF-1"}, {"", "QF-2"}, {"B2", "QF-3"}, {"B3", ""}},
			Arrival{Misplaced: []Moved{{"QF-2", "B1", ""}}}, true, false},
		{"twice", []Scan{{"B1", "QF-1"}, {"B1", "QF-1"}, {"B2", "QF-1"}, {"B1", ""}, {"B1", ""}},
			Arrival{MissingBoxes: []string{"B2", "B3"}, MissingBars: []Scan{{"B1", "QF-2"}, {"B2", "QF-3"}},
				Repeated: []Scan{{"B1", "QF-1"}, {"B2", "QF-1"}, {"B1", ""}}}, false, false},
	} {
		got, err := Tally(advice, tt.scanned)
		if err != nil {
			t.Fatal(err)
		}
		tt.want.Boxes, tt.want.Bars = 3, 3
		if !reflect.DeepEqual(got, tt.want) {
			t.Errorf("%s: %+v\nwant %+v", tt.name, got, tt.want)
		}
		if got.Complete() != tt.complete || got.Clean() != tt.clean {
			t.Errorf("%s: complete %t, clean %t", tt.name, got.Complete(), got.Clean())
		}
		if got.RemainingBoxes() != len(tt.want.MissingBoxes) || got.RemainingBars() != len(tt.want.MissingBars) {
			t.Errorf("%s: %d boxes and %d bars remain", tt.name, got.RemainingBoxes(), got.RemainingBars())
		}
	}
}

func TestTallyRefuses(t *testing.T) {
	for _, tt := range []struct {
		advised       []Box
		scanned       []Scan
		reason, field string
	}{
		{[]Box{{"B1", nil}, {"B1", nil}}, nil, "NAME_REPEATED", "advised[1].id"},
		{[]Box{{"B1", []string{"x"}}, {"B2", []string{"y", "x"}}}, nil, "NAME_REPEATED", "advised[1].bars[1]"},
		{[]Box{{"", nil}}, nil, "NAME_MISSING", "advised[0].id"},
		{[]Box{{"B1", []string{""}}}, nil, "NAME_MISSING", "advised[0].bars[0]"},
		{advice, []Scan{{"B1", ""}, {}}, "SCAN_EMPTY", "scanned[1]"},
		{make([]Box, maxBoxes+1), nil, "TALLY_TOO_LARGE", ""},
		{nil, make([]Scan, maxBars+1), "TALLY_TOO_LARGE", ""},
	} {
		_, err := Tally(tt.advised, tt.scanned)
		if r := refusal.As(err); r == nil || r.Reason != tt.reason || r.Field != tt.field {
			t.Errorf("got %+v, want %s at %s", r, tt.reason, tt.field)
		}
	}
}

// TestTallyCounts: whatever is scanned, in whatever order, found and missing make what was advised.
func TestTallyCounts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		scan := rapid.Custom(func(t *rapid.T) Scan {
			s := Scan{rapid.SampledFrom([]string{"", "B1", "B2", "B3", "B4"}).Draw(t, "box"), rapid.SampledFrom([]string{"", "QF-1", "QF-2", "QF-3", "QF-9"}).Draw(t, "bar")}
			if s == (Scan{}) {
				s.Box = "B1"
			}
			return s
		})
		scans := rapid.SliceOfN(scan, 0, 20).Draw(t, "scans")
		a, err := Tally(advice, scans)
		if err != nil {
			t.Fatal(err)
		}
		found := map[string]bool{}
		for _, s := range scans {
			if s.Bar != "" && s.Bar != "QF-9" {
				found[s.Bar] = true
			}
		}
		if a.RemainingBars()+len(found) != a.Bars {
			t.Fatalf("%d remain and %d were found of %d", a.RemainingBars(), len(found), a.Bars)
		}
		again, err := Tally(advice, append(scans, scans...))
		if err != nil {
			t.Fatal(err)
		}
		if len(again.Repeated) != len(a.Repeated)+len(scans) {
			t.Fatalf("scanned twice: %d repeated, once: %d, of %d", len(again.Repeated), len(a.Repeated), len(scans))
		}
		again.Repeated, a.Repeated = nil, nil
		if !reflect.DeepEqual(a, again) {
			t.Fatalf("scanning twice changed the tally:\n%+v\n%+v", a, again)
		}
	})
}
