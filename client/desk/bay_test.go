package desk

import (
	"context"
	"fmt"
	"io"
	"net"
	"slices"
	"sort"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	cdpage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"barward/client/station"
	pb "barward/proto/barward/v1"
)

// consign pours, packs, advises and releases to a party. Boxes maps a box to its marks; bar i of all weighs 18000.0 g
// and i tenths of a gram, so that no two are alike. Box B has the seal QS-B. It is invented.
func (p *place) consign(number, to string, boxes ...[]string) {
	p.t.Helper()
	pour := &pb.PourRecorded{PourId: "P-of-" + number, Balance: "quillmoss/QB1"}
	advice := &pb.ConsignmentAdvised{ConsignmentId: number, Agreement: "quillmoss/TQ-2025-04"}
	release := &pb.Released{Consignment: "quillmoss/" + number, ToParty: to}
	var packed []*pb.BoxPacked
	bars := 0
	for _, b := range boxes {
		box := &pb.BoxPacked{BoxId: b[0], Seals: []string{"QS-" + b[0]}}
		for _, mark := range b[1:] {
			pour.Bars = append(pour.Bars, &pb.PouredBar{Mark: mark, Readings: []string{weightOf(bars, 0), weightOf(bars, 0)}})
			box.Bars = append(box.Bars, "quillmoss/"+mark)
			bars++
		}
		packed = append(packed, box)
		advice.Boxes = append(advice.Boxes, "quillmoss/"+b[0])
		release.Boxes = append(release.Boxes, &pb.BoxReading{Box: "quillmoss/" + b[0], Seals: box.Seals})
	}
	p.as("ibbet", goodCheck(), pour)
	for _, box := range packed {
		p.as("ibbet", box)
	}
	p.as("ibbet", advice, release)
}

// weightOf is the weight of the i-th bar, and some tenths of a gram more.
func weightOf(i, more int) string {
	tenths := 180000 + i + more
	return fmt.Sprintf("%d.%d g", tenths/10, tenths%10)
}

func (p *place) quayChecked() {
	p.t.Helper()
	p.as("dilly", &pb.BalanceChecked{Balance: "thistlequay/TB1", Points: []*pb.CheckPoint{{Nominal: "20 kg",
		WeightClass: "E2", Observed: "20000.0 g"}}},
		&pb.BalanceChecked{Balance: "thistlequay/TM1", Points: []*pb.CheckPoint{{Nominal: "50 kg", WeightClass: "F2",
			Observed: "50001 g"}}})
}

// scans types lines as a keyboard-wedge scanner does: 10 ms a key, then Enter.
func (b *tab) scans(lines ...string) {
	b.t.Helper()
	beat := time.NewTicker(10 * time.Millisecond)
	defer beat.Stop()
	for _, line := range lines {
		for _, key := range line + kb.Enter {
			<-beat.C
			b.keys(string(key))
		}
	}
}

// answered waits until the desk has answered every scan.
func (b *tab) answered() {
	b.t.Helper()
	b.until("every scan to be answered", `document.getElementById("queue").textContent === "Every scan is answered."`)
}

// hears scans a line and waits for the words of its answer.
func (b *tab) hears(line string, words ...string) {
	b.t.Helper()
	n := b.read(`document.querySelector("form[data-scan]").dataset.answered || "0"`)
	b.scans(line)
	b.until("the answer to "+line,
		`["0", "`+n+`"].includes(document.querySelector("form[data-scan]").dataset.answered || "0") === false`)
	for _, w := range words {
		b.until(fmt.Sprintf("%q after %q", w, line), `document.getElementById("answer").innerText.includes(`+quoted(w)+`)`)
	}
}

// kind is the gravity of the last answer, which is its shape and its sound too.
func (b *tab) kind(want string) {
	b.t.Helper()
	b.until("an answer that is "+want, `document.querySelector("form[data-scan]").dataset.kind === `+quoted(want)+
		` &&
			document.querySelector("form[data-scan]").dataset.sounded === `+quoted(want)+` &&
			document.querySelector("#answer .heard."+`+quoted(want)+`+" svg.shape path")`)
}

