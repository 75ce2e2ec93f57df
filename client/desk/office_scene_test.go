package desk

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"time"

	"barward/internal/identity"
	pb "barward/proto/barward/v1"
)

// scene plays the demonstration's parties up to a melted lot: a pour of three bars, one box, a seal that is not the
// one on record, a bar that arrives 3 g light, and a melt whose dip was split into packets. It is invented.
func (p *place) scene() {
	p.t.Helper()
	terms, err := os.ReadFile(filepath.Join("..", "..", "testdata", "demo", "agreement.json"))
	if err != nil {
		p.t.Fatal(err)
	}
	// The demonstration prices two business days after the exchange, which is not published yet; here it is the day
	// itself, or the business day before it. Silver of that day is left for the desk to publish.
	own := strings.NewReplacer(`"id": "TQ-2025-04"`, `"id": "TQ-DESK"`, `"lag_days": 2`, `"lag_days": 0`,
		`"following"`, `"preceding"`,
		`{"code": "umpire",`, `{"code": "freight", "per": "passed_on", "cost": "freight"}, {"code": "umpire",`).Replace(string(terms))
	day := time.Now().UTC()
	prices := func(series, price string, from, to time.Time) *pb.PricesPublished {
		var list []*pb.DailyPrice
		for ; !from.After(to); from = from.AddDate(0, 0, 1) {
			list = append(list, &pb.DailyPrice{Date: from.Format("2006-01-02"), Price: price})
		}
		return &pb.PricesPublished{Series: series, Currency: "USD", Prices: list}
	}
	p.as("lucan", &pb.AgreementSigned{AgreementId: "AG-1", TermsJson: own})
	if err := p.countersign(p.keyOf("lucan"), p.keyOf("fennimore")); err != nil {
		p.t.Fatal(err)
	}
	p.as("fennimore", &pb.HolidaysPublished{Calendar: "Lanternfold", Dates: []string{"2020-01-01"}})
	// Up to the day that has begun first on earth: a test that runs over midnight has the price of the day after.
	p.as("lucan", prices("Lanternfold gold (invented)", "2931.90", day.AddDate(0, 0, -5), day.Add(14*time.Hour)),
		prices("Lanternfold silver (invented)", "33.0240", day.AddDate(0, 0, -30), day.AddDate(0, 0, -25)))
	p.as("ibbet", &pb.BalanceChecked{Balance: "quillmoss/QB1", Points: []*pb.CheckPoint{{Nominal: "20 kg",
		WeightClass: "E2", Observed: "20000.0 g"}}},
		&pb.PourRecorded{PourId: "P-1", Charge: "90.0 kg", Slag: "28.0 kg", Expected: "60.0 kg", Balance: "quillmoss/QB1",
			Bars: []*pb.PouredBar{
				{Mark: "QM-1", Readings: []string{"20012.4 g", "20012.3 g"}}, {Mark: "QM-2", Readings: []string{"19876.1 g",
					"19876.1 g"}},
				{Mark: "QM-3", Readings: []string{"20102.0 g", "20102.1 g"}}}},
		&pb.SampleTaken{SampleId: "S-1", Source: "quillmoss/P-1", Method: pb.SampleMethod_SAMPLE_METHOD_DIP,
			Positions: []string{"middle of pour"},
			Packets:   []*pb.Packet{{PacketId: "P1", Seal: "DS-1", Holder: pb.PacketHolder_PACKET_HOLDER_SELLER}}})
	p.as("perpetua", &pb.AssayReported{AssayId: "R-1", Sample: "quillmoss/S-1", Method: "fire assay, two portions",
		Results: []*pb.AssayResult{{Element: "Au", Fineness: "812.30 ppt"}, {Element: "Ag", Fineness: "148.20 ppt"}}})
	bars := []string{"quillmoss/QM-1", "quillmoss/QM-2", "quillmoss/QM-3"}
	p.as("ibbet", &pb.BoxPacked{BoxId: "B-1", Bars: bars, Seals: []string{"DS-101", "DS-102"}},
		&pb.ConsignmentAdvised{ConsignmentId: "C-1", Agreement: "quillmoss/AG-1", Boxes: []string{"quillmoss/B-1"}},
		&pb.Released{Consignment: "quillmoss/C-1", ToParty: "thistlequay", Transport: "truck 4",
			Boxes: []*pb.BoxReading{{Box: "quillmoss/B-1", Seals: []string{"DS-101", "DS-102"}}}})
	read := []string{"DS-101", "DS-103"} // one is not the seal on record
	p.as("dilly", &pb.Accepted{Consignment: "quillmoss/C-1", FromParty: "quillmoss", Count: 1,
		Boxes: []*pb.BoxReading{{Box: "quillmoss/B-1", Seals: read}}},
		&pb.BalanceChecked{Balance: "thistlequay/TB1", Points: []*pb.CheckPoint{{Nominal: "20 kg", WeightClass: "E2",
			Observed: "20000.0 g"}}},
		&pb.BalanceChecked{Balance: "thistlequay/TM1", Points: []*pb.CheckPoint{{Nominal: "50 kg", WeightClass: "F2",
			Observed: "50001 g"}}})
	for i, readings := range [][]string{{"20012.3 g", "20012.3 g"}, {"19876.1 g", "19876.2 g"}, {"20099.0 g",
		"20099.1 g"}} {
		p.as("dilly", &pb.BarReceived{Consignment: "quillmoss/C-1", Box: "quillmoss/B-1", Bar: bars[i], Seals: read,
			Balance: "thistlequay/TB1", Readings: readings})
	}
	p.as("dilly", &pb.LotOpened{LotId: "L-1", Agreement: "quillmoss/AG-1", Bars: bars},
		&pb.Melted{Lot: "thistlequay/L-1", Balance: "thistlequay/TM1", Before: "59987 g", After: "59965 g", Slag: "12 g"},
		&pb.SampleTaken{SampleId: "SL-1", Source: "thistlequay/L-1", Method: pb.SampleMethod_SAMPLE_METHOD_DIP,
			Positions: []string{"middle of pour"},
			Packets: []*pb.Packet{{PacketId: "P1", Seal: "DS-201", Holder: pb.PacketHolder_PACKET_HOLDER_SELLER},
				{PacketId: "P2", Seal: "DS-202", Holder: pb.PacketHolder_PACKET_HOLDER_REFINER},
				{PacketId: "P3", Seal: "DS-203", Holder: pb.PacketHolder_PACKET_HOLDER_UMPIRE, Laboratory: "umbercount"}}})
}

