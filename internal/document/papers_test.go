package document

import (
	"bytes"
	"cmp"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"barward/internal/refusal"
	pb "barward/proto/barward/v1"
)

// sayings are what a reader must find on each paper, in the words and figures of the record.
var sayings = map[string][]string{
	"pour-sheet": {"Molten metal", "Mercury", "Two persons", "49765.6 g", "-12.4 g",
		"Electrowinning sludge, dried – doré 2 ‰ moist",
		"12441.3 g", "OT-0403", "Tam Ó Dálaigh (ottermere/tam)", "name and signature", "Witness, who was there"},
	"bar-list":           {"99531.2 g", "ottermere/OT-0407", "12440.9 g", "Au 812.44 ppt", "ottermere/B-2"},
	"bar-labels":         {"OT-0401", "ottermere/P-31", "12441.4 g"},
	"box-labels":         {"SSCC (00)195201230000000520", "B-2", "SN-101, SN-102", "two persons", "52.30 kg"},
	"packet-labels":      {"PK-7002", "Packet for the umpire", "NO SEAL: may not go to an umpire"},
	"consignment-advice": {"Swiftmole Carriers", "2 boxes, 8 bars", "ottermere/B-2", "settle nothing"},
	"custody-receipt": {"SN-201, SN-220", "lid dented", "one box short", "no seal read", "possession, not ownership",
		"waits to be sent", "2026-03-03 08:20:00 -05:00", "the record has not judged it yet", "not stated", "d78.1",
		"truck ÑZ-4"},
	"arrival-report": {"can explode", "NOT COMPLETE", "ottermere/OT-0407", "ottermere/OT-9999", "87086.3 g", "≤",
		"beyond the limit", "seals, packed", "seals, taken over", "seals, read at opening", "SN-201, SN-202", "SN-201, SN-220",
		"SN-201, SN-299", "by swiftmole", "not opened", "SN-209; SN-201 taken off: torn"},
	"exchange-certificate": {"0.84 ‰", "812.05 ppt", "the middle of three", "sealed as"},
	"umpire-certificate":   {"Fen Laboratory", "450.00 USD", "FEN-88", "812.05 ppt"},
	"settlement-statement": {"226324.11 USD", "12226.11 USD", "90, 95, 96, 99", "charge_lot", "Not legal advice",
		"2591.553 oz Au",
		"from 5452926.6673", "paid so far not recorded"},
	"reconciliation-sheet": {"-1204.04 USD", "-866.89 USD", "payable terms", "beyond its tolerance"},
	"evidence-cover":       {"route.epcis.json", strings.Repeat("1e", 32), "without trusting", "81234"},
}

func TestPapersReadBack(t *testing.T) {
	for _, size := range []struct {
		size Size
		info string // pdfinfo, in points of 1/72 inch
		name string
	}{
		{A4, "595.28 x 841.89 pts (A4)", "a4"},       // 210 mm x 297 mm, ISO 216
		{Letter, "612 x 792 pts (letter)", "letter"}, // 8.5 in x 11 in, ANSI/ASME Y14.1
	} {
		p := paper()
		p.Size = size.size
		made := everyPaper(t, p)
		if len(made) != len(sayings) {
			t.Errorf("%d papers are made and %d are read", len(made), len(sayings))
		}
		for name, pdf := range made {
			info := run(t, tool(t, "pdfinfo", "poppler-utils"), keep(t, size.name+"-"+name, pdf))
			if !strings.Contains(info, size.info) {
				t.Errorf("%s: not %s:\n%s", name, size.info, info)
			}
			pages := pagesOf(t, size.name+"-"+name, pdf)
			all := plain(strings.Join(pages, "\n"))
			for i, page := range pages {
				of := fmt.Sprintf("Page %d of %d", i+1, len(pages))
				if !strings.Contains(page, of) || !strings.Contains(page, "2026-03-09 16:20:00 -05:00") {
					t.Errorf("%s: page %d does not say %q and when it was printed", name, i+1, of)
				}
				if !strings.Contains(name, "labels") &&
					!strings.Contains(plain(page), "Ledger ledger.example/ottermere-quillhaven, entry 41") {
					t.Errorf("%s: page %d has no ledger reference", name, i+1)
				}
			}
			for _, want := range sayings[name] {
				if !strings.Contains(all, want) && !strings.Contains(strings.ReplaceAll(all, " ", ""),
					strings.ReplaceAll(want, " ", "")) {
					t.Errorf("%s does not say %q:\n%s", name, want, all)
				}
			}
			noOverlap(t, name, pdf)
		}
	}
}