// A clerk's main job, from the first click to the printed receipt and on to the lot, as README tells it.
func TestBayFromDoorToMelt(t *testing.T) {
	p := newPlace(t)
	p.consign("C-5", "thistlequay", []string{"B-51", "QM-51", "QM-52"}, []string{"B-52", "QM-53", "QM-54"})
	address, _ := p.open(p.config("quay", "dilly"))
	b := browse(t, address)
	b.unlock("dilly")
	b.linked(true)
	b.click("Receiving bayTake boxes over, scan and weigh bars, open lots, record melts.")
	b.says("At the door, to be taken over", "quillmoss/C-5 from quillmoss, 2 boxes", "was never checked")
	b.snap("bay")

	// Today's check.
	b.click("Check TB1")
	b.fill("nominal", "20 kg", 0)
	b.fill("observed", "20000.1", 0)
	b.says("passes: error +0.1 g")
	b.kept()
	b.click("Sign the check")
	b.says("The check of TB1 (passed) is recorded", "Receiving bay")

	// The boxes are taken over by our own count and reading.
	b.click("Take over quillmoss/C-5")
	b.says("2 boxes to be scanned", "Ready")
	b.snap("bay-take-ready")
	b.hears("B-99", "UNKNOWN", "is no box of quillmoss/C-5 that is due here")
	b.kind("wrong")
	b.hears("B-51", "is box 1 of 2")
	b.kind("good")
	b.hears("QS-OTHER", "QS-OTHER is no seal on record of box B-51")
	b.hears("QS-B-51", "QS-B-51 agrees; QS-OTHER is still extra on box B-51")
	b.kind("note")
	b.hears("undo")
	b.hears("undo")
	b.hears("B-52", "B-51: 1 seal not read") // on to the next without its seal
	b.kind("note")
	b.until("the side to say so", `document.getElementById("remain").innerText.includes("B-51: 1 seal not read")`)
	b.hears("undo", "UNDONE")
	b.hears("B-51", "ALREADY")
	b.hears("QS-B-51", "its seal agrees; boxes that remain: 1")
	b.kind("good")
	b.until("nothing to be unread", `!document.getElementById("remain").innerText.includes("not read")`)
	b.hears("B-51", "ALREADY")
	b.kind("note")
	b.strays("count", "B-52") // wherever the focus was
	b.until("the box to be open", `document.querySelector("#boxes tr.here").innerText.includes("B-52")`)
	b.hears("QS-OTHER", "is no seal on record of box B-52")
	b.kind("wrong")
	b.hears("undo", "UNDONE")
	b.hears("QS-OTHER")
	b.hears("! lid dented", "lid dented")
	b.snap("bay-take")
	b.scans("stop")
	b.until("the count to have the focus", `document.activeElement.name === "count"`)
	b.fill("count", "many")
	b.click("Sign that we took them")
	b.says("Type a whole number")
	b.snap("bay-take-refused")
	b.fill("count", "2")
	b.enter() // goes on; it does not sign
	b.until("the remarks to have the focus", `document.activeElement.name === "remarks"`)
	b.click("Sign that we took them")
	b.says("2 boxes read, 2 counted, recorded as entry", "Flagged by the record", "QS-OTHER")
	b.snap("bay-taken")
	b.printed("Print the custody receipt", "Custody receipt", "quillmoss/B-52", "QS-OTHER", "lid dented", "Taken by",
		"not stated", "must answer", "found QS-OTHER in place of")

	// Opened and weighed.
	b.click("Open and weigh")
	b.says("0 of 4 bars received", "Print custody receipt")
	entry := b.read(`[...document.querySelectorAll("main a")].find((a) =>
		a.href.includes("/papers/receipt/")).textContent.trim()`)
	// by either side's entry, and later
	b.printed(entry, "Custody receipt", "lid dented", "must answer", "found QS-OTHER in place of")
	b.snap("bay-consignment")
	b.click("Begin scanning")
	b.says("4 bars to be scanned", "TB1 was checked today")
	b.until("the field to have the focus", `document.activeElement.id === "scan"`)
	b.snap("bay-scan-ready")
	b.hears("QM-51", "NO BOX")
	b.kind("wrong")
	b.hears("B-51", "2 of 2 bars remain in it")
	b.silent("QS-B-51") // it is read off the box, not off the screen
	b.hears("QM-52", "1 seal not read")
	b.kind("note")
	b.hears("undo")
	b.hears("QS-WRONG", "no seal on record; nothing recorded. If you read it off box B-51: seal QS-WRONG")
	b.kind("wrong")
	b.read(`document.querySelector("#answer [data-say]").click(), ""`)
	b.until("its answer", `document.getElementById("answer").innerText.includes("is no seal on record of box B-51")`)
	b.hears("undo", "Seal QS-WRONG of box B-51")
	b.hears("QS-B-51", "its seal agrees")
	b.kind("good")
	b.hears("QM-77", "UNKNOWN", "If it is a bar: extra QM-77")
	b.kind("wrong")
	b.hears("QM-51", "weigh it twice")
	b.hears("18000.0", "once more")
	// the mean of .0 and .1 goes to the even division
	b.hears("18000.1", "18000.0 g, 3 remain", "Its weight here equals its weight at the pour")
	b.kind("good")
	b.snap("bay-scan-good")
	b.hears("QM-51", "ALREADY", "was scanned before")
	b.kind("note")
	b.snap("bay-scan-note")
	b.hears("QM-53", "WRONG BOX", "was advised in box B-52, found in B-51")
	b.hears("18000.2", "once more")
	b.hears("18001.9", "1.7 g apart")
	b.kind("wrong")
	b.hears("18000.2")
	b.hears("18000.2", "2 remain")
	b.hears("QM-52")
	b.hears("17990.1")
	b.hears("17990.1", "10.0 g lighter than its weight at the pour", "beyond the limit") // 18000.1 less 17990.1
	b.kind("wrong")
	b.snap("bay-scan-wrong")
	b.until("the weight among the differences",
		`document.getElementById("tally").innerText.includes("QM-52: Its weight here is 10.0 g lighter")`)
	b.hears("B-52")
	b.hears("QS-OTHER", "agrees with the taking over, not with the packing; d")
	b.kind("note")
	b.hears("extra QM-77", "NOT ADVISED")
	b.hears("500.0")
	b.hears("500.0", "1 remain")
	b.until("missing, extra and misplaced at a glance",
		`["Wrong box: QM-53", "Not advised: QM-77", "Missing so far: QM-54"].every((w) =>
			 document.getElementById("tally").innerText.includes(w))`)
	b.until("what the service found",
		`["weight on arrival", "bar extra"].every((w) =>
			 document.getElementById("found").innerText.toLowerCase().includes(w))`)
	b.until("all on record", `document.querySelectorAll("#received .ok").length === 4`)
	b.snap("bay-scan-differences")
	b.until("the camera's button where the browser reads barcodes, and only there",
		`Boolean(document.querySelector("[data-camera]").offsetParent) ===
			("BarcodeDetector" in window && Boolean(navigator.mediaDevices))`)

	// What was signed wrongly is put right by a correction, and both stay.
	b.click("Correct QM-52")
	b.says("As it was signed", "17990.1 g")
	b.snap("bay-correct")
	b.fill("readings", "18000.1 g, 18000.1 g")
	b.fill("reason", "the display was read upside down")
	b.click("Sign the correction")
	b.says("The correction of QM-52 is recorded")
	b.says("Missing so far: QM-54", "Not advised: QM-77")
	b.snap("bay-consignment-differs")
	b.printed("Print the arrival report", "Arrival report", "NOT COMPLETE", "quillmoss/QM-54", "18000.1 g",
		"seals, packed", "QS-B-52", "QS-OTHER", "by thistlequay")

	// A lot, its melt, its samples.
	b.click("Open a lot from received bars")
	b.fill("lot_id", "L-5")
	b.snap("bay-lot")
	b.click("Sign the lot")
	b.says("Lot L-5 is recorded", "Molten metal", "Two persons")
	b.fill("before", "54000")
	b.fill("after", "40000")
	b.says("more than the")
	b.fill("after", "53960")
	b.says("within the", "Received: 54000.", "less than was received")
	b.kept()
	b.snap("bay-melt")
	b.click("Read it again")
	b.says("Read it again, against the display", "53960 g", "not weighed")
	b.fill("after", "53961")
	b.says("within the")
	b.kept()
	b.click("Sign the melt")
	b.says("53961 g") // what was changed is read again
	b.click("Sign the melt")
	b.says("The melt of thistlequay/L-5 is recorded", "Take a sample")
	b.fill("sample_id", "SL-5")
	b.choose("method", "dip")
	for i, seal := range []string{"QS-1", "QS-2", "QS-3"} {
		b.fill("seal", seal, i)
	}
	b.snap("bay-sample")
	b.click("Sign the sample")
	b.says("Sample SL-5 is recorded")
	b.visit("/bay")
	b.snap("bay-later")
}

