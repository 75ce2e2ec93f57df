package document

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"github.com/boombuler/barcode/qr"

	"barward/internal/refusal"
)

// Check digits against published ones.
func TestCheckDigit(t *testing.T) {
	for _, tt := range []struct {
		data, source string
		want         byte
	}{
		{"12345678901234567", "barcoderesource.com, SSCC and GTIN modulo 10: (00)123456789012345675", '5'},
		{"00000000012345678", "the same page: (00)000000000123456784", '4'},
		{"03600024145", "the same rule at another length: 036000241457", '7'},
	} {
		if got := CheckDigit(tt.data); got != tt.want {
			t.Errorf("%s: %c, want %c (%s)", tt.data, got, tt.want, tt.source)
		}
	}
	for _, bad := range []string{"", "12x", "１２"} {
		if got := CheckDigit(bad); got != 'X' {
			t.Errorf("%q has the check digit %c", bad, got)
		}
	}
}

func TestSSCC(t *testing.T) {
	// The published number 123456789012345675: extension 1, prefix 2345678 of seven digits, serial 901234567.
	code, err := NewSSCC("2345678", 1, 901234567)
	if err != nil {
		t.Fatal(err)
	}
	if code.String() != "123456789012345675" || code.Readable() != "(00)123456789012345675" {
		t.Errorf("%s, %s", code, code.Readable())
	}
	if got := code.URI(); got != "urn:epc:id:sscc:2345678.1901234567" { // GS1 EPC Tag Data Standard, from memory
		t.Errorf("%s", got)
	}
	if code, err = NewSSCC("0000000001", 0, 7); err != nil || code.String()[:17] != "0"+"0000000001"+"000007" {
		t.Errorf("%s %v", code, err)
	}
	var no SSCC
	if no.Known() || no.String() != "" || no.URI() != "" {
		t.Errorf("%q", no)
	}
	for _, tt := range []struct {
		prefix    string
		extension int
		serial    uint64
		reason    string
	}{
		{"", 1, 1, "SSCC_PREFIX"}, {"123456", 1, 1, "SSCC_PREFIX"}, {"12345678901", 1, 1, "SSCC_PREFIX"},
		{"12345 7", 1, 1, "SSCC_PREFIX"},
		{"1234567", 10, 1, "SSCC_SERIAL"}, {"1234567", -1, 1, "SSCC_SERIAL"}, {"1234567", 1, 1_000_000_000, "SSCC_SERIAL"},
	} {
		if _, err := NewSSCC(tt.prefix, tt.extension, tt.serial); refusal.As(err) == nil ||
			refusal.As(err).Reason != tt.reason {
			t.Errorf("%v: %v", tt, err)
		}
	}
}

// Every code on every paper is read back from the rendered page by zbar; the labels, whose codes are small, on both
// sizes of paper and at two resolutions of an office scanner.
func TestCodesReadBack(t *testing.T) {
	verify := "QR-Code:" + paper().Proof.VerificationText()
	if want := "origin ledger.example/ottermere-quillhaven\nentry 41\nleaf " + strings.Repeat("a7", 32) +
		"\nrun: barward ledger verify-inclusion 41"; !strings.HasSuffix(verify, want) || strings.Contains(verify, "://") {
		t.Errorf("the QR code would hold %q", verify)
	}
	want := map[string][]string{
		"bar-labels": {verify, verify, verify, "CODE-128:ottermere/OT-0401", "CODE-128:ottermere/OT-0402",
			"CODE-128:ottermere/OT-0403"},
		// AI 00 and 18 digits: extension 1, prefix 9520123, serial 52, check digit by hand: the digits from the right
		// 2 5 0 0 0 0 0 0 0 3 2 1 0 2 5 9 1 weigh 3 1 3 …: 6+5+0+0+0+0+0+0+0+3+6+1+0+2+15+9+3 = 50, so 0.
		"box-labels":    {verify, verify, "CODE-128:00195201230000000520", "CODE-128:ottermere/B-2"},
		"packet-labels": {verify, verify, verify, "CODE-128:PK-7001", "CODE-128:PK-7002"},
	}
	for _, size := range []Size{A4, Letter} {
		p := paper()
		p.Size = size
		for name, pdf := range everyPaper(t, p) {
			expected, labels := want[name]
			dpi, from := 200, 1
			switch {
			case !labels && size == Letter:
				continue
			case !labels: // the code stands on the last page, beside the signatures
				expected, from = []string{verify}, bytes.Count(pdf, []byte("<</Type /Page\n"))
			case size == A4:
				dpi = 300
			}
			got := codesOf(t, name, pdf, dpi, from)
			slices.Sort(got)
			slices.Sort(expected)
			if !slices.Equal(got, expected) {
				t.Errorf("%s at %d dpi: read %q, want %q", name, dpi, got, expected)
			}
		}
	}
}