// noOverlap asks poppler for the box of every word and fails where two lie on each other or leave the page.
func noOverlap(t *testing.T, name string, pdf []byte) {
	t.Helper()
	type word struct {
		XMin float64 `xml:"xMin,attr"`
		YMin float64 `xml:"yMin,attr"`
		XMax float64 `xml:"xMax,attr"`
		YMax float64 `xml:"yMax,attr"`
		Text string  `xml:",chardata"`
	}
	type page struct {
		Width  float64 `xml:"width,attr"`
		Height float64 `xml:"height,attr"`
		Words  []word  `xml:"word"`
	}
	out := run(t, tool(t, "pdftotext", "poppler-utils"), "-bbox", keep(t, "boxes-"+name, pdf), "-")
	read := 0
	for d := xml.NewDecoder(strings.NewReader(out)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		start, ok := token.(xml.StartElement)
		if !ok || start.Name.Local != "page" {
			continue
		}
		var p page
		if err := d.DecodeElement(&p, &start); err != nil {
			t.Fatal(err)
		}
		slices.SortFunc(p.Words, func(a, b word) int { return cmp.Compare(a.YMin, b.YMin) })
		for i, a := range p.Words {
			read++
			if a.XMin < 0 || a.YMin < 0 || a.XMax > p.Width || a.YMax > p.Height {
				t.Errorf("%s: %q leaves the page", name, a.Text)
			}
			// A box reaches from the face's highest to its lowest point, which lines set solid may share: what counts is the
			// middle three fifths of its height.
			for _, b := range p.Words[i+1:] {
				if b.YMin > a.YMax {
					break
				}
				high := min(a.YMax-a.YMin, b.YMax-b.YMin) * 0.2
				if min(a.XMax, b.XMax)-max(a.XMin, b.XMin) > 0.5 && min(a.YMax, b.YMax)-max(a.YMin, b.YMin) > 2*high {
					t.Errorf("%s: %q lies on %q", name, a.Text, b.Text)
				}
			}
		}
	}
	if read == 0 {
		t.Fatalf("%s: no word was read", name)
	}
}

func TestEqualInputEqualBytes(t *testing.T) {
	first, again := everyPaper(t, paper()), everyPaper(t, paper())
	later := paper()
	later.Printed = printedAt.Add(time.Second)
	moved := everyPaper(t, later)
	for name := range first {
		if !bytes.Equal(first[name], again[name]) {
			t.Errorf("%s: equal input gave other bytes", name)
		}
		if bytes.Equal(first[name], moved[name]) {
			t.Errorf("%s: another time of printing gave the same bytes", name)
		}
	}
}