// gate is an address that stays while the desk behind it comes and goes.
type gate struct {
	mu   sync.Mutex
	to   string
	open []net.Conn
}

// newGate listens until the test ends. A connection that comes while there is no desk is closed.
func newGate(t *testing.T) (*gate, string) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	g := &gate{}
	t.Cleanup(func() { _ = listener.Close(); g.lead("") })
	go func() {
		for {
			from, err := listener.Accept()
			if err != nil {
				return
			}
			go g.pass(from)
		}
	}()
	return g, "http://" + listener.Addr().String()
}

// lead leads to another desk from now on, "" to none, and ends what is under way.
func (g *gate) lead(to string) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.to = strings.TrimPrefix(to, "http://")
	for _, c := range g.open {
		_ = c.Close() // that is the purpose
	}
	g.open = nil
}

func (g *gate) pass(from net.Conn) {
	defer from.Close()
	g.mu.Lock()
	to, err := net.Dial("tcp", g.to)
	if g.to == "" || err != nil {
		g.mu.Unlock()
		return
	}
	g.open = append(g.open, from, to)
	g.mu.Unlock()
	defer to.Close()
	go func() { _, _ = io.Copy(to, from); _ = to.Close() }()
	_, _ = io.Copy(from, to) // until either side ends
}

// Forty boxes are taken over and forty bars received at the speed of a scanner, without a touch of the mouse. In the
// middle the link is cut; then the desk is killed, while the scanner goes on, and started again; then the link comes
// back. The record has each bar once, with its own weight, out of its own box.
func TestFortyAtScannerSpeed(t *testing.T) {
	const forty = 40
	p := newPlace(t)
	p.quayChecked()
	var boxes [][]string
	for i := range forty {
		boxes = append(boxes, []string{fmt.Sprintf("B%d", 100+i), fmt.Sprintf("M%d", 100+i)})
	}
	p.consign("C-40", "thistlequay", boxes...)
	c := p.config("quay", "dilly")
	behind, address := newGate(t)
	desk, kill := p.openApart(c)
	behind.lead(desk)
	b := browse(t, address)
	b.unlock("dilly")
	b.linked(true)
	b.visit("/bay")
	b.click("Take over quillmoss/C-40")
	b.watch()
	for i := range forty {
		b.scans(boxes[i][0], "QS-"+boxes[i][0])
	}
	b.answered()
	b.says("0 boxes of 40 remain")
	b.took(t, "taking over")
	b.scans("stop")
	b.until("the count to have the focus", `document.activeElement.name === "count"`)
	b.keys("40")
	b.leaving("sign", `document.querySelector("form[action$=sign]").requestSubmit(), ""`)
	b.says("40 boxes read, 40 counted, recorded as entry", "The record flags nothing")
	b.click("Open and weigh")
	b.click("Begin scanning")

	bar := func(i int) []string {
		return []string{boxes[i][0] + " QS-" + boxes[i][0], boxes[i][1], strings.TrimSuffix(weightOf(i, 1), " g"),
			strings.TrimSuffix(weightOf(i, 1), " g")}
	}
	b.watch()
	for i := range 12 {
		b.scans(bar(i)...)
	}
	p.down() // the link
	for i := 12; i < 22; i++ {
		b.scans(bar(i)...)
	}
	b.answered() // without a link too
	b.says("18 bars of 40 remain")
	b.took(t, "receiving")
	b.linked(false)
	b.snap("bay-scan-link-down")
	run := b.read("location.pathname")
	b.click("Correct M121")
	b.says("This receipt waits to be sent and may have been sent already")
	b.snap("bay-correct-waits")
	b.visit(run)
	b.scans(bar(22)...)
	behind.lead("")
	kill() // the power
	for i := 23; i < 30; i++ {
		b.scans(bar(i)...)
	}
	b.says("scans wait for this desk, kept in this window", "This desk does not answer. Go on scanning")
	b.snap("bay-scan-desk-gone")
	desk, _ = p.openApart(c)
	behind.lead(desk)
	b.says("The desk was locked or started anew")
	b.scans(bar(30)...)
	b.snap("bay-scan-locked")
	b.click("Unlock the desk")
	b.choose("key", b.read(`[...document.querySelectorAll("select[name=key] option")].find((o) =>
		o.text.startsWith(`+quoted(names["dilly"])+`)).text`))
	b.fill("passphrase", passphrase)
	b.click("Unlock")
	b.answered()
	b.says("9 bars of 40 remain")
	p.up()
	for i := 31; i < forty; i++ {
		b.scans(bar(i)...)
	}
	b.answered()
	b.says("0 bars of 40 remain", "Nothing is missing")
	b.until("all forty on record", `document.querySelectorAll("#received .ok").length === 40`)
	b.until("an empty outbox", `document.getElementById("bar").textContent.includes("none waiting, none refused")`)
	b.scans("stop")
	b.says("40 of 40 bars received", "Every bar advised is here")

	for i, r := range p.received() {
		want := fmt.Sprintf("quillmoss/%s out of quillmoss/%s with [QS-%s] %s", boxes[i][1], boxes[i][0], boxes[i][0],
			weightOf(i, 1))
		if r != want {
			t.Errorf("the record has %q where %q was scanned", r, want)
		}
	}
	if n := len(p.received()); n != forty {
		t.Errorf("%d receipts are on record, %d bars were scanned", n, forty)
	}
}

