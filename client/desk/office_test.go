package desk

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"barward/client/station"
	"barward/internal/evidence"
	"barward/internal/quantity"
	"barward/internal/settlement"
	pb "barward/proto/barward/v1"
)

// TestOffice takes a lot through the office: two desks of two parties exchange sealed results, an umpire's laboratory
// settles what they differ by, one side issues the statement and the other countersigns it; then a return that
// differs, its discrepancy shared, and everything opened back to what was signed.
func TestOffice(t *testing.T) {
	p := newPlace(t)
	p.scene()
	mine, works, laboratory := p.at("lucan"), p.at("fennimore"), p.at("umbra")
	const lot = "/office/lot/thistlequay/L-1"

	// Before the exchange.
	mine.visit("/office")
	mine.says("thistlequay/L-1", "Seal a result for Au and Ag: quillmoss (you) and thistlequay", "days left", "open in its consignment")
	mine.snap("office-lots")
	mine.visit(lot)
	mine.says("Seal our result", "59965 g")
	raisedOnMetal(t, mine)
	mine.visit("/office/silence/thistlequay/L-1")
	mine.says("Declare the silence of thistlequay")
	mine.snap("office-silence")
	mine.click("Sign the declaration")
	mine.says("has not reported in round 1") // neither has sealed yet, so no result could stand
	works.visit("/office/advance/thistlequay/L-1")
	works.fill("amount", "1000000")
	works.click("Sign the advance")
	works.says("USD") // a sum without its currency is refused, with what to write
	works.fill("amount", "1000000.00 USD")
	works.snap("office-advance")
	works.click("Sign the advance")
	works.signed("The advance on thistlequay/L-1")
	works.comes(lot, "Advance 1000000.00 USD")
	works.visit("/office/cost/thistlequay/L-1")
	works.choose("kind", "freight")
	works.fill("amount", "2400.00 USD")
	works.fill("seller_share_percent", "50")
	works.fill("reference", "=HYPERLINK(\"http://invented.invalid\")")
	works.snap("office-cost")
	works.click("Sign the cost")
	works.comes(lot, "Cost: freight 2400.00 USD, the seller bears 50 %")

	// Both seal; neither sees the other's before both have.
	seal := func(b *tab, gold, silver string) {
		b.visit("/office/seal/thistlequay/L-1")
		b.fill("fineness_Au", gold)
		b.fill("fineness_Ag", silver)
		b.click("Go on")
		b.says("Seal exactly this?", gold, silver)
	}
	mine.visit("/office/seal/thistlequay/L-1")
	mine.fill("fineness_Au", "1812.30")
	mine.fill("fineness_Ag", "148.20")
	mine.click("Go on")
	mine.until("the fault beside gold", "document.querySelector('[name=fineness_Au]').getAttribute('aria-invalid') === 'true'")
	mine.snap("office-seal")
	seal(mine, "812.30", "148.20")
	mine.snap("office-seal-confirm")
	mine.click("Yes, seal it")
	mine.signed("The sealed result of thistlequay/L-1")
	seal(mine, "812.31", "148.20")
	mine.click("Yes, seal it")
	mine.says("is sealed at this workstation already") // what opens the first one must not be lost
	works.visit(lot)
	works.silent("812.30")
	works.snap("office-lot-sealed")
	mine.visit(lot)
	seal(works, "812.62", "145.70")
	works.click("Yes, seal it")

	// The desks open what they sealed by themselves, and a page of the lot that stands open says so.
	mine.says("Call the umpire for Ag", "812.30", "812.62", "812.46") // gold within its 0.50 ppt: the mean of 812.30 and 812.62, by hand
	mine.snap("office-lot-umpire-due")

	// Umpire or not.
	mine.click("Umpire or not?")
	mine.visit("/office/advice/thistlequay/L-1?ask=1&element=Ag") // a browser does not send a form that lacks what it must have
	mine.says("State it; nothing is guessed.")
	for name, value := range map[string]string{"seller_sigma": "1.10", "seller_bias": "0", "refiner_sigma": "0.90",
		"refiner_bias": "-0.40",
		"umpire_sigma": "0.60", "umpire_bias": "0", "fee": "640.00 USD"} {
		mine.fill(name, value)
	}
	mine.click("Ask")
	mine.says("What going on is worth", "640.00 USD", "Reckoned at a price of", "All money is in USD", "Go on to the call")
	mine.silent("Do not rely on this advice")
	mine.snap("office-advice")
	for _, name := range []string{"seller_sigma", "refiner_sigma"} { // 2.50 apart, less the bias 2.10: far from three times 0.14
		mine.fill(name, "0.10")
	}
	mine.click("Ask")
	mine.says("Do not rely on this advice")
	works.visit("/office/umpire/thistlequay/L-1")
	works.says("umbercount, whose turn it is", "DS-203 (packet P3")
	works.snap("office-umpire")
	works.click("Sign the call")
	works.signed("The call of umbercount as umpire of thistlequay/L-1")
	laboratory.comes("/office", "Report as umpire on Ag")
	laboratory.silent("145.70") // nor does it see what the parties found
	laboratory.snap("office-calls")
	laboratory.click("Report as umpire on Ag")
	laboratory.fill("fineness_Ag", "146.80")
	laboratory.fill("packet_seal", "DS-203")
	laboratory.fill("fee", "640.00 USD")
	laboratory.snap("office-report")
	laboratory.click("Go on")
	laboratory.says("Sign exactly this report?", "146.80", "DS-203")
	laboratory.snap("office-report-confirm")
	laboratory.click("Sign the report")
	laboratory.signed("The umpire's report on thistlequay/L-1")
	laboratory.comes("/office", "Reported")

	// The statement.
	publishesPrice(mine, lot)
	mine.comes(lot, "Issue the final statement")
	mine.says("146.80") // the middle of 148.20, 145.70 and 146.80, by the agreement's middle_of_three
	otherTree(t, p, mine, works)
	mine.visit(lot)
	mine.click("Preview the statement") // final, as the task says
	mine.says("Open on this metal", "due to the seller", "It balances", "Issue exactly this")
	mine.snap("office-preview")
	opensToSources(t, mine)
	mine.fill("statement_id", "ST-1")
	mine.read(`document.querySelector("[name=digest]").value = "0".repeat(64), ""`) // as if a figure had moved since it was read
	mine.click("Sign and issue")
	mine.says("A figure moved since you read this statement")
	mine.fill("statement_id", "ST-1")
	mine.click("Sign and issue")
	mine.signed("Statement ST-1")
	const statement = "/office/statement/quillmoss/ST-1"
	works.comes(lot, "Countersign statement quillmoss/ST-1: thistlequay (you)")
	works.click("Read and countersign")
	works.says("Open on this metal", "It rests on checkpoint", "verified by this desk: the log it knows had that checkpoint")
	works.snap("office-countersign")
	works.fill("note", "checked against our own books")
	works.click("Countersign")
	works.comes(statement, "Countersigned by thistlequay/fennimore")
	mine.comes(statement, "Countersigned by thistlequay/fennimore")
	mine.snap("office-statement")
	opensToSources(t, mine)
	mine.visit("/office/figure/net?statement=quillmoss%2FST-1")
	mine.says("How it is computed", "verified by this desk")
	mine.snap("office-figure")

	// The return, which credits an ounce of gold less and charges 140 more.
	document, owing := differing(t, mine, statement)
	returned(t, mine, document, owing)
	sharedDiscrepancy(t, mine, works)

	exportsKeepFilter(t, mine)

	// Paid: who pays records it, the other side countersigns.
	works.visit("/office/payment/quillmoss/ST-1")
	works.fill("amount", "100.00 USD")
	works.fill("reference", "invented 77")
	works.snap("office-payment")
	works.click("Sign the payment")
	works.signed("The payment on quillmoss/ST-1")
	mine.comes(statement, "Paid so far 100.00 USD")
	entries := mine.hrefs(".net a[href^='/trace/entry/']")
	mine.visit(entries[len(entries)-1])
	mine.says("payment recorded", "invented 77")
	mine.snap("trace-entry-agree")
	mine.click("Countersign")
	mine.says("Your countersignature of entry")

	exportsReadBack(t, mine)
	traced(t, mine, "quillmoss/QM-3")
	biased(mine)

	// Without a link, what this desk proved before is still shown, and said to be from before.
	p.down()
	mine.linked(false)
	mine.visit("/trace/bar/quillmoss/QM-3")
	mine.says("As this desk last saw it", "verified by this desk when it last saw them.", "proven before")
	mine.snap("trace-without-link")
}