func TestPagination(t *testing.T) {
	for _, n := range []int{1, 40, 400} {
		pdf, err := BarList(paper(), "all of them", "", bars(n))
		if err != nil {
			t.Fatal(err)
		}
		pages := pagesOf(t, fmt.Sprintf("bar-list-%d", n), pdf)
		if n == 1 && len(pages) != 1 || n > 1 && len(pages) < 2 {
			t.Errorf("%d bars took %d pages", n, len(pages))
		}
		seen := map[string]int{}
		for i, page := range pages {
			marks := regexp.MustCompile(`ottermere/OT-\d{4}`).FindAllString(page, -1)
			for _, mark := range marks {
				seen[mark]++
			}
			if len(marks) > 0 && !strings.Contains(plain(page), "no. bar state last weight") {
				t.Errorf("page %d of %d bars has rows and no head", i+1, n)
			}
			if (i > 0) != strings.Contains(page, "Bar list (continued)") {
				t.Errorf("page %d does not say whether it goes on", i+1)
			}
		}
		for _, b := range bars(n) {
			if seen[b.GetName()] != 1 {
				t.Errorf("of %d bars %s is printed %d times", n, b.GetName(), seen[b.GetName()])
			}
		}
		noOverlap(t, fmt.Sprintf("bar-list-%d", n), pdf)
	}
	// The largest pour has 100 bars and the largest consignment 400 boxes (event.proto).
	for name, make := range map[string]func() ([]byte, error){
		"pour of 100": func() ([]byte, error) { return PourSheet(paper(), pour(100), bars(100)) },
		"advice of 400 boxes": func() ([]byte, error) {
			return ConsignmentAdvice(paper(), consignment(1600), boxes(400),
				bars(400))
		},
		"arrival of 400 bars": func() ([]byte, error) {
			return ArrivalReport(paper(), consignment(400), boxes(100),
				bars(400), nil)
		},
		"statement of a 100":   func() ([]byte, error) { return SettlementStatement(paper(), statement(100)) },
		"evidence of no files": func() ([]byte, error) { return EvidenceCover(paper(), Evidence{Subject: "bar"}) },
	} {
		pdf, err := make()
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		noOverlap(t, name, pdf)
	}
}

// An empty value is not zero and not a blank: each paper is made of as little as it takes.
func TestWhatIsNotRecordedSaysSo(t *testing.T) {
	p := Paper{Printed: printedAt}
	for name, make := range map[string]func() ([]byte, error){
		"pour": func() ([]byte, error) {
			return PourSheet(p, &pb.Pour{Recorded: &pb.PourRecorded{Bars: []*pb.PouredBar{{Mark: "A"}}}}, nil)
		},
		"bars":      func() ([]byte, error) { return BarList(p, "", "", []*pb.Bar{{}}) },
		"bar label": func() ([]byte, error) { return BarLabels(p, []BarLabel{{Bar: &pb.Bar{Name: "x/A"}}}) },
		"box label": func() ([]byte, error) { return BoxLabels(p, []BoxLabel{{Box: &pb.Box{Name: "x/B"}}}) },
		"packet": func() ([]byte, error) {
			return PacketLabels(p, &pb.Sample{Taken: &pb.SampleTaken{Packets: []*pb.Packet{{}}}})
		},
		"advice": func() ([]byte, error) {
			return ConsignmentAdvice(p, &pb.Consignment{Advised: &pb.ConsignmentAdvised{}}, boxes(1), nil)
		},
		"receipt": func() ([]byte, error) {
			return CustodyReceipt(p, &pb.Entry{Event: &pb.Event{Body: &pb.Event_Released{Released: &pb.Released{}}}}, nil, nil)
		},
		"arrival": func() ([]byte, error) {
			return ArrivalReport(p, &pb.Consignment{Advised: &pb.ConsignmentAdvised{}}, nil, []*pb.Bar{{}}, nil)
		},
		"exchange": func() ([]byte, error) {
			return ExchangeCertificate(p, &pb.Lot{Steps: []*pb.ExchangeStep{{}}, Assays: []*pb.SettledAssay{{}}})
		},
		"umpire": func() ([]byte, error) {
			return UmpireCertificate(p, &pb.Lot{Steps: []*pb.ExchangeStep{{Action: "umpire_appointed"}}})
		},
		"statement": func() ([]byte, error) {
			return SettlementStatement(p,
				&pb.Statement{Lines: []*pb.StatementLine{{}}})
		},
		"return":      func() ([]byte, error) { return ReconciliationSheet(p, &pb.Return{}) },
		"evidence":    func() ([]byte, error) { return EvidenceCover(p, Evidence{}) },
		"empty lists": func() ([]byte, error) { return BarList(p, "", "", nil) },
	} {
		pdf, err := make()
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		text := plain(strings.Join(pagesOf(t, "bare-"+strings.ReplaceAll(name, " ", "-"), pdf), "\n"))
		if !strings.Contains(text, "not recorded") {
			t.Errorf("%s leaves blanks:\n%s", name, text)
		}
		if regexp.MustCompile(`\b0(\.0+)? (g|kg|USD|ppt|oz|entries)\b|\bentry 0\b`).MatchString(text) {
			t.Errorf("%s prints a zero that nobody recorded:\n%s", name, text)
		}
		noOverlap(t, name, pdf)
	}
}