// received reads the receipts of bars from the ledger, past every desk, in the order of their marks.
func (p *place) received() (list []string) {
	p.t.Helper()
	key := p.keyOf("fennimore")
	s, err := station.Open(station.Config{Home: p.homeOf(key), Server: p.address, LogKey: p.logKey})
	if err != nil {
		p.t.Fatal(err)
	}
	defer s.Close()
	s.Use(key)
	ctx, cancel := context.WithTimeout(context.Background(), long)
	defer cancel()
	ledger, err := s.Ledger(ctx)
	if err != nil {
		p.t.Fatal(err)
	}
	page, err := ledger.ListEntries(ctx, &pb.ListEntriesRequest{Kind: "bar_received", PageSize: 500})
	if err != nil {
		p.t.Fatal(err)
	}
	for _, e := range page.GetEntries() {
		r := e.GetEvent().GetBarReceived()
		list = append(list, fmt.Sprintf("%s out of %s with %v %s", r.GetBar(), r.GetBox(), r.GetSeals(),
			strings.Join(slices.Compact(r.GetReadings()), " ")))
	}
	sort.Strings(list)
	return list
}

// watch notes how long each answer takes from Enter, for who wants to know; nothing is demanded of it.
func (b *tab) watch() {
	b.t.Helper()
	b.read(`(() => { window.took = []; const f = document.querySelector("form[data-scan]");
		new MutationObserver(() => window.took.push(Number(f.dataset.took)))
			.observe(f, {attributes: true, attributeFilter: ["data-took"]}); return ""; })()`)
}