// otherTree has the seller issue a statement that rests on a checkpoint that the log never had, as if they had been
// shown another log: the other side's desk says so, and signs nothing of it.
func otherTree(t *testing.T, p *place, mine, works *tab) {
	t.Helper()
	mine.visit("/office/preview/thistlequay/L-1?kind=PROVISIONAL")
	digest, on := mine.read(`document.querySelector("[name=digest]").value`), mine.read(`document.querySelector("[name=settled_on]").value`)
	p.as("lucan", &pb.StatementIssued{StatementId: "ST-0", Lot: "thistlequay/L-1",
		Kind:      pb.StatementKind_STATEMENT_KIND_PROVISIONAL,
		SettledOn: on, Digest: digest, CheckpointSize: 3, CheckpointRoot: make([]byte, 32)})
	works.comes("/office/statement/quillmoss/ST-0", "that the log, as this desk knows it, never had")
	works.snap("office-other-log")
	answer := works.read(`(() => { const entry = document.querySelector(".net a[href^='/trace/entry/']").textContent;
		const body = new URLSearchParams({token: document.querySelector("[name=token]").value, once: crypto.randomUUID(), back: "/office"});
		return fetch("/office/agree/" + entry, {method: "POST", body}).then((r) => r.text()); })()`)
	if !strings.Contains(answer, "Do not sign it") {
		t.Errorf("a statement on another log is countersigned:\n%s", answer)
	}
}

