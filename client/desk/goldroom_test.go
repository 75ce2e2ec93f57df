package desk

import (
	"fmt"
	"strings"
	"testing"
)

// The gold room's main job, from the first click to the printed sheet, as README tells it.
func TestGoldRoomFromCheckToRelease(t *testing.T) {
	p := newPlace(t)
	address, _ := p.open(p.config("mine", "ibbet", "tamsin"))
	b := browse(t, address)
	b.unlock("ibbet")
	b.linked(true)
	b.says("Before the first pour", "Check the balance")
	b.snap("first-run")

	// Today's check: expected against found, with the verdict while it is typed.
	b.click("Check it now")
	b.fill("nominal", "20 kg", 0)
	b.says("type what the balance shows")
	b.silent("Nothing is typed yet")
	b.fill("observed", "", 0)
	b.enter() // without a reading the hand stays where it is
	b.focused("observed", 0)
	b.keys("20000.1")
	b.says("passes: error +0.1 g", "20000.1 g") // with the unit that it was taken in
	b.fill("nominal", "10 kg", 1)
	b.fill("observed", "10000.9", 1)
	b.says("FAILS", "does not pass") // OIML R 76: at 10 kg and e = 0.1 g class I, 1 e and in service 2 e, is 0.2 g
	b.fill("observed", "10000.0", 1)
	b.says("Every weight so far is within")
	b.kept()
	b.snap("balance-check")
	b.click("Sign the check")
	b.says("is recorded as entry", "checked today")

	// The pour: Enter alone takes the hand from field to field.
	b.click("Log a new pour")
	b.fill("pour_id", "P-41")
	b.enter()
	b.focused("expected", 0)
	b.keys("39500")
	b.enter()
	b.focused("mark", 0)
	b.keys("QM-0501")
	b.enter()
	b.keys("18452.3")
	b.enter()
	b.says("lift it off and weigh it again")
	b.keys("18453.3")
	b.says("1.0 g apart, above the repeatability of 0.2 g")
	b.snap("pour-disagree")
	b.fill("reading2", "18452.4", 0)
	b.says("0.1 g apart, agreed")
	b.enter() // the second row
	b.keys("QM-0502")
	b.enter()
	b.keys("21030,6")
	b.says("has a comma")
	b.fill("reading1", "21030.6", 1)
	b.enter()
	b.keys("21030.8")
	b.says("less than expected")
	b.enter()
	b.keys("QM-0501")
	b.says("is in this pour already")
	b.kept()
	b.click("Read and sign")
	b.says("This cannot be signed yet", "is in this pour already")
	b.focused("mark", 2) // the first that is wrong
	b.snap("pour-not-yet")
	b.empty("mark", 2)
	b.kept()
	b.snap("pour")
	b.click("Read and sign")
	b.says("Read and sign pour P-41")
	b.snap("pour-sign")
	// Pressed twice it signs nothing: nobody is chosen as witness, neither by the page nor by the desk.
	if got := b.read(`(async () => { const form = document.querySelector("main form");
		const r = await fetch(form.action, {method: "POST", body: new URLSearchParams(new FormData(form))});
		return form.checkValidity() + " " + r.status; })()`); got != "false 422" {
		t.Errorf("signing with no word on the witness: %s", got)
	}
	b.choose("witness", "tamsin")
	b.fill("witness_passphrase", "not the one")
	b.click("Sign the pour")
	b.says("It does not open the key of the witness")
	b.choose("witness", names["tamsin"][:0]+"tamsin")
	b.fill("witness_passphrase", passphrase)
	b.click("Sign the pour")
	b.says("Pour P-41 is recorded as entry", "Witnessed by "+names["tamsin"], "by "+names["ibbet"]+" of quillmoss")
	b.snap("pour-record")
	b.printed("Print the pour sheet", "Pour sheet", "QM-0501", "18452.4 g", "quillmoss/P-41")
	b.printed("Print the bar labels", "QM-0502")

	b.click("Take a sample")
	b.fill("sample_id", "S-41")
	b.choose("method", "dip")
	b.fill("seal", "QS-9201", 0)
	b.fill("seal", "QS-9202", 1)
	b.snap("sample")
	b.click("Sign the sample")
	b.says("Sample S-41 is recorded", "Pour P-41") // back where it came from
	b.printed("Print the packet labels", "QS-9201", "quillmoss/S-41")
	b.click("Take a sample")
	b.printed("Packet labels of S-41", "QS-9202")

	// A scanner types Enter after each number: it adds a blank, and signs nothing.
	b.visit("/goldroom/pack")
	b.fill("box_id", "B-11")
	b.enter()
	b.focused("seals", 0)
	b.keys("QS-7201")
	b.enter()
	b.keys("QS-7202")
	b.enter()
	b.enter()
	b.holds("seals", "QS-7201 QS-7202 ")
	b.fill("gross", "41623.0")
	b.tick("bar", "QM-0501")
	b.fill("bars", "")
	b.keys("QM-0502")
	b.enter()
	b.holds("bars", "QM-0502 ")
	b.silent("is recorded")
	b.snap("pack")
	b.click("Read and sign")
	b.says("Read and sign box B-11", "2 bars in it", "QM-0502", "2 seals on it", "QS-7202", "41623.0 g")
	b.silent("is recorded")
	b.snap("pack-sign")
	b.click("Back to the box")
	b.holds("seals", "QS-7201 QS-7202")
	b.click("Read and sign")
	b.click("Sign the box")
	b.says("Box B-11 is recorded", "QS-7201")
	b.printed("Print", "B-11")

	b.click("On to the consignment")
	b.fill("consignment_id", "C-8")
	if got := b.read(`document.querySelector("[name=carrier]").value`); got != "" {
		t.Errorf("%q carries it, though nobody chose", got)
	}
	b.choose("carrier", "Pebblewing")
	b.tick("boxes", "B-11")
	b.snap("advise")
	b.click("Sign the advice")
	b.says("Consignment C-8 is recorded", "Release to the carrier")
	b.fill("gross", "QS-7202")
	b.says("Gross:", "A seal goes into Seals") // said in the row at once
	b.fill("seals", "QS-7201")
	b.enter()
	b.focused("seals", 0)
	b.says("Gross:")
	b.kept()
	b.click("Sign the release")
	b.says("This cannot be signed yet", "Gross: ")
	b.focused("gross", 0)
	b.fill("gross", "41623.0")
	b.says("1 of 2 seals read")
	b.fill("seals", "QS-7201 QS-7299")
	b.says("packed under QS-7201, QS-7202")
	b.fill("seals", "QS-7202 QS-7201")
	b.says("as packed")
	b.kept()
	b.snap("release")
	b.click("Sign the release")
	b.says("is recorded as entry", "C-8 to thistlequay: released")
	b.printed("Print the custody receipt", "QS-7202", "pebblewing")
	b.printed("Custody receipt of C-8", "QS-7202")
	b.printed("Advice of C-8", "B-11")
	b.snap("goldroom")
	b.visit("/goldroom/consignments")
	b.says("C-8 to thistlequay")
	b.snap("consignments")
	b.visit("/goldroom/pours")
	b.says("P-41", names["tamsin"])
	b.snap("pours")
	b.visit("/outbox")
	b.says("Pour recorded", "Nothing was refused", "Nothing waits")
	b.snap("outbox")
	if n := strings.Count(b.text(), "Pour recorded"); n != 1 {
		t.Errorf("the pour is in the outbox %d times", n)
	}
}