// strays types a scan into another field, as a scanner does whose window has the focus elsewhere: as events of one
// moment, because how fast a test types is not in its hands.
func (b *tab) strays(name, line string) {
	b.t.Helper()
	b.read(`(() => { const at = document.querySelector("[name=` + name + `]"); at.focus();
		for (const key of [...` + quoted(line) + `, "Enter"]) {
			const go = at.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, cancelable: true}));
			if (go && key.length === 1) at.value += key;
		} return ""; })()`)
	b.until("the field to be as it was", `document.querySelector("[name=`+name+`]").value === ""`)
}

// took logs what watch noted.
func (b *tab) took(t *testing.T, what string) {
	t.Helper()
	text := b.read(`JSON.stringify((window.took || []).sort((a, b) => a - b))`)
	var all []float64
	for _, one := range strings.Split(strings.Trim(text, "[]"), ",") {
		if ms, err := strconv.ParseFloat(one, 64); err == nil {
			all = append(all, ms)
		}
	}
	if n := len(all); n > 0 {
		t.Logf("%s: %d scans were answered in %.0f ms (middle), %.0f ms (95 of 100), %.0f ms (slowest)", what, n, all[n/2],
			all[n*95/100], all[n-1])
	}
}

// A scan that is sent twice is taken once; one of another window, out of turn, is not taken at all and says so.
// Without the script the page is a form of one line. A custodian takes boxes over and opens none.
func TestScansKeepTheirOrder(t *testing.T) {
	p := newPlace(t)
	p.quayChecked()
	p.consign("C-6", "thistlequay", []string{"B-61", "QM-61", "QM-62"})
	p.consign("C-7", "pebblewing", []string{"B-71", "QM-71"})
	address, _ := p.open(p.config("quay", "dilly"))
	b := browse(t, address)
	b.unlock("dilly")
	b.linked(true)
	b.visit("/bay/consignment/quillmoss/C-6")
	b.click("Begin scanning")
	b.hears("B-61 QS-B-61", "its seal agrees")
	send := func(page, n, text string) string {
		return b.read(`(async () => { const f = document.querySelector("form[data-scan]");
			const r = await fetch(f.action, {method: "POST", headers: {"X-Desk-Live": "1"},
			body: new URLSearchParams({token: f.elements.token.value, page: ` + quoted(page) + ` || f.elements.page.value,
				n: ` + quoted(n) + `, text: ` + quoted(text) + `})});
			const a = await r.json(); return [r.status, a.lines, a.kind, a.mixed ? "mixed" : "taken"].join(" "); })()`)
	}
	for _, step := range [][4]string{
		{"", "1", "B-61 QS-B-61", "200 1 good taken"}, // again
		{"", "1", "B-61 QS-OTHER", "200 1 wrong mixed"},
		{"other", "1", "B-61 QS-B-61", "200 1 wrong mixed"},
		{"", "3", "QM-61", "200 1 wrong mixed"},
		{"", "2", "QM-61 18000.0 18000.0", "200 2 good taken"},
		{"", "2", "QM-61 18000.0 18000.0", "200 2 good taken"}, // again
	} {
		if got := send(step[0], step[1], step[2]); got != step[3] {
			t.Errorf("%q as %s: %s, want %s", step[2], step[1], got, step[3])
		}
	}
	b.until("the bar on record", `document.querySelectorAll("#received .ok").length === 1`)
	if got := p.received(); len(got) != 1 {
		t.Errorf("on record: %q", got)
	}
	b.scans("QM-61") // this window does not know of line 2
	b.says("Another window has scanned into this run", "Not taken: QM-61")
	b.snap("bay-scan-mixed")
	b.click("Load this page again")
	b.hears("QM-61", "ALREADY")
	plain := b.read(`(async () => { const f = document.querySelector("form[data-scan]");
		const r = await fetch(f.action, {method: "POST",
			body: new URLSearchParams({token: f.elements.token.value, page: "plain", n: "4", text: "QM-404"})});
		return r.status + " " + new URL(r.url).pathname.split("/").slice(0, 3).join("/") + " " +
			(await r.text()).includes("is no box and no bar of quillmoss/C-6"); })()`)
	if plain != "200 /bay/shift true" {
		t.Errorf("without the script: %s", plain)
	}

	// A bar that was received at another workstation meanwhile: this one does not know, and the service does.
	p.as("dilly", &pb.BarReceived{Consignment: "quillmoss/C-6", Box: "quillmoss/B-61", Bar: "quillmoss/QM-62",
		Seals: []string{"QS-B-61"}, Balance: "thistlequay/TB1", Readings: []string{weightOf(1, 0), weightOf(1, 0)}})
	b.visit(b.read("location.pathname"))
	b.hears("QM-62 18000.1 18000.1", "0 remain")
	b.until("the refusal", `document.getElementById("found").innerText.includes("has been received already")`)
	b.snap("bay-scan-refused")
	b.click("Correct QM-62")
	b.says("nothing of it is on record and there is nothing to correct")
	b.snap("bay-correct-refused")
	b.visit("/bay/shift/" + strings.Repeat("0", 8) + "-0000-4000-8000-" + strings.Repeat("0", 12))
	b.says("This scanning is not known on this workstation")

	carrier, _ := p.open(p.config("carrier", "hob"))
	h := browse(t, carrier)
	h.unlock("hob")
	h.linked(true)
	h.visit("/bay")
	h.says("quillmoss/C-7 from quillmoss, 1 box")
	h.silent("Advised to us")
	h.click("Take over quillmoss/C-7")
	h.hears("B-71 QS-B-71", "0 boxes of 1 remain")
	p.down()
	h.linked(false)
	h.fill("count", "1")
	h.click("Sign that we took them")
	h.says("1 box read, 1 counted. Signed and kept here")
	h.snap("bay-taken-waits")
	h.printed("Print the custody receipt", "Custody receipt", "PROVISIONAL", "waits to be sent")
	p.up()
	h.says("1 box read, 1 counted, recorded as entry")

	// What they hold they give on, by their own reading.
	h.visit("/bay/consignment/quillmoss/C-7")
	h.says("1 box held by pebblewing")
	h.silent("Missing so far")
	h.silent("bars received")
	h.visit("/bay")
	h.says("In your hands", "quillmoss/C-7, 1 box")
	h.snap("bay-hands")
	h.click("Release quillmoss/C-7 to the next party")
	h.says("Boxes in your hands, their seals as you read them now")
	h.choose("to_party", "thistlequay, its refinery")
	h.fill("seals", "QS-WRONG")
	h.says("QS-WRONG not on record")
	h.fill("seals", "QS-B-71")
	h.says("its seal agrees")
	h.kept()
	h.snap("bay-release")
	h.click("Sign the release")
	h.says("The release of quillmoss/C-7 to thistlequay is recorded", "1 box held by pebblewing, released to thistlequay")
	h.visit("/bay")
	h.says("pebblewing holds no box")
	b.visit("/bay")
	b.says("quillmoss/C-7 from pebblewing, 1 box")
}