func TestMarks(t *testing.T) {
	copied, provisional, waiting := paper(), paper(), paper()
	copied.Copy, provisional.Provisional, waiting.Proof = true, true, Proof{}
	early, corrected, preview, unsigned := statement(60), statement(60), statement(1), statement(1)
	early.Kind, corrected.CorrectedBy = pb.StatementKind_STATEMENT_KIND_PROVISIONAL, "quillhaven/S-2"
	preview.Name, unsigned.CountersignedBy = "", nil
	open := lot()
	open.Assays[1].Settled = ""
	alone := pour(1)
	alone.Witnesses = nil
	unmatched := refReturn()
	unmatched.Statement = ""
	all := []string{"PROVISIONAL", "COPY", "SUPERSEDED", "PREVIEW", "NOT COUNTERSIGNED", "NOT WITNESSED",
		"NOT ACCEPTED YET",
		"NO RELEASE ON RECORD", "NOT IN THE LEDGER", "NO STATEMENT YET"}
	for i, tt := range []struct {
		pdf  func() ([]byte, error)
		want []string
	}{
		{func() ([]byte, error) { return SettlementStatement(paper(), statement(60)) }, nil},
		{func() ([]byte, error) { return SettlementStatement(copied, statement(60)) }, []string{"COPY"}},
		{func() ([]byte, error) { return SettlementStatement(provisional, statement(60)) }, []string{"PROVISIONAL"}},
		{func() ([]byte, error) { return SettlementStatement(paper(), early) }, []string{"PROVISIONAL"}},
		{func() ([]byte, error) { return SettlementStatement(paper(), corrected) }, []string{"SUPERSEDED"}},
		{func() ([]byte, error) { return SettlementStatement(paper(), preview) }, []string{"PREVIEW"}},
		{func() ([]byte, error) { return SettlementStatement(paper(), unsigned) }, []string{"NOT COUNTERSIGNED"}},
		{func() ([]byte, error) { return SettlementStatement(waiting, statement(60)) }, []string{"NOT IN THE LEDGER"}},
		{func() ([]byte, error) { return ExchangeCertificate(paper(), lot()) }, nil},
		{func() ([]byte, error) { return ExchangeCertificate(paper(), open) }, []string{"PROVISIONAL"}},
		{func() ([]byte, error) { return UmpireCertificate(paper(), open) }, nil},
		// silver is open, and not in dispute
		{func() ([]byte, error) { return PourSheet(paper(), pour(1), nil) }, nil},
		{func() ([]byte, error) { return PourSheet(paper(), alone, nil) }, []string{"NOT WITNESSED"}},
		{func() ([]byte, error) { return CustodyReceipt(paper(), released(), nil, nil) }, []string{"NOT ACCEPTED YET"}},
		{func() ([]byte, error) { return CustodyReceipt(paper(), nil, accepted(), nil) }, []string{"NO RELEASE ON RECORD"}},
		{func() ([]byte, error) { return ReconciliationSheet(paper(), unmatched) }, []string{"NO STATEMENT YET",
			"PROVISIONAL"}},
		{func() ([]byte, error) { return BarLabels(waiting, []BarLabel{{Bar: bar(1)}}) }, []string{"NOT IN THE LEDGER"}},
		{func() ([]byte, error) { return BoxLabels(copied, []BoxLabel{{Box: box(1)}}) }, []string{"COPY"}},
	} {
		pdf, err := tt.pdf()
		if err != nil {
			t.Fatal(err)
		}
		for n, page := range pagesOf(t, fmt.Sprintf("mark-%d", i), pdf) {
			for _, mark := range all {
				if has := strings.Contains(page, mark); has != slices.Contains(tt.want, mark) {
					t.Errorf("case %d, page %d: %q is printed: %v, and %v are true", i, n+1, mark, has, tt.want)
				}
			}
		}
	}
}