// Readings that disagree are signed only where the officer says so, and then as they are. A witness who was not at the
// screen signs later, from a desk of their own.
func TestReadingsKeptAsTheyAre(t *testing.T) {
	p := newPlace(t)
	address, _ := p.open(p.config("mine", "ibbet"))
	b := browse(t, address)
	b.unlock("ibbet")
	b.linked(true)
	b.visit("/goldroom")
	b.says("was never checked")
	b.click("Log a new pour")
	b.fill("pour_id", "P-70")
	b.fill("mark", "QM-1001")
	b.enter()
	b.keys("18452.3")
	b.enter()
	b.keys("18453.3")
	b.says("1.0 g apart")
	b.kept()
	b.click("Read and sign")
	b.says("The readings of 1 bar do not agree")
	b.tick("keep", "yes")
	b.kept()
	b.click("Read and sign")
	b.says("disagree", "was never checked")
	b.choose("witness", "Nobody now")
	b.click("Sign the pour")
	b.says("Pour P-70 is recorded", "Flagged:", "No witness has signed yet")

	// Its number and its mark are used now, which the next pour is told while it is typed.
	b.visit("/goldroom")
	b.says("Pours that no witness has signed", "Pour P-70, 1 bar")
	b.click("Log a new pour")
	b.fill("pour_id", "P-70")
	b.says("Pour P-70 is on record already")
	b.fill("mark", "QM-1001")
	b.says("QM-1001 is on record already")
	b.kept()
	b.click("Read and sign")
	b.says("This cannot be signed yet")
	b.focused("pour_id", 0)
	b.fill("pour_id", "P-71")
	b.kept()
	b.click("Read and sign")
	b.says("This cannot be signed yet")
	b.focused("mark", 0)

	other, _ := p.open(p.config("office", "tamsin"))
	w := browse(t, other)
	w.unlock("tamsin")
	w.linked(true)
	w.says("Pours that no witness has signed")
	w.snap("start-unwitnessed")
	w.read(`document.querySelector("section[aria-labelledby=unwitnessed] a").click(), ""`)
	w.says("No witness has signed yet")
	w.choose("witness", names["tamsin"])
	w.click("Sign as witness")
	w.says("is recorded as entry", "Witnessed by "+names["tamsin"])
	w.visit("/")
	w.says("You act as")
	w.silent("Pours that no witness has signed")
}

// focused waits until the n-th input of a name has the focus.
func (b *tab) focused(name string, n int) {
	b.t.Helper()
	b.until(fmt.Sprintf("input %s, %d to have the focus", name, n),
		fmt.Sprintf(`document.querySelectorAll("main [name=%s]")[%d] === document.activeElement`, name, n))
}

// holds waits until the first input of a name holds a text.
func (b *tab) holds(name, text string) {
	b.t.Helper()
	b.until("input "+name+" to hold "+text,
		fmt.Sprintf(`document.querySelector("main [name=%s]").value === %s`, name, quoted(text)))
}

// Who is known to have no work at a pour is not offered as its witness; who is not known may be one.
func TestWhoMayWitness(t *testing.T) {
	for roles, want := range map[string]bool{"": true, "witness": true, "assayer gold_room_officer": true,
		"commercial_manager": false, "administrator assayer": false} {
		if got := mayWitness(roles); got != want {
			t.Errorf("%q: %t", roles, got)
		}
	}
}