// Where the browser reads barcodes by itself, the camera scans. Not every Chromium does, so the reader is a stand-in of
// the same interface (W3C community group, Accelerated Shape Detection in Images).
func TestCameraScans(t *testing.T) {
	p := newPlace(t)
	p.consign("C-8", "thistlequay", []string{"B-81", "QM-81"})
	address, _ := p.open(p.config("quay", "dilly"))
	b := browse(t, address)
	b.do("a stand-in", chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := chromedp.Call(ctx, cdpage.AddScriptToEvaluateOnNewDocument,
			cdpage.AddScriptToEvaluateOnNewDocumentParams{Source: `
			window.BarcodeDetector = class Reader { async detect() { return window.shown ? [{rawValue: window.shown}] : []; } };
			Object.defineProperty(navigator, "mediaDevices", {value: {
				getUserMedia: async () => document.createElement("canvas").captureStream()}});`})
		return err
	}))
	b.unlock("dilly")
	b.linked(true)
	b.visit("/bay")
	b.click("Take over quillmoss/C-8")
	b.until("the button", `document.querySelector("[data-camera]").offsetParent`)
	b.read(`window.shown = "B-81", document.querySelector("[data-camera]").click(), ""`)
	b.says("is box 1 of 1")
	b.snap("bay-camera")
	b.read(`document.querySelector("[data-camera]").click(), ""`)
	b.until("the camera to be closed", `document.getElementById("camera").hidden`)
}