func TestLongTextIsWrapped(t *testing.T) {
	long := strings.Repeat("the mould was cold and the doré ran short, ", 46) // near the 2 000 characters an event allows
	unbroken := strings.Repeat("Ж9", 900)
	for name, words := range map[string]string{"long": long, "unbroken": unbroken, "many lines": strings.Repeat("a\n",
		300)} {
		po := pour(2)
		po.Recorded.ChargeDescription = words
		b := bars(2)
		b[0].Weights[0].Notes = []string{words}
		pdf, err := PourSheet(paper(), po, b)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		noOverlap(t, name, pdf)
		text := strings.Join(pagesOf(t, "long-"+strings.ReplaceAll(name, " ", "-"), pdf), "\n")
		letters := func(s string, of string) int { return strings.Count(s, of) }
		switch name {
		case "unbroken":
			if got, want := letters(text, "Ж"), 2*900; got != want {
				t.Errorf("%d of %d characters are on the paper", got, want)
			}
		case "long":
			if got, want := letters(text, "mould"), 2*46; got < want { // the caution has the word too
				t.Errorf("%d of %d words are on the paper", got, want)
			}
		}
		wide := consignment(4)
		wide.Name = "ottermere/" + strings.Repeat("C", 32)
		bx := box(1)
		bx.Seals = nil
		for i := range 10 {
			bx.Seals = append(bx.Seals, fmt.Sprintf("%s-%d", strings.Repeat("S", 30), i))
		}
		pdf, err = ConsignmentAdvice(paper(), wide, []*pb.Box{bx}, b)
		if err != nil {
			t.Fatal(err)
		}
		noOverlap(t, "advice", pdf)
	}
	p := paper()
	p.Proof.Origin = strings.Repeat("ledger.example-", 13)
	p.Notice, p.Names["ottermere/wren"] = strings.Repeat("invented ", 44), strings.Repeat("Wren ", 40)
	p.Copy, p.Provisional = true, true
	pdf, err := PourSheet(p, pour(1), bars(1))
	if err != nil {
		t.Fatal(err)
	}
	noOverlap(t, "long head", pdf)
	pdf, err = BoxLabels(p, []BoxLabel{{Box: box(1), Consignee: "quillhaven"}})
	if err != nil {
		t.Fatal(err)
	}
	noOverlap(t, "long label", pdf)
}

// What cannot be drawn or seen is printed as its number; nothing turns the direction of a line or hides in it.
func TestCharacters(t *testing.T) {
	for _, tt := range []struct{ given, want string }{
		{"doré 2 ‰ – ≤ Åkerbloom Šťastný Жук αβ €", "doré 2 ‰ – ≤ Åkerbloom Šťastný Жук αβ €"},
		{"dore\u0301", "doré"}, // Unicode Standard Annex 15: e and U+0301 compose to é
		{"a\tb\u00a0c\r\nd", "a b c\nd"},
		{"12\u202e34", "12[U+202E]34"},             // right-to-left override
		{"a\u200bb\u00adc", "a[U+200B]b[U+00AD]c"}, // zero-width space, soft hyphen
		{"銀", "[U+9280]"},
		{"\U0001F947", "[U+1F947]"},
		{"a\x00b\x07", "a[U+0000]b[U+0007]"},
		{"a\xffb", "a[byte FF]b"},
		{"\ue000\ufffd", "[U+E000][U+FFFD]"},
	} {
		if got := printable(tt.given); got != tt.want {
			t.Errorf("%q is printed as %q, want %q", tt.given, got, tt.want)
		}
	}
	po := pour(1)
	po.Recorded.ChargeDescription = "12\u202e34 銀 é‰–≤ e\u0301"
	pdf, err := PourSheet(paper(), po, nil)
	if err != nil {
		t.Fatal(err)
	}
	if text := plain(pagesOf(t, "characters", pdf)[0]); !strings.Contains(text, "12[U+202E]34 [U+9280] é‰–≤ é") {
		t.Errorf("not on the paper:\n%s", text)
	}
}