// The longest names that the record allows still give a code that is read, or else the number alone.
func TestLongNamesReadBack(t *testing.T) {
	b := bar(1)
	for _, tt := range []struct{ name, want string }{
		{"quillhaven-of-a-long/OT-" + strings.Repeat("8", 10), ""},
		{strings.Repeat("q", 32) + "/" + strings.Repeat("M", 31) + "1", strings.Repeat("M", 31) + "1"},
	} {
		b.Name = tt.name
		pdf, err := BarLabels(paper(), []BarLabel{{Bar: b}})
		if err != nil {
			t.Fatal(err)
		}
		want := tt.want
		if want == "" {
			want = tt.name
		}
		if got := codesOf(t, "long-name", pdf, 300, 1); !slices.Contains(got, "CODE-128:"+want) {
			t.Errorf("read %q, want %s", got, want)
		}
	}
}

// A GS1-128 is told from any other Code 128 by FNC1 after the start code, in subset C (GS1 General Specifications; a
// printer manual's page for subset C). The bars are read here by the table of ISO/IEC 15417: start C is 211232, FNC1
// 411131.
func TestGS1BeginsWithFNC1(t *testing.T) {
	pdf, err := BoxLabels(paper(), []BoxLabel{{Box: box(1), SSCC: SSCC{'1', "9520123", "000000052"}}})
	if err != nil {
		t.Fatal(err)
	}
	widths := barWidths(t, pdf)
	if got := strings.Join(widths[:12], ""); got != "211232"+"411131" {
		t.Errorf("the code begins with %s", got)
	}
	if got := strings.Join(widths[12:18], ""); got != "212222" { // value 00: the application identifier
		t.Errorf("then comes %s", got)
	}
}

// A scanner needs white around a code: 4 modules around a QR code (ISO/IEC 18004), 10 beside a Code 128 (ISO/IEC
// 15417).
func TestQuietZones(t *testing.T) {
	pdf, err := BarLabels(paper(), []BarLabel{{Bar: bar(1)}})
	if err != nil {
		t.Fatal(err)
	}
	// The label's corner is at 8 mm, its size 97 mm by 55 mm; the QR code has a box of 25 mm, the bars one of 92 mm.
	code, err := qr.Encode(paper().Proof.VerificationText(), qr.M, qr.Unicode)
	if err != nil {
		t.Fatal(err)
	}
	n := float64(code.Bounds().Dx())
	for name, box := range map[string]struct{ x, y, wide, high, beside, above float64 }{
		"QR code":  {8 + 97 - 2.5 - 25, 8 + 2.5 + 6, 25, 25, 4 * 25 / (n + 8), 4 * 25 / (n + 8)},
		"Code 128": {8 + 2.5, 8 + 55 - 2.5 - 14, 92, 9, 10 * leastModule, 0},
	} {
		const dpi = 600
		p := gray(t, pdf, dpi, box.x, box.y, box.wide, box.high)
		left, top, right, foot := p.wide, p.high, 0, 0
		for y := range p.high {
			for x := range p.wide {
				if p.dark(x, y) {
					left, top, right, foot = min(left, x), min(top, y), max(right, x+1), max(foot, y+1)
				}
			}
		}
		free := func(dots int) float64 { return (float64(dots) + 2) * 25.4 / dpi } // 2 dots of rounding
		if right <= left || free(left) < box.beside || free(p.wide-right) < box.beside || free(top) < box.above ||
			free(p.high-foot) < box.above {
			t.Errorf("the %s reaches from %d,%d to %d,%d of %d,%d dots, and %.1f mm beside and %.1f mm above are to be white",
				name, left, top, right, foot, p.wide, p.high, box.beside, box.above)
		}
	}
}