func (p *place) keyOf(who string) identity.Key {
	p.t.Helper()
	key, _, err := identity.LoadKey(p.key(who), passphrase)
	if err != nil {
		p.t.Fatal(err)
	}
	return key
}

// at opens a desk of one person and a tab before it, unlocked and linked.
func (p *place) at(who string) *tab {
	p.t.Helper()
	address, _ := p.open(p.config(who+"'s desk", who))
	b := browse(p.t, address)
	b.unlock(who)
	b.linked(true)
	return b
}

// comes loads a page again and again until it says something: what the other side signed arrives in its own time.
func (b *tab) comes(path, words string) {
	b.t.Helper()
	for end := time.Now().Add(long); ; time.Sleep(300 * time.Millisecond) {
		b.visit(path)
		if strings.Contains(b.text(), words) {
			return
		}
		if time.Now().After(end) {
			b.t.Fatalf("%s never said %q:\n%s", path, words, b.text())
		}
	}
}

// fetch gets a file of the desk as the browser would, and returns its bytes and its kind.
func (b *tab) fetch(path string) (file []byte, kind string) {
	b.t.Helper()
	text := b.read(`fetch(` + quoted(path) + `).then(async (r) => { const bytes = new Uint8Array(await r.arrayBuffer()); let s = "";
		for (const x of bytes) s += String.fromCharCode(x);
		return JSON.stringify({Status: r.status, Kind: r.headers.get("Content-Type"), File: btoa(s)}); })`)
	var said struct {
		Status int
		Kind   string
		File   []byte
	}
	if err := json.Unmarshal([]byte(text), &said); err != nil {
		b.t.Fatal(err)
	}
	if said.Status != 200 {
		b.t.Fatalf("%s answers %d:\n%.2000s", path, said.Status, said.File)
	}
	return said.File, said.Kind
}

// hrefs are the addresses of the links that a selector finds.
func (b *tab) hrefs(selector string) (list []string) {
	b.t.Helper()
	text := b.read(`JSON.stringify([...document.querySelectorAll(` + quoted(selector) + `)].map((a) => a.getAttribute("href")))`)
	if err := json.Unmarshal([]byte(text), &list); err != nil {
		b.t.Fatal(err)
	}
	return list
}

// drawn waits until every picture of the page is there.
func (b *tab) drawn() {
	b.t.Helper()
	b.until("the drawing", "[...document.images].length > 0 && [...document.images].every((i) => i.complete && i.naturalWidth > 100)")
}

// choosesFile gives the page's file input a file, as a person's choice would.
func (b *tab) choosesFile(name, text string) {
	b.t.Helper()
	b.read(`(() => { const t = new DataTransfer(); t.items.add(new File([` + quoted(text) + `], ` + quoted(name) + `));
		const e = document.querySelector("input[type=file]"); e.files = t.files; e.dispatchEvent(new Event("change", {bubbles: true})); return ""; })()`)
	b.until("the file to be read", "document.querySelector('[data-said]').textContent !== ''")
}

// signed waits until the desk says that something was signed: recorded, or kept because the service took long to answer.
// What follows from it is waited for by comes.
func (b *tab) signed(words string) {
	b.t.Helper()
	b.until(words+" to be signed", `document.body && ["is recorded", "is signed and kept"].some((end) =>
		document.body.innerText.includes(`+quoted(words+" ")+` + end))`)
}