func TestRefusals(t *testing.T) {
	with := func(change func(*Paper)) Paper {
		p := paper()
		change(&p)
		return p
	}
	list := func(p Paper) func() ([]byte, error) {
		return func() ([]byte, error) { return BarList(p, "x", "", bars(1)) }
	}
	long := bar(1)
	long.Box = strings.Repeat("x", maxText+1)
	crowded := box(1)
	for range 10 {
		crowded.Seals = append(crowded.Seals, strings.Repeat("S", 36))
	}
	full := paper()
	full.Names["ottermere"] = strings.Repeat("Ottermere ", 38)
	endless := bars(100)
	for _, b := range endless {
		b.Weights[0].Notes = []string{strings.Repeat("b\n", maxText/2-10)}
	}
	for _, tt := range []struct {
		reason string
		make   func() ([]byte, error)
	}{
		{"DOCUMENT_TOO_LONG", func() ([]byte, error) { return PourSheet(paper(), pour(100), endless) }},
		{"DOCUMENT_INCOMPLETE", list(with(func(p *Paper) { p.Printed = time.Time{} }))},
		{"DOCUMENT_INCOMPLETE", list(with(func(p *Paper) { p.Size = 7 }))},
		{"DOCUMENT_PROOF_INCOMPLETE", list(with(func(p *Paper) { p.Proof.Origin = "" }))},
		{"DOCUMENT_PROOF_INCOMPLETE", list(with(func(p *Paper) { p.Proof.Origin = "a\nentry 7" }))},
		{"DOCUMENT_PROOF_INCOMPLETE", list(with(func(p *Paper) { p.Proof.Entries = nil }))},
		{"DOCUMENT_PROOF_INCOMPLETE", list(with(func(p *Paper) { p.Proof.Leaf = leaf(1)[:31] }))},
		{"DOCUMENT_PROOF_INCOMPLETE", list(with(func(p *Paper) { p.Proof.Root = nil }))},
		{"DOCUMENT_PROOF_INCOMPLETE", list(with(func(p *Paper) { p.Proof.Size = 44 }))},
		{"DOCUMENT_TEXT_TOO_LONG", list(with(func(p *Paper) { p.Proof.Origin = strings.Repeat("a", maxOrigin+1) }))},
		{"DOCUMENT_TEXT_TOO_LONG", list(with(func(p *Paper) { p.Notice = strings.Repeat("é", maxName+1) }))},
		{"DOCUMENT_TOO_LONG", list(with(func(p *Paper) { p.Proof.Entries = make([]uint64, maxEntries+1) }))},
		{"DOCUMENT_TEXT_TOO_LONG", func() ([]byte, error) { return BarList(paper(), "x", "", []*pb.Bar{long}) }},
		{"DOCUMENT_TEXT_TOO_LONG", func() ([]byte, error) {
			return BarList(paper(), strings.Repeat("x", maxName+1), "",
				nil)
		}},
		{"DOCUMENT_TOO_LONG", func() ([]byte, error) { return BarList(paper(), "x", "", make([]*pb.Bar, maxRows+1)) }},
		{"DOCUMENT_TOO_LONG", func() ([]byte, error) {
			return BarLabels(paper(), slices.Repeat([]BarLabel{{Bar: bar(1)}}, maxLabels+1))
		}},
		{"DOCUMENT_LABEL_TOO_FULL", func() ([]byte, error) {
			return BoxLabels(full, []BoxLabel{{Box: crowded,
				Consignee: "ottermere"}})
		}},
		{"DOCUMENT_BARCODE", func() ([]byte, error) { return BarLabels(paper(), []BarLabel{{Bar: &pb.Bar{Name: "x/Ж"}}}) }},
		{"DOCUMENT_BARCODE", func() ([]byte, error) {
			return BarLabels(paper(), []BarLabel{{Bar: &pb.Bar{Name: strings.Repeat("x", 60)}}})
		}},
		{"DOCUMENT_INCOMPLETE", func() ([]byte, error) { return BarLabels(paper(), nil) }},
		{"DOCUMENT_INCOMPLETE", func() ([]byte, error) { return BarLabels(paper(), []BarLabel{{}}) }},
		{"DOCUMENT_INCOMPLETE", func() ([]byte, error) { return PourSheet(paper(), nil, nil) }},
		{"DOCUMENT_INCOMPLETE", func() ([]byte, error) { return ConsignmentAdvice(paper(), nil, nil, nil) }},
		{"DOCUMENT_INCOMPLETE", func() ([]byte, error) { return ArrivalReport(paper(), nil, nil, nil, nil) }},
		{"DOCUMENT_INCOMPLETE", func() ([]byte, error) { return CustodyReceipt(paper(), nil, nil, nil) }},
		{"DOCUMENT_INCOMPLETE", func() ([]byte, error) { return ExchangeCertificate(paper(), &pb.Lot{}) }},
		{"DOCUMENT_INCOMPLETE", func() ([]byte, error) { return UmpireCertificate(paper(), &pb.Lot{}) }},
		{"DOCUMENT_INCOMPLETE", func() ([]byte, error) { return SettlementStatement(paper(), nil) }},
		{"DOCUMENT_INCOMPLETE", func() ([]byte, error) { return PacketLabels(paper(), nil) }},
	} {
		_, err := tt.make()
		if got := refusal.As(err); got == nil || got.Reason != tt.reason {
			t.Errorf("got %v, want %s", err, tt.reason)
		}
	}
}

