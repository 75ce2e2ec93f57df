package document

import (
	"strings"
	"testing"
	"unicode"

	"barward/internal/refusal"
)

var texts = []string{"", "doré 2 ‰ – ≤", "12441.390 g and 5 USD", strings.Repeat("x", 300), "a\nb\n\n\nc",
	"\u202e銀\x00\xff", strings.Repeat("so long a text ", 200), "e\u0301 \ue000 5 g", "(\\) <tag> {nb} & %%EOF"}

// Whatever a text holds, its lines hold the whole of it, fit their room, and nothing that cannot be seen.
func FuzzText(f *testing.F) {
	for _, seed := range texts {
		f.Add(seed, uint8(40))
	}
	s, err := newSheet(paper(), "Any", "any")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text string, wide uint8) {
		shown := printable(text)
		for _, r := range shown {
			if r != '\n' && r != ' ' && (!drawn()[r] || unicode.Is(unicode.Cf, r)) {
				t.Fatalf("%q lets %U through", text, r)
			}
		}
		width := float64(wide) + 5 // of a narrow cell, or of a page
		lines := s.wrap(cellStyle, shown, width)
		bare := func(s string) string { return strings.Join(strings.Fields(s), "") }
		if got := bare(strings.Join(lines, "")); got != bare(shown) {
			t.Fatalf("%q became %q", shown, lines)
		}
		for _, line := range lines {
			if w := s.measure(cellStyle, line); w > width+0.01 && len([]rune(line)) > 1 {
				t.Fatalf("%q is %.2f mm wide, and the room is %.2f mm", line, w, width)
			}
		}
	})
}

// Whatever a text holds, there is a paper with it, or a refusal.
func FuzzPaper(f *testing.F) {
	for _, seed := range texts {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		p := paper()
		p.Notice, p.Names["ottermere"] = text, text
		po := pour(1)
		po.Recorded.ChargeDescription, po.Witnesses = text, []string{text}
		b := bars(1)
		b[0].Weights[0].Doubt = text
		bx := box(1)
		bx.Name, bx.Seals = text, []string{text}
		for _, make := range []func() ([]byte, error){
			func() ([]byte, error) { return PourSheet(p, po, b) },
			func() ([]byte, error) { return BoxLabels(p, []BoxLabel{{Box: bx}}) },
		} {
			pdf, err := make()
			switch {
			case err != nil && refusal.As(err) == nil:
				t.Fatalf("%v is no refusal", err)
			case err == nil && !strings.HasPrefix(string(pdf), "%PDF-"):
				t.Fatal("no paper and no refusal")
			}
		}
	})
}

// The seeds of FuzzText read back from the paper by poppler.
func TestAnyTextReadsBack(t *testing.T) {
	tool(t, "pdftotext", "poppler-utils")
	for _, text := range []string{"(\\) <tag> {nb} & %%EOF", "12441.390 g and 5 USD", "\u202e銀\x00\xff",
		"endstream endobj", "ß ﬁ ſ Ω µ"} {
		po := pour(1)
		po.Recorded.ChargeDescription = text
		pdf, err := PourSheet(paper(), po, nil)
		if err != nil {
			t.Fatal(err)
		}
		// Poppler takes the blanks between narrow words for nothing, so blanks are left out on both sides.
		bare := func(s string) string { return strings.Join(strings.Fields(s), "") }
		if got := bare(strings.Join(pagesOf(t, "any", pdf), "\n")); !strings.Contains(got, bare(printable(text))) {
			t.Errorf("%q is not on the paper:\n%s", printable(text), got)
		}
	}
}