// opensToSources opens every figure of the statement on the page, and demands that each leads to entries, all proven.
func opensToSources(t *testing.T, b *tab) {
	t.Helper()
	paths := b.hrefs("table.lines tbody a[href^='/office/figure/']")
	if len(paths) < 15 { // two metals, four charges, the net and their totals
		t.Fatalf("the statement has only %d lines that open", len(paths))
	}
	for _, path := range paths {
		page, _ := b.fetch(path)
		text := string(page)
		if !strings.Contains(text, "How it is computed") || !strings.Contains(text, `class="proofs ok"`) ||
			strings.Contains(text, `class="proofs no"`) {
			t.Errorf("%s opens to no proven source:\n%.3000s", path, text)
		}
	}
}

// differing makes a return of the statement on record: an ounce of gold less is payable, and 140.00 USD more are
// charged. What it owes less is by hand: 2931.90 for the ounce and 140.00.
func differing(t *testing.T, b *tab, statement string) (document, owing string) {
	t.Helper()
	file, _ := b.fetch("/office/export/" + strings.TrimPrefix(statement, "/office/") + "?format=csv")
	rows, err := csv.NewReader(bytes.NewReader(file)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := func(name string) int { return slices.Index(rows[0], name) }
	var out [][]string
	out = append(out, []string{"code", "element", "name", "unit", "quantity", "quantity_unit", "rate", "rate_unit",
		"amount"})
	less := func(text, by string) string {
		return quantity.MustDecimal(text).Sub(quantity.MustDecimal(by)).String()
	}
	for _, r := range rows[1:] {
		code, _, _ := strings.Cut(r[at("code")], "/") // then come metal, name and unit, where the line has them
		of := strings.Split(r[at("code")], "/")
		element, name := r[at("element")], ""
		q, unit, rate, per := r[at("quantity")], r[at("quantity unit")], r[at("rate")], r[at("rate unit")]
		amount := strings.TrimSpace(r[at("amount")] + " " + r[at("amount unit")])
		switch settlement.Code(code) {
		case settlement.FineTotal, settlement.PriceUsed:
		case settlement.PayableTotal, settlement.Value:
			if element == "Au" {
				q = less(q, "1.000")
				if amount != "" {
					amount = less(r[at("amount")], "2931.90") + " USD"
				}
			}
		case settlement.ChargeLine, settlement.AdvanceLine, settlement.InterestLine:
			if name = of[len(of)-1]; name == "lot handling" {
				q, unit, rate, per, amount = "1", "lot", "590.00", "USD/lot", "-590.00 USD" // 450.00 by the agreement
			}
		case settlement.Net:
			amount = less(r[at("amount")], "3071.90") + " USD"
		default:
			continue // what moves neither metal nor money need not be stated
		}
		out = append(out, []string{code, element, name, "", q, unit, rate, per, amount})
	}
	var text bytes.Buffer
	w := csv.NewWriter(&text)
	if err := w.WriteAll(out); err != nil {
		t.Fatal(err)
	}
	return text.String(), "-3071.90 USD"
}

// returned enters the return: a file with a figure that is none is refused by row and column, one too long before it is
// read; the good one is compared, recorded and drawn.
func returned(t *testing.T, b *tab, document, difference string) {
	t.Helper()
	b.visit("/office/compare/thistlequay/L-1")
	b.choosesFile("return.csv", strings.Repeat("x", maxReturn+1))
	b.says("more than a return may have")
	b.read(`document.querySelector("[name=document]").value = "x".repeat(` + fmt.Sprint(maxReturn+1) + `), ""`)
	b.click("Compare, record nothing") // the script is not what holds the bound
	b.says("This is longer than a return may be")
	b.choosesFile("return.csv", strings.Replace(document, "590.00,USD/lot", "59o.00,USD/lot", 1))
	b.click("Compare, record nothing")
	row := 1 + strings.Count(document[:strings.Index(document, "590.00,USD/lot")], "\n") // the header is row 1
	b.says(fmt.Sprintf("Row %d, column rate", row))
	b.choosesFile("return.json", "{\"lines\": [\n  {\"code\": \"net\",, }\n]}")
	b.click("Compare, record nothing")
	b.says("Line 2, column 18") // by hand: the second comma is the eighteenth character of the second line
	b.choosesFile("return.csv", document)
	b.click("Compare, record nothing")
	b.says("Return less statement", difference, "Charge per lot, lot handling", "amount differs by -140.00 USD")
	b.until("the waterfall before anything is recorded", "document.querySelector('figure.chart svg') !== null")
	b.snap("office-compare")
	templateFits(t, b)
	b.fill("return_id", "RT-1")
	b.click("Sign that we received this return")
	b.signed("Return RT-1")
	b.comes("/office/return/quillmoss/RT-1", "Where the difference comes from")
	b.drawn()
	b.says(difference, "Payable terms", "Charges", "Raised by it")
	drawing, kind := b.fetch("/office/waterfall/quillmoss/RT-1")
	var parts []string
	if err := json.Unmarshal([]byte(b.read(`JSON.stringify([...document.querySelectorAll(".pair table")[0].querySelectorAll("td")].map((e) => e.textContent))`)), &parts); err != nil {
		t.Fatal(err)
	}
	sum, moved := quantity.MustMoney("0 USD"), 0
	for _, part := range parts {
		m := quantity.MustMoney(part)
		if !bytes.Contains(drawing, []byte(part)) || kind != "image/svg+xml" {
			t.Errorf("the waterfall of kind %s does not show %s", kind, part)
		}
		if m.Amount().Sign() != 0 {
			moved++
		}
		var err error
		if sum, err = sum.Add(m); err != nil {
			t.Fatal(err)
		}
	}
	if moved < 2 || !sum.Amount().Equal(quantity.MustMoney(difference).Amount()) {
		t.Errorf("the parts are %v and come to %s", parts, sum)
	}
	b.snap("office-return")
}

// sharedDiscrepancy has who must answer offer to share, and the other side agree.
func sharedDiscrepancy(t *testing.T, mine, works *tab) {
	t.Helper()
	mine.visit("/office/register")
	mine.says("3071.90 USD", "thistlequay", "days left")
	stakes := mine.read(`JSON.stringify([...document.querySelectorAll("table.register tbody td.mass strong")].map((e) => e.textContent))`)
	var list []string
	if err := json.Unmarshal([]byte(stakes), &list); err != nil {
		t.Fatal(err)
	}
	sorted := slices.IsSortedFunc(list, func(x, y string) int {
		return quantity.MustMoney(y).Amount().Cmp(quantity.MustMoney(x).Amount())
	})
	if len(list) < 2 || !sorted {
		t.Errorf("the register is not sorted by what is at stake: %v", list)
	}
	mine.snap("office-register")
	which := mine.read(`[...document.querySelectorAll("table.register tbody tr")].find((r) => r.textContent.includes("3071.90 USD")).querySelector("a").textContent`)
	path := "/office/discrepancy/" + which
	works.visit(path)
	works.says("Your party must answer", "verified by this desk")
	offers := func(b *tab) string {
		return b.read(`[...document.querySelector("main select[name=decision]").options].map((o) => o.value).join(" ")`)
	}
	if got := strings.TrimSpace(offers(works)); got != "MADE_GOOD SHARED" { // who must answer does not let itself go
		t.Errorf("who must answer may choose %s", got)
	}
	mine.visit(path)
	if got := strings.TrimSpace(offers(mine)); got != "ACCEPTED WAIVED REFERRED" { // nobody concedes in another's name
		t.Errorf("who holds the claim may choose %s", got)
	}
	mine.says("It goes on to arbitration")
	works.choose("decision", "shared")
	works.fill("reason", "=1+1 is how a spreadsheet would read this; the handling charge was ours")
	works.fill("conceded", "140.00 USD")
	works.snap("office-discrepancy")
	works.click("Go on")
	works.says("Sign exactly this?", "140.00 USD", "It counts once the other side has countersigned")
	works.snap("office-discrepancy-confirm")
	works.click("Sign the offer")
	works.comes(path, "Offered by thistlequay/fennimore: shared, conceded 140.00 USD")
	mine.comes(path, "Agree to the offer")
	mine.snap("office-offer")
	mine.click("Countersign the offer")
	mine.comes(path, "State: decided")
}

// raisedOnMetal demands that the lot's page shows what was raised of its light bar and of its box before it was a lot.
func raisedOnMetal(t *testing.T, b *tab) {
	t.Helper()
	text := b.read(`document.querySelector("[data-fresh=raised]").innerText`)
	for _, subject := range []string{"quillmoss/QM-3", "quillmoss/B-1"} {
		if !strings.Contains(text, subject) {
			t.Errorf("the lot does not show what is open on %s:\n%s", subject, text)
		}
	}
}

// publishesPrice publishes at the desk what the final statement waits for: one day's silver, or two days' if midnight
// came in between.
func publishesPrice(b *tab, lot string) {
	b.t.Helper()
	for range 4 {
		b.comes(lot, "ssue the final statement")
		if !strings.Contains(b.text(), "Publish the price of Lanternfold silver (invented)") {
			return
		}
		b.visit(strings.Replace(lot, "/lot/", "/preview/", 1) + "?kind=FINAL")
		b.says("A price is missing", "the commercial manager of quillmoss (you)")
		b.click("Publish the price")
		b.says("a published price is never changed")
		b.fill("price", "33.0240")
		b.snap("office-prices")
		b.click("Go on")
		b.says("Publish exactly this?", "33.0240 USD")
		b.click("Yes, publish it")
		b.says("The price of Lanternfold silver (invented) on")
		b.until("the price to be signed", `["is recorded", "is signed and kept"].some((end) => document.body.innerText.includes(end))`)
	}
}

// templateFits downloads the return to fill in and fills it in from the statement: then it is a return that is read.
func templateFits(t *testing.T, b *tab) {
	t.Helper()
	file, _ := b.fetch("/office/template/thistlequay/L-1")
	rows, err := csv.NewReader(bytes.NewReader(file)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	file, _ = b.fetch("/office/export/statement/quillmoss/ST-1?format=csv")
	lines, err := csv.NewReader(bytes.NewReader(file)).ReadAll()
	if err != nil || len(lines) != len(rows) {
		t.Fatalf("the template has %d rows, the statement %d: %v", len(rows), len(lines), err)
	}
	at := func(name string) int { return slices.Index(lines[0], name) }
	for n := 1; n < len(rows); n++ {
		row, line := rows[n], lines[n]
		if code, _, _ := strings.Cut(line[at("code")], "/"); row[0] != code || row[5] != line[at("quantity unit")] {
			t.Errorf("row %d of the template is %v, the statement has %v", n, row, line)
		}
		row[4], row[6] = line[at("quantity")], line[at("rate")]
		row[8] = strings.TrimSpace(line[at("amount")] + " " + line[at("amount unit")])
	}
	var text bytes.Buffer
	if err := csv.NewWriter(&text).WriteAll(rows); err != nil {
		t.Fatal(err)
	}
	if _, err := station.ReadReturn(text.String()); err != nil {
		t.Errorf("the template filled in is no return: %v\n%s", err, text.String())
	}
}

// exportsKeepFilter follows the register's own links to its exports: they hold what the page shows and nothing else.
func exportsKeepFilter(t *testing.T, b *tab) {
	t.Helper()
	b.visit("/office/register?state=ANY&lot=thistlequay%2FL-1&sort=deadline")
	paths := b.hrefs("main .links a[href^='/office/export/register/']")
	if len(paths) != 2 {
		t.Fatalf("the register has the exports %v", paths)
	}
	for _, path := range paths {
		u, err := url.Parse(path)
		if err != nil || u.Query().Get("lot") != "thistlequay/L-1" || u.Query().Get("state") != "ANY" {
			t.Errorf("%s has lost the filter: %v", path, err)
		}
	}
	file, _ := b.fetch(paths[0])
	rows, err := csv.NewReader(bytes.NewReader(file)).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		if got := row[slices.Index(rows[0], "lot")]; got != "thistlequay/L-1" {
			t.Errorf("the export of one lot holds a discrepancy of %q", got)
		}
	}
}

// exportsReadBack reads every sheet back with the standard library's CSV and with excelize.
func exportsReadBack(t *testing.T, b *tab) {
	t.Helper()
	for _, path := range []string{"lots/all", "register/all?state=ANY", "statement/quillmoss/ST-1",
		"reconciliation/quillmoss/RT-1", "bars/thistlequay/L-1"} {
		by := "?"
		if strings.Contains(path, "?") {
			by = "&"
		}
		file, _ := b.fetch("/office/export/" + path + by + "format=csv")
		rows, err := csv.NewReader(bytes.NewReader(file)).ReadAll()
		if err != nil || len(rows) < 2 {
			t.Errorf("%s as CSV: %d rows, %v", path, len(rows), err)
			continue
		}
		sheets, _ := b.fetch("/office/export/" + path + by + "format=xlsx")
		book, err := excelize.OpenReader(bytes.NewReader(sheets))
		if err != nil {
			t.Errorf("%s as XLSX: %v", path, err)
			continue
		}
		name := book.GetSheetName(0)
		read, err := book.GetRows(name, excelize.Options{RawCellValue: true})
		if err != nil || len(read) != len(rows) {
			t.Errorf("%s as XLSX: %d rows, CSV has %d, %v", path, len(read), len(rows), err)
			continue
		}
		numbers := 0
		for at, head := range read[0] {
			if !strings.HasSuffix(head, " number") {
				continue
			}
			for n := 1; n < len(read); n++ {
				if at >= len(read[n]) || read[n][at] == "" {
					continue
				}
				numbers++
				exactly, err := quantity.ParseDecimal(read[n][at])
				if err != nil || !exactly.Equal(quantity.MustDecimal(read[n][at-2])) {
					t.Errorf("%s, row %d: the number %s is not the text %s", path, n+1, read[n][at], read[n][at-2])
				}
				cell, _ := excelize.CoordinatesToCellName(at+1, n+1)
				if kind, _ := book.GetCellType(name, cell); kind != excelize.CellTypeNumber && kind != excelize.CellTypeUnset {
					t.Errorf("%s, %s is no number to a spreadsheet", path, cell)
				}
			}
		}
		if numbers == 0 {
			t.Errorf("%s has no number at all", path)
		}
		for n, row := range rows {
			for at, cell := range row {
				if strings.ContainsAny(cell[:min(1, len(cell))], "=+@") || strings.HasPrefix(cell, "-") && !plainDecimal(cell) {
					t.Errorf("%s: row %d, %s begins a formula: %q", path, n+1, rows[0][at], cell)
				}
			}
		}
		if strings.HasPrefix(path, "register") && !bytes.Contains(file, []byte("'=1+1 is how")) {
			t.Errorf("the decision's reason is not in the register, or not guarded:\n%.2000s", file)
		}
		if strings.HasPrefix(path, "statement") {
			lines := rows[1:]
			if last := lines[len(lines)-1]; last[slices.Index(rows[0], "code")] != string(settlement.Net) {
				t.Errorf("the last line of the statement is %v", last)
			}
		}
		_ = book.Close()
	}
}

func plainDecimal(text string) bool {
	_, err := quantity.ParseDecimal(text)
	return err == nil
}

// traced follows the light bar from the pour to the payment.
func traced(t *testing.T, b *tab, bar string) {
	t.Helper()
	b.visit("/trace")
	b.says(bar)
	b.snap("trace")
	b.fill("mark", "QM-3")
	b.click("Follow it")
	b.says("Bar "+bar, "entries are in the log under checkpoint", "verified by this desk.", "quillmoss", "thistlequay",
		"paid 100.00 USD")
	if b.read(`String(document.querySelector(".proofs.no") !== null)`) == "true" {
		t.Errorf("not every entry of the trace is proven:\n%s", b.text())
	}
	b.says("-3.0 g") // 20099.0(5) less 20102.0(5), by hand: three grams light
	b.snap("trace-bar")
	for _, path := range b.hrefs("main .links a[href^='/papers/']") {
		if file, kind := b.fetch(path); kind != "application/pdf" || !bytes.HasPrefix(file, []byte("%PDF-")) {
			t.Errorf("%s is no PDF but %s", path, kind)
		}
	}
	for _, path := range []string{"/papers/lot-bars/thistlequay/L-1.pdf", "/papers/umpire/thistlequay/L-1.pdf",
		"/papers/reconciliation/quillmoss/RT-1.pdf",
		"/papers/exchange/thistlequay/L-1.pdf?size=letter"} {
		if file, kind := b.fetch(path); kind != "application/pdf" || !bytes.HasPrefix(file, []byte("%PDF-")) {
			t.Errorf("%s is no PDF but %s", path, kind)
		}
	}
	file, _ := b.fetch("/trace/epcis/" + bar)
	var route struct {
		Type string `json:"type"`
		Body struct {
			Events []struct {
				Type string `json:"type"`
			} `json:"eventList"`
		} `json:"epcisBody"`
	}
	if err := json.Unmarshal(file, &route); err != nil || route.Type != "EPCISDocument" || len(route.Body.Events) < 5 {
		t.Errorf("the chain of custody is no EPCIS document: %v, %d events", err, len(route.Body.Events))
	}
	zip, _ := b.fetch("/trace/evidence/bar/" + bar)
	pack, err := evidence.Read(zip)
	if err != nil {
		t.Fatal(err)
	}
	if report := evidence.Verify(pack, pack.LogKey); !report.Sound() {
		t.Errorf("the evidence pack is not sound: %v", report.Findings)
	}
	b.readBack("cover of the evidence pack", pack.Cover, "Evidence", "bar "+bar, "barward evidence verify", "log-key.txt")
	b.visit("/trace/entry/" + strings.TrimPrefix(b.hrefs("ol.route a[href^='/trace/entry/']")[0], "/trace/entry/"))
	b.says("As quillmoss/ibbet signed it", "This entry is in the log under checkpoint", "20102.0 g")
	b.snap("trace-entry")
}

// biased asks for the arrival weights over time; what is not stated is asked for.
func biased(b *tab) {
	b.t.Helper()
	b.visit("/office/bias?ask=1")
	b.says("State it; nothing is guessed.")
	b.choose("of", "arrival weight")
	for name, value := range map[string]string{"sigma": "0.15", "confidence": "0.95", "shift": "0.2", "decision": "5",
		"lambda": "0.2", "width": "3",
		"borne": "0.5", "places": "3"} {
		b.fill(name, value)
	}
	b.choose("mode", "half to even")
	b.click("Compare")
	b.drawn()
	b.says("Differences compared", "quillmoss/QM-3")
	b.snap("office-bias")
}