// No heading stands at the foot of a page without what it heads, and no signature on a page without the ledger's
// reference in full: a page of signatures alone could be laid under another paper.
func TestNothingStandsAlone(t *testing.T) {
	for n := 1; n <= 40; n += 3 { // the tables end at ever other heights
		pdf, err := PourSheet(paper(), pour(n), bars(n))
		if err != nil {
			t.Fatal(err)
		}
		for i, page := range pagesOf(t, fmt.Sprintf("pour-sheet-%d", n), pdf) {
			if strings.Contains(page, "name and signature") != strings.Contains(page, strings.Repeat("a7", 32)) {
				t.Errorf("%d bars, page %d: signatures and leaf hash are not on one page", n, i+1)
			}
			if regexp.MustCompile(`(?m)^Bars$`).MatchString(page) && !strings.Contains(page, "OT-0400") {
				t.Errorf("%d bars, page %d: the heading stands alone", n, i+1)
			}
		}
	}
	for lines := 20; lines < 60; lines += 4 {
		po := pour(1)
		po.Recorded.ChargeDescription = strings.Repeat("a\n", lines) + "a"
		tall := bars(1)
		tall[0].Weights[0].Notes = []string{strings.Repeat("b\n", 12)}
		pdf, err := PourSheet(paper(), po, tall)
		if err != nil {
			t.Fatal(err)
		}
		for i, page := range pagesOf(t, fmt.Sprintf("pour-sheet-of-%d-lines", lines), pdf) {
			heads := regexp.MustCompile(`(?m)^Bars$|no\. +mark`).MatchString(page)
			if heads != strings.Contains(page, "OT-0400") {
				t.Errorf("%d lines, page %d: the heading or the table's head stands alone", lines, i+1)
			}
		}
	}
}

func BenchmarkBarList(b *testing.B) {
	list := bars(400)
	for b.Loop() {
		if _, err := BarList(paper(), "all", "", list); err != nil {
			b.Fatal(err)
		}
	}
}
